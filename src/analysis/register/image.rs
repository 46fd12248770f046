//! A rectangular image of numbers.

use crate::analysis::realness::{Unusable, at_least, finite};

/// A view of row-major values; `values[row * width + column]`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Image<'a> {
    width: usize,
    height: usize,
    values: &'a [f64],
}

/// Largest number of points on a side; keeps the transforms' memory in bounds.
const LARGEST_SIDE: usize = 4096;

impl<'a> Image<'a> {
    /// Wraps values after checking them.
    ///
    /// # Errors
    /// Refuses sides below 8 or above 4096 points, a length other than width times height, and unusable numbers.
    ///
    /// ```
    /// use noctule::analysis::register::Image;
    /// assert!(Image::new(16, 8, &[0.0; 128]).is_ok());
    /// assert!(Image::new(16, 8, &[0.0; 127]).is_err());
    /// ```
    pub fn new(width: usize, height: usize, values: &'a [f64]) -> Result<Image<'a>, Unusable> {
        at_least(values.len(), 64, "image points")?;
        for side in [width, height] {
            if !(8..=LARGEST_SIDE).contains(&side) {
                let value = side as f64;
                return Err(Unusable::OutOfRange { what: "A side of the image", value, range: "8 to 4096" });
            }
        }
        if values.len() != width * height {
            return Err(Unusable::LengthMismatch {
                left: "image points",
                left_len: values.len(),
                right: "places",
                right_len: width * height,
            });
        }
        finite(values, "image points")?;
        Ok(Image { width, height, values })
    }

    /// Points in a row.
    pub fn width(&self) -> usize {
        self.width
    }
    /// Number of rows.
    pub fn height(&self) -> usize {
        self.height
    }
    /// The values, row by row.
    pub fn values(&self) -> &'a [f64] {
        self.values
    }
}
