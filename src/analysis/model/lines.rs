//! Several asymmetric lines on one background.

use super::Model;

/// Where the parameters of a set of lines lie.
struct Places {
    count: usize,
    width: usize,
    shared_width: bool,
    equal_spacing: bool,
    asymmetry: usize,
    reference: f64,
}

impl Places {
    fn of(model: &Model) -> Self {
        let Model::Lines { count, shared_width, equal_spacing, reference } = model else {
            unreachable!("called for a set of lines only");
        };
        let width = if *equal_spacing { 2 } else { *count };
        let asymmetry = width + if *shared_width { 1 } else { *count };
        Self {
            count: *count,
            width,
            shared_width: *shared_width,
            equal_spacing: *equal_spacing,
            asymmetry,
            reference: *reference,
        }
    }

    /// Place of line k in spacings from the middle of the set.
    fn rank(&self, k: usize) -> f64 {
        k as f64 - 0.5 * (self.count - 1) as f64
    }

    fn width_of(&self, k: usize) -> usize {
        self.width + if self.shared_width { 0 } else { k }
    }
}

/// Value of a set of lines, and its derivatives where wanted.
pub(super) fn value(model: &Model, x: f64, p: &[f64], gradient: Option<&mut [f64]>) -> f64 {
    let places = Places::of(model);
    let heights = places.asymmetry + 1;
    let offset = heights + places.count;
    let asymmetry = p[places.asymmetry];
    let mut sum = p[offset] + p[offset + 1] * (x - places.reference);
    let mut rows = gradient;
    if let Some(g) = rows.as_deref_mut() {
        g.fill(0.0);
        g[offset] = 1.0;
        g[offset + 1] = x - places.reference;
    }
    for k in 0..places.count {
        let centre = if places.equal_spacing { p[0] + places.rank(k) * p[1] } else { p[k] };
        let width = p[places.width_of(k)];
        let height = p[heights + k];
        let delta = 2.0 * (x - centre) / width;
        let even = 1.0 / (1.0 + delta * delta);
        let odd = delta * even;
        sum += height * (even + asymmetry * odd);
        if let Some(g) = rows.as_deref_mut() {
            let by_delta = height * (-2.0 * even * odd + asymmetry * (even - 2.0 * odd * odd));
            let by_centre = -2.0 / width * by_delta;
            if places.equal_spacing {
                g[0] += by_centre;
                g[1] += places.rank(k) * by_centre;
            } else {
                g[k] += by_centre;
            }
            g[places.width_of(k)] += -delta / width * by_delta;
            g[places.asymmetry] += height * odd;
            g[heights + k] = even + asymmetry * odd;
        }
    }
    sum
}
