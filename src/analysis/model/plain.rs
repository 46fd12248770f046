//! The curves with one feature.

use std::f64::consts::LN_2;

fn background(from_reference: f64, offset: f64, slope: f64) -> f64 {
    offset + slope * from_reference
}

/// Parameters: centre, width, height, offset, slope.
pub(super) fn lorentzian(x: f64, reference: f64, p: &[f64], gradient: Option<&mut [f64]>) -> f64 {
    let delta = 2.0 * (x - p[0]) / p[1];
    let shape = 1.0 / (1.0 + delta * delta);
    if let Some(g) = gradient {
        let by_delta = -2.0 * p[2] * delta * shape * shape;
        bell(g, by_delta, delta, shape, p[1], x - reference);
    }
    background(x - reference, p[3], p[4]) + p[2] * shape
}

/// Parameters: centre, width, height, offset, slope.
pub(super) fn gaussian(x: f64, reference: f64, p: &[f64], gradient: Option<&mut [f64]>) -> f64 {
    let delta = 2.0 * (x - p[0]) / p[1];
    let shape = (-LN_2 * delta * delta).exp();
    if let Some(g) = gradient {
        let by_delta = -2.0 * LN_2 * p[2] * delta * shape;
        bell(g, by_delta, delta, shape, p[1], x - reference);
    }
    background(x - reference, p[3], p[4]) + p[2] * shape
}

fn bell(g: &mut [f64], by_delta: f64, delta: f64, shape: f64, width: f64, from_reference: f64) {
    g[0] = -2.0 / width * by_delta;
    g[1] = -delta / width * by_delta;
    g[2] = shape;
    g[3] = 1.0;
    g[4] = from_reference;
}

/// Parameters: height, time, offset.
pub(super) fn decay(x: f64, p: &[f64], gradient: Option<&mut [f64]>) -> f64 {
    let shape = (-x / p[1]).exp();
    if let Some(g) = gradient {
        g[0] = shape;
        g[1] = p[0] * shape * x / (p[1] * p[1]);
        g[2] = 1.0;
    }
    p[2] + p[0] * shape
}

/// Parameters: current, kappa, offset.
pub(super) fn approach(x: f64, p: &[f64], gradient: Option<&mut [f64]>) -> f64 {
    let shape = (-2.0 * p[1] * x).exp();
    if let Some(g) = gradient {
        g[0] = shape;
        g[1] = -2.0 * x * p[0] * shape;
        g[2] = 1.0;
    }
    p[2] + p[0] * shape
}
