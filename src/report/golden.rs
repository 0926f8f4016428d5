//! What the page and the terminal say of the invented night, word for word, against what is stored in
//! `fixtures/report-model/`: the model that is rendered, not the markup, so that a change of style changes nothing here.

use std::path::PathBuf;

use serde_json::Value;

use super::page::letter::letter;
use super::{sample, summary};

/// `SKYGRAIN_GOLDEN=write` stores what is said now instead of comparing.
const VARIABLE: &str = "SKYGRAIN_GOLDEN";
/// Drawings, numbers of double precision that only sort a table, and the release.
const NOT_COMPARED: [&str; 4] = ["svg", "fwhm_order", "ellipticity_order", "version"];

pub(super) fn compare(name: &str, now: &str) {
    let file = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("fixtures/report-model").join(name);
    if std::env::var_os(VARIABLE).is_some_and(|v| v == "write") {
        std::fs::write(&file, now).unwrap();
        return;
    }
    let stored = std::fs::read_to_string(&file).unwrap();
    let (mut was, mut is) = (stored.lines(), now.lines());
    for line in 1.. {
        match (was.next(), is.next()) {
            (None, None) => return,
            (a, b) => assert_eq!(a, b, "{name}, line {line}; {VARIABLE}=write stores what is said now"),
        }
    }
}

fn without_drawings(value: &mut Value) {
    match value {
        Value::Object(map) => {
            NOT_COMPARED.iter().for_each(|key| drop(map.remove(*key)));
            map.values_mut().for_each(without_drawings);
        }
        Value::Array(list) => list.iter_mut().for_each(without_drawings),
        _ => {}
    }
}

#[test]
fn the_letter_says_what_it_said() {
    let mut said = serde_json::to_value(letter(&sample::report()).unwrap()).unwrap();
    without_drawings(&mut said);
    compare("letter.json", &(serde_json::to_string_pretty(&said).unwrap() + "\n"));
}

#[test]
fn the_terminal_says_what_it_said() {
    compare("summary.txt", &summary(&sample::report(), None));
}
