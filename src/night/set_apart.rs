//! Frames that share every name and setting and are told apart by the others all the same: two cameras, two focal lengths, biases that
//! were exposed, states of a camera years apart, means among raw frames.

use std::collections::{BTreeMap, BTreeSet};

use jiff::Unit;
use jiff::civil::Date;

use super::intake::{Intake, Outcome, Read};
use crate::facts::{FrameKind, KindSource, LeftOut};
use crate::folder::{SensorKey, SessionKey};

/// Ratio of two pitches from which they are two sensors': makers' figures of one are rounded to 1 or 2 %.
const OTHER_PITCH: f64 = 1.04;
/// Ratio of two focal lengths from which the telescope was changed: focus moves that of one by less than 1 %.
pub const OTHER_FOCAL: f64 = 1.04;

/// Gives frames whose headers state another pixel pitch than others of the same camera a sensor of their own.
pub fn by_pitch(intakes: &mut [Intake]) {
    let mut pitches: BTreeMap<SensorKey, Vec<f64>> = BTreeMap::new();
    for read in intakes.iter().filter_map(Intake::read) {
        pitches.entry(read.sensor.clone()).or_default().extend(read.header.pixel_um.as_ref().map(|p| p.value));
    }
    let groups: BTreeMap<SensorKey, Vec<f64>> = pitches
        .into_iter()
        .map(|(key, values)| (key.clone(), middles(values, OTHER_PITCH)))
        // A pitch that contains the binning in some headers and not in others is one sensor's.
        .filter(|(key, found)| found.len() > 1 && key.binning == [1, 1])
        .collect();
    for intake in intakes {
        let Outcome::Read(read) = &mut intake.outcome else { continue };
        if let (Some(found), Some(pitch)) = (groups.get(&read.sensor), &read.header.pixel_um) {
            read.sensor.pitch_nm = Some((1000.0 * nearest(found, pitch.value)).round() as u32);
        }
    }
}

/// The keys of lights with their stated focal lengths, mm: those that state another than others of their session get one of their own.
pub fn by_focal_length(lights: Vec<(SessionKey, Option<f64>)>) -> Vec<SessionKey> {
    let mut lengths: BTreeMap<SessionKey, Vec<f64>> = BTreeMap::new();
    for (session, stated) in &lights {
        lengths.entry(session.clone()).or_default().extend(stated);
    }
    let groups: BTreeMap<SessionKey, Vec<f64>> = lengths
        .into_iter()
        .map(|(key, values)| (key, middles(values, OTHER_FOCAL)))
        .filter(|(_, f)| f.len() > 1)
        .collect();
    let of = |(mut session, stated): (SessionKey, Option<f64>)| {
        let found = groups.get(&session).zip(stated);
        session.focal_mm = found.map(|(found, length)| nearest(found, length).round() as u32);
        session
    };
    lights.into_iter().map(of).collect()
}

/// Exposure from which a bias frame holds dark current: electronic shutters take milliseconds (common practice, no source).
pub const EXPOSED_S: f64 = 0.5;

/// Exposure of a bias frame, s.
pub fn bias_exposure(read: &Read) -> Option<f64> {
    (read.kind == FrameKind::Bias).then_some(read.header.exposure_s.as_ref()?.value)
}

/// Whether a bias frame was exposed.
pub fn is_exposed_bias(read: &Read) -> bool {
    bias_exposure(read).is_some_and(|s| s >= EXPOSED_S)
}

/// Takes bias frames that were exposed for darks where the sensor has others that were not.
pub fn take_exposed_biases_for_darks(intakes: &mut [Intake]) {
    let mut shortest: BTreeMap<SensorKey, f64> = BTreeMap::new();
    for read in intakes.iter().filter_map(Intake::read) {
        if let Some(seconds) = bias_exposure(read) {
            let least = shortest.entry(read.sensor.clone()).or_insert(seconds);
            *least = least.min(seconds);
        }
    }
    for intake in intakes {
        let Outcome::Read(read) = &mut intake.outcome else { continue };
        if is_exposed_bias(read) && shortest.get(&read.sensor).is_some_and(|s| *s < EXPOSED_S) {
            (read.kind, read.kind_source) = (FrameKind::Dark, KindSource::Exposure);
            read.denied = Some(FrameKind::Bias);
        }
    }
}

