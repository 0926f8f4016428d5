//! The options file: what the user could buy, what frames cannot tell of the present camera, and the user's conditions.

use std::ops::Range;
use std::path::Path;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::keys::{Key, Table};
use super::lacking::{Known, Lacking};
pub use super::read_options::OptionsError;
use super::read_options::{Stated, Text, Values};

/// Hours a year at one temperature of the air.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Ambient {
    /// `None`: the air of the night that was measured.
    pub celsius: Option<f64>,
    pub hours: Stated,
}

/// `[conditions]`.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Conditions {
    pub values: Values,
    /// Empty where no hours are stated.
    pub ambient: Vec<Ambient>,
    /// Share of the hours that go into each filter; empty where it is not stated.
    pub filters: Vec<(String, f64)>,
}

impl Conditions {
    /// Hours of the year.
    pub fn hours(&self) -> Option<f64> {
        (!self.ambient.is_empty()).then(|| self.ambient.iter().map(|a| a.hours.value).sum())
    }

    /// Width and height of the target, arcmin.
    pub fn target_arcmin(&self) -> Option<[f64; 2]> {
        match [Key::TargetWidth, Key::TargetHeight].map(|key| self.values.value(key)) {
            [Some(width), Some(height)] => Some([width, height]),
            // One side stated: a target as high as it is wide.
            [Some(side), None] | [None, Some(side)] => Some([side, side]),
            [None, None] => None,
        }
    }
}

/// What kind of thing an option is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Kind {
    Camera,
    /// A cooler for the present camera.
    Cooler,
    /// A reducer or extender before the present camera.
    Optics,
}

/// `[[option]]`.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Choice {
    pub name: String,
    pub kind: Kind,
    pub values: Values,
}

impl Choice {
    /// Price less what the present gear brings when sold: nothing where that is not stated.
    pub fn net_cost(&self) -> Known<f64> {
        let price = self.values.needed(Key::Price)?.value;
        Ok(price - self.values.value(Key::Resale).unwrap_or(0.0))
    }

    /// Width and height of a new sensor, px.
    pub fn size_px(&self) -> Known<[f64; 2]> {
        let size = self.values.value(Key::WidthPx).zip(self.values.value(Key::HeightPx));
        size.map(|(w, h)| [w, h]).ok_or(Lacking::SizeNotStated)
    }
}

/// The whole file.
#[derive(Debug, Clone, PartialEq)]
pub struct Options {
    pub(crate) present: Values,
    pub(crate) conditions: Conditions,
    pub(crate) choices: Vec<Choice>,
}

impl Options {
    /// Reads and checks an options file.
    ///
    /// # Errors
    ///
    /// Unreadable, not TOML, an unknown key (the nearest known one is named), a value out of its range, or no option;
    /// each names the line.
    pub fn read(path: &Path) -> Result<Self, OptionsError> {
        let text = std::fs::read_to_string(path)
            .map_err(|e| OptionsError::Read { path: path.to_owned(), reason: e.to_string() })?;
        Self::parse(&text, path)
    }

    /// As [`Options::read`], from text; `path` is for messages.
    ///
    /// # Errors
    ///
    /// As [`Options::read`].
    pub fn parse(text: &str, path: &Path) -> Result<Self, OptionsError> {
        let text = Text { text, path };
        let file = DeTable::parse(text.text).map_err(|e| OptionsError::Syntax {
            path: path.to_owned(),
            line: text.line(&e.span().unwrap_or(0..0)),
            reason: e.message().to_owned(),
        })?;
        let file = file.get_ref();
        Values::read(&text, file, Table::File)?;
        let present = match table(&text, file, "present")? {
            Some((found, _)) => Values::read(&text, found, Table::Present)?,
            None => Values::none(Table::Present),
        };
        let conditions = match table(&text, file, "conditions")? {
            Some((found, span)) => conditions(&text, found, span)?,
            None => Conditions { values: Values::none(Table::Conditions), ambient: Vec::new(), filters: Vec::new() },
        };
        let mut choices: Vec<Choice> = Vec::new();
        for (found, span) in tables(&text, file, "option")? {
            let next = choice(&text, found, &span)?;
            if choices.iter().any(|c| c.name == next.name) {
                return Err(
                    text.incomplete(&span, format!("two options are called {:?}; give each its own `name`", next.name))
                );
            }
            choices.push(next);
        }
        if choices.is_empty() {
            return Err(text.incomplete(&(0..0), "no option; each begins with a line [[option]]".to_owned()));
        }
        Ok(Self { present, conditions, choices })
    }
}

