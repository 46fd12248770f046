//! Fits against certified values, over coverage of their errors, on shapes and on bad data.

mod bad_data;
mod coverage;
mod nist;
mod own;
mod references;
mod shapes;
mod trust;
