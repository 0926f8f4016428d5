//! The JSON Schema of `report.json` (draft 2020-12), and the same keys as a table to read.

use serde_json::Value;

/// The schema: what each key holds, its unit in the annotation `unit`, and which keys are always there.
pub const SCHEMA: &str = include_str!("schema.json");

/// The definition that a table row names instead of spelling it out at each key.
const QUANTITY: &str = "quantity";

const INTRODUCTION: &str = "\
# Every key of `report.json`

This page is what `skygrain schema --keys` prints; `skygrain schema` prints the JSON Schema itself (draft 2020-12).

A *quantity* is an object with the keys of the first table, and its unit is that of `value` and `sigma`. `[]` stands for
each entry of a list. An unknown value is `null`, never 0. A unit of 1 means a ratio.
";

/// The keys of the schema as Markdown, one row a key.
///
/// # Panics
///
/// Never: the schema is part of the program, and a test walks through all of it.
pub fn key_table() -> String {
    let schema: Value = serde_json::from_str(SCHEMA).expect("the schema is JSON");
    let mut text = INTRODUCTION.to_owned();
    let table = |title: &str, node: &Value| {
        let mut rows = Vec::new();
        walk(&schema, node, "", &mut rows);
        format!("\n## {title}\n\n| key | unit | holds | meaning |\n| --- | --- | --- | --- |\n{}\n", rows.join("\n"))
    };
    text += &table("A quantity", &schema["$defs"][QUANTITY]);
    text += &table("The report", &schema);
    text
}

/// Rows of a schema's own properties and of all below them.
fn walk(schema: &Value, node: &Value, prefix: &str, rows: &mut Vec<String>) {
    for (key, property) in node["properties"].as_object().into_iter().flatten() {
        let path = format!("{prefix}{key}");
        let text = |name: &str| property[name].as_str().unwrap_or("").replace('|', "\\|");
        let (holds, below) = held(schema, property);
        rows.push(format!("| `{path}{}` | {} | {} | {} |", below.1, text("unit"), holds, text("description")));
        if let Some(definition) = below.0 {
            walk(schema, definition, &format!("{path}{}.", below.1), rows);
        }
    }
}

/// What a property holds in words; the definition below it, and the brackets that lead there.
fn held<'a>(schema: &'a Value, property: &'a Value) -> (String, (Option<&'a Value>, String)) {
    if let Some(name) = property["$ref"].as_str().and_then(|r| r.strip_prefix("#/$defs/")) {
        let definition = &schema["$defs"][name];
        if name == QUANTITY {
            return ("quantity".to_owned(), (None, String::new()));
        }
        let words = if definition.get("allOf").is_some() { "quantity and more" } else { "object" };
        return (words.to_owned(), (Some(definition), String::new()));
    }
    if let Some(either) = property["anyOf"].as_array() {
        let (words, below) = held(schema, &either[0]);
        return (format!("{words} or null"), below);
    }
    if let Some(words) = property["enum"].as_array() {
        let words: Vec<&str> = words.iter().filter_map(Value::as_str).collect();
        return (words.join(", "), (None, String::new()));
    }
    let types: Vec<&str> = match &property["type"] {
        Value::Array(types) => types.iter().filter_map(Value::as_str).collect(),
        one => one.as_str().into_iter().collect(),
    };
    if types.contains(&"array") {
        let (words, (definition, brackets)) = held(schema, &property["items"]);
        let or_null = if types.contains(&"null") { " or null" } else { "" };
        return (format!("list of: {words}{or_null}"), (definition, format!("[]{brackets}")));
    }
    let words = types.join(" or ").replace("string", "text").replace("boolean", "true or false");
    (words, (None, String::new()))
}

#[cfg(test)]
mod tests {
    use strum::VariantNames;

    use super::*;
    use crate::facts::LeftOut;
    use crate::verdict::{ConfidenceCode, CoolingVerdict, Level, SamplingVerdict, ThermalVerdict};

    /// Words of an enumeration of the schema, in its order.
    fn words(definition: &str, key: &str) -> Vec<String> {
        let schema: Value = serde_json::from_str(SCHEMA).unwrap();
        let list = schema["$defs"][definition]["properties"][key]["enum"].as_array().unwrap();
        list.iter().map(|w| w.as_str().unwrap().to_owned()).collect()
    }

    #[test]
    fn the_words_of_answers_are_those_of_the_program() {
        let mut verdicts: Vec<&str> = SamplingVerdict::VARIANTS.to_vec();
        verdicts.extend(ThermalVerdict::VARIANTS.iter().filter(|w| **w != "not-measurable"));
        verdicts.extend(CoolingVerdict::VARIANTS);
        assert_eq!(words("answer", "verdict"), verdicts);
        assert_eq!(words("session_verdict", "verdict"), verdicts);
        assert_eq!(words("confidence", "because"), ConfidenceCode::VARIANTS);
        let levels = [Level::High, Level::Medium, Level::Low, Level::None].map(Level::word);
        assert_eq!(words("confidence", "level"), levels);
    }

    #[test]
    fn the_codes_of_frames_left_out_are_all_that_there_are() {
        assert_eq!(words("frame", "reason_code"), LeftOut::codes());
    }

    #[test]
    fn the_table_reaches_keys_at_every_depth() {
        let table = key_table();
        for row in [
            "| `schema_version` | 1 | integer |",
            "| `sessions[].fwhm_px` | px | quantity |",
            "| `sessions[].sensor_temperature_c.min` | °C | number or null |",
            "| `sensors[].dark_current.law.covariance[][]` |",
            "| `sensors[].vignetting[].centre_offset_px[]` | px | list of: quantity |",
            "| `frames[].fwhm_px` | px | quantity or null |",
            "| `warnings[].severity` |  | note, caution, problem |",
        ] {
            assert!(table.contains(row), "{row} is not in\n{table}");
        }
    }
}
