//! Noise sources, each with a random stream of its own.
