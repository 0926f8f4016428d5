//! The pages beside the code: what they name exists, and the first ones stay short enough to be read.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use skygrain::folder::Rig;

/// Bytes of a page that is read in one go.
const MOST_BYTES: [(&str, usize); 2] = [("README.md", 10_000), ("DEVELOPERS.md", 12_000)];
/// Tables whose last column names tests.
const TEST_TABLES: [(&str, &str); 2] =
    [("fixtures/faults.md", "| fault | tests |"), ("DEVELOPERS.md", "| what | test |")];
/// As many kinds of fault as are listed, and some that were met since; what always holds.
const LEAST_ROWS: [usize; 2] = [44, 12];
/// Folders whose files pages name from the root on.
const FOLDERS: [&str; 4] = ["src/", "tests/", "fixtures/", "benches/"];

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn text_of(page: &str) -> String {
    std::fs::read_to_string(root().join(page)).unwrap()
}

/// Files with a suffix below the folders of code and in the root.
fn files(suffix: &str) -> Vec<PathBuf> {
    let below = FOLDERS.into_iter().flat_map(|folder| walkdir::WalkDir::new(root().join(folder)));
    let beside = walkdir::WalkDir::new(root()).max_depth(1);
    let all = below.chain(beside).flatten().map(walkdir::DirEntry::into_path);
    all.filter(|path| path.extension().is_some_and(|s| s == suffix)).collect()
}

/// Names of all test functions in the sources.
fn tests_there_are() -> BTreeSet<String> {
    let mut names = BTreeSet::new();
    for source in files("rs") {
        let text = std::fs::read_to_string(source).unwrap();
        let mut is_test = false;
        for line in text.lines().map(str::trim) {
            match line.strip_prefix("fn ").and_then(|l| l.split_once('(')) {
                Some((name, _)) if is_test => {
                    names.insert(name.to_owned());
                    is_test = false;
                }
                // Other attributes and comments may stand between.
                _ => is_test = line == "#[test]" || is_test && (line.starts_with("#[") || line.starts_with("//")),
            }
        }
    }
    names
}

/// Words in backticks.
fn quoted(text: &str) -> impl Iterator<Item = &str> {
    text.split('`').skip(1).step_by(2)
}

/// First cell and tests of each row of the table under `head`.
fn rows(page: &str, head: &str) -> Vec<(String, Vec<String>)> {
    let table = page.split_once(head).expect("the table's head").1;
    let lines = table.lines().skip(2).take_while(|l| l.starts_with("| "));
    let row = |line: &str| {
        let (what, tests) = line.trim_matches('|').rsplit_once(" | ").expect("two cells");
        (what.trim().to_owned(), quoted(tests).map(str::to_owned).collect())
    };
    lines.map(row).collect()
}

/// A page's text without its blocks of code.
fn prose(page: &str) -> String {
    page.split("```").step_by(2).collect()
}

#[test]
fn every_test_that_the_pages_name_exists() {
    let there = tests_there_are();
    for ((page, head), least) in TEST_TABLES.into_iter().zip(LEAST_ROWS) {
        let rows = rows(&text_of(page), head);
        assert!(rows.len() >= least, "{page}: {} rows", rows.len());
        let missing: Vec<String> = rows
            .iter()
            .flat_map(|(what, tests)| {
                assert!(!tests.is_empty(), "{page}: {what}: no test");
                tests.iter().filter(|test| !there.contains(*test)).map(move |test| format!("{what}: {test}"))
            })
            .collect();
        assert!(missing.is_empty(), "{page} names tests that do not exist: {missing:#?}");
    }
}

#[test]
fn every_file_that_the_pages_name_exists() {
    let mut named = 0;
    for page in files("md") {
        let text = prose(&std::fs::read_to_string(&page).unwrap());
        let beside = page.parent().unwrap();
        let is_path = |word: &&str| {
            let plain = !word.contains(|c: char| c.is_whitespace() || "*<{=".contains(c));
            plain && (word.ends_with(".rs") || FOLDERS.iter().any(|folder| word.starts_with(folder)))
        };
        let links = text.split("](").skip(1).filter_map(|rest| rest.split_once(')')).map(|(target, _)| target);
        let paths = quoted(&text).filter(is_path).chain(links.filter(|target| !target.starts_with("http")));
        for path in paths {
            let places = [root().to_owned(), root().join("src"), beside.to_owned()];
            assert!(places.iter().any(|place| place.join(path).exists()), "{}: there is no {path}", page.display());
            named += 1;
        }
    }
    // All stages' tables of formulas name theirs.
    assert!(named > 150, "{named} files named");
}

#[test]
fn the_first_pages_are_short() {
    for (page, most) in MOST_BYTES {
        let bytes = text_of(page).len();
        assert!(bytes <= most, "{page} has {bytes} bytes of {most}");
    }
}

#[test]
fn rig_files_in_the_pages_are_understood() {
    for page in ["README.md", "src/folder/README.md"] {
        let text = text_of(page);
        let shown: Vec<&str> = text.split("```toml\n").skip(1).filter_map(|rest| rest.split("```").next()).collect();
        assert!(!shown.is_empty(), "{page}");
        for rig in shown {
            Rig::parse(rig, Path::new(page)).unwrap_or_else(|error| panic!("{page}: {error}"));
        }
    }
}
