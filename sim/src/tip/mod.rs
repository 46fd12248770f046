//! The tip: apex moment, fields, switching, pick-up and drop.
