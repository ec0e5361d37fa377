//! Cutting at the frame. Everything here is in places: 0 to 1 along each axis.
//! A curve that leaves the frame ends there and begins anew where it comes back;
//! it never runs along the edge.

/// A point in places.
pub(crate) type Place = (f64, f64);

/// The parts of a line from `a` to `b` inside the unit square (Liang & Barsky,
/// ACM Trans. Graphics 3(1), 1984).
fn cut_segment(a: Place, b: Place) -> Option<(Place, Place)> {
    let (dx, dy) = (b.0 - a.0, b.1 - a.1);
    let (mut enter, mut leave) = (0.0_f64, 1.0_f64);
    for (delta, distance) in [(-dx, a.0), (dx, 1.0 - a.0), (-dy, a.1), (dy, 1.0 - a.1)] {
        if delta == 0.0 {
            if distance < 0.0 {
                return None;
            }
        } else {
            let t = distance / delta;
            if delta < 0.0 {
                enter = enter.max(t);
            } else {
                leave = leave.min(t);
            }
        }
    }
    // A line that only touches the frame from outside shows nothing.
    if enter >= leave {
        return None;
    }
    let at = |t: f64| ((a.0 + t * dx).clamp(0.0, 1.0), (a.1 + t * dy).clamp(0.0, 1.0));
    Some((at(enter), at(leave)))
}

/// The visible stretches of a curve; a `None` is a gap.
pub(crate) fn cut_curve(points: impl IntoIterator<Item = Option<Place>>) -> Vec<Vec<Place>> {
    let mut parts: Vec<Vec<Place>> = Vec::new();
    let mut last: Option<Place> = None;
    for point in points {
        if let (Some(a), Some(b)) = (last, point)
            && let Some((from, to)) = cut_segment(a, b)
        {
            match parts.last_mut() {
                // The stretch goes on if the curve did not leave in between.
                Some(part) if from == a && part.last() == Some(&a) => part.push(to),
                _ => parts.push(vec![from, to]),
            }
        }
        last = point;
    }
    parts
}

/// The part of a closed area inside the unit square (Sutherland & Hodgman, Comm.
/// ACM 17(1), 1974). Fewer than three corners: nothing is left.
pub(crate) fn cut_area(corners: &[Place]) -> Vec<Place> {
    type Side = (fn(Place) -> f64, fn(Place, f64) -> Place);
    // Signed distance to each side, inside positive, and the point put exactly onto it.
    const SIDES: [Side; 4] = [
        (|p| p.0, |p, _| (0.0, p.1)),
        (|p| 1.0 - p.0, |p, _| (1.0, p.1)),
        (|p| p.1, |p, _| (p.0, 0.0)),
        (|p| 1.0 - p.1, |p, _| (p.0, 1.0)),
    ];
    let mut area = corners.to_vec();
    for (distance, onto) in SIDES {
        let mut kept = Vec::with_capacity(area.len() + 4);
        for (at, &b) in area.iter().enumerate() {
            let a = area[(at + area.len() - 1) % area.len()];
            let (da, db) = (distance(a), distance(b));
            if (da < 0.0) != (db < 0.0) {
                let t = da / (da - db);
                kept.push(onto((a.0 + t * (b.0 - a.0), a.1 + t * (b.1 - a.1)), t));
            }
            if db >= 0.0 {
                kept.push(b);
            }
        }
        area = kept;
    }
    if area.len() < 3 { Vec::new() } else { area }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_curve_that_dips_below_the_frame_is_two_stretches() {
        let curve = [(0.0, 0.5), (0.25, -0.5), (0.75, -0.5), (1.0, 0.5)].map(Some);
        let parts = cut_curve(curve);
        assert_eq!(parts, vec![vec![(0.0, 0.5), (0.125, 0.0)], vec![(0.875, 0.0), (1.0, 0.5)]]);
    }

    #[test]
    fn a_gap_stays_a_gap() {
        let parts = cut_curve([Some((0.0, 0.5)), Some((0.2, 0.5)), None, Some((0.4, 0.5)), Some((0.6, 0.5))]);
        assert_eq!(parts.len(), 2);
    }

    #[test]
    fn a_line_through_the_whole_frame_is_cut_on_both_sides() {
        assert_eq!(cut_curve([Some((-1.0, 0.5)), Some((2.0, 0.5))]), vec![vec![(0.0, 0.5), (1.0, 0.5)]]);
        assert!(cut_curve([Some((-1.0, 1.5)), Some((2.0, 1.5))]).is_empty());
    }

    #[test]
    fn an_area_is_cut_at_the_frame() {
        let cut = cut_area(&[(0.2, -1.0), (0.8, -1.0), (0.8, 0.5), (0.2, 0.5)]);
        assert_eq!(cut.len(), 4);
        assert!(cut.iter().all(|p| p.1 >= 0.0 && p.1 <= 0.5));
        assert!(cut_area(&[(0.2, -1.0), (0.8, -1.0), (0.5, -0.5)]).is_empty());
    }
}
