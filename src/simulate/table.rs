//! Smooth functions by look-up: cubic pieces on an even grid, straight lines beyond its ends.

/// `N` functions of the same argument by cubic Hermite interpolation: value and slope are exact at
/// every edge between two cells.
#[derive(Debug, Clone)]
pub struct Table<const N: usize> {
    low: f64,
    cells_per_unit: f64,
    last: i32,
    /// Coefficients of 1, t, t², t³ about the middle of each cell, t from −½ to ½.
    cells: Vec<[[f64; 4]; N]>,
}

/// Adding this to a small number leaves its nearest whole number in the lowest bits (textbook).
const ROUND: f64 = 6_755_399_441_055_744.0;

impl<const N: usize> Table<N> {
    /// Covers `low` to `high` with this many cells (at least 3); the slope is taken by differences over a fifth of a
    /// cell. The first and the last cell are straight, and go on for ever.
    #[must_use]
    pub fn new(low: f64, high: f64, cells: u16, f: impl Fn(f64) -> [f64; N]) -> Self {
        let count = cells.max(3);
        let step = (high - low) / f64::from(count);
        let edges: Vec<([f64; N], [f64; N])> = (0..=count)
            .map(|k| {
                let x = low + step * f64::from(k);
                let (before, after) = (f(x - 0.1 * step), f(x + 0.1 * step));
                (f(x), std::array::from_fn(|n| (after[n] - before[n]) / 0.2))
            })
            .collect();
        let last = edges.len() - 2;
        let cells = edges
            .windows(2)
            .enumerate()
            .map(|(k, edge)| {
                std::array::from_fn(|n| {
                    let ((a, b), (da, db)) = ((edge[0].0[n], edge[1].0[n]), (edge[0].1[n], edge[1].1[n]));
                    match k {
                        0 => [b - 0.5 * db, db, 0.0, 0.0],
                        k if k == last => [a + 0.5 * da, da, 0.0, 0.0],
                        _ => cubic(a, b, da, db),
                    }
                })
            })
            .collect();
        Self { low: low + 0.5 * step, cells_per_unit: 1.0 / step, last: i32::from(count) - 1, cells }
    }

    /// The functions at `x`.
    #[inline]
    #[must_use]
    pub fn at(&self, x: f64) -> [f64; N] {
        let place = (x - self.low) * self.cells_per_unit;
        // The low half of the bits is a whole number; what is not one (NaN, huge) is clamped like any other.
        let cell = ((place + ROUND).to_bits() as i32).clamp(0, self.last);
        let t = place - f64::from(cell);
        let square = t * t;
        self.cells[cell as usize].map(|[a, b, c, d]| (a + b * t) + square * (c + d * t))
    }
}

/// Cubic about the middle of a cell from values and slopes (per cell) at its edges.
fn cubic(a: f64, b: f64, da: f64, db: f64) -> [f64; 4] {
    let third = da + db - 2.0 * (b - a);
    let second = 0.5 * (db - da);
    [0.5 * (a + b) - 0.25 * second, b - a - 0.25 * third, second, third]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn functions_are_met_between_the_edges_and_go_on_straight() {
        let table = Table::new(-3.0, 3.0, 600, |x| [x.sin(), x.exp()]);
        for k in -297..297 {
            let x = f64::from(k) * 0.01 + 0.003;
            let [sin, exp] = table.at(x);
            // Hermite error h⁴/384 = 2.6e-11; slopes by differences err by (0.001)²/6 · h/4 = 4e-10 relative.
            assert!((sin - x.sin()).abs() < 1e-9, "{x}");
            assert!((exp / x.exp() - 1.0).abs() < 1e-9, "{x}");
        }
        for (x, edge) in [(9.0, 2.99f64), (-5.0, -2.99)] {
            let expected = edge.sin() + (x - edge) * edge.cos();
            assert!((table.at(x)[0] - expected).abs() < 1e-5, "{x}");
        }
        assert!(table.at(f64::NAN)[0].is_nan());
    }
}
