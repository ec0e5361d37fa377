//! Charts as files that are looked at once and then must not change unseen.

use std::fs;
use std::path::PathBuf;

use resvg::tiny_skia::Pixmap;
use twinload::compare::document::{BuildCurve, Comparison};
use twinload::figure::{Column, Curve, Unit};
use twinload::report::chart::{Chart, Shape, draw, png, smooth};
use twinload::report::charts::{self, Shown};

use crate::fixture;

fn chart(id: &str) -> Chart {
    let comparison = fixture::comparison();
    charts::all(&comparison)
        .into_iter()
        .flat_map(|s| s.charts)
        .find_map(|shown| match shown {
            Shown::Chart(chart) if chart.id == id => Some(*chart),
            _ => None,
        })
        .unwrap_or_else(|| panic!("no chart {id}"))
}

fn svg(id: &str) -> String {
    draw::draw(&chart(id)).unwrap().svg
}

#[test]
fn headroom_ruler() {
    insta::assert_binary_snapshot!("headroom.svg", svg("headroom-full").into_bytes());
}

#[test]
fn distortion_against_power() {
    insta::assert_binary_snapshot!("distortion-power.svg", svg("distortion-power-full").into_bytes());
}

#[test]
fn frequency_response() {
    insta::assert_binary_snapshot!("response.svg", svg("response-full").into_bytes());
}

#[test]
fn harmonic_bars() {
    insta::assert_binary_snapshot!("harmonics.svg", svg("harmonics-full").into_bytes());
}

/// One channel of one pixel may differ by this much: the rule of resvg's own golden tests.
const CHANNEL_TOLERANCE: u8 = 1;

/// Compares a picture with the one in `tests/report/golden/`. `GOLDEN=write`
/// makes it anew and still fails, so that it cannot be left on. A difference
/// leaves the picture and a map of it in `target/golden/`.
fn assert_picture(id: &str) {
    let bytes = png::picture(id, &svg(id), 640).unwrap();
    let root = PathBuf::from(env!("CARGO_MANIFEST_DIR"));
    let golden = root.join("tests/report/golden").join(format!("{id}.png"));
    if std::env::var("GOLDEN").as_deref() == Ok("write") {
        fs::create_dir_all(golden.parent().unwrap()).unwrap();
        fs::write(&golden, &bytes).unwrap();
        panic!("{id}: made anew; look at it, then run without GOLDEN");
    }
    let expected = Pixmap::load_png(&golden).unwrap();
    let actual = Pixmap::decode_png(&bytes).unwrap();
    assert_eq!((expected.width(), expected.height()), (actual.width(), actual.height()), "{id}: size");
    let far = |a: &[u8], b: &[u8]| a.iter().zip(b).any(|(a, b)| a.abs_diff(*b) > CHANNEL_TOLERANCE);
    let pairs = expected.data().chunks(4).zip(actual.data().chunks(4));
    let different: Vec<bool> = pairs.map(|(a, b)| far(a, b)).collect();
    let count = different.iter().filter(|d| **d).count();
    if count > 0 {
        let mut map = actual.clone();
        for (pixel, different) in map.data_mut().chunks_mut(4).zip(&different) {
            if *different {
                pixel.copy_from_slice(&[255, 0, 0, 255]);
            }
        }
        let dir = root.join("target/golden");
        fs::create_dir_all(&dir).unwrap();
        fs::write(dir.join(format!("{id}.png")), &bytes).unwrap();
        map.save_png(dir.join(format!("{id}-different.png"))).unwrap();
        panic!("{id}: {count} pixels differ; see target/golden");
    }
}

#[test]
fn picture_of_distortion_against_power() {
    assert_picture("distortion-power-full");
}

#[test]
fn picture_of_the_headroom_ruler() {
    assert_picture("headroom-full");
}

#[test]
fn the_interfaces_own_distortion_stands_in_the_distortion_chart() {
    // 0.8 % at every other step of the ladder, from a loopback: over its power, which lies on the ladder's points.
    let mut comparison = fixture::comparison();
    let plain = comparison.clone();
    let ladders: Vec<_> = comparison.curves.iter().filter(|c| c.curve == "ladder_up").cloned().collect();
    let mut powers = Vec::new();
    for ladder in &ladders {
        let mut own = Curve::new(&[("drive", Unit::Decibels), ("thd", Unit::Percent)]);
        for (drive, watts) in ladder.data.points("drive", "power").into_iter().step_by(2) {
            own.push([drive, 0.8]);
            if ladder.setting == ladders[0].setting {
                powers.push(watts);
            }
        }
        let curve = "interface_distortion".to_owned();
        comparison.curves.push(BuildCurve { curve, data: own, ..ladder.clone() });
    }
    let chart_of = |comparison: &Comparison| {
        let all = charts::all(comparison).into_iter().flat_map(|s| s.charts);
        let found = all.into_iter().find_map(|shown| match shown {
            Shown::Chart(chart) if chart.id == "distortion-power-full" => Some(*chart),
            _ => None,
        });
        found.unwrap()
    };
    let (with, without) = (chart_of(&comparison), chart_of(&plain));
    let own: Vec<_> = with.panels[0].series.iter().filter(|s| s.name == "interface").collect();
    assert_eq!(own.len(), 2);
    assert_eq!(with.panels[0].series.len(), without.panels[0].series.len() + 2);
    let drawn: Vec<f64> = own.iter().flat_map(|s| s.points.iter().map(|p| p.0)).collect();
    assert_eq!(drawn, powers);
    assert!(own.iter().flat_map(|s| &s.points).all(|p| p.1 == Some(0.8)));
    assert!(with.caption.contains("interface's own distortion"), "{}", with.caption);
    assert!(!without.caption.contains("interface"), "{}", without.caption);
    if let Ok(path) = std::env::var("LOOK") {
        fs::write(path, png::picture("look", &draw::draw(&with).unwrap().svg, 1200).unwrap()).unwrap();
    }
}

