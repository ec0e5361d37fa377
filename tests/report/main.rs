//! The report: charts, page, files.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::print_stdout, dead_code)]

mod files;
mod fixture;
mod golden;
mod property;

use std::path::Path;

use twinload::report::Choices;

/// Writes whole reports to a folder, to be looked at: `LOOK=dir cargo test --test report look -- --ignored`.
#[test]
#[ignore = "writes files to look at"]
fn look() {
    let dir = std::env::var("LOOK").unwrap_or_else(|_| "target/look".into());
    for (name, comparison) in [("plain", fixture::comparison()), ("hostile", fixture::hostile())] {
        let written =
            twinload::report::write(&Path::new(&dir).join(name), &comparison, Choices::default()).unwrap();
        println!("{}: {} files, {:?}", written.page.display(), written.files.len(), written.remarks);
    }
}
