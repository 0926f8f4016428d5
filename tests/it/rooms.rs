//! What the sources themselves must keep: which room imports which, how long a function is, where sentences stand, and that
//! what they cite is here.

mod arrows;
mod citations;
mod scanner;
mod sentences;
mod source;

use std::collections::BTreeSet;

use arrows::{arrows, circles};
use citations::{check_values_named, is_here, outside};
use sentences::{read_texts, sentences};
use source::{comments, files, functions, root, sources, texts};

/// Longest function, lines from its `fn` to its brace, and most arguments, `self` among them.
const MOST_LINES: usize = 80;
const MOST_ARGUMENTS: usize = 6;

/// Rooms from the lowest up: each may import those before it.
const ORDER: [&str; 19] = [
    "units",
    "image",
    "stats",
    "format",
    "whole_file",
    "store",
    "facts",
    "fits",
    "folder",
    "frame",
    "stars",
    "sensor",
    "sky",
    "verdict",
    "report",
    "night",
    "upgrade",
    "simulate",
    "cli",
];
/// Neighbours of one height.
const SIBLINGS: [[&str; 2]; 2] = [["stars", "sensor"], ["upgrade", "simulate"]];
/// Truth is made by other code than that which measures it; facts are types alone.
const OF_SIMULATE: [&str; 4] = ["facts", "folder", "stats", "units"];

/// Rooms that compute, decide or compare: facts there are types.
const READ_NO_SENTENCE: [&str; 8] = ["facts", "stars", "sensor", "sky", "verdict", "night", "upgrade", "report"];
const HOLD_NO_SENTENCE: [&str; 7] = ["facts", "frame", "stars", "sensor", "sky", "verdict", "night"];

/// Files that read texts of a form of their own, no sentences.
const READERS: [(&str, &str); 3] = [
    ("src/report/files/schema.rs", "types of a JSON schema"),
    ("src/report/plots/canvas.rs", "SVG as the drawing library writes it"),
    ("src/report/terminal/columns.rs", "units, before which no line breaks"),
];

/// Fails with all violations, one a line.
fn none(rule: &str, violations: impl IntoIterator<Item = String>) {
    let found: BTreeSet<String> = violations.into_iter().collect();
    let list: Vec<String> = found.into_iter().collect();
    assert!(list.is_empty(), "{} against the rule: {rule}\n{}", list.len(), list.join("\n"));
}

/// Why a room must not import another.
fn against_the_order(from: &str, to: &str) -> Option<&'static str> {
    let height = |room: &str| ORDER.iter().position(|r| *r == room);
    if from == to {
        None
    } else if from == "simulate" {
        (!OF_SIMULATE.contains(&to)).then_some("truth shares no code with what measures it")
    } else if SIBLINGS.iter().any(|s| s.contains(&from) && s.contains(&to)) {
        Some("they stand beside each other")
    } else {
        match (height(from), height(to)) {
            (Some(from), Some(to)) => (to > from).then_some("that is upwards"),
            _ => Some("one of them has no place in the order"),
        }
    }
}

#[test]
fn arrows_follow_the_order_of_stages() {
    let sources = sources();
    let wrong = arrows(&sources).into_iter().filter_map(|a| {
        let why = against_the_order(&a.from[0], &a.to[0])?;
        Some(format!("{}: {} imports {} of {}: {why}", a.place, a.from[0], a.name, a.to.join("::")))
    });
    none("a room imports lower rooms only", wrong);
}

#[test]
fn the_order_lets_through_what_is_lower_and_nothing_else() {
    let refused = |from, to| against_the_order(from, to).is_some();
    assert!(!refused("verdict", "sensor") && !refused("upgrade", "report") && !refused("simulate", "folder"));
    assert!(refused("sensor", "report") && refused("night", "upgrade") && refused("report", "night"));
    assert!(refused("stars", "sensor") && refused("sensor", "stars") && refused("simulate", "fits"));
    assert!(refused("upgrade", "simulate") && refused("sky", "attic") && refused("attic", "units"));
}

#[test]
fn no_file_stands_in_a_circle() {
    let sources = sources();
    let arrows = arrows(&sources);
    let told = circles(&arrows).into_iter().map(|circle| {
        let inside = arrows.iter().filter(|a| circle.contains(&a.from) && circle.contains(&a.to));
        let arrow = |a: &arrows::Arrow| format!("    {} needs {} of {}", a.place, a.name, a.to.join("::"));
        let list: BTreeSet<String> = inside.map(arrow).collect();
        format!("{} files:\n{}", circle.len(), list.into_iter().collect::<Vec<_>>().join("\n"))
    });
    none("no file needs, through others, itself", told);
}

#[test]
fn no_function_is_long_or_takes_many_arguments() {
    let long = sources().into_iter().flat_map(|s| {
        let large = |f: &source::Function| f.lines > MOST_LINES || f.arguments > MOST_ARGUMENTS;
        let told = |f: source::Function| {
            format!("{}:{}: {} has {} lines, {} arguments", s.path, f.line, f.name, f.lines, f.arguments)
        };
        functions(&s.code).into_iter().filter(large).map(told).collect::<Vec<_>>()
    });
    none("80 lines and six arguments are enough for a function", long);
}

