//! a + b·e^(−t/τ) fitted to an envelope: τ by search, a and b linear.

use crate::units::DB_PER_CHANGE;

/// Time constants that are looked for.
const TAU_SECONDS: [f64; 2] = [0.004, 1.0];
/// Steps of the coarse search in log τ.
const STEPS: usize = 48;

/// An exponential course, fitted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Exponential {
    /// Level extrapolated to the step.
    pub start: f64,
    /// Level that it settles to.
    pub end: f64,
    /// Time constant.
    pub tau_seconds: f64,
    /// Standard deviation of the step `20 log(start/end)` from noise, dB.
    pub step_sd_db: f64,
    /// Standard deviation of the time constant, relative.
    pub tau_sd: f64,
    /// Standard deviation of a point about the course.
    pub point_sd: f64,
    /// The time constant lies at the end of the range searched.
    pub at_edge: bool,
}

impl Exponential {
    /// How far the level starts above where it settles, dB; NaN if it starts at nothing.
    #[must_use]
    pub fn step_db(&self) -> f64 {
        crate::units::db(self.start / self.end)
    }
}

/// Linear part of the fit at one τ.
struct Linear {
    end: f64,
    rise: f64,
    squares: f64,
}

/// Fits points (seconds from the step, level) `hop` apart that were smoothed by two boxes of `box_seconds`.
/// `None` with fewer than eight points or none that is finite.
pub(super) fn fit(points: &[(f64, f64)], box_seconds: f64, hop: f64) -> Option<Exponential> {
    if points.len() < 8 || points.iter().any(|p| !p.1.is_finite()) {
        return None;
    }
    let [shortest, longest] = TAU_SECONDS;
    let tau = |x: f64| shortest * (longest / shortest).powf(x);
    let cost = |x: f64| linear(points, tau(x)).squares;
    let coarse: Vec<f64> = (0..=STEPS).map(|k| k as f64 / STEPS as f64).collect();
    let best = coarse.iter().copied().min_by(|a, b| cost(*a).total_cmp(&cost(*b)))?;
    let step = 1.0 / STEPS as f64;
    let (mut low, mut high) = ((best - step).max(0.0), (best + step).min(1.0));
    // Golden section: 40 steps part a tenth of a decade to 1e-9 of it.
    let golden = 0.618_033_988_749_895;
    let (mut a, mut b) = (high - golden * (high - low), low + golden * (high - low));
    let (mut cost_a, mut cost_b) = (cost(a), cost(b));
    for _ in 0..40 {
        if cost_a < cost_b {
            (high, b, cost_b) = (b, a, cost_a);
            a = high - golden * (high - low);
            cost_a = cost(a);
        } else {
            (low, a, cost_a) = (a, b, cost_b);
            b = low + golden * (high - low);
            cost_b = cost(b);
        }
    }
    let x = 0.5 * (low + high);
    let tau_seconds = tau(x);
    let Linear { end, rise, squares } = linear(points, tau_seconds);
    // Smoothing e^(−t/τ) with a box of length h multiplies it with sinh(h/2τ)/(h/2τ).
    let half = box_seconds / (2.0 * tau_seconds);
    let smoothed = (half.sinh() / half).powi(2);
    let start = end + rise / smoothed;
    let free = (points.len() as f64 - 3.0).max(1.0);
    let variance = squares / free * together(box_seconds, hop);
    let (step_variance, tau_variance) = spread(points, tau_seconds, end, rise, smoothed);
    Some(Exponential {
        start,
        end,
        tau_seconds,
        step_sd_db: (variance * step_variance).sqrt(),
        tau_sd: (variance * tau_variance).sqrt(),
        point_sd: (squares / free).sqrt(),
        at_edge: !(0.01..=0.99).contains(&x),
    })
}

/// End level and rise at a given τ, by least squares.
fn linear(points: &[(f64, f64)], tau_seconds: f64) -> Linear {
    let n = points.len() as f64;
    // Kept, since an exponential costs more than all the rest.
    let decay: Vec<f64> = points.iter().map(|p| (-p.0 / tau_seconds).exp()).collect();
    let mean_y = points.iter().map(|p| p.1).sum::<f64>() / n;
    let mean_e = decay.iter().sum::<f64>() / n;
    let (mut over, mut under) = (0.0, 0.0);
    for (&(_, y), &e) in points.iter().zip(&decay) {
        let e = e - mean_e;
        over += e * (y - mean_y);
        under += e * e;
    }
    let rise = if under > 0.0 { over / under } else { 0.0 };
    let end = mean_y - rise * mean_e;
    let squares = points.iter().zip(&decay).map(|(&(_, y), &e)| (y - end - rise * e).powi(2)).sum();
    Linear { end, rise, squares }
}

/// Variance of the step in dB and of ln τ for unit variance of the points, from the curvature of the fit.
fn spread(points: &[(f64, f64)], tau: f64, end: f64, rise: f64, smoothed: f64) -> (f64, f64) {
    // Normal matrix of the parameters end, rise, ln τ.
    let mut m = [[0.0f64; 3]; 3];
    for &(t, _) in points {
        let e = (-t / tau).exp();
        let row = [1.0, e, rise * e * t / tau];
        for i in 0..3 {
            for k in 0..3 {
                m[i][k] += row[i] * row[k];
            }
        }
    }
    // Without a rise τ has no meaning; then only the two linear ones are inverted.
    if rise.abs() < 1e-12 * end.abs() {
        m[2] = [0.0, 0.0, 1.0];
        m[0][2] = 0.0;
        m[1][2] = 0.0;
    }
    let Some(inverse) = invert(&m) else { return (f64::INFINITY, f64::INFINITY) };
    // step = 20 log₁₀(1 + rise/(smoothed·end))
    let start = end + rise / smoothed;
    let gradient = [DB_PER_CHANGE * (1.0 / start - 1.0 / end), DB_PER_CHANGE / (start * smoothed), 0.0];
    let mut variance = 0.0;
    for i in 0..3 {
        for k in 0..3 {
            variance += gradient[i] * inverse[i][k] * gradient[k];
        }
    }
    (variance.max(0.0), inverse[2][2].max(0.0))
}

/// Inverse of a symmetric 3 × 3 matrix by cofactors; `None` if it is singular.
fn invert(m: &[[f64; 3]; 3]) -> Option<[[f64; 3]; 3]> {
    let cofactor = |i: usize, k: usize| {
        let (a, b) = ((i + 1) % 3, (i + 2) % 3);
        let (c, d) = ((k + 1) % 3, (k + 2) % 3);
        m[a][c] * m[b][d] - m[a][d] * m[b][c]
    };
    let determinant: f64 = (0..3).map(|k| m[0][k] * cofactor(0, k)).sum();
    if !determinant.is_finite() || determinant.abs() <= 1e-14 * m[0][0] * m[1][1] * m[2][2] {
        return None;
    }
    Some(std::array::from_fn(|i| std::array::from_fn(|k| cofactor(k, i) / determinant)))
}

/// Neighbouring points share noise: the sum of their correlations. Two boxes make a triangle, whose own
/// correlation is the cubic B-spline.
fn together(box_seconds: f64, hop: f64) -> f64 {
    let spline = |u: f64| match u {
        u if u < 1.0 => 1.0 - 1.5 * u * u + 0.75 * u * u * u,
        u if u < 2.0 => 0.25 * (2.0 - u).powi(3),
        _ => 0.0,
    };
    let lags = (2.0 * box_seconds / hop) as usize + 1;
    1.0 + 2.0 * (1..=lags.min(1000)).map(|k| spline(hop * k as f64 / box_seconds)).sum::<f64>()
}
