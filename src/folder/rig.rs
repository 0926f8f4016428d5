//! The user's rig file: what headers lack or get wrong.

use std::path::{Path, PathBuf};

use super::sight::settle;
use super::stated_kinds::KindPatterns;
use super::{Carded, CfaPattern, FrameHeader, Pointing};
use crate::facts::FrameKind;

/// Similarity above which an unknown key is taken for a slip of a known one (Jaro-Winkler, 0 to 1; from trials).
const NEAR_MISS: f64 = 0.8;

/// How a pointing may be written.
pub const POINTING_FORMS: &str = "\"hh mm ss dd mm ss\", \"hh:mm:ss dd:mm:ss\" or degrees";

/// How a pattern of paths is written.
const PATTERN_FORMS: &str = "what a pattern may be, such as \"Darks/*\" or \"*_d_*.fits\"";

/// Contents of a rig file: every key is optional, and a key that is given overrides the headers.
#[derive(Debug, Clone, Default, PartialEq, serde::Deserialize)]
#[serde(default)]
pub struct Rig {
    /// Pixel pitch, um.
    pub pixel_um: Option<f64>,
    /// Whether `pixel_um` (or the header's pixel size) already contains the binning.
    pub pixel_includes_binning: Option<bool>,
    /// Focal length, mm.
    pub focal_mm: Option<f64>,
    /// Aperture diameter, mm.
    pub aperture_mm: Option<f64>,
    /// Diameter of the central obstruction over that of the aperture; 0 for a refractor.
    pub obstruction: Option<f64>,
    /// Conversion gain, e-/ADU.
    pub gain_e_per_adu: Option<f64>,
    /// Level at which pixels saturate, ADU.
    pub saturation_adu: Option<f64>,
    /// Colour filter pattern from the file's first pixel on, or `none`.
    pub cfa: Option<String>,
    /// Sensor temperature of frames whose headers have none, degrees Celsius.
    pub sensor_celsius: Option<f64>,
    /// Longitude of the site, degrees, east positive: settles the date of a night.
    pub site_longitude_deg: Option<f64>,
    /// Latitude of the site, degrees, north positive: with longitude, pointing and time it tells the airmass.
    pub site_latitude_deg: Option<f64>,
    /// Clock of the site less UTC, hours: settles the date of a night where no longitude is known.
    pub utc_offset_h: Option<f64>,
    /// Where the telescope pointed (J2000), `RA DEC` as [`Pointing::parse`] reads it.
    pub pointing: Option<String>,
    /// How far below the air a cooler would bring the sensor, and the set temperature below which it never goes, C.
    pub cooler_drop_c: Option<f64>,
    pub cooler_lowest_celsius: Option<f64>,
    /// Present sensor above the air, C: negative where it is cooled.
    pub sensor_above_ambient_c: Option<f64>,
    /// Air of a warm night, C.
    pub warm_night_celsius: Option<f64>,
    /// Hours a year at each temperature of the air.
    pub ambient: Vec<AirClass>,
    /// Kinds of frames by patterns of their paths.
    pub kinds: KindPatterns,
    /// Folders whose frames are all of one kind: the command line tells them, no key does.
    #[serde(skip)]
    pub kind_folders: Vec<(FrameKind, PathBuf)>,
}

/// Hours a year at one temperature of the air.
#[derive(Debug, Clone, Copy, PartialEq, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AirClass {
    pub celsius: f64,
    pub hours: f64,
}

const KEYS: [&str; 19] = [
    "pixel_um",
    "pixel_includes_binning",
    "focal_mm",
    "aperture_mm",
    "obstruction",
    "gain_e_per_adu",
    "saturation_adu",
    "cfa",
    "sensor_celsius",
    "site_longitude_deg",
    "site_latitude_deg",
    "utc_offset_h",
    "pointing",
    "cooler_drop_c",
    "cooler_lowest_celsius",
    "sensor_above_ambient_c",
    "warm_night_celsius",
    "ambient",
    "kinds",
];

/// What helps with an unknown key: the known one that it is a slip of, else all of them.
pub fn key_hint(key: &str, known: &[&str]) -> String {
    let near = known.iter().map(|k| (strsim::jaro_winkler(k, key), *k)).max_by(|a, b| a.0.total_cmp(&b.0));
    match near {
        Some((likeness, known)) if likeness > NEAR_MISS => format!("did you mean `{known}`?"),
        _ => format!("known keys are {}", known.join(", ")),
    }
}

