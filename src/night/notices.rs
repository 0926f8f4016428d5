//! Warnings that headers and the first look give cause for, once for all frames they concern.

use std::collections::{BTreeMap, BTreeSet};

use crate::folder::{FrameKind, SessionKey};
use crate::frame::NoiseCorrelation;
use crate::report::{Severity, Warning};

use super::intake::{Intake, Read};
use super::lights::MeasuredLight;

/// Distance from the set-point at which the cooler no longer holds, degrees Celsius: regulation keeps within a few
/// tenths (common practice, no source), and dark current changes by a tenth in one degree.
const HELD_CELSIUS: f64 = 1.0;

/// What headers alone give cause to say, once for all frames it concerns.
pub fn intake_notices(intakes: &[Intake]) -> Vec<Warning> {
    // A night and a camera hold many frames with one and the same flaw: each is told once, with the first frame's words.
    let mut notes: BTreeMap<(String, &str, &str), Told> = BTreeMap::new();
    let mut renamed: BTreeMap<(FrameKind, FrameKind), Vec<String>> = BTreeMap::new();
    for intake in intakes {
        let Some(read) = intake.read() else { continue };
        for note in &read.header.notes {
            let night = SessionKey::of(&read.header, read.sensor.clone()).night;
            // What is the same sentence everywhere is said once for all.
            let same = note.about == note.text;
            let (night, camera) = if same { (String::new(), "") } else { (night, read.sensor.camera.as_str()) };
            let told = notes.entry((night, camera, &note.about)).or_default();
            told.texts.insert(&note.text);
            told.first.get_or_insert(&note.text);
            told.paths.push(intake.file.shown.clone());
        }
        if read.kind != read.header.kind.value {
            renamed.entry((read.header.kind.value, read.kind)).or_default().push(intake.file.shown.clone());
        }
    }
    let headers = notes.into_values().map(|told| Warning {
        code: "header".to_owned(),
        severity: Severity::Note,
        message: told.message(),
        paths: told.paths,
    });
    let kinds = renamed.into_iter().map(|((told, seen), paths)| Warning {
        code: "kind-contradicted".to_owned(),
        severity: Severity::Caution,
        message: format!(
            "{} frames say `{}` but are brightly and evenly lit and hold no stars: taken for {}s; if they are \
             something else, correct IMAGETYP in their headers",
            paths.len(),
            told.label(),
            seen.label()
        ),
        paths,
    });
    headers
        .chain(kinds)
        .chain(undefined_pixels(intakes))
        .chain(colour_planes(intakes))
        .chain(rounded(intakes))
        .collect()
}

/// What frames share of a note.
#[derive(Default)]
struct Told<'a> {
    first: Option<&'a str>,
    texts: BTreeSet<&'a str>,
    paths: Vec<String>,
}

impl Told<'_> {
    fn message(&self) -> String {
        let first = self.first.unwrap_or_default();
        match self.texts.len() {
            0 | 1 => first.to_owned(),
            _ => format!("{first}; {} frames of this night say so, with other numbers", self.paths.len()),
        }
    }
}

fn those_read(intakes: &[Intake], concerns: impl Fn(&Read) -> bool) -> Vec<String> {
    let read = |i: &Intake| i.read().is_some_and(&concerns).then(|| i.file.shown.clone());
    intakes.iter().filter_map(read).collect()
}

fn undefined_pixels(intakes: &[Intake]) -> Option<Warning> {
    let paths = those_read(intakes, |r| r.survey.undefined_fraction > 0.0);
    (!paths.is_empty()).then(|| Warning {
        code: "undefined-pixels".to_owned(),
        severity: Severity::Note,
        message: "these frames hold undefined pixels (NaN, infinite or BLANK); they were left out".to_owned(),
        paths,
    })
}

fn colour_planes(intakes: &[Intake]) -> Option<Warning> {
    let paths = those_read(intakes, |r| r.geometry.planes > 1);
    (!paths.is_empty()).then(|| Warning {
        code: "colour-planes".to_owned(),
        severity: Severity::Caution,
        message: "three colour planes: interpolated, not raw; star widths are those of each plane, their noise is not \
                  the sensor's"
            .to_owned(),
        paths,
    })
}

