//! The sensors of a run: which frames belong to each, and their measurement.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};

use serde::{Deserialize, Serialize};

use crate::facts::Quantity;
use crate::facts::sensor_caution::SensorCaution;
use crate::fits::FitsError;
use crate::folder::{Carded, FrameKind, Rig, SensorKey, UNNAMED_CAMERA};
use crate::report::{SensorEntry, SensorSettings, Warning};
use crate::sensor::{
    CalibrationFrame, DefectMap, SensorHints, SensorOutcome, SensorResult, characterise, lights_for_gain,
};

use super::cache::{Kept, What};
use super::fault::unreadable;
use super::input::{Progress, Stage};
use super::intake::{Intake, Outcome, Read, reads_of};

/// The sensors of a run, by what sets them apart.
pub struct Sensors {
    by_key: BTreeMap<SensorKey, MeasuredSensor>,
}

/// One sensor with its name in the report.
pub struct MeasuredSensor {
    pub id: String,
    pub result: SensorResult,
    /// Defects at each temperature with darks, the coldest first.
    pub defects: Vec<DefectMap>,
    /// Where no dark tells of any: hot pixels that its lights tell, by their exposure, ms.
    pub standing: BTreeMap<Option<u64>, Vec<u32>>,
}

impl MeasuredSensor {
    /// The defects at the temperature nearest to the one given; the warmest where none is.
    pub fn defects_at(&self, celsius: Option<f64>) -> Option<&DefectMap> {
        let distance = |m: &&DefectMap| m.celsius.zip(celsius).map_or(f64::MAX, |(a, b)| (a - b).abs());
        self.defects.iter().rev().min_by(|a, b| distance(a).total_cmp(&distance(b)))
    }
}

impl Sensors {
    /// The sensor of a frame.
    pub fn get(&self, key: &SensorKey) -> Option<&MeasuredSensor> {
        self.by_key.get(key)
    }

    /// Takes the level at which its lights clip for that of a sensor.
    pub fn tell_saturation(&mut self, key: &SensorKey, saturation_adu: Quantity) {
        if let Some(sensor) = self.by_key.get_mut(key) {
            sensor.result.saturation_adu = saturation_adu;
        }
    }

    /// Keeps with a sensor the hot pixels that its lights of one exposure tell.
    pub fn tell_standing(&mut self, key: &SensorKey, exposure_ms: Option<u64>, pixels: Vec<u32>) {
        if let Some(sensor) = self.by_key.get_mut(key) {
            sensor.standing.insert(exposure_ms, pixels);
        }
    }
}

/// Measures every sensor from its bias, dark, dark-flat and flat frames.
pub fn measure_sensors(
    intakes: &mut [Intake],
    rig: &Rig,
    kept: &Kept,
    progress: Progress,
    warnings: &mut Vec<Warning>,
) -> Sensors {
    const CALIBRATION: [FrameKind; 4] = [FrameKind::Bias, FrameKind::Dark, FrameKind::DarkFlat, FrameKind::Flat];
    let calibration = reads_of(intakes, &CALIBRATION);
    let everything = reads_of(intakes, &[CALIBRATION.as_slice(), &[FrameKind::Light]].concat());
    let mut groups: BTreeMap<SensorKey, Vec<Member>> = BTreeMap::new();
    for (_, read) in &everything {
        groups.entry(read.sensor.clone()).or_default();
    }
    for (index, read) in &calibration {
        let frames = groups.entry(read.sensor.clone()).or_default();
        frames.push(member(*index, intakes, read));
    }
    // Without flats, the sky of the lights may tell the gain.
    let flats = |frames: &Vec<Member>| frames.iter().filter(|(_, f)| f.kind == FrameKind::Flat).count();
    let without_flats: BTreeSet<SensorKey> =
        groups.iter().filter(|(_, frames)| flats(frames) < 2).map(|(key, _)| key.clone()).collect();
    for (index, read) in everything.iter().filter(|(_, r)| r.kind == FrameKind::Light) {
        if without_flats.contains(&read.sensor) && read.window.is_none() {
            groups.entry(read.sensor.clone()).or_default().push(member(*index, intakes, read));
        }
    }
    // Those that it is not measured from are no part of the sensor: further lights leave it as it is.
    for frames in groups.values_mut() {
        let chosen: BTreeSet<PathBuf> = lights_for_gain(frames.iter().map(|(_, f)| f)).into_iter().flatten().collect();
        frames.retain(|(_, f)| f.kind != FrameKind::Light || chosen.contains(&f.path));
    }
    let ids = sensor_ids(groups.keys());
    let (done, total) = (AtomicUsize::new(0), calibration.len());
    let mut by_key = BTreeMap::new();
    for ((key, frames), id) in groups.into_iter().zip(ids) {
        let hints = hints(&key, &everything, rig);
        let measured = measured(&frames, &hints, intakes, kept, &|_: &Path| {
            progress(Stage::Sensor, (done.fetch_add(1, Ordering::Relaxed) + 1).min(total), total);
        });
        for (path, error) in measured.failures {
            if let Some(intake) = intakes.iter_mut().find(|i| i.file.path == path) {
                intake.outcome = Outcome::Unreadable(unreadable(&error));
            }
        }
        let Lasting { result, cautions, defects } = measured.lasting;
        warnings.extend(cautions.into_iter().map(|(about, members)| Warning {
            caution: about.into(),
            paths: members.into_iter().map(|m| intakes[frames[m].0].file.shown.clone()).collect(),
        }));
        by_key.insert(key, MeasuredSensor { id, result, defects, standing: BTreeMap::new() });
    }
    // Sensors whose measurement was kept have told nothing of their frames.
    if total > 0 && done.load(Ordering::Relaxed) < total {
        progress(Stage::Sensor, total, total);
    }
    Sensors { by_key }
}