/// Why a rig file cannot be used.
#[derive(Debug, Clone, thiserror::Error)]
pub enum RigError {
    #[error("{path}: {reason}", path = path.display())]
    Read { path: PathBuf, reason: String },
    #[error("{path}: not a TOML file: {reason}", path = path.display())]
    Syntax { path: PathBuf, reason: String },
    #[error("{path}: line {line}: {key} is a {wanted}: write {key} = {example}", path = path.display())]
    Type { path: PathBuf, line: usize, key: String, wanted: &'static str, example: String },
    #[error("{path}: unknown key `{key}`; {hint}", path = path.display())]
    UnknownKey { path: PathBuf, key: String, hint: String },
    #[error("{path}: {key} = {value} is outside {range}", path = path.display())]
    Range { path: PathBuf, key: &'static str, value: String, range: &'static str },
}

/// Keys whose value is a text.
const TEXTS: [&str; 2] = ["cfa", "pointing"];

/// A number in quotes, or a text without them, as the reason for which a file was refused.
fn wrong_type(text: &str, path: &Path, refused: &toml::de::Error) -> Option<RigError> {
    let span = refused.span()?;
    let value = text.get(span.clone())?.trim();
    let before = text.get(..span.start)?;
    let line = before.lines().count().max(1);
    let key = before.rsplit('\n').next()?.split('=').next()?.trim().to_owned();
    let inner = value.strip_prefix(['"', '\'']).and_then(|v| v.strip_suffix(['"', '\'']));
    let (wanted, example) = match inner {
        Some(inner) => ("number, without quotes", inner.trim().parse::<f64>().ok()?.to_string()),
        None if TEXTS.contains(&key.as_str()) => ("text, in quotes", format!("\"{value}\"")),
        None => return None,
    };
    (!key.is_empty()).then(|| RigError::Type { path: path.to_owned(), line, key, wanted, example })
}

impl Rig {
    /// Reads and checks a rig file.
    ///
    /// # Errors
    ///
    /// Unreadable, not TOML, an unknown key (the nearest known one is named), or a value out of range.
    pub fn read(path: &Path) -> Result<Self, RigError> {
        let text = std::fs::read_to_string(path)
            .map_err(|e| RigError::Read { path: path.to_owned(), reason: e.to_string() })?;
        Self::parse(&text, path)
    }

    /// As [`Rig::read`], from text; `path` is for messages.
    ///
    /// # Errors
    ///
    /// As [`Rig::read`].
    pub fn parse(text: &str, path: &Path) -> Result<Self, RigError> {
        let syntax = |e: toml::de::Error| RigError::Syntax { path: path.to_owned(), reason: e.to_string() };
        let table: toml::Table = toml::from_str(text).map_err(syntax)?;
        if let Some(key) = table.keys().find(|k| !KEYS.contains(&k.as_str())) {
            let hint = key_hint(key, &KEYS);
            return Err(RigError::UnknownKey { path: path.to_owned(), key: key.clone(), hint });
        }
        let rig: Self = toml::from_str(text).map_err(|e| wrong_type(text, path, &e).unwrap_or_else(|| syntax(e)))?;
        rig.check(path)?;
        Ok(rig)
    }

    fn check(&self, path: &Path) -> Result<(), RigError> {
        let inside = |key, value: Option<f64>, low: f64, high: f64, range| match value {
            Some(v) if !(v >= low && v <= high) => {
                Err(RigError::Range { path: path.to_owned(), key, value: v.to_string(), range })
            }
            _ => Ok(()),
        };
        inside("pixel_um", self.pixel_um, 0.5, 100.0, "0.5 to 100 um")?;
        inside("focal_mm", self.focal_mm, 5.0, 100_000.0, "5 to 100000 mm")?;
        inside("aperture_mm", self.aperture_mm, 1.0, 50_000.0, "1 to 50000 mm")?;
        inside("obstruction", self.obstruction, 0.0, 0.8, "0 to 0.8 of the aperture")?;
        inside("gain_e_per_adu", self.gain_e_per_adu, 1e-3, 1e3, "0.001 to 1000 e-/ADU")?;
        inside("saturation_adu", self.saturation_adu, 1.0, 1e9, "1 to 1e9 ADU")?;
        inside("sensor_celsius", self.sensor_celsius, -150.0, 80.0, "-150 to 80 C")?;
        inside("site_longitude_deg", self.site_longitude_deg, -180.0, 360.0, "-180 to 360 degrees")?;
        inside("site_latitude_deg", self.site_latitude_deg, -90.0, 90.0, "-90 to 90 degrees")?;
        inside("utc_offset_h", self.utc_offset_h, -12.0, 14.0, "-12 to 14 hours")?;
        inside("cooler_drop_c", self.cooler_drop_c, 0.0, 120.0, "0 to 120 C below the air")?;
        inside("cooler_lowest_celsius", self.cooler_lowest_celsius, -120.0, 40.0, "-120 to 40 C")?;
        inside("sensor_above_ambient_c", self.sensor_above_ambient_c, -80.0, 40.0, "-80 to 40 C")?;
        inside("warm_night_celsius", self.warm_night_celsius, -60.0, 50.0, "-60 to 50 C")?;
        for class in &self.ambient {
            inside("celsius of [[ambient]]", Some(class.celsius), -60.0, 50.0, "-60 to 50 C")?;
            inside("hours of [[ambient]]", Some(class.hours), 0.0, 4400.0, "0 to 4400 h")?;
        }
        if let Some(text) = self.pointing.as_ref().filter(|t| Pointing::parse(t).is_none()) {
            let (path, value) = (path.to_owned(), text.clone());
            return Err(RigError::Range { path, key: "pointing", value, range: POINTING_FORMS });
        }
        if let Some(value) = self.kinds.first_wrong().cloned() {
            return Err(RigError::Range {
                path: path.to_owned(),
                key: "a pattern of [kinds]",
                value,
                range: PATTERN_FORMS,
            });
        }
        match self.cfa.as_deref() {
            Some(p) if !p.eq_ignore_ascii_case("none") && CfaPattern::parse(p).is_none() => Err(RigError::Range {
                path: path.to_owned(),
                key: "cfa",
                value: p.to_owned(),
                range: "RGGB, BGGR, GRBG, GBRG or none",
            }),
            _ => Ok(()),
        }
    }

