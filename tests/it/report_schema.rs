//! `report.json` against the schema that the program ships, with a validator that is not part of it.

use std::path::Path;

use jsonschema::Validator;
use serde_json::Value;

use crate::command_line::skygrain;
use crate::raw_fits::*;

fn schema() -> Value {
    let ran = skygrain(&["schema"]);
    assert_eq!((ran.status, ran.stderr.as_str()), (Some(0), ""));
    serde_json::from_str(&ran.stdout).unwrap()
}

fn validator(schema: &Value) -> Validator {
    jsonschema::draft202012::meta::validate(schema).expect("the schema is a schema");
    jsonschema::draft202012::new(schema).unwrap()
}

/// The schema with every key refused that it does not describe. A quantity stays open, since other definitions build on
/// it.
fn strict(mut schema: Value) -> Value {
    for (name, definition) in schema["$defs"].as_object_mut().unwrap() {
        if name != "Quantity" {
            definition["unevaluatedProperties"] = false.into();
        }
    }
    schema["unevaluatedProperties"] = false.into();
    schema
}

#[track_caller]
fn valid(validator: &Validator, report: &Value, what: &str) {
    let errors: Vec<String> =
        validator.iter_errors(report).take(5).map(|e| format!("{}: {e:.300}", e.instance_path())).collect();
    assert!(errors.is_empty(), "{what}: {errors:#?}");
}

fn report_of(folder: &Path) -> Value {
    serde_json::from_slice(&std::fs::read(folder.join("report.json")).unwrap()).unwrap()
}

fn demo() -> (tempfile::TempDir, Value) {
    let dir = tempfile::tempdir().unwrap();
    let (night, out) = (dir.path().join("night"), dir.path().join("out"));
    let ran = skygrain(&["demo", night.to_str().unwrap(), "--out", out.to_str().unwrap()]);
    assert_eq!(ran.status, Some(0), "{}", ran.stderr);
    let report = report_of(&out);
    (dir, report)
}

#[test]
fn reports_of_full_and_poor_folders_obey_the_schema_and_hold_no_key_it_does_not_describe() {
    let validator = validator(&strict(schema()));
    let (dir, report) = demo();
    valid(&validator, &report, "the demo's report");
    let out = dir.path().join("sensor");
    let night = dir.path().join("night");
    let ran = skygrain(&["sensor", night.to_str().unwrap(), "--out", out.to_str().unwrap()]);
    assert!(ran.status.is_some_and(|s| s < 2), "{}", ran.stderr);
    valid(&validator, &report_of(&out), "the sensor's report");
    // One light without stars, a torn file and one that is no frame: almost nothing is known.
    let poor = folder_of([
        ("n/a.fits", light(1, &[])),
        ("n/torn.fits", light(2, &[])[..9000].to_vec()),
        ("n/x.txt", b"x".to_vec()),
    ]);
    let (folder, out) = (poor.path().join("n"), poor.path().join("o"));
    let ran = skygrain(&["night", folder.to_str().unwrap(), "--out", out.to_str().unwrap()]);
    assert_eq!(ran.status, Some(1), "{}", ran.stderr);
    valid(&validator, &report_of(&out), "the poor folder's report");
}

/// All places of keys below a value, as JSON pointers of the object with the key; of equal entries in a list only the
/// first is taken.
fn places(value: &Value, at: &str, found: &mut Vec<(String, String)>) {
    match value {
        // The words that count stars by what kept them out are data, not keys.
        Value::Object(map) if !at.ends_with("/star_flags") => {
            for (key, below) in map {
                found.push((at.to_owned(), key.clone()));
                places(below, &format!("{at}/{key}"), found);
            }
        }
        Value::Array(list) => {
            if let Some(first) = list.first() {
                places(first, &format!("{at}/0"), found);
            }
        }
        _ => {}
    }
}

#[test]
fn a_report_without_any_one_of_its_keys_is_refused() {
    let validator = validator(&schema());
    let (_dir, mut report) = demo();
    valid(&validator, &report, "the demo's report");
    let mut found = Vec::new();
    places(&report, "", &mut found);
    // Schema version 1 began with more than 200 keys, and keys are only added.
    assert!(found.len() > 200, "{}", found.len());
    for (at, key) in found {
        let taken = report.pointer_mut(&at).unwrap().as_object_mut().unwrap().remove(&key).unwrap();
        assert!(!validator.is_valid(&report), "{at}/{key} may vanish unnoticed");
        report.pointer_mut(&at).unwrap().as_object_mut().unwrap().insert(key, taken);
    }
    valid(&validator, &report, "the report as it was");
}

#[test]
fn every_key_is_described_and_every_number_has_a_unit() {
    fn check(node: &Value, at: &str) {
        for (key, property) in node["properties"].as_object().into_iter().flatten() {
            let described = property["description"].as_str().is_some_and(|d| d.len() > 3);
            assert!(described, "{at}.{key} has no description");
            let text = property.to_string();
            let is_number = ["\"number\"", "\"integer\"", "#/$defs/Quantity"].iter().any(|t| text.contains(t));
            let has_unit = property["unit"].as_str().is_some_and(|u| !u.is_empty());
            assert!(has_unit || !is_number, "{at}.{key} has no unit");
        }
    }
    let schema = schema();
    check(&schema, "report");
    let definitions = schema["$defs"].as_object().unwrap();
    assert!(definitions.len() > 20);
    for (name, definition) in definitions {
        check(definition, name);
    }
}

#[test]
fn the_written_table_of_keys_is_the_one_that_the_program_prints() {
    let ran = skygrain(&["schema", "--keys"]);
    assert_eq!(ran.status, Some(0), "{}", ran.stderr);
    let written = std::fs::read_to_string("fixtures/report-keys/README.md").unwrap();
    assert!(written == ran.stdout, "the table is out of date: skygrain schema --keys > fixtures/report-keys/README.md");
}
