//! The normal equations of a fit: sums of `w·exp(jωn)` alone, so the same for every step of a ladder.

use std::f64::consts::{PI, TAU};

use realfft::num_complex::Complex;

/// The Hann-weighted normal equations of a constant and lines, solved as far as they go without samples.
pub struct Normal {
    length: usize,
    omegas: Vec<f64>,
    /// Lower triangle of Cholesky's factor, row by row, as a square.
    factor: Vec<f64>,
}

impl Normal {
    /// Of `length` samples and lines at `omegas` (radians per sample); `None` if they are singular.
    #[must_use]
    pub fn new(length: usize, omegas: &[f64]) -> Option<Self> {
        let size = 2 * omegas.len() + 1;
        let mut matrix = vec![0.0; size * size];
        matrix[0] = hann_sum(0.0, length).re;
        for (i, &a) in omegas.iter().enumerate() {
            let constant = hann_sum(a, length);
            matrix[(2 * i + 1) * size] = constant.re;
            matrix[(2 * i + 2) * size] = -constant.im;
            for (k, &b) in omegas.iter().enumerate().take(i + 1) {
                let (minus, plus) = (hann_sum(a - b, length), hann_sum(a + b, length));
                let (row, column) = (2 * i + 1, 2 * k + 1);
                matrix[row * size + column] = 0.5 * (minus.re + plus.re);
                matrix[(row + 1) * size + column + 1] = 0.5 * (minus.re - plus.re);
                // −sin(a)·cos(b) and cos(a)·−sin(b)
                matrix[(row + 1) * size + column] = -0.5 * (plus.im + minus.im);
                matrix[row * size + column + 1] = -0.5 * (plus.im - minus.im);
            }
        }
        factorise(&mut matrix, size)?;
        Some(Self { length, omegas: omegas.to_vec(), factor: matrix })
    }

    /// Whether it is of just these.
    #[must_use]
    pub fn is_for(&self, length: usize, omegas: &[f64]) -> bool {
        self.length == length && self.omegas == omegas
    }

    /// Constant and lines, from the sum of the weighted samples and their correlation with each line.
    #[must_use]
    pub fn solve(&self, sum: f64, correlations: &[Complex<f64>]) -> (f64, Vec<Complex<f64>>) {
        let size = 2 * self.omegas.len() + 1;
        // Basis cos ωn and −sin ωn: Σ wx·e^(−jωn) has them as real and imaginary part.
        let parts = correlations.iter().flat_map(|c| [c.re, c.im]);
        let mut right: Vec<f64> = std::iter::once(sum).chain(parts).collect();
        right.resize(size, 0.0);
        for row in 0..size {
            let dot: f64 = (0..row).map(|k| self.factor[row * size + k] * right[k]).sum();
            right[row] = (right[row] - dot) / self.factor[row * size + row];
        }
        for row in (0..size).rev() {
            let dot: f64 = (row + 1..size).map(|k| self.factor[k * size + row] * right[k]).sum();
            right[row] = (right[row] - dot) / self.factor[row * size + row];
        }
        (right[0], right[1..].chunks_exact(2).map(|c| Complex::new(c[0], c[1])).collect())
    }
}

/// Cholesky's factor of a symmetric positive definite matrix given by its lower triangle; `None` if it is singular.
fn factorise(matrix: &mut [f64], size: usize) -> Option<()> {
    for column in 0..size {
        for row in column..size {
            let dot: f64 = (0..column).map(|k| matrix[row * size + k] * matrix[column * size + k]).sum();
            let value = matrix[row * size + column] - dot;
            if row == column {
                // A pivot that lost eleven digits means lines that the window cannot part.
                if value.is_nan() || value <= matrix[row * size + row].abs() * 1e-11 {
                    return None;
                }
                matrix[row * size + row] = value.sqrt();
            } else {
                matrix[row * size + column] = value / matrix[column * size + column];
            }
        }
    }
    Some(())
}

/// `Σ w[n]·exp(jωn)` of the Hann window `w[n] = ½ − ½cos(2π(n+½)/N)`, in closed form.
pub(super) fn hann_sum(omega: f64, length: usize) -> Complex<f64> {
    let n = length as f64;
    let shift = TAU / n;
    let half = Complex::cis(PI / n);
    dirichlet(omega, n) * 0.5
        - (half * dirichlet(omega + shift, n) + half.conj() * dirichlet(omega - shift, n)) * 0.25
}

/// Σ exp(jωn), n = 0…N−1.
fn dirichlet(omega: f64, n: f64) -> Complex<f64> {
    let half = (omega / 2.0).sin();
    // Near a multiple of 2π all terms are 1.
    let size = if half.abs() < 1e-12 {
        n * (n * omega / 2.0).cos() / (omega / 2.0).cos()
    } else {
        (n * omega / 2.0).sin() / half
    };
    Complex::cis(omega * (n - 1.0) / 2.0) * size
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn closed_form_of_the_window_sum_is_the_sum() {
        for length in [16, 97, 1000] {
            for omega in [0.0, 1e-9, 0.01, 1.0, 3.0, TAU / length as f64, -0.4] {
                let sum: Complex<f64> = (0..length)
                    .map(|n| {
                        let w = 0.5 - 0.5 * (TAU * (n as f64 + 0.5) / length as f64).cos();
                        Complex::cis(omega * n as f64) * w
                    })
                    .sum();
                let form = hann_sum(omega, length);
                // Rounding of the plain sum: N·ε.
                assert!((sum - form).norm() < length as f64 * 1e-14, "{length} {omega} {sum} {form}");
            }
        }
    }
}
