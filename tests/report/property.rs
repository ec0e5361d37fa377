//! Whatever finite or missing numbers a chart is given, its SVG is well formed
//! and nothing lies outside the paper, no curve outside its frame.

use proptest::prelude::*;
use resvg::usvg::{Options, Tree, roxmltree};
use twinload::figure::Curve;
use twinload::report::chart::{Axis, Block, Chart, Guide, Mark, Panel, Series, Shape, Weight, draw};
use twinload::report::charts::{self, Shown};

fn number() -> impl Strategy<Value = f64> {
    prop_oneof![
        6 => -100.0..100.0f64,
        2 => -1e9..1e9f64,
        1 => proptest::num::f64::NORMAL,
        1 => Just(0.0),
        1 => prop_oneof![Just(f64::NAN), Just(f64::INFINITY), Just(f64::MAX), Just(f64::MIN_POSITIVE)],
    ]
}

fn points() -> impl Strategy<Value = Vec<(f64, Option<f64>)>> {
    proptest::collection::vec((number(), proptest::option::weighted(0.9, number())), 0..40)
}

prop_compose! {
    fn series()(
        build in 0usize..4,
        name in "\\PC{0,12}",
        points in points(),
        label in proptest::option::of("\\PC{0,30}"),
        spread in proptest::option::of(number()),
        second in any::<bool>(),
    ) -> Series {
        let interval = spread.map_or_else(Vec::new, |s| {
            points.iter().map(|(_, y)| y.map(|y| (y - s, y + s))).collect()
        });
        let weight = if second { Weight::Second } else { Weight::Main };
        Series { build, name, points, interval, weight, label, smoothed: second.then_some(12) }
    }
}

prop_compose! {
    fn panel()(
        series in proptest::collection::vec(series(), 0..4),
        values in proptest::collection::vec(number(), 0..8),
        log_x in any::<bool>(),
        log_y in any::<bool>(),
        at in proptest::collection::vec((number(), number()), 0..4),
        words in "\\PC{0,20}",
    ) -> Panel {
        let axis = |log: bool, values: Vec<f64>| {
            if log { Axis::log(&words, "W", values, 4.0) } else { Axis::linear(&words, "dB", values) }
        };
        // Axes that fit the data as often as axes that do not.
        let xs = if log_x { values.clone() } else { series.iter().flat_map(|s| s.points.iter().map(|p| p.0)).collect() };
        let mut panel = Panel::new(axis(log_x, xs), axis(log_y, values));
        panel.marks = at.iter().map(|&at| Mark {
            build: 0, name: words.clone(), at, shape: if log_x { Shape::Up } else { Shape::Level }, label: Some(words.clone()),
        }).collect();
        panel.guides = at.iter().map(|a| Guide { at: a.0, level: a.1 > 0.0, label: words.clone() }).collect();
        panel.blocks = at.iter().map(|&(a, b)| Block {
            build: 1, name: words.clone(), x: (a, b), y: (b, a), fill: 0.5, interval: Some((a, b)), floor: Some(a),
            label: Some(words.clone()), end: Some(words.clone()), value: words.clone(),
        }).collect();
        panel.series = series;
        panel
    }
}

/// All numbers in an attribute.
fn numbers(text: &str) -> Vec<f64> {
    text.split([' ', ',']).filter(|t| !t.is_empty()).map(|t| t.parse().unwrap_or(f64::NAN)).collect()
}

fn check(svg: &str, height: f64) -> Result<(), TestCaseError> {
    prop_assert!(Tree::from_str(svg, &Options::default()).is_ok(), "usvg refuses it");
    let document = roxmltree::Document::parse(svg).map_err(|e| TestCaseError::fail(e.to_string()))?;
    for node in document.descendants().filter(|n| n.is_element()) {
        let attribute = |name| node.attribute(name).map(numbers).unwrap_or_default();
        let mut xs = [attribute("x"), attribute("cx")].concat();
        let mut ys = [attribute("y"), attribute("cy")].concat();
        for (at, value) in attribute("points").into_iter().enumerate() {
            if at % 2 == 0 { xs.push(value) } else { ys.push(value) }
        }
        let name = node.tag_name().name();
        prop_assert!(xs.iter().all(|x| (0.0..=draw::WIDTH).contains(x)), "{name}: {xs:?}");
        // Text may hang over the upper edge of a mark at the top by its own height.
        prop_assert!(ys.iter().all(|y| (0.0..=height).contains(y)), "{name}: {ys:?}");
        let panel = node.ancestors().find_map(|a| a.attribute("data-frame"));
        if let (Some(frame), Some("curve" | "band" | "block" | "rule")) = (panel, node.attribute("class")) {
            let frame = numbers(frame);
            // Two decimals on either side.
            let slack = 0.011;
            prop_assert!(
                xs.iter().all(|x| *x >= frame[0] - slack && *x <= frame[2] + slack),
                "{name}: {xs:?}"
            );
            prop_assert!(
                ys.iter().all(|y| *y >= frame[1] - slack && *y <= frame[3] + slack),
                "{name}: {ys:?}"
            );
        }
    }
    Ok(())
}

