//! A fast scheme for the asymmetric line: four of its six parameters are linear.
//!
//! With d = (t - centre)/(width/2), u = 1/(1 + d²), v = d u, the model is a combination of 1, t, u, v. Its
//! derivatives by centre and width are combinations of u, v, uv, v² (because u² = u - v²), so the products of
//! six functions, summed in one pass over the data, hold all that a Gauss-Newton step needs: the best linear
//! parameters, the reduced sum of squares, the step in centre and width, and the covariance in the end.
//! Linear parameters are eliminated at each step (variable projection, SIAM J. Numer. Anal. 10, 413 (1973), from
//! memory, not checked). Formulas derived here.

use wide::f64x2;

/// Points in scaled coordinates: x on [-1, 1] in rising order, y about zero with largest magnitude one.
pub(crate) struct Scaled {
    pub(crate) t: Vec<f64>,
    pub(crate) z: Vec<f64>,
    /// Both with their weights, of two points at once; where the last point is alone, nothing stands beside it.
    pairs: Vec<[f64x2; 3]>,
    /// Sums of 1, t, t t, z, t z, z z, weighted.
    base: [f64; 6],
}

/// Sums of products of the six functions 1, t, u, v, uv, v² with each other and with the data.
struct Gram {
    products: [[f64; 6]; 6],
    data: [f64; 6],
}

/// A trial position with the best linear parameters for it.
pub(crate) struct Point {
    pub(crate) centre: f64,
    pub(crate) width: f64,
    /// Factors of 1, t, u, v.
    pub(crate) linear: [f64; 4],
    /// Weighted sum of squared residuals.
    pub(crate) sum: f64,
    gram: Gram,
    factor: [[f64; 4]; 4],
}

/// Where an iteration ended.
pub(crate) struct Settled {
    pub(crate) point: Point,
    pub(crate) converged: bool,
    pub(crate) iterations: usize,
}

/// Limits of the search in scaled coordinates.
#[derive(Clone, Copy)]
pub(crate) struct Limits {
    pub(crate) centre: (f64, f64),
    pub(crate) width: (f64, f64),
}

/// Smallest share of a column that must be left after the others are taken out of it.
const LEAST_SHARE: f64 = 1e-10;

const ITERATIONS: usize = 80;

/// So near to a minimum, in its width, there is no other one.
const SAME_PLACE: f64 = 0.01;

/// Lower triangular factor of a symmetric positive matrix, or `None` if it is too close to singular.
fn cholesky<const N: usize>(a: &[[f64; N]; N]) -> Option<[[f64; N]; N]> {
    let mut l = [[0.0; N]; N];
    for i in 0..N {
        for j in 0..=i {
            let taken: f64 = l[i].iter().zip(&l[j]).take(j).map(|(a, b)| a * b).sum();
            let rest = a[i][j] - taken;
            if i == j {
                // Turned round so that a pivot that is not a number fails too.
                let sound = rest > LEAST_SHARE * a[i][i] && rest > 0.0;
                if !sound {
                    return None;
                }
                l[i][i] = rest.sqrt();
            } else {
                l[i][j] = rest / l[j][j];
            }
        }
    }
    Some(l)
}

/// Solves L Lᵀ x = b.
fn solve<const N: usize>(l: &[[f64; N]; N], b: &[f64; N]) -> [f64; N] {
    let mut x = *b;
    for i in 0..N {
        for k in 0..i {
            x[i] -= l[i][k] * x[k];
        }
        x[i] /= l[i][i];
    }
    for i in (0..N).rev() {
        for k in i + 1..N {
            x[i] -= l[k][i] * x[k];
        }
        x[i] /= l[i][i];
    }
    x
}

/// Pairs of points whose curves are kept from the first sums to the second.
const BLOCK: usize = 32;

/// Sums that the curves themselves need: of u, v, uv, v², then of u and v times t, then times z. Points with even and with
/// odd number are added side by side.
#[derive(Default)]
struct First([f64x2; 8]);

/// Sums that the derivatives need besides: of uv and v² times t, of v² times u, v, uv, v², then of uv and v² times z.
#[derive(Default)]
struct Second([f64x2; 8]);

