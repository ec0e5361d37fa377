//! Monotone cubic interpolation through knots: it never overshoots them
//! (Fritsch & Butland, SIAM J. Sci. Stat. Comput. 5(2) 1984, 300–304: slopes as weighted harmonic means).

/// Slopes at the knots of several curves that share their abscissae; evaluates all of them at once.
#[derive(Debug, Clone)]
pub struct Pchip {
    x: Vec<f64>,
    /// `values[knot * curves + curve]`.
    values: Vec<f64>,
    slopes: Vec<f64>,
    curves: usize,
}

impl Pchip {
    /// Through `values[knot * curves + curve]` at the strictly rising `x`; `None` with fewer than two knots
    /// or if the lengths do not fit.
    #[must_use]
    pub fn new(x: Vec<f64>, values: Vec<f64>, curves: usize) -> Option<Self> {
        let knots = x.len();
        if knots < 2 || curves == 0 || values.len() != knots * curves || x.windows(2).any(|w| w[1] <= w[0]) {
            return None;
        }
        let mut slopes = vec![0.0; values.len()];
        let step = |k: usize| x[k + 1] - x[k];
        for c in 0..curves {
            let secant = |k: usize| (values[(k + 1) * curves + c] - values[k * curves + c]) / step(k);
            if knots == 2 {
                slopes[c] = secant(0);
                slopes[curves + c] = secant(0);
                continue;
            }
            for k in 1..knots - 1 {
                slopes[k * curves + c] = inner_slope(step(k - 1), step(k), secant(k - 1), secant(k));
            }
            slopes[c] = end_slope(step(0), step(1), secant(0), secant(1));
            let last = knots - 1;
            slopes[last * curves + c] =
                end_slope(step(last - 1), step(last - 2), secant(last - 1), secant(last - 2));
        }
        Some(Self { x, values, slopes, curves })
    }

    /// Both ends of the range.
    #[must_use]
    pub fn range(&self) -> (f64, f64) {
        (self.x[0], self.x[self.x.len() - 1])
    }

    /// All curves at `x`, which is held inside the range; `out` has one place a curve.
    pub fn at(&self, x: f64, out: &mut [f64]) {
        let (low, high) = self.range();
        let x = x.clamp(low, high);
        let k = self.x.partition_point(|&knot| knot <= x).clamp(1, self.x.len() - 1) - 1;
        let width = self.x[k + 1] - self.x[k];
        let t = (x - self.x[k]) / width;
        // Cubic Hermite basis.
        let (t2, t3) = (t * t, t * t * t);
        let basis =
            [2.0 * t3 - 3.0 * t2 + 1.0, (t3 - 2.0 * t2 + t) * width, 3.0 * t2 - 2.0 * t3, (t3 - t2) * width];
        let (here, next) = (k * self.curves, (k + 1) * self.curves);
        for (c, out) in out.iter_mut().enumerate().take(self.curves) {
            *out = basis[0] * self.values[here + c]
                + basis[1] * self.slopes[here + c]
                + basis[2] * self.values[next + c]
                + basis[3] * self.slopes[next + c];
        }
    }
}

fn inner_slope(before: f64, after: f64, left: f64, right: f64) -> f64 {
    if left * right <= 0.0 {
        return 0.0;
    }
    let (w1, w2) = (2.0 * after + before, after + 2.0 * before);
    (w1 + w2) / (w1 / left + w2 / right)
}

/// One-sided three-point slope, held so that the end interval stays monotone.
fn end_slope(near: f64, far: f64, left: f64, right: f64) -> f64 {
    let slope = ((2.0 * near + far) * left - near * right) / (near + far);
    if slope * left <= 0.0 {
        0.0
    } else if left * right <= 0.0 && slope.abs() > 3.0 * left.abs() {
        3.0 * left
    } else {
        slope
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn agrees_with_scipy_and_never_overshoots() {
        // scipy.interpolate.PchipInterpolator([0, 1, 2.5, 3, 5], [0, 1, 1.5, 4, 3]) at these places.
        let curve = Pchip::new(vec![0.0, 1.0, 2.5, 3.0, 5.0], vec![0.0, 1.0, 1.5, 4.0, 3.0], 1).unwrap();
        for (x, y) in SCIPY {
            let mut out = [0.0];
            curve.at(x, &mut out);
            // Sixteen digits printed, a dozen operations.
            assert!((out[0] - y).abs() < 1e-13, "{x}: {} {y}", out[0]);
        }
    }

    #[rustfmt::skip]
    const SCIPY: [(f64, f64); 6] = [(0.25, 0.31012931034482755), (0.9, 0.941503448275862), (1.7, 1.2005458679874155), (2.6, 1.8068292682926834), (2.99, 3.9971834146341454), (4.1, 3.833625)];

    #[test]
    fn a_line_stays_a_line() {
        let curve = Pchip::new(vec![0.0, 0.5, 2.0], vec![1.0, 0.0, 2.0, -1.0, 5.0, -4.0], 2).unwrap();
        let mut out = [0.0; 2];
        for x in [-1.0, 0.0, 0.3, 1.7, 2.0, 9.0] {
            curve.at(x, &mut out);
            let x = x.clamp(0.0, 2.0);
            assert!((out[0] - (1.0 + 2.0 * x)).abs() < 1e-14 && (out[1] + 2.0 * x).abs() < 1e-14);
        }
        assert!(Pchip::new(vec![0.0, 0.0], vec![0.0, 0.0], 1).is_none());
    }
}
