//! Places labels beside curves and points, so that none lies on another and as
//! few as possible lie on a curve. All in chart units, y downwards.

use super::clip::cut_curve;

/// An upright rectangle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Rect {
    pub left: f64,
    pub top: f64,
    pub right: f64,
    pub bottom: f64,
}

impl Rect {
    fn at(left: f64, top: f64, (width, height): (f64, f64)) -> Self {
        Self { left, top, right: left + width, bottom: top + height }
    }

    fn overlaps(&self, other: &Self) -> bool {
        self.left < other.right
            && other.left < self.right
            && self.top < other.bottom
            && other.top < self.bottom
    }

    fn holds(&self, other: &Self) -> bool {
        other.left >= self.left
            && other.right <= self.right
            && other.top >= self.top
            && other.bottom <= self.bottom
    }

    fn grown(&self, by: f64) -> Self {
        Self { left: self.left - by, top: self.top - by, right: self.right + by, bottom: self.bottom + by }
    }

    /// How many stretches of the curve lie inside.
    fn crossings(&self, curve: &[(f64, f64)]) -> usize {
        let (width, height) = (self.right - self.left, self.bottom - self.top);
        let inside = |&(x, y): &(f64, f64)| Some(((x - self.left) / width, (y - self.top) / height));
        cut_curve(curve.iter().map(inside)).len()
    }
}

/// Costs of a place, in no unit: only their order matters.
const COST_OWN_CURVE: f64 = 30.0;
const COST_OTHER_CURVE: f64 = 20.0;
const COST_NEAR_OTHER: f64 = 6.0;
/// Distance between a label and its curve.
const OFFSET: f64 = 3.0;
/// How close another curve may come before it is doubtful whose label it is.
const DOUBT: f64 = 7.0;
/// Places tried along a curve.
const TRIED: usize = 40;

/// Remembers what is taken.
pub(crate) struct Placer {
    frame: Rect,
    taken: Vec<Rect>,
    /// Visible stretches with the number of the curve they belong to.
    curves: Vec<(usize, Vec<(f64, f64)>)>,
}

impl Placer {
    pub(crate) fn new(frame: Rect) -> Self {
        Self { frame: frame.grown(-2.0), taken: Vec::new(), curves: Vec::new() }
    }

    /// Nothing may lie here.
    pub(crate) fn reserve(&mut self, rect: Rect) {
        self.taken.push(rect);
    }

    /// A stretch of curve number `curve`; thinned to what matters for labels.
    pub(crate) fn curve(&mut self, curve: usize, stretch: &[(f64, f64)]) {
        let mut thin: Vec<(f64, f64)> = Vec::new();
        for &(x, y) in stretch {
            if thin.last().is_none_or(|&(px, py): &(f64, f64)| (x - px).hypot(y - py) >= 2.0) {
                thin.push((x, y));
            }
        }
        if let Some(&end) = stretch.last()
            && thin.last() != Some(&end)
        {
            thin.push(end);
        }
        self.curves.push((curve, thin));
    }

    /// The first of the places that the fewest stretches of curves cross, now taken.
    pub(crate) fn freest(&mut self, places: &[Rect]) -> Option<Rect> {
        let crossed = |rect: &Rect| self.curves.iter().map(|(_, s)| rect.crossings(s)).sum::<usize>();
        let best = places.iter().min_by_key(|rect| crossed(rect)).copied();
        self.taken.extend(best);
        best
    }

    /// A place for a label of this size beside its curve, now taken; `None` if
    /// everywhere another label is in the way.
    pub(crate) fn beside_curve(&mut self, curve: usize, size: (f64, f64)) -> Option<Rect> {
        let points: Vec<(f64, f64)> =
            self.curves.iter().filter(|(of, _)| *of == curve).flat_map(|(_, s)| s.iter().copied()).collect();
        let last = points.len().checked_sub(1)?;
        let mut best: Option<(f64, Rect)> = None;
        for tried in 0..=TRIED.min(last) {
            // From the right end to the left: eyes look for a name where the curve ends.
            let (x, y) = points[last - tried * last / TRIED.min(last).max(1)];
            let from_end = tried as f64 / TRIED as f64;
            let (width, height) = size;
            let above = y - OFFSET - height;
            let below = y + OFFSET;
            for (left, top, taste) in [
                (x + OFFSET + 1.0, y - height / 2.0, if tried == 0 { 0.0 } else { 4.0 }),
                (x - width / 2.0, above, 1.0),
                (x - width / 2.0, below, 1.5),
                (x - width, above, 1.2),
                (x, above, 1.2),
                (x - width, below, 1.7),
                (x, below, 1.7),
            ] {
                let rect = Rect::at(left, top, size);
                if let Some(cost) = self.cost(&rect, Some(curve)) {
                    let cost = cost + taste + 5.0 * from_end;
                    if best.is_none_or(|(least, _)| cost < least) {
                        best = Some((cost, rect));
                    }
                }
            }
        }
        self.take(best)
    }