/// How far shares may miss 1: thirds written with two digits.
const WHOLE: f64 = 0.015;

fn conditions(text: &Text, found: &DeTable, span: Range<usize>) -> Result<Conditions, OptionsError> {
    let values = Values::read(text, found, Table::Conditions)?;
    let ambient = ambient(text, found, &span, &values)?;
    let mut filters = Vec::new();
    for (filter, at) in tables(text, found, "filter")? {
        let filter = Values::read(text, filter, Table::Filter)?;
        let (Some(name), Some(share)) = (filter.word(Key::Name), filter.value(Key::Share)) else {
            return Err(text.incomplete(&at, "[[conditions.filter]] needs both `name` and `share`".to_owned()));
        };
        filters.push((name, share));
    }
    let whole: f64 = filters.iter().map(|f| f.1).sum();
    if !filters.is_empty() && (whole - 1.0).abs() > WHOLE {
        let what = format!("the `share`s of [[conditions.filter]] add up to {whole:.2}; they must add up to 1");
        return Err(text.incomplete(&span, what));
    }
    Ok(Conditions { values, ambient, filters })
}

/// The year's hours by temperatures of the air; one class at the air of the night where only their sum is stated.
fn ambient(
    text: &Text,
    conditions: &DeTable,
    span: &Range<usize>,
    values: &Values,
) -> Result<Vec<Ambient>, OptionsError> {
    let mut ambient = Vec::new();
    for (class, at) in tables(text, conditions, "ambient")? {
        let class = Values::read(text, class, Table::Ambient)?;
        let (Some(celsius), Some(hours)) = (class.value(Key::Celsius), class.number(Key::Hours)) else {
            return Err(text.incomplete(&at, "[[conditions.ambient]] needs both `celsius` and `hours`".to_owned()));
        };
        ambient.push(Ambient { celsius: Some(celsius), hours });
    }
    match values.number(Key::HoursPerYear) {
        Some(_) if !ambient.is_empty() => {
            let what = "give either `hours_per_year` or [[conditions.ambient]] with its hours, not both";
            return Err(text.incomplete(span, what.to_owned()));
        }
        Some(hours) => ambient.push(Ambient { celsius: None, hours }),
        None => {}
    }
    if !ambient.is_empty() && ambient.iter().map(|a| a.hours.value).sum::<f64>() <= 0.0 {
        return Err(text.incomplete(span, "the `hours` of [[conditions.ambient]] add up to 0".to_owned()));
    }
    Ok(ambient)
}

fn choice(text: &Text, found: &DeTable, span: &Range<usize>) -> Result<Choice, OptionsError> {
    let kind = found.iter().find(|(k, _)| k.get_ref() == "kind").and_then(|(_, v)| v.get_ref().as_str());
    let (kind, table) = match kind {
        Some("cooler") => (Kind::Cooler, Table::Cooler),
        Some("optics") => (Kind::Optics, Table::Optics),
        _ => (Kind::Camera, Table::Camera),
    };
    let values = Values::read(text, found, table)?;
    let Some(name) = values.word(Key::Name) else {
        return Err(text.incomplete(span, "[[option]] needs a `name`".to_owned()));
    };
    if values.word(Key::Kind).is_none() {
        return Err(text.incomplete(span, format!("option {name:?} needs a `kind`: camera, cooler or optics")));
    }
    Ok(Choice { name, kind, values })
}

/// The value of a key that must be one table.
fn table<'a, 'i>(
    text: &Text,
    within: &'a DeTable<'i>,
    key: &str,
) -> Result<Option<(&'a DeTable<'i>, Range<usize>)>, OptionsError> {
    let Some((_, found)) = within.iter().find(|(k, _)| k.get_ref() == key) else { return Ok(None) };
    match found.get_ref().as_table() {
        Some(inner) => Ok(Some((inner, found.span()))),
        None => Err(text.incomplete(&found.span(), format!("`{key}` is a table: write [{key}] on a line of its own"))),
    }
}