#[test]
fn no_code_reads_a_sentence() {
    let sources = sources();
    let mut readers: BTreeSet<&str> = BTreeSet::new();
    let mut found = Vec::new();
    for source in sources.iter().filter(|s| READ_NO_SENTENCE.contains(&s.room())) {
        for (line, text) in read_texts(&source.row) {
            match READERS.iter().find(|(file, _)| *file == source.path) {
                Some((file, _)) => drop(readers.insert(file)),
                None => found.push(format!("{}:{line}: {text}", source.path)),
            }
        }
    }
    let idle = READERS.iter().filter(|(file, _)| !readers.contains(file));
    found.extend(idle.map(|(file, why)| format!("{file} reads no text any more ({why}): take it off the list")));
    none("no code steers by the text of a sentence", found);
}

#[test]
fn stages_below_the_report_hold_no_sentence() {
    let found = sources().into_iter().filter(|s| HOLD_NO_SENTENCE.contains(&s.room())).flat_map(|s| {
        let told = |(line, text)| format!("{}:{line}: {text:?}", s.path);
        sentences(&s.row).into_iter().map(told).collect::<Vec<_>>()
    });
    none("sentences stand in src/report/words", found);
}

#[test]
fn measuring_code_holds_no_words() {
    let text = std::fs::read_to_string(root().join("src/build.rs")).unwrap();
    let build = source::Source::of("src/build.rs", &text);
    let listed: Vec<String> = build.row.parts.iter().filter_map(source::Part::text).map(str::to_owned).collect();
    let listed: Vec<&str> = listed.iter().map(String::as_str).filter(|t| t.starts_with("src/")).collect();
    assert!(listed.contains(&"src/stars") && listed.contains(&"src/sensor"), "no list of sources: {listed:?}");
    let covered = |path: &str| listed.iter().any(|l| path == *l || path.starts_with(&format!("{l}/")));
    let mut found: Vec<String> = listed.iter().filter(|l| !root().join(l).exists()).map(|l| l.to_string()).collect();
    let words = |p: &&String| p.starts_with("src/report") || p.contains("/words");
    found.extend(files("src").iter().filter(words).filter(|p| covered(p)).map(|p| format!("{p} holds words")));
    let measuring = ["fits", "folder", "frame", "stars", "sensor"];
    for arrow in arrows(&sources()).iter().filter(|a| measuring.contains(&&*a.from[0])) {
        let (file, folder) = (format!("src/{}.rs", arrow.to[0]), format!("src/{}", arrow.to[0]));
        if !covered(&file) && !covered(&folder) {
            found.push(format!("{}: {} of {}, which is not on the list", arrow.place, arrow.name, arrow.to.join("::")));
        }
    }
    none("what is measured changes with measuring code alone, all of which src/build.rs lists", found);
}

#[test]
fn every_check_value_named_exists() {
    let stored = std::fs::read_to_string(root().join("fixtures/check-values/checks.json")).unwrap();
    let rows: Vec<serde_json::Value> = serde_json::from_str(&stored).unwrap();
    let stored: BTreeSet<&str> = rows.iter().map(|r| r["id"].as_str().unwrap()).collect();
    assert_eq!(stored.len(), rows.len(), "a row stands twice");
    let mut named = BTreeSet::new();
    let mut found = Vec::new();
    for (path, text) in ["src", "tests", "benches"].into_iter().flat_map(texts).chain(pages()) {
        // The tests of the scanner name rows that there never were.
        if path.starts_with("tests/it/rooms") {
            continue;
        }
        for (i, line) in text.lines().enumerate() {
            for id in check_values_named(line) {
                if !stored.contains(&*id) {
                    found.push(format!("{path}:{}: {id} is no row", i + 1));
                }
                named.insert(id);
            }
        }
    }
    let idle = stored
        .into_iter()
        .filter(|id| !named.contains(*id) && !named.contains(id.trim_end_matches(char::is_alphabetic)));
    found.extend(idle.map(|id| format!("fixtures/check-values/checks.json: no test names {id}")));
    none("check values that are named are stored, and those stored are used", found);
}

#[test]
fn no_comment_cites_what_is_not_here() {
    let mut all: Vec<String> = ["src", "tests", "benches", "fixtures", ".ci"].into_iter().flat_map(files).collect();
    all.extend(std::fs::read_dir(root()).unwrap().map(|e| e.unwrap().file_name().to_string_lossy().into_owned()));
    let mut found = Vec::new();
    let rust = ["src", "tests", "benches"].into_iter().flat_map(texts).map(|(path, text)| (path, comments(&text)));
    let pages = pages().map(|(path, text)| (path, (1..).zip(text.lines().map(str::to_owned)).collect()));
    for (path, lines) in rust.chain(pages) {
        for (line, text) in lines {
            let missing = citations::files_named(&text).into_iter().filter(|f| !is_here(f, &all));
            found.extend(missing.map(|f| format!("{path}:{line}: no file {f}")));
            found.extend(outside(&text).map(|what| format!("{path}:{line}: cites {what}")));
        }
    }
    none("what a comment or a page cites is in the project", found);
}

/// The pages of the root and beside the fixtures.
fn pages() -> impl Iterator<Item = (String, String)> {
    let here = std::fs::read_dir(root()).unwrap().map(|e| e.unwrap().file_name().to_string_lossy().into_owned());
    let all = here.chain(files("fixtures")).filter(|f| f.ends_with(".md"));
    let mut all: Vec<String> = all.collect();
    all.sort();
    all.into_iter().map(|f| (f.clone(), std::fs::read_to_string(root().join(f)).unwrap()))
}