/// The chart of this id.
fn find(comparison: &Comparison, id: &str) -> Chart {
    let all = charts::all(comparison).into_iter().flat_map(|s| s.charts);
    let found = all.into_iter().find_map(|shown| match shown {
        Shown::Chart(chart) if chart.id == id => Some(*chart),
        _ => None,
    });
    found.unwrap_or_else(|| panic!("no chart {id}"))
}

#[test]
fn the_interfaces_own_products_and_harmonics_stand_in_their_charts() {
    let plain = fixture::comparison();
    let mut comparison = plain.clone();
    let products = |c: &&mut BuildCurve| c.curve.starts_with("products");
    for curve in comparison.curves.iter_mut().filter(products) {
        curve.data.columns.push(Column { name: "interface".to_owned(), unit: Unit::Decibels });
        for (at, row) in curve.data.rows.iter_mut().enumerate() {
            // The two tones played are no products.
            row.push((at > 1).then_some(-63.0));
        }
    }
    for row in comparison.rows.iter_mut().filter(|r| r.quantity.starts_with("harmonic_")) {
        row.values.iter_mut().for_each(|v| v.floor = Some(0.02));
    }
    let (with, without) = (find(&comparison, "two-tones-full"), find(&plain, "two-tones-full"));
    let levels = |chart: &Chart| {
        let marks: Vec<_> = chart.panels.iter().flat_map(|p| p.marks.clone()).collect();
        marks.into_iter().filter(|m| m.shape == Shape::Level).collect::<Vec<_>>()
    };
    assert!(levels(&without).is_empty() && !without.caption.contains("interface"), "{}", without.caption);
    assert!(levels(&with).len() > 10 && with.caption.contains("interface alone"), "{}", with.caption);
    assert!(levels(&with).iter().all(|m| m.at.1 == -63.0 && m.name.starts_with("interface alone, order ")));
    let (bars, bare) = (find(&comparison, "harmonics-full"), find(&plain, "harmonics-full"));
    let blocks = |chart: &Chart| chart.panels.iter().flat_map(|p| p.blocks.clone()).collect::<Vec<_>>();
    let all = blocks(&bars);
    assert!(all.iter().all(|b| b.floor == Some(0.02) && b.value.ends_with("; interface alone 0.020 %")));
    assert!(blocks(&bare).iter().all(|b| b.floor.is_none()));
    assert!(bars.caption.contains("interface alone") && !bare.caption.contains("interface"));
    // A line across each bar that reaches so low: as many more rules as there are bars.
    let rules = |chart: &Chart| draw::draw(chart).unwrap().svg.matches(r#"class="rule""#).count();
    assert_eq!(rules(&bars), rules(&bare) + all.len());
    if let Ok(path) = std::env::var("LOOK") {
        for chart in [&with, &bars] {
            let picture = png::picture("look", &draw::draw(chart).unwrap().svg, 1200).unwrap();
            fs::write(format!("{path}-{}.png", chart.id), picture).unwrap();
        }
    }
}

#[test]
fn harmonics_against_frequency_are_drawn_smoothed_and_kept_as_they_are() {
    let mut comparison = fixture::comparison();
    let harmonics = |c: &&mut BuildCurve| c.curve == "harmonics_by_frequency";
    let mut raw = Vec::new();
    for curve in comparison.curves.iter_mut().filter(harmonics) {
        // A sweep's grid of 48 points an octave, every other of them twice as high as its neighbours.
        let mut data = Curve::new(&[("frequency", Unit::Hertz), ("harmonic_2", Unit::Percent)]);
        for k in 0..240 {
            data.push([100.0 * 2f64.powf(f64::from(k) / 48.0), if k % 2 == 0 { 0.4 } else { 0.2 }]);
        }
        raw.push(data.points("frequency", "harmonic_2"));
        curve.data = data;
    }
    let chart = find(&comparison, "harmonics-frequency-full");
    let second = &chart.panels[0].series[0];
    let points: Vec<(f64, f64)> = second.present().collect();
    assert!(raw.contains(&points), "the data of the chart are the data");
    let drawn = smooth::drawn(&chart.panels[0], second);
    let rough = |points: &[(f64, Option<f64>)]| {
        let ys: Vec<f64> = points.iter().filter_map(|p| p.1).collect();
        ys.windows(2).map(|w| (w[1] / w[0]).ln().abs()).sum::<f64>() / (ys.len() - 1) as f64
    };
    // Five points: three of one height and two of the other, in turn: √(0.088/0.112) is −0.12 instead of ln ½.
    assert!(rough(&drawn.points) < 0.2 * rough(&second.points), "{}", rough(&drawn.points));
    for words in [&chart.caption, &chart.title] {
        assert!(words.contains("drawn smoothed over 1/12 octave"), "{words}");
    }
    assert!(find(&comparison, "response-full").caption.contains("not smoothed"));
}