/// What may have happened to a curve before it came here.
#[derive(Debug, Clone)]
enum Damage {
    None,
    ColumnGone(usize),
    ColumnEmpty(usize),
    RowsKept(usize),
    RowsShort(usize),
    Value(usize, usize, f64),
    Gone,
}

fn damage() -> impl Strategy<Value = Damage> {
    prop_oneof![
        Just(Damage::None),
        (0usize..6).prop_map(Damage::ColumnGone),
        (0usize..6).prop_map(Damage::ColumnEmpty),
        (0usize..4).prop_map(Damage::RowsKept),
        (0usize..4).prop_map(Damage::RowsShort),
        (0usize..80, 0usize..6, number()).prop_map(|(row, column, v)| Damage::Value(row, column, v)),
        Just(Damage::Gone),
    ]
}

fn damaged(mut curve: Curve, damage: &Damage) -> Curve {
    match *damage {
        Damage::None => {}
        Damage::ColumnGone(at) if at < curve.columns.len() => {
            curve.columns.remove(at);
            for row in &mut curve.rows {
                row.remove(at);
            }
        }
        Damage::ColumnEmpty(at) => {
            curve.rows.iter_mut().filter_map(|r| r.get_mut(at)).for_each(|v| *v = None)
        }
        Damage::RowsKept(rows) => curve.rows.truncate(rows),
        Damage::RowsShort(cells) => curve.rows.iter_mut().for_each(|row| row.truncate(cells)),
        Damage::Value(row, column, value) => {
            if let Some(cell) = curve.rows.get_mut(row).and_then(|r| r.get_mut(column)) {
                *cell = Some(value);
            }
        }
        Damage::ColumnGone(_) | Damage::Gone => curve = Curve::default(),
    }
    curve
}

proptest! {
    // Each case draws some twenty charts.
    #![proptest_config(ProptestConfig::with_cases(10))]

    /// Curves that lack columns, rows or sense are drawn as far as they go, or left out.
    #[test]
    fn damaged_curves_never_break_a_chart(damages in proptest::collection::vec(damage(), 60)) {
        let mut comparison = crate::fixture::comparison();
        for (curve, damage) in comparison.curves.iter_mut().zip(&damages) {
            curve.data = damaged(std::mem::take(&mut curve.data), damage);
        }
        for shown in charts::all(&comparison).into_iter().flat_map(|s| s.charts) {
            match shown {
                Shown::Chart(chart) => {
                    let drawing = draw::draw(&chart).map_err(|e| TestCaseError::fail(e.to_string()))?;
                    check(&drawing.svg, drawing.height)?;
                }
                Shown::LeftOut { title, why } => prop_assert!(!title.is_empty() && why.ends_with('.')),
            }
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn any_chart_is_well_formed_and_stays_in_its_frames(
        panels in proptest::collection::vec(panel(), 1..3),
        builds in proptest::collection::vec("\\PC{0,40}", 4),
        title in "\\PC{0,120}",
    ) {
        let chart = Chart {
            id: "any".into(),
            title: title.clone(),
            subtitle: title.clone(),
            caption: title.clone(),
            finding: title,
            builds,
            panels,
        };
        let drawing = draw::draw(&chart).map_err(|e| TestCaseError::fail(e.to_string()))?;
        check(&drawing.svg, drawing.height)?;
        prop_assert_eq!(drawing.svg, draw::draw(&chart).map_err(|e| TestCaseError::fail(e.to_string()))?.svg);
    }
}
