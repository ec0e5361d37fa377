//! What README.md and the page on test signals tell people to type is what the command line takes.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use clap::Parser;
use twinload::cli::Cli;

/// Lines of `sh` blocks and code spans that call twinload, without comments.
fn commands(text: &str) -> Vec<Vec<String>> {
    let mut found = Vec::new();
    let mut in_block = false;
    for line in text.lines() {
        if line.starts_with("```") {
            in_block = line == "```sh";
            continue;
        }
        let candidates: Vec<&str> =
            if in_block { vec![line] } else { line.split('`').skip(1).step_by(2).collect() };
        for candidate in candidates {
            let command = candidate.split('#').next().unwrap_or_default().trim();
            let words: Vec<String> = command.split_whitespace().map(str::to_owned).collect();
            // The table's patterns (DIR, WAV…, [A B …]) are not commands to type.
            let pattern =
                |w: &String| w.contains(['[', ']', '…']) || w.chars().all(|c| c.is_ascii_uppercase());
            if command.starts_with("twinload ") && !words.iter().any(pattern) {
                found.push(words);
            }
        }
    }
    found
}

#[test]
fn every_command_in_the_documents_is_understood() {
    let documents = [include_str!("../README.md"), include_str!("../test-signals/README.md")];
    let mut count = 0;
    for command in documents.iter().flat_map(|d| commands(d)) {
        if let Err(error) = Cli::try_parse_from(&command) {
            // A command named alone, in passing, needs no arguments to be a name; help is no fault either.
            let named = command.len() == 2 && error.kind() == clap::error::ErrorKind::MissingRequiredArgument;
            let help = error.kind() == clap::error::ErrorKind::DisplayHelp;
            assert!(named || help, "{}: {error}", command.join(" "));
        }
        count += 1;
    }
    // The five of the first bench and more; fewer would mean that this test no longer finds them.
    assert!(count >= 10, "{count}");
}