impl First {
    #[inline]
    fn add(&mut self, t: f64x2, z: f64x2, (wu, wv): (f64x2, f64x2), v: f64x2) {
        let terms = [wu, wv, wu * v, wv * v, t * wu, t * wv, z * wu, z * wv];
        for (sum, term) in self.0.iter_mut().zip(terms) {
            *sum += term;
        }
    }
}

impl Second {
    #[inline]
    fn add(&mut self, t: f64x2, z: f64x2, (wu, wv): (f64x2, f64x2), (u, v): (f64x2, f64x2)) {
        let (wp, wq) = (wu * v, wv * v);
        let terms = [t * wp, t * wq, u * wq, v * wq, v * wq * u, v * wq * v, z * wp, z * wq];
        for (sum, term) in self.0.iter_mut().zip(terms) {
            *sum += term;
        }
    }
}

impl Scaled {
    /// Weights are one at most; there are none if all are one.
    pub(crate) fn new(t: Vec<f64>, z: Vec<f64>, w: Vec<f64>) -> Self {
        assert!(t.len() == z.len() && (w.is_empty() || w.len() == t.len()), "columns belong together");
        let mut base = [0.0; 6];
        for i in 0..t.len() {
            let weight = w.get(i).copied().unwrap_or(1.0);
            let terms = [1.0, t[i], t[i] * t[i], z[i], t[i] * z[i], z[i] * z[i]];
            for (sum, term) in base.iter_mut().zip(terms) {
                *sum += weight * term;
            }
        }
        let both = |of: &[f64], i: usize| f64x2::new([of[i], of.get(i + 1).copied().unwrap_or(0.0)]);
        let pairs = (0..t.len()).step_by(2).map(|i| {
            let weight = match w.is_empty() {
                true => f64x2::new([1.0, if i + 1 < t.len() { 1.0 } else { 0.0 }]),
                false => both(&w, i),
            };
            [both(&t, i), both(&z, i), weight]
        });
        let pairs = pairs.collect();
        Self { t, z, pairs, base }
    }

    /// Weighted sum of squares about the best straight line, and that line.
    pub(crate) fn background(&self) -> (f64, [f64; 2]) {
        let [n, t, tt, z, tz, zz] = self.base;
        let slope = (tz - t * z / n) / (tt - t * t / n);
        let offset = (z - slope * t) / n;
        (zz - offset * z - slope * tz, [offset, slope])
    }

    /// Sums at a position; those of the derivatives only where they are wanted.
    fn sums<const ALL: bool>(&self, centre: f64, width: f64) -> ([f64; 8], [f64; 8]) {
        // Two points at once, and not more sums than the processor has places for: this is where the time goes.
        let (centre, inverse, one) = (f64x2::splat(centre), f64x2::splat(2.0 / width), f64x2::splat(1.0));
        let (mut first, mut second) = (First::default(), Second::default());
        let mut curves = [[f64x2::ZERO; 2]; BLOCK];
        for block in self.pairs.chunks(BLOCK) {
            for ([t, z, weight], curve) in block.iter().copied().zip(&mut curves) {
                let d = (t - centre) * inverse;
                let u = one / (one + d * d);
                let v = d * u;
                first.add(t, z, (weight * u, weight * v), v);
                *curve = [u, v];
            }
            if ALL {
                for ([t, z, weight], [u, v]) in block.iter().copied().zip(curves.iter().copied()) {
                    second.add(t, z, (weight * u, weight * v), (u, v));
                }
            }
        }
        let whole = |sums: [f64x2; 8]| sums.map(|sum| sum.as_array_ref()[0] + sum.as_array_ref()[1]);
        (whole(first.0), whole(second.0))
    }

    fn gram(&self, centre: f64, width: f64) -> Gram {
        let ([u, v, p, q, tu, tv, zu, zv], [tp, tq, uq, vq, pq, qq, zp, zq]) =
            self.sums::<true>(centre, width);
        self.assemble(&[u, v, p, q, tu, tv, tp, tq, uq, vq, pq, qq, zu, zv, zp, zq])
    }