/// Frames that lossy compression rounded.
fn rounded(intakes: &[Intake]) -> Option<Warning> {
    let paths = those_read(intakes, |r| r.rounded_to_adu.is_some());
    let coarsest = intakes.iter().filter_map(|i| i.read()?.rounded_to_adu).fold(0.0, f64::max);
    (!paths.is_empty()).then(|| Warning {
        code: "lossy-compression".to_owned(),
        severity: Severity::Caution,
        message: format!(
            "lossy-quantised: compression rounded these frames to steps of up to {coarsest:.3} ADU; their noise floor \
             includes step^2/12, a standard deviation of {:.3} ADU that is not the sensor's",
            coarsest / 12f64.sqrt()
        ),
        paths,
    })
}

/// Lights whose sensor is not at its set-point, with the first of them in time.
fn left_the_set_point(intakes: &[Intake], lights: &[MeasuredLight]) -> Option<Warning> {
    let off = |l: &&MeasuredLight| {
        let h = &l.read.header;
        let (Some(is), Some(set)) = (&h.sensor_celsius, &h.set_point_celsius) else { return false };
        !is.from_rig && (is.value - set.value).abs() > HELD_CELSIUS
    };
    let shown = |l: &MeasuredLight| intakes[l.index].file.shown.clone();
    let mut drifted: Vec<&MeasuredLight> = lights.iter().filter(off).collect();
    drifted.sort_by_key(|l| (l.read.header.start_utc.as_ref().map(|s| s.value), l.index));
    let first = shown(drifted.first()?);
    Some(Warning {
        code: "off-set-point".to_owned(),
        severity: Severity::Caution,
        message: format!(
            "from {first} on, the sensor of {} light(s) is more than {HELD_CELSIUS} C away from its set-point; the \
             measured temperature is used",
            drifted.len()
        ),
        paths: drifted.into_iter().map(shown).collect(),
    })
}

/// What a correlation of the noise means for a frame's numbers.
pub fn correlated_words(c: &NoiseCorrelation) -> String {
    let share = 100.0 * (1.0 - c.error_factor().recip());
    format!(
        "noise of neighbouring pixels is correlated by {:.2}: the frame was resampled or denoised; errors of widths are \
         too small by about {share:.0} %",
        c.strongest()
    )
}

/// Lights whose noise is not each pixel's own: no raw frames.
fn correlated_noise(intakes: &[Intake], lights: &[MeasuredLight]) -> Option<Warning> {
    let touched = || lights.iter().filter_map(|l| Some((l, l.resampled()?)));
    let (_, strongest) = touched().max_by(|a, b| a.1.strongest().total_cmp(&b.1.strongest()))?;
    let paths: Vec<String> = touched().map(|(l, _)| intakes[l.index].file.shown.clone()).collect();
    Some(Warning {
        code: "correlated-noise".to_owned(),
        severity: Severity::Caution,
        message: format!(
            "{} light(s), the strongest of them: {}; stars are as sharp as the interpolation left them, and levels and \
             noise are not the sensor's: give the raw frames",
            paths.len(),
            correlated_words(strongest)
        ),
        paths,
    })
}

/// What the lights together give cause to say.
pub fn night_notices(intakes: &[Intake], lights: &[MeasuredLight]) -> Vec<Warning> {
    let shown = |l: &&MeasuredLight| intakes[l.index].file.shown.clone();
    let mut warnings = Vec::new();
    let undated: Vec<String> = lights.iter().filter(|l| l.read.header.start_utc.is_none()).map(|l| shown(&l)).collect();
    if !undated.is_empty() {
        warnings.push(Warning {
            code: "undated".to_owned(),
            severity: Severity::Note,
            message: "no usable DATE-OBS: these lights share a session without a date".to_owned(),
            paths: undated,
        });
    }
    let without_longitude =
        lights.iter().filter(|l| l.read.header.start_utc.is_some() && l.read.header.east_deg().is_none());
    let paths: Vec<String> = without_longitude.map(|l| shown(&l)).collect();
    if !paths.is_empty() {
        warnings.push(Warning {
            code: "night-by-utc".to_owned(),
            severity: Severity::Note,
            message:
                "no site longitude (SITELONG) and no local time (DATE-LOC): the night's date is taken as if the site \
                      lay at Greenwich; rig key site_longitude_deg or utc_offset_h settles it"
                    .to_owned(),
            paths,
        });
    }
    warnings.extend(left_the_set_point(intakes, lights));
    warnings.extend(correlated_noise(intakes, lights));
    warnings
}
