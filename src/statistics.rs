//! Means, differences and their intervals (design §12, "Statistics").
//!
//! - Mean of n takes: Student's t, n − 1 degrees of freedom (JCGM 100:2008, 4.2.3 and G.3).
//! - Difference of two builds: unequal variances with the Welch–Satterthwaite
//!   degrees of freedom where both have three takes or more; pooled variance
//!   where the smaller has two, since unequal variances would leave next to no
//!   degree of freedom (methods §9); with one take on a side, no interval.
//! - What is common to both builds enters a mean ([`Mean::with_common`]) and
//!   never a difference (JCGM 100:2008, G.4.1 for the degrees of freedom).
//! - Many comparisons: Holm's step-down procedure, *Scandinavian Journal of
//!   Statistics* 6 (1979), 65–70.

use crate::figure::CONFIDENCE;
use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

/// Degrees of freedom from which Student's t is taken as normal: the 99 % quantile differs by 2e-6 of itself there
/// (first term of its expansion, (q² + 1)/4ν).
const NORMAL_FROM_FREEDOM: f64 = 1e6;

/// Two-sided 95 % quantile of the normal distribution.
pub const NORMAL_95: f64 = 1.959_963_985;

/// Two-sided quantile of Student's t: `P(|T| ≤ q) = confidence`; `None` outside 0 < confidence < 1 or freedom ≤ 0.
#[must_use]
pub fn t_quantile(confidence: f64, freedom: f64) -> Option<f64> {
    if !(confidence > 0.0 && confidence < 1.0 && freedom > 0.0) {
        return None;
    }
    let target = (1.0 - confidence) / 2.0;
    if freedom >= NORMAL_FROM_FREEDOM {
        return Some(Normal::standard().inverse_cdf(1.0 - target));
    }
    let distribution = StudentsT::new(0.0, 1.0, freedom).ok()?;
    // Newton on the tail, kept between bounds by bisection; the library's own inverse does not end for some ν.
    let (mut low, mut high) = (0.0, 1.0);
    while distribution.sf(high) > target && high < 1e12 {
        (low, high) = (high, high * 4.0);
    }
    let mut quantile = (low + high) / 2.0;
    for _ in 0..200 {
        let excess = distribution.sf(quantile) - target;
        if excess > 0.0 {
            low = quantile
        } else {
            high = quantile
        }
        let newton = quantile + excess / density(quantile, freedom);
        let next = if newton > low && newton < high { newton } else { (low + high) / 2.0 };
        let moved = (next - quantile).abs();
        quantile = next;
        if moved <= 1e-13 * quantile {
            break;
        }
    }
    quantile.is_finite().then_some(quantile)
}

fn density(t: f64, freedom: f64) -> f64 {
    use statrs::function::gamma::ln_gamma;
    let log = ln_gamma((freedom + 1.0) / 2.0)
        - ln_gamma(freedom / 2.0)
        - 0.5 * (freedom * std::f64::consts::PI).ln()
        - (freedom + 1.0) / 2.0 * (t * t / freedom).ln_1p();
    log.exp()
}

/// Two-sided p-value of Student's t; `None` if `t` is not a number or freedom ≤ 0.
#[must_use]
pub fn p_value(t: f64, freedom: f64) -> Option<f64> {
    if t.is_nan() || freedom.is_nan() || freedom <= 0.0 {
        return None;
    }
    if t.is_infinite() {
        return Some(0.0);
    }
    let tail = if freedom >= NORMAL_FROM_FREEDOM {
        Normal::standard().sf(t.abs())
    } else {
        StudentsT::new(0.0, 1.0, freedom).ok()?.sf(t.abs())
    };
    Some((2.0 * tail).clamp(0.0, 1.0))
}

/// Mean of repeats.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mean {
    /// The arithmetic mean.
    pub value: f64,
    /// How many takes.
    pub count: usize,
    /// Standard deviation of one take (n − 1); `None` for one take.
    pub deviation: Option<f64>,
    /// Standard uncertainty of `value`: `deviation / √n`, with what [`Self::with_common`] added.
    pub uncertainty: Option<f64>,
    /// Effective degrees of freedom of `uncertainty`.
    pub freedom: Option<f64>,
}

impl Mean {
    /// The mean of `values`; `None` if there is none or one of them is not finite.
    #[must_use]
    pub fn of(values: &[f64]) -> Option<Self> {
        if values.is_empty() || values.iter().any(|v| !v.is_finite()) {
            return None;
        }
        let count = values.len();
        let n = count as f64;
        let value = values.iter().sum::<f64>() / n;
        let deviation =
            (count > 1).then(|| sum_of_squares(values, value).map(|s| (s / (n - 1.0)).sqrt())).flatten();
        Some(Self {
            value,
            count,
            deviation,
            uncertainty: deviation.map(|s| s / n.sqrt()),
            freedom: deviation.map(|_| n - 1.0),
        })
        .filter(|m| m.value.is_finite())
    }

    /// The same with a further standard uncertainty that repeats do not show
    /// (rig, fit of a single take), of infinite degrees of freedom.
    ///
    /// ν_eff = u_c⁴ / (u_A⁴/ν_A): JCGM 100:2008, eq. G.2b.
    #[must_use]
    pub fn with_common(mut self, uncertainty: f64) -> Self {
        if !(uncertainty.is_finite() && uncertainty > 0.0) {
            return self;
        }
        let repeats = self.uncertainty.unwrap_or(0.0);
        let combined = repeats.hypot(uncertainty);
        self.freedom = Some(match self.freedom {
            Some(freedom) if repeats > 0.0 => freedom * (combined / repeats).powi(4),
            _ => f64::INFINITY,
        });
        self.uncertainty = Some(combined);
        self
    }

