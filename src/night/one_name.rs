//! Filters and exposures that are one although headers write them in several ways.

use std::collections::{BTreeMap, BTreeSet};

use super::intake::{Intake, Outcome, Read};
use crate::facts::Caution;
use crate::folder::SessionKey;
use crate::report::Warning;

/// Letters that name one filter small and another large: the broad bands of two photometric systems (Johnson-Cousins and the Sloan survey's;
/// common practice, no source).
const CASE_COUNTS: [&str; 8] = ["u", "b", "v", "g", "r", "i", "z", "y"];

/// Names of one line, as letters and digits alone, small (common practice, no source).
const LINES: [&[&str]; 3] =
    [&["ha", "halpha", "hα", "hydrogenalpha"], &["oiii", "o3", "oxygeniii"], &["sii", "s2", "sulfurii", "sulphurii"]];

/// Gives filters that differ in letter case alone one name, and says where others may be one.
pub fn unify_filters(intakes: &mut [Intake], warnings: &mut Vec<Warning>) {
    let names = |intakes: &[Intake]| -> Vec<String> {
        intakes
            .iter()
            .filter_map(Intake::read)
            .filter_map(|r| r.header.filter.as_ref())
            .map(|f| f.value.clone())
            .collect()
    };
    let mut spellings: BTreeMap<String, BTreeMap<String, usize>> = BTreeMap::new();
    for name in names(intakes) {
        let small = name.to_lowercase();
        if !CASE_COUNTS.contains(&small.as_str()) {
            *spellings.entry(small).or_default().entry(name).or_default() += 1;
        }
    }
    // The commonest spelling; of two as common the one that sorts first, which has the capitals.
    let chosen = |of: &BTreeMap<String, usize>| of.iter().rev().max_by_key(|(_, n)| **n).map(|(name, _)| name.clone());
    let chosen: BTreeMap<String, String> = spellings
        .into_iter()
        .filter(|(_, of)| of.len() > 1)
        .filter_map(|(small, of)| Some((small, chosen(&of)?)))
        .collect();
    for intake in intakes.iter_mut() {
        let Outcome::Read(read) = &mut intake.outcome else { continue };
        if let Some(filter) = &mut read.header.filter
            && let Some(name) = chosen.get(&filter.value.to_lowercase())
        {
            filter.value.clone_from(name);
        }
    }
    let all: BTreeSet<String> = names(intakes).into_iter().collect();
    for line in LINES {
        let of_line: Vec<String> = all.iter().filter(|name| line.contains(&letters(name).as_str())).cloned().collect();
        if of_line.len() > 1 {
            let has = |r: &Read| r.header.filter.as_ref().is_some_and(|f| of_line.contains(&f.value));
            let paths = intakes.iter().filter(|i| i.read().is_some_and(has)).map(|i| i.file.shown.clone()).collect();
            warnings.push(Warning { caution: Caution::FiltersAlike { names: of_line.join(", ") }, paths });
        }
    }
}

fn letters(name: &str) -> String {
    name.chars().filter(|c| c.is_alphanumeric()).flat_map(char::to_lowercase).collect()
}

/// Relative difference of exposures that is none: what clocks and shutters add differs by milliseconds.
const SAME_EXPOSURE: f64 = 0.002;

/// Gives lights whose exposures differ by what a clock adds the key of one session.
pub fn unify_exposures(lights: Vec<SessionKey>) -> Vec<SessionKey> {
    let without = |key: &SessionKey| SessionKey { exposure_ms: None, ..key.clone() };
    let mut exposures: BTreeMap<SessionKey, BTreeMap<u64, usize>> = BTreeMap::new();
    for key in &lights {
        if let Some(ms) = key.exposure_ms {
            *exposures.entry(without(key)).or_default().entry(ms).or_default() += 1;
        }
    }
    let groups: BTreeMap<SessionKey, BTreeMap<u64, u64>> =
        exposures.into_iter().map(|(key, of)| (key, stated_for(&of.into_iter().collect::<Vec<_>>()))).collect();
    let of = |key: SessionKey| {
        let stated = key.exposure_ms.and_then(|ms| groups.get(&without(&key))?.get(&ms).copied());
        SessionKey { exposure_ms: stated, ..key }
    };
    lights.into_iter().map(of).collect()
}

/// For each exposure, ms, that of its group: the roundest one, of several the commonest. `exposures` are in order, with their number.
fn stated_for(exposures: &[(u64, usize)]) -> BTreeMap<u64, u64> {
    let near = |a: &(u64, usize), b: &(u64, usize)| (b.0 - a.0) as f64 <= SAME_EXPOSURE * a.0 as f64;
    let zeros = |ms: u64| (1..8).take_while(|n| ms.is_multiple_of(10u64.pow(*n))).count();
    let groups = exposures.chunk_by(near);
    groups
        .flat_map(|group| {
            let stated = group.iter().max_by_key(|(ms, n)| (zeros(*ms), *n)).map_or(0, |(ms, _)| *ms);
            group.iter().map(move |(ms, _)| (*ms, stated))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn exposures_that_a_clock_parts_are_one() {
        let stated = stated_for(&[(9_999, 1), (59_999, 4), (60_000, 3), (60_004, 4), (61_000, 1), (120_040, 2)]);
        let want = [
            (9_999, 9_999),
            (59_999, 60_000),
            (60_000, 60_000),
            (60_004, 60_000),
            (61_000, 61_000),
            (120_040, 120_040),
        ];
        assert_eq!(stated, want.into_iter().collect());
    }
}
