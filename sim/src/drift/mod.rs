//! Drift and creep of the scanner.