/// Leaves out calibration frames whose numbers lie between whole ones where other frames of their sensor hold the codes of a camera:
/// they are means or processed, and their noise is not that of one exposure.
pub fn leave_out_processed(intakes: &mut [Intake]) {
    let reads = || intakes.iter().filter_map(Intake::read);
    let with_codes: BTreeSet<SensorKey> =
        reads().filter(|r| !r.survey.is_fractional()).map(|r| r.sensor.clone()).collect();
    for intake in intakes {
        let Some(read) = intake.read() else { continue };
        let calibration = unlit_kind(read).is_some() || read.kind == FrameKind::Flat;
        if calibration && read.is_processed() && with_codes.contains(&read.sensor) {
            intake.exclude(LeftOut::FractionalAmongWhole { share: read.survey.fractional_fraction });
        }
    }
}

/// Days without a bias or dark frame that end an epoch of a camera: half a year ages it, and it may be another by then.
const EPOCH_GAP_DAYS: f64 = 180.0;

/// Frames without light of one camera taken near each other in time.
#[derive(Debug, Clone, PartialEq)]
struct Epoch {
    first: Date,
    last: Date,
    /// Bias, dark or both.
    kinds: BTreeSet<FrameKind>,
}

impl Epoch {
    fn days_to(&self, day: Date) -> f64 {
        if day < self.first { days(day, self.first) } else { days(self.last, day).max(0.0) }
    }
}

/// Days from one date to a later one; negative to an earlier.
pub fn days(from: Date, to: Date) -> f64 {
    from.until((Unit::Day, to)).map_or(f64::INFINITY, |span| f64::from(span.get_days()))
}

fn day_of(read: &Read) -> Option<Date> {
    Some(read.header.start_utc.as_ref()?.value.date())
}

/// The kind by which a frame tells an epoch.
fn unlit_kind(read: &Read) -> Option<FrameKind> {
    match read.kind {
        FrameKind::Bias => Some(FrameKind::Bias),
        FrameKind::Dark | FrameKind::DarkFlat => Some(FrameKind::Dark),
        _ => None,
    }
}

/// Gives a camera whose bias and dark frames lie far apart in time a sensor for each epoch; every frame goes to the nearest, the earlier
/// one on a tie, and what has no date to the last.
pub fn by_epoch(intakes: &mut [Intake]) {
    let mut unlit: BTreeMap<SensorKey, Vec<(Date, FrameKind)>> = BTreeMap::new();
    for read in intakes.iter().filter_map(Intake::read) {
        if let (Some(kind), Some(day)) = (unlit_kind(read), day_of(read)) {
            unlit.entry(read.sensor.clone()).or_default().push((day, kind));
        }
    }
    let found: BTreeMap<SensorKey, Vec<Epoch>> =
        unlit.into_iter().map(|(key, frames)| (key, epochs(frames))).filter(|(_, e)| e.len() > 1).collect();
    for intake in intakes {
        let Outcome::Read(read) = &mut intake.outcome else { continue };
        let Some(epochs) = found.get(&read.sensor) else { continue };
        let nearest = |day: Date| epochs.iter().min_by(|a, b| a.days_to(day).total_cmp(&b.days_to(day)));
        read.sensor.epoch = day_of(read).map_or(epochs.last(), nearest).map(|e| e.first);
    }
}

/// Groups with a long gap between them, each with all the kinds that there are: one that lacks a kind goes to the nearer neighbour.
fn epochs(mut frames: Vec<(Date, FrameKind)>) -> Vec<Epoch> {
    frames.sort();
    let all: BTreeSet<FrameKind> = frames.iter().map(|f| f.1).collect();
    let group = |g: &[(Date, FrameKind)]| Epoch {
        first: g[0].0,
        last: g[g.len() - 1].0,
        kinds: g.iter().map(|f| f.1).collect(),
    };
    let mut epochs: Vec<Epoch> = frames.chunk_by(|a, b| days(a.0, b.0) <= EPOCH_GAP_DAYS).map(group).collect();
    while let Some(i) = epochs.iter().position(|e| e.kinds != all) {
        let gap = |k: usize| days(epochs[k].last, epochs[k + 1].first);
        // The gap after the one that is nearer: before or behind it.
        let at = match (i.checked_sub(1), (i + 1 < epochs.len()).then_some(i)) {
            (Some(before), Some(behind)) if gap(behind) < gap(before) => behind,
            (Some(before), _) => before,
            (None, Some(behind)) => behind,
            (None, None) => break,
        };
        let later = epochs.remove(at + 1);
        epochs[at].last = later.last;
        epochs[at].kinds.extend(later.kinds);
    }
    epochs
}

