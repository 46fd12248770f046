//! Resonance spectra: line shape, width, saturation, contrast.
