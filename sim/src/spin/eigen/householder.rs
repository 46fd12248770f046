//! Hermitian to real tridiagonal by Householder reflections, and back.

use super::implicit_ql::Tridiagonal;
use nalgebra::{Complex, DMatrix};

/// One reflection H = 1 − τ v v†, with v\[0\] = 1 and acting on rows `start..`.
#[derive(Debug)]
struct Reflection {
    start: usize,
    tau: Complex<f64>,
}

/// The reflections Q = H0 H1 … with A = Q T Q†.
#[derive(Debug)]
pub(super) struct Reflections {
    n: usize,
    list: Vec<Reflection>,
    /// Vector `k` is stored in `k * n ..`, entries before its start are zero.
    v_re: Vec<f64>,
    v_im: Vec<f64>,
}

/// Works on real and imaginary parts apart, column by column, so that the compiler can use vector registers.
struct Split {
    re: Vec<f64>,
    im: Vec<f64>,
}

pub(super) fn tridiagonalise(matrix: &DMatrix<Complex<f64>>, factor: f64) -> (Tridiagonal, Reflections) {
    let n = matrix.nrows();
    let mut a = Split {
        re: matrix.as_slice().iter().map(|z| z.re * factor).collect(),
        im: matrix.as_slice().iter().map(|z| z.im * factor).collect(),
    };
    let mut tridiagonal = Tridiagonal { diagonal: vec![0.0; n], off: vec![0.0; n] };
    let mut reflections =
        Reflections { n, list: Vec::with_capacity(n), v_re: vec![0.0; n * n], v_im: vec![0.0; n * n] };
    let mut w = Split { re: vec![0.0; n], im: vec![0.0; n] };
    for k in 0..n {
        tridiagonal.diagonal[k] = a.re[k * n + k];
        if k + 1 == n {
            break;
        }
        let range = k * n + k + 1..(k + 1) * n;
        let v_re = &mut reflections.v_re[range.clone()];
        let v_im = &mut reflections.v_im[range.clone()];
        v_re.copy_from_slice(&a.re[range.clone()]);
        v_im.copy_from_slice(&a.im[range]);
        let (beta, tau) = reflect(v_re, v_im);
        tridiagonal.off[k] = beta;
        if tau.re != 0.0 || tau.im != 0.0 {
            transform(&mut a, n, k + 1, v_re, v_im, tau, &mut w);
            reflections.list.push(Reflection { start: k + 1, tau });
        }
    }
    (tridiagonal, reflections)
}

/// Turns x into the reflection vector with H†x = β e0, β real. Gives β and τ.
fn reflect(re: &mut [f64], im: &mut [f64]) -> (f64, Complex<f64>) {
    let tail: f64 = re[1..].iter().zip(&im[1..]).map(|(a, b)| a * a + b * b).sum();
    let alpha = Complex::new(re[0], im[0]);
    if tail == 0.0 && alpha.im == 0.0 {
        return (alpha.re, Complex::new(0.0, 0.0));
    }
    let length = (alpha.norm_sqr() + tail).sqrt();
    if length == 0.0 {
        // Squares below the smallest number: nothing here that matters at scale 1.
        return (0.0, Complex::new(0.0, 0.0));
    }
    let beta = if alpha.re >= 0.0 { -length } else { length };
    let tau = Complex::new((beta - alpha.re) / beta, -alpha.im / beta);
    let scale = Complex::new(1.0, 0.0) / (alpha - beta);
    for (a, b) in re.iter_mut().zip(im.iter_mut()).skip(1) {
        let z = Complex::new(*a, *b) * scale;
        (*a, *b) = (z.re, z.im);
    }
    (re[0], im[0]) = (1.0, 0.0);
    (beta, tau)
}

/// A ← H† A H on the block that starts at `start`, as a rank-two update.
fn transform(
    a: &mut Split,
    n: usize,
    start: usize,
    v_re: &[f64],
    v_im: &[f64],
    tau: Complex<f64>,
    w: &mut Split,
) {
    let length = n - start;
    let (w_re, w_im) = (&mut w.re[..length], &mut w.im[..length]);
    w_re.fill(0.0);
    w_im.fill(0.0);
    for j in 0..length {
        let column = (start + j) * n + start..(start + j + 1) * n;
        let (a_re, a_im) = (&a.re[column.clone()], &a.im[column]);
        let t = tau * Complex::new(v_re[j], v_im[j]);
        for i in 0..length {
            w_re[i] += a_re[i] * t.re - a_im[i] * t.im;
            w_im[i] += a_re[i] * t.im + a_im[i] * t.re;
        }
    }
    let mut dot = Complex::new(0.0, 0.0);
    for i in 0..length {
        dot += Complex::new(w_re[i], -w_im[i]) * Complex::new(v_re[i], v_im[i]);
    }
    let shift = tau * dot * -0.5;
    for i in 0..length {
        w_re[i] += shift.re * v_re[i] - shift.im * v_im[i];
        w_im[i] += shift.re * v_im[i] + shift.im * v_re[i];
    }
    for j in 0..length {
        let column = (start + j) * n + start..(start + j + 1) * n;
        let (a_re, a_im) = (&mut a.re[column.clone()], &mut a.im[column]);
        let (vr, vi, wr, wi) = (v_re[j], -v_im[j], w_re[j], -w_im[j]);
        for i in 0..length {
            a_re[i] -= v_re[i] * wr - v_im[i] * wi + w_re[i] * vr - w_im[i] * vi;
            a_im[i] -= v_re[i] * wi + v_im[i] * wr + w_re[i] * vi + w_im[i] * vr;
        }
    }
}

impl Reflections {
    /// Q times the real vectors (columns of `z`), columns taken in `order`.
    pub(super) fn undo(&self, z: &[f64], order: &[usize]) -> DMatrix<Complex<f64>> {
        let n = self.n;
        // Row by row here: a row of all vectors is contiguous.
        let mut re = vec![0.0; n * n];
        let mut im = vec![0.0; n * n];
        for (at, &k) in order.iter().enumerate() {
            for i in 0..n {
                re[i * n + at] = z[k * n + i];
            }
        }
        let mut t_re = vec![0.0; n];
        let mut t_im = vec![0.0; n];
        for reflection in self.list.iter().rev() {
            let offset = (reflection.start - 1) * n;
            t_re.fill(0.0);
            t_im.fill(0.0);
            for i in reflection.start..n {
                let (vr, vi) = (self.v_re[offset + i], self.v_im[offset + i]);
                let (row_re, row_im) = (&re[i * n..(i + 1) * n], &im[i * n..(i + 1) * n]);
                for j in 0..n {
                    t_re[j] += vr * row_re[j] + vi * row_im[j];
                    t_im[j] += vr * row_im[j] - vi * row_re[j];
                }
            }
            for i in reflection.start..n {
                let c = reflection.tau * Complex::new(self.v_re[offset + i], self.v_im[offset + i]);
                let (row_re, row_im) = (&mut re[i * n..(i + 1) * n], &mut im[i * n..(i + 1) * n]);
                for j in 0..n {
                    row_re[j] -= c.re * t_re[j] - c.im * t_im[j];
                    row_im[j] -= c.re * t_im[j] + c.im * t_re[j];
                }
            }
        }
        DMatrix::from_fn(n, n, |i, j| Complex::new(re[i * n + j], im[i * n + j]))
    }
}