/// Days between lights and the frames without light of their sensor that are worth a word.
const OLD_DAYS: f64 = 200.0;

/// The most days from a light to the nearest bias or dark frame of its sensor, and the lights for which they are too many.
pub fn far_from_calibration(intakes: &[Intake]) -> Option<(f64, Vec<String>)> {
    let mut unlit: BTreeMap<&SensorKey, Vec<Date>> = BTreeMap::new();
    for read in intakes.iter().filter_map(Intake::read).filter(|r| unlit_kind(r).is_some()) {
        unlit.entry(&read.sensor).or_default().extend(day_of(read));
    }
    let lights = intakes.iter().filter_map(|i| Some((i, i.read().filter(|r| r.kind == FrameKind::Light)?)));
    let far = lights.filter_map(|(intake, read)| {
        let day = day_of(read)?;
        let apart = unlit.get(&read.sensor)?.iter().map(|d| days(*d, day).abs()).reduce(f64::min)?;
        (apart > OLD_DAYS).then(|| (apart, intake.file.shown.clone()))
    });
    let far: Vec<(f64, String)> = far.collect();
    let most = far.iter().map(|f| f.0).reduce(f64::max)?;
    Some((most, far.into_iter().map(|f| f.1).collect()))
}

/// The middle of each group of values that lie closer to each other than by this ratio, in order.
fn middles(mut values: Vec<f64>, ratio: f64) -> Vec<f64> {
    values.retain(|v| v.is_finite() && *v > 0.0);
    values.sort_by(f64::total_cmp);
    values.chunk_by(|a, b| b / a < ratio).map(|group| group[group.len() / 2]).collect()
}

fn nearest(middles: &[f64], value: f64) -> f64 {
    let apart = |m: &&f64| (*m / value).ln().abs();
    middles.iter().min_by(|a, b| apart(a).total_cmp(&apart(b))).copied().unwrap_or(value)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_apart_make_groups_and_rounded_ones_do_not() {
        assert_eq!(middles(vec![5.4, 3.8, 3.79, 5.4, 3.76], OTHER_PITCH), [3.79, 5.4]);
        assert_eq!(middles(vec![500.2, 499.1, 502.0], OTHER_FOCAL).len(), 1);
        assert!(middles(vec![f64::NAN, 0.0], OTHER_FOCAL).is_empty());
        assert_eq!(nearest(&[350.0, 500.0], 355.0), 350.0);
    }

    #[test]
    fn a_long_gap_ends_an_epoch_where_both_sides_have_all_kinds() {
        let on = |day: &str, kind| (day.parse::<Date>().unwrap(), kind);
        let (bias, dark) = (FrameKind::Bias, FrameKind::Dark);
        let spans = |frames: &[(Date, FrameKind)]| -> Vec<[String; 2]> {
            epochs(frames.to_vec()).iter().map(|e| [e.first.to_string(), e.last.to_string()]).collect()
        };
        let complete = [on("2028-03-01", bias), on("2028-03-02", dark), on("2031-01-10", bias), on("2031-02-01", dark)];
        assert_eq!(spans(&complete), [["2028-03-01", "2028-03-02"], ["2031-01-10", "2031-02-01"]]);
        // Newer darks without biases of their own need the older ones.
        assert_eq!(spans(&complete[..2].iter().chain(&complete[3..]).copied().collect::<Vec<_>>()).len(), 1);
        // A lone bias belongs to the nearer side.
        let lone = [&complete[..], &[on("2030-04-01", bias)]].concat();
        assert_eq!(spans(&lone), [["2028-03-01", "2028-03-02"], ["2030-04-01", "2031-02-01"]]);
        let steady = [on("2030-01-01", bias), on("2030-05-01", dark), on("2030-09-01", bias), on("2031-01-01", dark)];
        assert_eq!(spans(&steady).len(), 1);
        let before = epochs(complete.to_vec());
        assert_eq!(before[0].days_to("2028-03-12".parse().unwrap()), 10.0);
        assert_eq!(before[1].days_to("2031-01-01".parse().unwrap()), 9.0);
        assert_eq!(before[1].days_to("2031-01-20".parse().unwrap()), 0.0);
    }
}
