//! The JSON Schema of `report.json` (draft 2020-12), made from the types that are written, and the same keys as a table to
//! read: the comment on a field is its meaning, the attribute `unit` its unit.

use schemars::generate::SchemaSettings;
use serde_json::Value;

use crate::report::model::Report;

/// The definition that a table row names instead of spelling it out at each key.
const QUANTITY: &str = "Quantity";

/// What the schema says of itself.
const ABOUT: [(&str, &str); 2] = [
    ("title", "report.json of skygrain"),
    (
        "description",
        "Unknown is null. Numbers are in the unit named in the annotation `unit`; 1 means a ratio. Keys are only added while \
         schema_version stays.",
    ),
];

/// The schema as a value: what each key holds, its unit in the annotation `unit`, and which keys are always there.
fn schema() -> Value {
    let made = SchemaSettings::draft2020_12().for_serialize().into_generator().into_root_schema_for::<Report>();
    let mut schema = made.to_value();
    for (key, words) in ABOUT {
        schema[key] = words.into();
    }
    schema
}

/// The schema as indented JSON with a newline at its end.
pub fn schema_text() -> String {
    format!("{:#}\n", schema())
}

const INTRODUCTION: &str = "\
# Every key of `report.json`

This page is what `skygrain schema --keys` prints; `skygrain schema` prints the JSON Schema itself (draft 2020-12).

A *quantity* is an object with the keys of the first table, and its unit is that of `value` and `sigma`. `[]` stands for
each entry of a list. An unknown value is `null`, never 0. A unit of 1 means a ratio.
";

/// The keys of the schema as Markdown, one row a key.
pub fn key_table() -> String {
    let schema = schema();
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
    let leaf = |words: String| (words, (None, String::new()));
    if let Some(name) = property["$ref"].as_str().and_then(|r| r.strip_prefix("#/$defs/")) {
        let definition = &schema["$defs"][name];
        return match name {
            QUANTITY => leaf("quantity".to_owned()),
            _ if definition["properties"].is_object() => ("object".to_owned(), (Some(definition), String::new())),
            _ => held(schema, definition),
        };
    }
    if let Some(either) = property["anyOf"].as_array() {
        let (words, below) = held(schema, &either[0]);
        return (format!("{words} or null"), below);
    }
    if let Some(words) = closed_list(property) {
        return leaf(words.join(", "));
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
    if types == ["object"] && property["properties"].is_object() {
        return ("object".to_owned(), (Some(property), String::new()));
    }
    leaf(types.join(" or ").replace("string", "text").replace("boolean", "true or false"))
}

/// The words of a closed list, some of them with a meaning of their own.
fn closed_list(property: &Value) -> Option<Vec<&str>> {
    fn words(of: &Value) -> Vec<&str> {
        let several = of["enum"].as_array().into_iter().flatten();
        several.chain([&of["const"]]).filter_map(Value::as_str).collect()
    }
    let parts = property["oneOf"].as_array().into_iter().flatten();
    let all: Vec<&str> = words(property).into_iter().chain(parts.flat_map(words)).collect();
    (!all.is_empty()).then_some(all)
}

#[cfg(test)]
mod tests {
    use super::*;

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
            "| `answers[].confidence.level` |  | high, medium, low, none |",
        ] {
            assert!(table.contains(row), "{row} is not in\n{table}");
        }
    }
}