    /// A place for a label of this size round a point, now taken.
    pub(crate) fn beside_point(&mut self, (x, y): (f64, f64), size: (f64, f64)) -> Option<Rect> {
        let (width, height) = size;
        let mut best: Option<(f64, Rect)> = None;
        for (ring, gap) in [7.0, 14.0, 22.0, 32.0].into_iter().enumerate() {
            for (at, (left, top)) in [
                (x - width - gap, y - height / 2.0),
                (x + gap, y - height / 2.0),
                (x - width / 2.0, y - height - gap),
                (x - width / 2.0, y + gap),
                (x - width - gap, y - height - gap),
                (x + gap, y + gap),
                (x - width - gap, y + gap),
                (x + gap, y - height - gap),
            ]
            .into_iter()
            .enumerate()
            {
                let rect = Rect::at(left, top, size);
                if let Some(cost) = self.cost(&rect, None) {
                    let cost = cost + 8.0 * ring as f64 + 0.1 * at as f64;
                    if best.is_none_or(|(least, _)| cost < least) {
                        best = Some((cost, rect));
                    }
                }
            }
        }
        self.take(best)
    }

    fn take(&mut self, best: Option<(f64, Rect)>) -> Option<Rect> {
        let (_, rect) = best?;
        self.reserve(rect.grown(1.0));
        Some(rect)
    }

    /// `None` where a label must not be.
    fn cost(&self, rect: &Rect, own: Option<usize>) -> Option<f64> {
        if !self.frame.holds(rect) || self.taken.iter().any(|t| t.overlaps(rect)) {
            return None;
        }
        let near = rect.grown(DOUBT);
        let cost = self
            .curves
            .iter()
            .map(|(curve, stretch)| {
                let crossings = rect.crossings(stretch) as f64;
                if own == Some(*curve) {
                    COST_OWN_CURVE * crossings
                } else {
                    let doubtful = if near.crossings(stretch) > 0 { COST_NEAR_OTHER } else { 0.0 };
                    COST_OTHER_CURVE * crossings + doubtful
                }
            })
            .sum();
        Some(cost)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const FRAME: Rect = Rect { left: 0.0, top: 0.0, right: 400.0, bottom: 200.0 };

    #[test]
    fn of_two_places_the_one_that_no_curve_crosses_is_taken() {
        let places = [Rect::at(4.0, 40.0, (20.0, 12.0)), Rect::at(176.0, 40.0, (20.0, 12.0))];
        for (curve, expected) in [
            (vec![(0.0, 80.0), (200.0, 85.0)], places[0]),
            (vec![(0.0, 46.0), (100.0, 90.0), (200.0, 95.0)], places[1]),
            (vec![(0.0, 90.0), (100.0, 90.0), (200.0, 46.0)], places[0]),
            (vec![(0.0, 46.0), (200.0, 46.0)], places[0]),
        ] {
            let mut placer = Placer::new(FRAME);
            placer.curve(0, &curve);
            assert_eq!(placer.freest(&places), Some(expected), "{curve:?}");
        }
    }

    #[test]
    fn labels_of_two_close_curves_do_not_overlap() {
        let mut placer = Placer::new(FRAME);
        for curve in 0..2 {
            let y = 100.0 + 3.0 * curve as f64;
            placer.curve(curve, &[(0.0, y), (200.0, y), (400.0, y)]);
        }
        let a = placer.beside_curve(0, (60.0, 12.0));
        let b = placer.beside_curve(1, (60.0, 12.0));
        let (Some(a), Some(b)) = (a, b) else { panic!("no place for one of two labels") };
        assert!(!a.overlaps(&b));
        assert!(a.crossings(&[(0.0, 100.0), (400.0, 100.0)]) == 0);
    }

    #[test]
    fn a_label_that_has_no_room_is_refused() {
        let mut placer = Placer::new(FRAME);
        placer.reserve(FRAME);
        placer.curve(0, &[(0.0, 100.0), (400.0, 100.0)]);
        assert_eq!(placer.beside_curve(0, (60.0, 12.0)), None);
        assert_eq!(placer.beside_point((10.0, 10.0), (60.0, 12.0)), None);
        assert_eq!(placer.beside_curve(7, (60.0, 12.0)), None);
    }
}
