//! Warnings that headers and the first look give cause for, once for all frames they concern.

use std::collections::BTreeMap;

use jiff::civil::Date;

use crate::facts::header::HeaderCaution;
use crate::facts::night::{Correlated, NoiseOrigin};
use crate::facts::{Caution, FrameKind, KindSource};
use crate::folder::{Night, SensorKey, SessionKey};
use crate::report::Warning;

use super::intake::{Intake, Read};
use super::lights::MeasuredLight;
use super::set_apart::{bias_exposure, far_from_calibration, is_exposed_bias};

/// Distance from the set-point at which the cooler no longer holds, degrees Celsius: regulation keeps within a few
/// tenths (common practice, no source), and dark current changes by a tenth in one degree.
const HELD_CELSIUS: f64 = 1.0;

/// What headers alone give cause to say, once for all frames it concerns.
pub fn intake_notices(intakes: &[Intake]) -> Vec<Warning> {
    let first_look = [
        kinds_without_card(intakes),
        impossible_optics(intakes),
        exposed_biases(intakes),
        undefined_pixels(intakes),
        colour_planes(intakes),
        rounded(intakes),
    ];
    let about_headers = odd_headers(intakes).into_iter().chain(contradicted_kinds(intakes));
    about_headers
        .chain(first_look.into_iter().flatten())
        .chain(epochs(intakes))
        .chain(old_calibration(intakes))
        .collect()
}

/// Lights whose focal length and aperture no telescope has.
fn impossible_optics(intakes: &[Intake]) -> Option<Warning> {
    let odd = |r: &Read| r.kind == FrameKind::Light && r.header.has_impossible_focal_ratio();
    let header = &intakes.iter().filter_map(Intake::read).find(|r| odd(r))?.header;
    let (focal_mm, aperture_mm) = (header.focal_mm.as_ref()?.value, header.aperture_mm.as_ref()?.value);
    if_any(Caution::FocalRatio { focal_mm, aperture_mm }, those_read(intakes, odd))
}

/// Cameras whose frames were taken for several states of them.
fn epochs(intakes: &[Intake]) -> Vec<Warning> {
    let mut of_camera: BTreeMap<SensorKey, BTreeMap<Date, Vec<String>>> = BTreeMap::new();
    for intake in intakes {
        let Some(read) = intake.read().filter(|r| matches!(r.kind, FrameKind::Bias | FrameKind::Dark)) else {
            continue;
        };
        if let Some(epoch) = read.sensor.epoch {
            let camera = SensorKey { epoch: None, ..read.sensor.clone() };
            of_camera.entry(camera).or_default().entry(epoch).or_default().push(intake.file.shown.clone());
        }
    }
    let warning = |epochs: BTreeMap<Date, Vec<String>>| {
        let day = |d: Option<&Date>| d.map(Date::to_string).unwrap_or_default();
        let (first, last) = (day(epochs.keys().next()), day(epochs.keys().next_back()));
        let caution = Caution::CalibrationEpochs { epochs: epochs.len(), first, last };
        Warning { caution, paths: epochs.into_values().flatten().collect() }
    };
    of_camera.into_values().map(warning).collect()
}

fn old_calibration(intakes: &[Intake]) -> Option<Warning> {
    let (days, paths) = far_from_calibration(intakes)?;
    if_any(Caution::CalibrationOld { lights: paths.len(), days }, paths)
}

/// A night and a camera hold many frames with one and the same flaw: each is told once, with the first frame's numbers.
fn odd_headers(intakes: &[Intake]) -> Vec<Warning> {
    let mut groups: BTreeMap<(Option<Night>, &str), Vec<Told>> = BTreeMap::new();
    for intake in intakes {
        let Some(read) = intake.read() else { continue };
        for caution in &read.header.notes {
            // What is the same everywhere is said once for all.
            let group = if caution.varies() {
                (Some(SessionKey::of(&read.header, read.sensor.clone()).night), read.sensor.camera.as_str())
            } else {
                (None, "")
            };
            let told = groups.entry(group).or_default();
            let path = intake.file.shown.clone();
            match told.iter_mut().find(|t| t.first.is_like(caution)) {
                Some(told) => told.add(caution, path),
                None => told.push(Told { first: caution, others: false, paths: vec![path] }),
            }
        }
    }
    groups.into_values().flatten().map(Told::warning).collect()
}

/// A caution that frames share but for their numbers.
struct Told<'a> {
    first: &'a HeaderCaution,
    /// Whether some have other numbers than the first.
    others: bool,
    paths: Vec<String>,
}

impl<'a> Told<'a> {
    fn add(&mut self, caution: &'a HeaderCaution, path: String) {
        self.others |= caution != self.first;
        self.paths.push(path);
    }

    fn warning(self) -> Warning {
        let frames_with_other_numbers = self.others.then_some(self.paths.len());
        Warning {
            caution: Caution::Header { first: Box::new(self.first.clone()), frames_with_other_numbers },
            paths: self.paths,
        }
    }
}

/// Frames taken for another kind than header or names tell, unless the user says so.
fn contradicted_kinds(intakes: &[Intake]) -> Vec<Warning> {
    let mut renamed: BTreeMap<(FrameKind, FrameKind), Vec<String>> = BTreeMap::new();
    for intake in intakes {
        let Some(read) = intake.read().filter(|r| !matches!(r.kind_source, KindSource::Stated(_))) else { continue };
        if let Some(told) = read.denied {
            renamed.entry((told, read.kind)).or_default().push(intake.file.shown.clone());
        }
    }
    let warning = |((told, seen), paths): ((FrameKind, FrameKind), Vec<String>)| Warning {
        caution: Caution::KindContradicted { frames: paths.len(), told, seen },
        paths,
    };
    renamed.into_iter().map(warning).collect()
}

