//! The asymmetric line with a sloping background.

/// Value; `from_reference` and `from_centre` are distances of x, `p` is width, height, asymmetry, offset, slope.
pub(super) fn value(from_reference: f64, from_centre: f64, p: &[f64]) -> f64 {
    let delta = 2.0 * from_centre / p[0];
    p[3] + p[4] * from_reference + p[1] * (1.0 + p[2] * delta) / (1.0 + delta * delta)
}

/// Value and derivatives by centre, width, height, asymmetry, offset, slope.
pub(super) fn gradient(from_reference: f64, from_centre: f64, p: &[f64], g: &mut [f64]) -> f64 {
    let [width, height, asymmetry] = [p[0], p[1], p[2]];
    let delta = 2.0 * from_centre / width;
    let even = 1.0 / (1.0 + delta * delta);
    let odd = delta * even;
    // d/d(delta) of even is -2 even·odd, of odd it is even² - odd² = even - 2 odd².
    let by_delta = height * (-2.0 * even * odd + asymmetry * (even - 2.0 * odd * odd));
    g[0] = -2.0 / width * by_delta;
    g[1] = -delta / width * by_delta;
    g[2] = even + asymmetry * odd;
    g[3] = height * odd;
    g[4] = 1.0;
    g[5] = from_reference;
    p[3] + p[4] * from_reference + height * g[2]
}