    /// The same, where repeats agree better than the noise in them allows: scatter by luck is no knowledge.
    /// `own` is the standard uncertainty of the mean by what each take says of itself, of infinite degrees of freedom.
    #[must_use]
    pub fn at_least(mut self, own: f64) -> Self {
        if self.half_width(CONFIDENCE).is_some_and(|half| half < NORMAL_95 * own) {
            (self.uncertainty, self.freedom) = (Some(own), Some(f64::INFINITY));
        }
        self
    }

    /// Half the interval that holds the true value with `confidence`; `None` for a bare single take.
    #[must_use]
    pub fn half_width(&self, confidence: f64) -> Option<f64> {
        Some(t_quantile(confidence, self.freedom?)? * self.uncertainty?)
    }
}

fn sum_of_squares(values: &[f64], mean: f64) -> Option<f64> {
    Some(values.iter().map(|v| (v - mean).powi(2)).sum::<f64>()).filter(|s| s.is_finite())
}

/// How a difference was judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Method {
    /// Unequal variances, three takes or more a side.
    Welch,
    /// Equal variances assumed, two takes on one side at least.
    Pooled,
    /// One take on a side: no interval.
    OneTakeOnly,
}

/// Other less reference.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Difference {
    /// Mean of the other less mean of the reference.
    pub value: f64,
    /// Its standard uncertainty from the scatter of repeats.
    pub uncertainty: Option<f64>,
    /// Degrees of freedom of `uncertainty`.
    pub freedom: Option<f64>,
    /// Two-sided p-value of "no difference".
    pub p_value: Option<f64>,
    /// How it was judged.
    pub method: Method,
}

impl Difference {
    /// The difference of two sets of repeats; `None` if either is empty or holds a number that is not finite.
    #[must_use]
    pub fn of(reference: &[f64], other: &[f64]) -> Option<Self> {
        let (a, b) = (Mean::of(reference)?, Mean::of(other)?);
        let value = b.value - a.value;
        let (n_a, n_b) = (a.count as f64, b.count as f64);
        let (Some(s_a), Some(s_b)) = (a.deviation, b.deviation) else {
            return Some(Self {
                value,
                uncertainty: None,
                freedom: None,
                p_value: None,
                method: Method::OneTakeOnly,
            });
        };
        let (square, freedom, method) = if a.count.min(b.count) >= 3 {
            let (va, vb) = (s_a * s_a / n_a, s_b * s_b / n_b);
            let freedom = (va + vb).powi(2) / (va * va / (n_a - 1.0) + vb * vb / (n_b - 1.0));
            (va + vb, freedom, Method::Welch)
        } else {
            let freedom = n_a + n_b - 2.0;
            let pooled = ((n_a - 1.0) * s_a * s_a + (n_b - 1.0) * s_b * s_b) / freedom;
            (pooled * (1.0 / n_a + 1.0 / n_b), freedom, Method::Pooled)
        };
        let uncertainty = square.sqrt();
        // Repeats that agree to the last bit leave 0/0; the smaller freedom is then the safe one.
        let freedom = if freedom.is_finite() { freedom } else { n_a.min(n_b) - 1.0 };
        let p_value = match (uncertainty > 0.0, value == 0.0) {
            (true, _) => p_value(value / uncertainty, freedom),
            (false, true) => Some(1.0),
            (false, false) => Some(0.0),
        };
        Some(Self { value, uncertainty: Some(uncertainty), freedom: Some(freedom), p_value, method })
            .filter(|d| d.value.is_finite() && d.uncertainty.is_none_or(f64::is_finite))
    }

    /// As [`Mean::at_least`], for the difference of two.
    #[must_use]
    pub fn at_least(mut self, own: f64) -> Self {
        if self.half_width(CONFIDENCE).is_some_and(|half| half < NORMAL_95 * own) {
            (self.uncertainty, self.freedom) = (Some(own), Some(f64::INFINITY));
            self.p_value = p_value(self.value / own, f64::INFINITY);
        }
        self
    }

    /// Half the interval that holds the true difference with `confidence`; `None` with one take on a side.
    #[must_use]
    pub fn half_width(&self, confidence: f64) -> Option<f64> {
        Some(t_quantile(confidence, self.freedom?)? * self.uncertainty?)
    }
}

/// p-values corrected for their number by Holm's step-down procedure, in the given order.
///
/// Rejecting where the corrected value is at most α keeps the chance of even one
/// false rejection at or under α, whatever the dependence between the tests.
#[must_use]
pub fn holm(p_values: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..p_values.len()).collect();
    let at = |i: &usize| p_values.get(*i).copied().unwrap_or(1.0);
    order.sort_by(|a, b| at(a).total_cmp(&at(b)));
    let mut corrected = vec![1.0; p_values.len()];
    let mut so_far = 0.0f64;
    for (rank, index) in order.iter().enumerate() {
        so_far = so_far.max((p_values.len() - rank) as f64 * at(index)).min(1.0);
        if let Some(slot) = corrected.get_mut(*index) {
            *slot = so_far;
        }
    }
    corrected
}
