//! The report: charts, page, files.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, dead_code)]

mod fixture;

use std::path::Path;

use twinload::report::chart::{draw, png};
use twinload::report::charts::{self, Shown};

/// Writes every chart to a folder, to be looked at: `LOOK=dir cargo test --test report look -- --ignored`.
#[test]
#[ignore = "writes files to look at"]
fn look() {
    let dir = std::env::var("LOOK").unwrap_or_else(|_| "target/look".into());
    let dir = Path::new(&dir);
    std::fs::create_dir_all(dir).unwrap();
    let comparison = fixture::comparison();
    let mut shown: Vec<Shown> = charts::all(&comparison).into_iter().flat_map(|s| s.charts).collect();
    shown.push(charts::voltages(&comparison));
    for shown in shown {
        match shown {
            Shown::Chart(chart) => {
                let drawing = draw::draw(&chart).unwrap();
                std::fs::write(dir.join(format!("{}.svg", chart.id)), &drawing.svg).unwrap();
                let picture = png::picture(&chart.id, &drawing.svg, 1200).unwrap();
                std::fs::write(dir.join(format!("{}.png", chart.id)), picture).unwrap();
            }
            Shown::LeftOut { title, why } => println!("{title}: {why}"),
        }
    }
}
