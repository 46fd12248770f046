//! Settings the lock-in can't take.

/// A setting the lock-in can't take.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum LockinError {
    /// Filter orders are 1 to 4.
    #[error("the filter order must be 1, 2, 3 or 4, not {0}")]
    Order(u32),
    /// Time constants are positive and finite.
    #[error("the time constant must be above zero, not {0} s")]
    TimeConstant(f64),
}