/// The tables of a key that stands in double brackets.
fn tables<'a, 'i>(
    text: &Text,
    within: &'a DeTable<'i>,
    key: &str,
) -> Result<Vec<(&'a DeTable<'i>, Range<usize>)>, OptionsError> {
    let Some((_, found)) = within.iter().find(|(k, _)| k.get_ref() == key) else { return Ok(Vec::new()) };
    let wrong =
        || text.incomplete(&found.span(), format!("`{key}` is a list of tables: begin each with double brackets"));
    let one = |v: &'a Spanned<DeValue<'i>>| v.get_ref().as_table().map(|t| (t, v.span()));
    found.get_ref().as_array().ok_or_else(wrong)?.iter().map(|v| one(v).ok_or_else(wrong)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parse(text: &str) -> Result<Options, OptionsError> {
        Options::parse(text, Path::new("options.toml"))
    }

    #[track_caller]
    fn refused(text: &str, words: &[&str]) {
        let message = parse(text).unwrap_err().to_string();
        for word in words {
            assert!(message.contains(word), "{word:?} is not in: {message}");
        }
    }

    #[test]
    fn an_unknown_key_names_its_line_its_table_and_the_nearest_key() {
        refused(
            "[[option]]\nname = 'Brask 9'\nkind = 'camera'\nread_noise = 1.4\n",
            &["options.toml, line 4", "`read_noise`", "kind camera", "did you mean `read_noise_e`?"],
        );
        refused("[presnt]\npixel_um = 3.8\n", &["line 1", "`presnt`", "did you mean `present`?"]);
        refused("\n[conditions]\nzzz = 1\n", &["line 3", "known keys are hours_per_year"]);
    }

    #[test]
    fn a_value_out_of_range_names_line_value_range_and_unit() {
        refused(
            "[[option]]\nname = 'Brask 9'\nkind = 'camera'\npeak_quantum_efficiency = 82\n",
            &["line 4", "`peak_quantum_efficiency` = 82", "0.01 to 1", "not per cent"],
        );
        for bad in ["nan", "inf", "'three'", "[1, 2, 3]", "[3.8, -0.1]", "true", "0"] {
            refused(&format!("[present]\npixel_um = {bad}\n"), &["line 2", "pixel_um", "0.5 to 100 (um)"]);
        }
        refused("[[option]]\nname = 'x'\nkind = 'mirror'\n", &["line 3", "camera, cooler, optics"]);
        refused("[present]\nmosaic = 1\n", &["line 2", "true or false"]);
    }

    #[test]
    fn a_key_of_another_kind_is_refused() {
        refused("[[option]]\nname = 'x'\nkind = 'cooler'\npixel_um = 3\n", &["line 4", "kind cooler"]);
    }

    #[test]
    fn what_is_missing_as_a_whole_is_named_with_its_line() {
        refused("", &["[[option]]"]);
        refused("[[option]]\nkind = 'cooler'\n", &["line 1", "`name`"]);
        refused("[[option]]\nname = 'x'\n", &["`kind`"]);
        refused("[option]\nname = 'x'\n", &["double brackets"]);
        refused("present = 3\n", &["[present]"]);
        refused(
            "[[option]]\nname = 'x'\nkind = 'cooler'\n[[option]]\nname = 'x'\nkind = 'cooler'\n",
            &["line 4", "two"],
        );
        refused("[[conditions.ambient]]\nhours = 3\n", &["`celsius`"]);
        refused("[conditions]\nhours_per_year = 3\nambient = [{ celsius = 1, hours = 2 }]\n", &["either"]);
        refused("[[conditions.ambient]]\nhours = 0\ncelsius = 3\n", &["add up to 0"]);
        refused("[[option]]\nname = \n", &["line 2", "not TOML"]);
    }

    #[test]
    fn numbers_carry_their_stated_uncertainty() {
        let text = "[[option]]\nname = 'Brask 9'\nkind = 'camera'\nread_noise_e = [1.5, 0.2]\npixel_um = 4\n";
        let options = parse(text).unwrap();
        let Choice { kind, values, .. } = &options.choices[0];
        assert_eq!(*kind, Kind::Camera);
        assert_eq!(values.number(Key::ReadNoiseE), Some(Stated { value: 1.5, sigma: 0.2 }));
        assert_eq!(values.number(Key::PixelUm), Some(Stated { value: 4.0, sigma: 0.0 }));
        assert_eq!(values.number(Key::DarkEPerPxS), None);
    }
}
