//! Bias and dark frames, one temperature after the other.

use std::collections::BTreeMap;
use std::path::PathBuf;

use crate::facts::sensor_caution::SensorCaution;
use crate::folder::FrameKind;

use super::bias::mean_bias::Pattern;
use super::bias::pairs::{self, BiasSet};
use super::cautions::Gathered;
use super::darks::dark::{self, Dark, DarkInput, DarkSet};
use super::darks::pixels;
use super::input::CalibrationFrame;
use super::temperatures;

/// What the frames without light say, the coldest temperature first.
#[derive(Default)]
pub(crate) struct Unlit {
    pub biases: Vec<BiasSet>,
    pub darks: Vec<DarkSet>,
    /// For each set of darks the place of the biases of its temperature.
    pub own_bias: Vec<Option<usize>>,
}

/// The frames of one temperature.
struct Together<'a> {
    biases: Vec<&'a CalibrationFrame>,
    darks: Vec<&'a CalibrationFrame>,
}

/// Measures biases and darks; their temperatures are grouped together, so that both find each other.
pub(crate) fn measure(frames: &[&CalibrationFrame], input: &DarkInput, told: &mut Gathered) -> Unlit {
    let celsius: Vec<Option<f64>> = frames.iter().map(|f| f.celsius).collect();
    let groups: Vec<Together> = temperatures::groups(&celsius)
        .into_iter()
        .map(|group| {
            let of = |kind| group.iter().map(|i| frames[*i]).filter(|f| f.kind == kind).collect();
            Together { biases: of(FrameKind::Bias), darks: of(FrameKind::Dark) }
        })
        .collect();
    let mut measured = Vec::new();
    let mut mean_bias = MeanBias { groups: &groups, taken: None, size: (input.grid.width, input.grid.height) };
    let mut follow: Vec<u32> = Vec::new();
    // The warmest darks show the hot pixels best: these are then followed through the colder ones.
    for (i, group) in groups.iter().enumerate().rev() {
        let mut biases = bias_set(&group.biases, input, told);
        let darks = with_exposure(&group.darks, told);
        let pattern = mean_bias.provide(i, biases.as_mut(), &darks);
        let darks = (!darks.is_empty()).then(|| {
            let mut set = dark::measure(&darks, pattern, &follow, input, &mut told.refused);
            if follow.is_empty() && set.celsius.is_some() {
                follow = set.pixels.as_mut().map(pixels::to_follow).unwrap_or_default();
            }
            set
        });
        measured.push((biases, darks.filter(|s| !s.levels.is_empty())));
    }
    let mut unlit = Unlit::default();
    for (biases, darks) in measured.into_iter().rev() {
        let own = biases.is_some().then_some(unlit.biases.len());
        unlit.biases.extend(biases);
        if let Some(darks) = darks {
            unlit.darks.push(darks);
            unlit.own_bias.push(own);
        }
    }
    unlit
}

fn paths(frames: &[&CalibrationFrame]) -> Vec<PathBuf> {
    frames.iter().map(|f| f.path.clone()).collect()
}

/// Ratio of two exposures of flats and darks that belong together: shutters and lamps are set by hand.
const LIKE_EXPOSURE: f64 = 1.1;

/// Darks of the exposures of the flats, or of less, in place of bias frames: what a flat holds without its light. One set an
/// exposure, those with a pair only.
pub(crate) fn in_place_of_biases(
    darks: &[&CalibrationFrame],
    flats: &[&CalibrationFrame],
    input: &DarkInput,
    told: &mut Gathered,
) -> Vec<BiasSet> {
    let longest = flats.iter().filter_map(|f| f.exposure_s).fold(0.0, f64::max);
    let mut by_exposure: BTreeMap<u64, Vec<&CalibrationFrame>> = BTreeMap::new();
    for dark in darks {
        if let Some(seconds) = dark.exposure_s.filter(|s| *s > 0.0 && *s <= LIKE_EXPOSURE * longest) {
            by_exposure.entry(seconds.to_bits()).or_default().push(dark);
        }
    }
    let sets = by_exposure.into_iter().filter(|(_, frames)| frames.len() > 1);
    let measured = sets.filter_map(|(seconds, frames)| {
        Some(BiasSet { exposure_s: f64::from_bits(seconds), ..bias_set(&frames, input, told)? })
    });
    measured.filter(|set| !set.pairs.is_empty()).collect()
}

fn bias_set(biases: &[&CalibrationFrame], input: &DarkInput, told: &mut Gathered) -> Option<BiasSet> {
    let celsius = temperatures::mean(biases.iter().map(|f| f.celsius));
    let measure = || pairs::measure(&paths(biases), celsius, input.grid, input.step, input.progress, &mut told.refused);
    (!biases.is_empty()).then(measure).filter(|s| !s.levels.is_empty())
}

/// The darks whose exposure is known; the others are passed over.
fn with_exposure(darks: &[&CalibrationFrame], told: &mut Gathered) -> Vec<Dark> {
    let (known, unknown): (Vec<&CalibrationFrame>, Vec<_>) =
        darks.iter().copied().partition(|f| f.exposure_s.is_some_and(|t| t > 0.0));
    if !unknown.is_empty() {
        told.caution(SensorCaution::DarkWithoutExposure, paths(&unknown));
    }
    let dark = |f: &&CalibrationFrame| Dark {
        path: f.path.clone(),
        exposure_s: f.exposure_s.unwrap_or(0.0),
        celsius: f.celsius,
    };
    known.iter().map(dark).collect()
}

/// The one mean bias that is in memory.
struct MeanBias<'a> {
    groups: &'a [Together<'a>],
    /// With the place of its group.
    taken: Option<(usize, Pattern)>,
    size: (usize, usize),
}

impl MeanBias<'_> {
    /// The mean bias for the darks of a group: its own, else the one nearest in temperature, read again where need be.
    fn provide(&mut self, group: usize, own: Option<&mut BiasSet>, darks: &[Dark]) -> Option<&Pattern> {
        if let Some(taken) = own.and_then(Pattern::take) {
            self.taken = Some((group, taken));
        } else if !darks.is_empty() {
            let nearest = self.nearest(temperatures::mean(darks.iter().map(|d| d.celsius)));
            if self.taken.as_ref().map(|p| p.0) != nearest {
                drop(self.taken.take());
                let read = |k: usize| Pattern::read(&paths(&self.groups[k].biases), self.size, &|_| {});
                self.taken = nearest.and_then(|k| Some((k, read(k)?)));
            }
        }
        let (from, pattern) = self.taken.as_mut()?;
        pattern.own = *from == group;
        Some(pattern)
    }

    /// The group with biases whose temperature is nearest to the one given; the first of them where none is known.
    fn nearest(&self, celsius: Option<f64>) -> Option<usize> {
        let distance = |i: usize| {
            let own = temperatures::mean(self.groups[i].biases.iter().map(|f| f.celsius));
            own.zip(celsius).map_or(f64::MAX, |(a, b)| (a - b).abs())
        };
        let with_biases = (0..self.groups.len()).filter(|i| !self.groups[*i].biases.is_empty());
        with_biases.min_by(|a, b| distance(*a).total_cmp(&distance(*b)))
    }
}