/// A frame of a sensor with its place in the list of files.
type Member = (usize, CalibrationFrame);

fn member(index: usize, intakes: &[Intake], read: &Read) -> Member {
    (index, calibration_frame(&intakes[index], read))
}

/// What is kept of a sensor; cautions name their frames by place in its list of members.
#[derive(Serialize, Deserialize)]
struct Lasting {
    result: SensorResult,
    cautions: Vec<(SensorCaution, Vec<usize>)>,
    defects: Vec<DefectMap>,
}

struct Measured {
    lasting: Lasting,
    failures: Vec<(PathBuf, FitsError)>,
}

/// Measures a sensor, unless that was done before with the same frames and hints. A set with frames that cannot be read is
/// not kept: they may be mended.
fn measured(
    frames: &[Member],
    hints: &SensorHints,
    intakes: &[Intake],
    kept: &Kept,
    progress: &(dyn Fn(&Path) + Sync),
) -> Measured {
    let members: Vec<CalibrationFrame> = frames.iter().map(|(_, f)| f.clone()).collect();
    let characterised = || {
        let SensorOutcome { result, failures, cautions, defects } = characterise(&members, hints, progress);
        let place = |path: &PathBuf| members.iter().position(|f| f.path == *path);
        let cautions = cautions.into_iter().map(|c| (c.about, c.paths.iter().filter_map(place).collect())).collect();
        let lasting = Lasting { result, cautions, defects };
        if failures.is_empty() { Ok(lasting) } else { Err(Box::new(Measured { lasting, failures })) }
    };
    let files = frames.iter().map(|(index, f)| (f.path.as_path(), intakes[*index].fingerprint.as_ref()));
    match kept.or_measure(What::Sensor, files, &(&members, hints), characterised) {
        Ok(lasting) => Measured { lasting, failures: Vec::new() },
        Err(measured) => *measured,
    }
}

fn calibration_frame(intake: &Intake, read: &Read) -> CalibrationFrame {
    CalibrationFrame {
        path: intake.file.path.clone(),
        // A dark made for flats is a dark of a short exposure.
        kind: if read.kind == FrameKind::DarkFlat { FrameKind::Dark } else { read.kind },
        exposure_s: read.header.dark_seconds(),
        celsius: read.header.celsius().map(|(c, _)| c),
        filter: text(&read.header.filter),
    }
}

fn hints(key: &SensorKey, frames: &[(usize, Read)], rig: &Rig) -> SensorHints {
    let headers = || frames.iter().filter(|(_, r)| r.sensor == *key).map(|(_, r)| &r.header);
    let carded = |c: &Carded<f64>| (c.value, c.card.clone());
    SensorHints {
        rig_gain_e_per_adu: rig.gain_e_per_adu,
        header_gain: headers().find_map(|h| h.header_gain_e_per_adu.as_ref()).map(carded),
        rig_saturation_adu: rig.saturation_adu,
        header_saturation_adu: headers().find_map(|h| h.saturation_adu.as_ref().filter(|s| !s.from_rig)).map(carded),
        cfa: headers().find_map(|h| h.cfa.as_ref()).map(|c| c.value),
    }
}

pub fn text(carded: &Option<Carded<String>>) -> Option<String> {
    carded.as_ref().map(|c| c.value.clone())
}

/// Readable names, each once: the frame size is added where two sensors differ in nothing else.
fn sensor_ids<'a>(keys: impl Iterator<Item = &'a SensorKey>) -> Vec<String> {
    let named = |key: &SensorKey| {
        let mut parts = vec![key.camera.clone()];
        parts.extend(key.gain_setting.as_ref().map(|g| format!("gain {g}")));
        parts.extend(key.offset_setting.as_ref().map(|o| format!("offset {o}")));
        parts.extend(key.readout_mode.clone());
        parts.extend(key.pitch_nm.map(|nm| format!("{} um pixels", f64::from(nm) / 1000.0)));
        parts.extend(key.epoch.map(|day| format!("from {day} on")));
        let [bx, by] = key.binning;
        parts.extend((key.binning != [1, 1]).then(|| format!("binned {bx}x{by}")));
        parts.extend(key.in_electrons.then(|| "in electrons".to_owned()));
        parts.extend((key.planes > 1).then(|| format!("{} colour planes", key.planes)));
        (parts.join(", "), format!("{} x {} px", key.size[0], key.size[1]))
    };
    let names: Vec<(String, String)> = keys.map(named).collect();
    let alone = |name: &str| names.iter().filter(|(n, _)| n == name).count() == 1;
    names.iter().map(|(n, size)| if alone(n) { n.clone() } else { format!("{n}, {size}") }).collect()
}

/// The sensors for the report; `celsius` tells at which temperature the lights of each were taken.
pub fn entries(sensors: Sensors, celsius: impl Fn(&SensorKey) -> Option<f64>) -> Vec<SensorEntry> {
    let entry = |(key, sensor): (SensorKey, MeasuredSensor)| SensorEntry {
        defects: sensor.defects_at(celsius(&key)).cloned(),
        id: sensor.id,
        settings: SensorSettings {
            camera: Some(key.camera).filter(|c| c != UNNAMED_CAMERA),
            gain_setting: key.gain_setting,
            offset_setting: key.offset_setting,
            readout_mode: key.readout_mode,
            binning: key.binning,
        },
        result: sensor.result,
    };
    sensors.by_key.into_iter().map(entry).collect()
}