    /// Sum of squares at a position with the best linear parameters there; `None` where they can't be told apart.
    pub(crate) fn sum_at(&self, centre: f64, width: f64) -> Option<f64> {
        let ([u, v, p, q, tu, tv, zu, zv], _) = self.sums::<false>(centre, width);
        let [n, t, tt, z, tz, _] = self.base;
        let block = [[n, t, u, v], [t, tt, tu, tv], [u, tu, u - q, p], [v, tv, p, q]];
        let data = [z, tz, zu, zv];
        let linear = solve(&cholesky(&block)?, &data);
        let explained: f64 = linear.iter().zip(&data).map(|(a, b)| a * b).sum();
        Some(self.base[5] - explained).filter(|sum| sum.is_finite())
    }

    /// Fills the symmetric matrix of products from the sixteen sums that differ.
    fn assemble(&self, sums: &[f64; 16]) -> Gram {
        let [u, v, p, q, tu, tv, tp, tq, uq, vq, pq, qq, zu, zv, zp, zq] = *sums;
        let [n, t, tt, z, tz, _] = self.base;
        let products = [
            [n, t, u, v, p, q],
            [t, tt, tu, tv, tp, tq],
            [u, tu, u - q, p, p - vq, uq],
            [v, tv, p, q, uq, vq],
            [p, tp, p - vq, uq, uq - qq, pq],
            [q, tq, uq, vq, pq, qq],
        ];
        Gram { products, data: [z, tz, zu, zv, zp, zq] }
    }

    /// The best linear parameters at a position; `None` if the four functions cannot be told apart there.
    pub(crate) fn point(&self, centre: f64, width: f64) -> Option<Point> {
        let gram = self.gram(centre, width);
        let mut block = [[0.0; 4]; 4];
        for (row, from) in block.iter_mut().zip(&gram.products) {
            row.copy_from_slice(&from[..4]);
        }
        let factor = cholesky(&block)?;
        let data = [gram.data[0], gram.data[1], gram.data[2], gram.data[3]];
        let linear = solve(&factor, &data);
        let explained: f64 = linear.iter().zip(&data).map(|(a, b)| a * b).sum();
        let sum = self.base[5] - explained;
        sum.is_finite().then_some(Point { centre, width, linear, sum, gram, factor })
    }

    /// Gauss-Newton with damping in centre and width from a starting point.
    pub(crate) fn settle(&self, start: Point, limits: Limits) -> Settled {
        self.settle_unless(start, limits, |_| false).expect("it goes to its end")
    }

    /// The same from another starting point; nothing where it leads to the minimum that is known already.
    pub(crate) fn settle_elsewhere(&self, start: Point, limits: Limits, known: &Point) -> Option<Settled> {
        let near = |a: f64, b: f64| (a - b).abs() < SAME_PLACE * known.width;
        self.settle_unless(start, limits, |here| {
            near(here.centre, known.centre) && near(here.width, known.width)
        })
    }

    fn settle_unless(&self, start: Point, limits: Limits, known: impl Fn(&Point) -> bool) -> Option<Settled> {
        let mut here = start;
        let mut damping = 1e-4;
        let mut last = 0.0;
        for iterations in 1..=ITERATIONS {
            if known(&here) {
                return None;
            }
            let Some([dc, dw]) = here.step(damping) else {
                return Some(Settled { point: here, converged: false, iterations });
            };
            // A long step leaves the range where the linearisation holds.
            let dc = dc.clamp(-here.width, here.width);
            let centre = (here.centre + dc).clamp(limits.centre.0, limits.centre.1);
            let width = (here.width + dw).clamp(0.4 * here.width, 2.5 * here.width);
            let width = width.clamp(limits.width.0, limits.width.1);
            let moved = ((centre - here.centre).abs() + (width - here.width).abs()) / here.width;
            let trial = self.point(centre, width);
            // Near the end the sums of squares differ by rounding only, and the undamped step is the better guide.
            let better = trial.as_ref().is_some_and(|t| {
                t.sum < here.sum || (moved < 1e-5 && t.sum - here.sum < 1e-12 * self.base[5])
            });
            match trial {
                Some(point) if better => {
                    here = point;
                    damping = if damping < 1e-9 { 0.0 } else { damping * 0.1 };
                }
                _ => damping = if damping == 0.0 { 1e-6 } else { damping * 8.0 },
            }
            // What is left shrinks from step to step by what the last one did: the way to the end is known before it is gone.
            let rest = if better && moved < 1e-4 { moved * moved / (last - moved).max(moved) } else { moved };
            last = if better { moved } else { last };
            if (moved < 1e-9 || rest < 1e-9) && (better || damping < 1e-3) {
                return Some(Settled { point: here, converged: true, iterations });
            }
            if damping > 1e12 {
                return Some(Settled { point: here, converged: false, iterations });
            }
        }
        Some(Settled { point: here, converged: false, iterations: ITERATIONS })
    }
}

