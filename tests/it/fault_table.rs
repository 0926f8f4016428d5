//! The table of faults in DEVELOPERS.md names tests that exist.

use std::collections::BTreeSet;
use std::path::Path;

/// Heading above the table.
const HEADING: &str = "## Faults of real folders and their tests";

/// Names of all test functions in the sources.
fn tests_there_are(root: &Path) -> BTreeSet<String> {
    let files = ["src", "tests"].into_iter().flat_map(|folder| walkdir::WalkDir::new(root.join(folder)));
    let sources = files.flatten().filter(|e| e.path().extension().is_some_and(|s| s == "rs"));
    let mut names = BTreeSet::new();
    for source in sources {
        let text = std::fs::read_to_string(source.path()).unwrap();
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

/// Fault and tests of each row.
fn rows(page: &str) -> Vec<(String, Vec<String>)> {
    let table = page.split_once(HEADING).expect("the table's heading").1;
    let section = table.split("\n## ").next().unwrap_or(table);
    let lines = section.lines().filter(|l| l.starts_with("| ")).skip(2);
    let row = |line: &str| {
        let cells: Vec<&str> = line.trim_matches('|').split(" | ").collect();
        let tests = cells[1].split('`').skip(1).step_by(2).map(str::to_owned).collect();
        (cells[0].trim().to_owned(), tests)
    };
    lines.map(row).collect()
}

#[test]
fn every_test_that_the_table_of_faults_names_exists() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let rows = rows(&std::fs::read_to_string(root.join("DEVELOPERS.md")).unwrap());
    // As many kinds of fault as are listed, and some that were met since.
    assert!(rows.len() >= 44, "{} rows", rows.len());
    let there = tests_there_are(root);
    for (fault, tests) in rows {
        assert!(!tests.is_empty(), "{fault}: no test");
        for test in tests {
            assert!(there.contains(&test), "{fault}: there is no test `{test}`");
        }
    }
}