/// Frames whose header does not tell their kind.
fn kinds_without_card(intakes: &[Intake]) -> Option<Warning> {
    let paths = those_read(intakes, |r| r.header.kind.value == FrameKind::Unknown);
    let counted = |of: fn(&KindSource) -> bool| {
        let reads = intakes.iter().filter_map(Intake::read).filter(|r| r.header.kind.value == FrameKind::Unknown);
        reads.filter(|r| of(&r.kind_source)).count()
    };
    let caution = Caution::KindsWithoutCard {
        frames: paths.len(),
        stated: counted(|s| matches!(s, KindSource::Stated(_))),
        by_names: counted(|s| matches!(s, KindSource::Name(_))),
        by_pixels: counted(|s| matches!(s, KindSource::Pixels | KindSource::Exposure)),
    };
    if_any(caution, paths)
}

/// Bias frames that were exposed, of sensors that have no others.
fn exposed_biases(intakes: &[Intake]) -> Option<Warning> {
    let exposure_s = intakes.iter().filter_map(Intake::read).filter_map(bias_exposure).fold(0.0, f64::max);
    let paths = those_read(intakes, is_exposed_bias);
    if_any(Caution::ExposedBias { frames: paths.len(), exposure_s }, paths)
}

/// The warning, where it concerns a frame.
fn if_any(caution: Caution, paths: Vec<String>) -> Option<Warning> {
    (!paths.is_empty()).then_some(Warning { caution, paths })
}

fn those_read(intakes: &[Intake], concerns: impl Fn(&Read) -> bool) -> Vec<String> {
    let read = |i: &Intake| i.read().is_some_and(&concerns).then(|| i.file.shown.clone());
    intakes.iter().filter_map(read).collect()
}

fn undefined_pixels(intakes: &[Intake]) -> Option<Warning> {
    if_any(Caution::UndefinedPixels, those_read(intakes, |r| r.survey.undefined_fraction > 0.0))
}

fn colour_planes(intakes: &[Intake]) -> Option<Warning> {
    if_any(Caution::ColourPlanes, those_read(intakes, |r| r.geometry.planes > 1))
}

/// Frames that lossy compression rounded.
fn rounded(intakes: &[Intake]) -> Option<Warning> {
    let coarsest_step_adu = intakes.iter().filter_map(|i| i.read()?.rounded_to_adu).fold(0.0, f64::max);
    let paths = those_read(intakes, |r| r.rounded_to_adu.is_some());
    if_any(Caution::LossyCompression { coarsest_step_adu }, paths)
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
    drifted.sort_by_key(|l| l.read.in_time(l.index));
    let first = shown(drifted.first()?);
    let caution = Caution::OffSetPoint { first, lights: drifted.len(), limit_celsius: HELD_CELSIUS };
    if_any(caution, drifted.into_iter().map(shown).collect())
}

/// Lights whose noise is not each pixel's own, one warning for each origin.
fn correlated_noise(intakes: &[Intake], lights: &[MeasuredLight]) -> Vec<Warning> {
    let with = |is: fn(NoiseOrigin) -> bool, caution: fn(usize, Correlated) -> Caution| {
        let those = || lights.iter().filter_map(|l| Some((l, l.correlated?))).filter(|(_, c)| is(c.origin));
        let (_, strongest) = those().max_by(|a, b| a.1.strongest.total_cmp(&b.1.strongest))?;
        let paths: Vec<String> = those().map(|(l, _)| intakes[l.index].file.shown.clone()).collect();
        Some(Warning { caution: caution(paths.len(), strongest), paths })
    };
    let all = [
        with(
            |o| matches!(o, NoiseOrigin::Processed { .. }),
            |lights, strongest| Caution::CorrelatedNoise { lights, strongest },
        ),
        with(
            |o| matches!(o, NoiseOrigin::Untold { bias: None }),
            |lights, strongest| Caution::PerhapsResampled { lights, strongest },
        ),
        with(
            |o| matches!(o, NoiseOrigin::Untold { bias: Some(_) }),
            |lights, strongest| Caution::PerhapsResampled { lights, strongest },
        ),
        with(
            |o| matches!(o, NoiseOrigin::ReadOut { .. }),
            |lights, strongest| Caution::CorrelatedReadOut { lights, strongest },
        ),
    ];
    all.into_iter().flatten().collect()
}

/// What the lights together give cause to say.
pub fn night_notices(intakes: &[Intake], lights: &[MeasuredLight]) -> Vec<Warning> {
    let those = |concerns: fn(&Read) -> bool| -> Vec<String> {
        lights.iter().filter(|l| concerns(&l.read)).map(|l| intakes[l.index].file.shown.clone()).collect()
    };
    let undated = those(|r| r.header.start_utc.is_none());
    let without_longitude = those(|r| r.header.start_utc.is_some() && r.header.east_deg().is_none());
    let all = [
        if_any(Caution::Undated, undated),
        if_any(Caution::NightByUtc, without_longitude),
        left_the_set_point(intakes, lights),
    ];
    all.into_iter().flatten().chain(correlated_noise(intakes, lights)).collect()
}
