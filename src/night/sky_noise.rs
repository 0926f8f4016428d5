//! Noise of the sky in the differences of neighbouring lights, which the budget is held against.

use std::collections::BTreeMap;

use rayon::prelude::*;

use super::cache::{Kept, What};
use super::even_steps::at_even_steps;
use super::intake::Intake;
use super::lights::{MeasuredLight, Mosaic, give_back, read_light};
use super::sensors::Sensors;
use crate::facts::LeftOut;
use crate::folder::SessionKey;
use crate::frame::{NoiseAtLevel, noise_of_difference};

/// Pairs of a session that are looked at: four tell its noise to a fifth of a per cent, and what changes in the night.
const MOST_PAIRS: usize = 4;

/// Noise of every session's pairs of lights at the levels of their sky.
pub fn of_sessions(
    lights: &[MeasuredLight],
    intakes: &[Intake],
    sensors: &Sensors,
    kept: &Kept,
) -> BTreeMap<SessionKey, Vec<Vec<NoiseAtLevel>>> {
    let mut sessions: BTreeMap<&SessionKey, Vec<&MeasuredLight>> = BTreeMap::new();
    for light in lights.iter().filter(|l| l.excluded.is_none() && l.read.geometry.planes == 1) {
        sessions.entry(&light.session).or_default().push(light);
    }
    let pairs: Vec<(&SessionKey, [&MeasuredLight; 2])> = sessions
        .into_iter()
        .flat_map(|(key, members)| pairs(members).into_iter().map(move |pair| (key, pair)))
        .collect();
    let noise: Vec<Vec<NoiseAtLevel>> = pairs
        .par_iter()
        // A file that has gone since says nothing.
        .map(|(_, pair)| noise_of(*pair, intakes, sensors, kept).unwrap_or_default())
        .collect();
    let mut by_session: BTreeMap<SessionKey, Vec<Vec<NoiseAtLevel>>> = BTreeMap::new();
    for ((key, _), noise) in pairs.iter().zip(noise) {
        by_session.entry((*key).clone()).or_default().push(noise);
    }
    by_session
}

/// Neighbours in time, spread over the session.
fn pairs(mut lights: Vec<&MeasuredLight>) -> Vec<[&MeasuredLight; 2]> {
    lights.sort_by_key(|l| l.read.in_time(l.index));
    let pairs: Vec<[&MeasuredLight; 2]> = lights.chunks_exact(2).map(|two| [two[0], two[1]]).collect();
    at_even_steps(&pairs, MOST_PAIRS).into_iter().copied().collect()
}

fn noise_of(
    pair: [&MeasuredLight; 2],
    intakes: &[Intake],
    sensors: &Sensors,
    kept: &Kept,
) -> Result<Vec<NoiseAtLevel>, LeftOut> {
    let intakes = pair.map(|light| &intakes[light.index]);
    let files = intakes.map(|intake| (intake.file.path.as_path(), intake.fingerprint.as_ref()));
    let mosaic = Mosaic::of(&pair[0].read, sensors);
    kept.or_measure(What::SkyNoise, files, &mosaic, || {
        let (a, b) = (read_light(files[0].0)?, read_light(files[1].0)?);
        let lattice = Mosaic::lattice(mosaic.as_ref(), &a.planes[0]).0;
        let noise = noise_of_difference(&a.planes[0], &b.planes[0], lattice);
        give_back(a);
        Ok(noise)
    })
}