impl Point {
    /// Derivatives of the model by centre and width as factors of the six functions.
    fn directions(&self) -> [[f64; 6]; 2] {
        let [_, _, h, k] = self.linear;
        let by_centre = -2.0 / self.width;
        let by_width = -1.0 / self.width;
        [
            [0.0, 0.0, by_centre * k, 0.0, -2.0 * by_centre * h, -2.0 * by_centre * k],
            [0.0, 0.0, 0.0, -by_width * k, 2.0 * by_width * k, -2.0 * by_width * h],
        ]
    }

    /// The damped step in centre and width, with the linear parameters eliminated.
    fn step(&self, damping: f64) -> Option<[f64; 2]> {
        let directions = self.directions();
        let mut images = [[0.0; 6]; 2];
        for (image, direction) in images.iter_mut().zip(&directions) {
            for (entry, row) in image.iter_mut().zip(&self.gram.products) {
                *entry = dot(row, direction);
            }
        }
        let mut normal = [[0.0; 2]; 2];
        let mut slope = [0.0; 2];
        for a in 0..2 {
            let head = [images[a][0], images[a][1], images[a][2], images[a][3]];
            let eliminated = solve(&self.factor, &head);
            for b in 0..2 {
                let shared: f64 = (0..4).map(|i| eliminated[i] * images[b][i]).sum();
                normal[a][b] = dot(&directions[a], &images[b]) - shared;
            }
            let fitted: f64 = (0..4).map(|i| self.linear[i] * images[a][i]).sum();
            slope[a] = dot(&directions[a], &self.gram.data) - fitted;
        }
        for (i, row) in normal.iter_mut().enumerate() {
            row[i] *= 1.0 + damping;
        }
        let determinant = normal[0][0] * normal[1][1] - normal[0][1] * normal[1][0];
        let step = [
            (slope[0] * normal[1][1] - slope[1] * normal[0][1]) / determinant,
            (slope[1] * normal[0][0] - slope[0] * normal[1][0]) / determinant,
        ];
        (determinant > 0.0 && step.iter().all(|s| s.is_finite())).then_some(step)
    }

    /// Inverse normal matrix over the factors of 1, t, u, v and centre and width; `None` if singular.
    pub(crate) fn inverse(&self) -> Option<[[f64; 6]; 6]> {
        let mut columns = [[0.0; 6]; 6];
        for (i, column) in columns.iter_mut().take(4).enumerate() {
            column[i] = 1.0;
        }
        let [by_centre, by_width] = self.directions();
        columns[4] = by_centre;
        columns[5] = by_width;
        let mut normal = [[0.0; 6]; 6];
        for (a, first) in columns.iter().enumerate() {
            let image: [f64; 6] = std::array::from_fn(|i| dot(&self.gram.products[i], first));
            for (b, second) in columns.iter().enumerate() {
                normal[a][b] = dot(second, &image);
            }
        }
        let lengths: [f64; 6] = std::array::from_fn(|i| normal[i][i].sqrt());
        for i in 0..6 {
            for j in 0..6 {
                normal[i][j] /= lengths[i] * lengths[j];
            }
        }
        let factor = cholesky(&normal)?;
        let mut inverse = [[0.0; 6]; 6];
        for i in 0..6 {
            let mut unit = [0.0; 6];
            unit[i] = 1.0;
            let column = solve(&factor, &unit);
            for j in 0..6 {
                inverse[j][i] = column[j] / (lengths[i] * lengths[j]);
            }
        }
        inverse.iter().flatten().all(|v| v.is_finite()).then_some(inverse)
    }
}

fn dot(a: &[f64; 6], b: &[f64; 6]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}