    /// Lets the rig's keys override or complete a header, and settles what it then tells of the airmass.
    pub fn apply(&self, header: &mut FrameHeader) {
        let set = |to: &mut Option<Carded<f64>>, value: Option<f64>, key| {
            if let Some(v) = value {
                *to = Some(Carded::from_rig(v, key));
            }
        };
        set(&mut header.pixel_um, self.pixel_um, "pixel_um");
        set(&mut header.focal_mm, self.focal_mm, "focal_mm");
        set(&mut header.aperture_mm, self.aperture_mm, "aperture_mm");
        set(&mut header.obstruction, self.obstruction, "obstruction");
        set(&mut header.saturation_adu, self.saturation_adu, "saturation_adu");
        set(&mut header.site_longitude_deg, self.site_longitude_deg, "site_longitude_deg");
        set(&mut header.site_latitude_deg, self.site_latitude_deg, "site_latitude_deg");
        set(&mut header.utc_offset_h, self.utc_offset_h, "utc_offset_h");
        if header.sensor_celsius.is_none() {
            set(&mut header.sensor_celsius, self.sensor_celsius, "sensor_celsius");
        }
        if self.pixel_includes_binning.is_some() {
            header.pixel_includes_binning = self.pixel_includes_binning;
        } else if self.pixel_um.is_some() {
            // The pitch in a rig file is the sensor's own unless the file says otherwise (README of this stage).
            header.pixel_includes_binning = Some(false);
        }
        if let Some(pointing) = self.pointing.as_deref().and_then(Pointing::parse) {
            header.pointings = vec![Carded::from_rig(pointing, "pointing")];
        }
        if let Some(pattern) = &self.cfa {
            header.cfa = CfaPattern::parse(pattern).map(|p| Carded::from_rig(p, "cfa"));
        }
        settle(header);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parse(text: &str) -> Result<Rig, RigError> {
        Rig::parse(text, Path::new("rig.toml"))
    }

    #[test]
    fn a_wrong_type_is_told_as_a_person_would() {
        let told = |text: &str| parse(text).unwrap_err().to_string();
        let number = told("# mine\npixel_um = \"3.8\"");
        assert_eq!(number, "rig.toml: line 2: pixel_um is a number, without quotes: write pixel_um = 3.8");
        assert_eq!(told("cfa = 5"), "rig.toml: line 1: cfa is a text, in quotes: write cfa = \"5\"");
        // What is neither stays as the parser has it.
        assert!(told("pixel_um = \"small\"").contains("not a TOML file"));
        assert!(told("pixel_um = [3.8]").contains("not a TOML file"));
    }

    #[test]
    fn an_unknown_key_names_its_near_miss() {
        let error = parse("focal_lenght_mm = 480").unwrap_err().to_string();
        assert!(error.contains("`focal_lenght_mm`") && error.contains("`focal_mm`"), "{error}");
        let error = parse("colour = 'blue'").unwrap_err().to_string();
        assert!(error.contains("known keys are"), "{error}");
    }

    #[test]
    fn values_out_of_range_are_refused() {
        assert!(parse("pixel_um = 0").is_err());
        assert!(parse("cfa = 'RGBG'").is_err());
        assert!(parse("pixel_um = nan").is_err());
        assert!(parse("cooler_drop_c = -5").is_err());
        assert!(parse("[[ambient]]\ncelsius = 90\nhours = 3").is_err());
        assert!(parse("[[ambient]]\ncelsius = 9\nnights = 3").is_err());
        assert_eq!(parse("[[ambient]]\ncelsius = 9\nhours = 3").unwrap().ambient.len(), 1);
        assert!(parse("pointing = 'somewhere'").is_err());
        assert!(parse("pointing = '16 41 41 +36 27 35'").is_ok());
        assert_eq!(parse("cfa = 'none'\npixel_um = 3.76").unwrap().pixel_um, Some(3.76));
    }
}
