//! World files: everything a simulated microscope is made of.
