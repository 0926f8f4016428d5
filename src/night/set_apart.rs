//! Frames that share every name and setting and are told apart by the others all the same: two cameras, two focal lengths, biases that
//! were exposed.

use std::collections::BTreeMap;

use super::intake::{Intake, Outcome, Read};
use crate::facts::{FrameKind, KindSource};
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
const EXPOSED_S: f64 = 0.5;

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
        }
    }
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
}
