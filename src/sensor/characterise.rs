//! The stage: calibration frames of one sensor in, what is known about the sensor out.

use crate::report::InWords;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use serde::Serialize;

use crate::facts::Quantity;
use crate::fits::FitsError;
use crate::folder::{CfaPattern, FrameKind};

use super::bias::mean_bias::Pattern;
use super::bias::pairs::{self, BiasSet};
use super::bias::read_noise;
use super::darks::dark::{self, Dark, DarkInput};
use super::darks::{pixels, rates};
use super::flats::filter::{FlatGroup, FlatOutcome, measure_filter};
use super::flats::flat_pair::FlatPair;
use super::flats::{amplifiers, sky_pairs};
use super::plane::codes::Histogram;
use super::plane::load::{LoadError, raw_size, read_plane};
use super::plane::tiles::Grid;
use super::{CalibrationCounts, DefectMap, SensorResult, chosen_gain, temperatures};

/// Share of the highest 16-bit code taken as saturation where nothing tells it: analogue chains bend just below it.
const ASSUMED_SATURATION_SHARE: f64 = 0.98;

/// A frame of one sensor.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CalibrationFrame {
    /// Not in the serialised form: a path need not be text.
    #[serde(skip)]
    pub path: PathBuf,
    /// Bias, dark or flat; lights are used where there are no flats; other kinds are passed over.
    pub kind: FrameKind,
    /// Time over which dark charge gathered, s.
    pub exposure_s: Option<f64>,
    /// Sensor temperature, C.
    pub celsius: Option<f64>,
    pub filter: Option<String>,
}

/// What the rig file and the header say about the sensor.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct SensorHints {
    pub rig_gain_e_per_adu: Option<f64>,
    /// Conversion gain and the card that states it.
    pub header_gain: Option<(f64, String)>,
    pub rig_saturation_adu: Option<f64>,
    /// Saturation level and the card that states it.
    pub header_saturation_adu: Option<(f64, String)>,
    pub cfa: Option<CfaPattern>,
}

/// What came of it.
#[derive(Debug, Clone)]
pub struct SensorOutcome {
    pub result: SensorResult,
    /// Frames that could not be read.
    pub failures: Vec<(PathBuf, FitsError)>,
    /// Code, message and the frames concerned.
    pub cautions: Vec<(&'static str, String, Vec<PathBuf>)>,
    /// Pixels that are not like the others, one map for each temperature with darks, the coldest first.
    pub defects: Vec<DefectMap>,
}

pub(crate) type Cautions = Vec<(&'static str, String, Vec<PathBuf>)>;

/// Measures one sensor from its calibration frames.
///
/// Gain from pairs of flats, read noise from pairs of biases, dark current from darks of several exposures and
/// temperatures. Nothing fails as a whole: what cannot be measured says which frames would supply it. Three frames and
/// four planes are in memory at most; the result does not depend on the number of threads.
pub fn characterise(
    frames: &[CalibrationFrame],
    hints: &SensorHints,
    progress: &(dyn Fn(&Path) + Sync),
) -> SensorOutcome {
    let mut refused: Vec<(PathBuf, LoadError)> = Vec::new();
    let mut cautions: Cautions = Vec::new();
    let frames = distinct(frames);
    let of = |kind| frames.iter().filter(|f| f.kind == kind).collect::<Vec<&CalibrationFrame>>();
    let (biases, darks, flats) = (of(FrameKind::Bias), of(FrameKind::Dark), of(FrameKind::Flat));
    let size = frames.iter().find_map(|f| raw_size(&f.path).ok()).unwrap_or((1, 1));
    let grid = Grid::new(size.0, size.1, hints.cfa.is_some());
    let step = probe_step(&flats, &darks, &biases, size);
    let lattice = step.unwrap_or(0);

    // Temperatures of biases and darks are grouped together, so that both find each other.
    let shutter: Vec<&CalibrationFrame> = biases.iter().chain(&darks).copied().collect();
    let celsius: Vec<Option<f64>> = shutter.iter().map(|f| f.celsius).collect();
    let (header_saturation, rig_saturation) = (&hints.header_saturation_adu, hints.rig_saturation_adu);
    let stated =
        rig_saturation.or(header_saturation.as_ref().map(|h| h.0)).unwrap_or_else(|| assumed_saturation_adu(step));
    let dark_input = DarkInput { grid: &grid, step: lattice, saturation_adu: stated, progress };
    let groups = temperatures::groups(&celsius);
    let members = |group: &[usize], kind| -> Vec<&CalibrationFrame> {
        group.iter().map(|i| shutter[*i]).filter(|f| f.kind == kind).collect()
    };
    let bias_groups: Vec<Vec<&CalibrationFrame>> = groups.iter().map(|g| members(g, FrameKind::Bias)).collect();
    let mut measured = Vec::new();
    let (mut pattern, mut follow): (Option<(usize, Pattern)>, Vec<u32>) = (None, Vec::new());
    // The warmest darks show the hot pixels best: these are then followed through the colder ones.
    for (i, group) in groups.iter().enumerate().rev() {
        let paths: Vec<PathBuf> = bias_groups[i].iter().map(|f| f.path.clone()).collect();
        let mut own = None;
        if !paths.is_empty() {
            let temperature = mean(bias_groups[i].iter().filter_map(|f| f.celsius));
            let set = pairs::measure(&paths, temperature, &grid, lattice, progress, &mut refused);
            own = Some(set).filter(|s| !s.levels.is_empty());
        }
        let (known, unknown): (Vec<_>, Vec<_>) =
            members(group, FrameKind::Dark).into_iter().partition(|f| f.exposure_s.is_some_and(|t| t > 0.0));
        if !unknown.is_empty() {
            let paths = unknown.iter().map(|f| f.path.clone()).collect();
            cautions.push((
                "dark-without-exposure",
                "darks whose exposure is not known were passed over".into(),
                paths,
            ));
        }
        let darks: Vec<Dark> = known
            .iter()
            .map(|f| Dark { path: f.path.clone(), exposure_s: f.exposure_s.unwrap_or(0.0), celsius: f.celsius })
            .collect();
        // One mean bias is in memory: its own, else the one nearest in temperature, read again where need be.
        if let Some(taken) = own.as_mut().and_then(Pattern::take) {
            pattern = Some((i, taken));
        } else if !darks.is_empty() {
            let nearest = nearest_group(&bias_groups, mean(darks.iter().filter_map(|d| d.celsius)));
            if pattern.as_ref().map(|p| p.0) != nearest {
                drop(pattern.take());
                let paths = |k: usize| bias_groups[k].iter().map(|f| f.path.clone()).collect::<Vec<_>>();
                pattern = nearest.and_then(|k| Some((k, Pattern::read(&paths(k), size, &|_| {})?)));
            }
        }
        if let Some((k, pattern)) = &mut pattern {
            pattern.own = *k == i;
        }
        let mut set = None;
        if !darks.is_empty() {
            let taken_off = pattern.as_ref().map(|p| &p.1);
            let mut got = dark::measure(&darks, taken_off, &follow, &dark_input, &mut refused);
            if follow.is_empty() && got.celsius.is_some() {
                follow = got.pixels.as_mut().map(pixels::to_follow).unwrap_or_default();
            }
            set = Some(got).filter(|s| !s.levels.is_empty());
        }
        measured.push((own, set));
    }
    drop(pattern);
    let (mut bias_sets, mut dark_sets, mut own_bias): (Vec<BiasSet>, _, _) = (Vec::new(), Vec::new(), Vec::new());
    for (bias, dark) in measured.into_iter().rev() {
        let own = bias.is_some().then_some(bias_sets.len());
        bias_sets.extend(bias);
        if let Some(dark) = dark {
            dark_sets.push(dark);
            own_bias.push(own);
        }
    }
    let dark_count = dark_sets.iter().map(|s| s.levels.len()).sum();

    let flat_outcomes = measure_flats(&flats, &bias_sets, &grid, lattice, stated, progress);
    let mut found: Option<u32> = None;
    let mut points = Vec::new();
    let mut vignetting = Vec::new();
    let mut flat_count = 0;
    let transfer = chosen_gain::fit_transfer(&flat_outcomes, &grid, stated);
    let pairs: Vec<&FlatPair> = flat_outcomes.iter().flat_map(|o| &o.pairs).collect();
    let amplifiers = amplifiers::measure(&bias_sets, &pairs, &grid, f64::from(lattice), stated);
    if let Some(message) = amplifiers::message(&amplifiers) {
        cautions.push(("several-amplifiers", message, Vec::new()));
    }
    let mut prnu = Vec::new();
    for mut outcome in flat_outcomes {
        vignetting.extend(outcome.vignetting.take());
        prnu.extend(outcome.prnu.take());
        found = [found, outcome.pile_up].into_iter().flatten().min();
        flat_count += outcome.used;
        report_flats(outcome, &mut points, &mut refused, &mut cautions);
    }
    let saturation_adu = saturation(hints, found, step);
    let missing = chosen_gain::missing(flats.len(), &bias_sets);
    let (measured, photon_transfer_fit, missing) = match transfer {
        Some(Ok((gain, fit))) => (Some(gain), Some(fit), missing),
        Some(Err(why)) => (None, None, why),
        None => (
            None,
            None,
            points.first().map_or(missing, |p: &super::PhotonTransferPoint| p.gain_e_per_adu.why().to_owned()),
        ),
    };
    let lights = of(FrameKind::Light);
    let (measured, missing) = match (measured, nearest_bias(&bias_sets, None)) {
        (None, Some(biases)) if flats.len() < 2 && !lights.is_empty() => {
            match sky_pairs::measure(&lights, biases, &grid, stated, progress, &mut refused) {
                Ok(gain) => (Some(gain), missing),
                Err(why) => (None, format!("{missing}; {why}")),
            }
        }
        (measured, _) => (measured, missing),
    };
    let gain = chosen_gain::choose(measured, missing, hints, &mut cautions);
    let from_bias = read_noise::derive(&bias_sets, lattice);
    let copies: Vec<[PathBuf; 2]> = bias_sets.iter_mut().flat_map(|s| std::mem::take(&mut s.copies)).collect();
    report_copies(copies, &mut cautions);
    if let Some(message) = &from_bias.floor_message {
        let paths = biases.iter().map(|f| f.path.clone()).collect();
        cautions.push(("bias-floor", message.clone(), paths));
    }
    let resolution = temperatures::resolution_c(&celsius);
    let dark = rates::derive(&dark_sets, &own_bias, &bias_sets, &gain, resolution);
    if dark.suppressed {
        let paths = darks.iter().map(|f| f.path.clone()).collect();
        cautions.push(("dark-level-suppressed", dark.current.method.clone(), paths));
    }
    let defects = dark_sets
        .iter()
        .zip(&dark.typical)
        .filter_map(|(set, typical)| pixels::defects(set, *typical, &gain, size))
        .collect();
    let mut read_noise_e = from_bias.read_noise_adu.times(&gain, "read noise in ADU times gain");
    if read_noise_e.is_known() {
        read_noise_e.notes.extend(from_bias.read_noise_adu.notes.iter().cloned());
    }
    let result = SensorResult {
        read_noise_e,
        sensitivity_threshold_e: read_noise::sensitivity_threshold(&from_bias.read_noise_adu, &gain, lattice),
        gain_e_per_adu: gain,
        read_noise_adu: from_bias.read_noise_adu,
        row_noise_adu: from_bias.row_noise_adu,
        column_noise_adu: from_bias.column_noise_adu,
        fixed_pattern_adu: from_bias.fixed_pattern_adu,
        level_drift_adu: from_bias.drift_adu,
        read_noise_tail: from_bias.tail,
        bias_level_adu: from_bias.level_adu,
        adu_step: step,
        saturation_adu,
        bias_floor_fraction: from_bias.floor_fraction,
        photon_transfer: points,
        photon_transfer_fit,
        prnu,
        amplifiers,
        vignetting,
        dark_current: dark.current,
        hot_pixel_fraction: dark.hot,
        hot_pixel_doubling_celsius: dark.hot_doubling,
        pixel_dark_rates: dark.pixels,
        frames: CalibrationCounts {
            bias: bias_sets.iter().map(|s| s.levels.len()).sum(),
            dark: dark_count,
            flat: flat_count,
        },
    };
    let failures = sort_refusals(refused, &mut cautions);
    SensorOutcome { result, failures, cautions, defects }
}

/// Each path once, in order: no file is opened by two tasks.
fn distinct(frames: &[CalibrationFrame]) -> Vec<CalibrationFrame> {
    let mut sorted = frames.to_vec();
    sorted.sort_by(|a, b| a.path.cmp(&b.path));
    sorted.dedup_by(|a, b| a.path == b.path);
    sorted
}

fn mean(values: impl Iterator<Item = f64>) -> Option<f64> {
    crate::stats::mean_and_std(&values.collect::<Vec<_>>()).map(|m| m.0)
}

/// Step between codes from one frame: a flat shows more codes than a dark, a dark more than a bias.
fn probe_step(
    flats: &[&CalibrationFrame],
    darks: &[&CalibrationFrame],
    biases: &[&CalibrationFrame],
    size: (usize, usize),
) -> Option<u32> {
    let longest = darks.iter().max_by(|a, b| a.exposure_s.unwrap_or(0.0).total_cmp(&b.exposure_s.unwrap_or(0.0)));
    let candidates = flats.iter().chain(longest).chain(darks.iter().take(1)).chain(biases.iter());
    let first = candidates.into_iter().find_map(|f| read_plane(&f.path, size).ok())?;
    let histogram = Histogram::new(&first)?;
    // Whole numbers that show too few codes are taken to step by one.
    Some(histogram.step().unwrap_or(1))
}

fn measure_flats(
    flats: &[&CalibrationFrame],
    biases: &[BiasSet],
    grid: &Grid,
    step: u32,
    saturation_adu: f64,
    progress: &(dyn Fn(&Path) + Sync),
) -> Vec<FlatOutcome> {
    let mut by_filter: BTreeMap<Option<String>, Vec<&CalibrationFrame>> = BTreeMap::new();
    for flat in flats {
        by_filter.entry(flat.filter.clone()).or_default().push(flat);
    }
    by_filter
        .into_iter()
        .map(|(filter, mut members)| {
            // Neighbours in exposure, then in name (mostly time), make the pairs.
            members.sort_by(|a, b| {
                let seconds = |f: &CalibrationFrame| f.exposure_s.unwrap_or(0.0);
                seconds(a).total_cmp(&seconds(b)).then_with(|| a.path.cmp(&b.path))
            });
            let temperature = mean(members.iter().filter_map(|f| f.celsius));
            let paths = members.iter().map(|f| f.path.clone()).collect();
            let bias = nearest_bias(biases, temperature);
            measure_filter(&FlatGroup { filter, paths }, bias, grid, step, saturation_adu, progress)
        })
        .collect()
}

/// The group with biases whose temperature is nearest to the one given; the first of them where none is known.
fn nearest_group(groups: &[Vec<&CalibrationFrame>], celsius: Option<f64>) -> Option<usize> {
    let distance = |i: usize| {
        let own = mean(groups[i].iter().filter_map(|f| f.celsius));
        own.zip(celsius).map_or(f64::MAX, |(a, b)| (a - b).abs())
    };
    (0..groups.len()).filter(|i| !groups[*i].is_empty()).min_by(|a, b| distance(*a).total_cmp(&distance(*b)))
}

/// The set with pairs whose temperature is nearest.
fn nearest_bias(biases: &[BiasSet], celsius: Option<f64>) -> Option<&BiasSet> {
    let distance = |b: &BiasSet| match (b.celsius, celsius) {
        (Some(a), Some(b)) => (a - b).abs(),
        _ => f64::MAX,
    };
    biases
        .iter()
        .filter(|b| !b.pairs.is_empty())
        .min_by(|a, b| distance(a).total_cmp(&distance(b)).then(b.pairs.len().cmp(&a.pairs.len())))
}

fn report_flats(
    outcome: FlatOutcome,
    points: &mut Vec<super::PhotonTransferPoint>,
    refused: &mut Vec<(PathBuf, LoadError)>,
    cautions: &mut Cautions,
) {
    points.extend(outcome.points);
    refused.extend(outcome.refused);
    if !outcome.clipped.is_empty() {
        let message = "flats with clipped pixels were not used: expose to about half of saturation".to_owned();
        cautions.push(("flat-clipped", message, outcome.clipped));
    }
    report_copies(outcome.copies, cautions);
    for (pair, scatter) in outcome.banded {
        let message = format!(
            "the rows of this pair of flats differ in level by {:.1} %, as a flickering lamp makes them: each row was \
             brought to level; steady light is better",
            100.0 * scatter
        );
        cautions.push(("flat-flicker", message, pair.to_vec()));
    }
    for (pair, ratio) in outcome.mismatched {
        let message =
            format!("the levels of this pair of flats differ by a factor of {ratio:.2}: steady light is better");
        cautions.push(("flat-levels-differ", message, pair.to_vec()));
    }
}

/// A copy has no noise of its own: it would make a pair without noise.
fn report_copies(copies: Vec<[PathBuf; 2]>, cautions: &mut Cautions) {
    if !copies.is_empty() {
        let message = "these frames repeat another pixel for pixel and were left out: a copy has no noise of its own";
        cautions.push(("identical-frames", message.to_owned(), copies.into_iter().map(|[copy, _]| copy).collect()));
    }
}

/// The highest code of samples that step by 16 is 65 520.
fn assumed_saturation_adu(step: Option<u32>) -> f64 {
    ASSUMED_SATURATION_SHARE * (65_536.0 - f64::from(step.unwrap_or(1)))
}

fn saturation(hints: &SensorHints, found: Option<u32>, step: Option<u32>) -> Quantity {
    if let Some(rig) = hints.rig_saturation_adu {
        return Quantity::rig(rig, "saturation_adu");
    }
    if let Some(code) = found {
        return Quantity::measured(f64::from(code), 0.0, "code at which the pixels of flats pile up", 1);
    }
    if let Some((level, card)) = &hints.header_saturation_adu {
        return Quantity::header(*level, card);
    }
    Quantity::assumed(assumed_saturation_adu(step), None, "98 % of the 16-bit range")
        .noted("assumption: a flat that is exposed too long would show the level, or a rig file can state it")
}

/// Files that cannot be read are failures; frames that do not fit are cautions.
fn sort_refusals(refused: Vec<(PathBuf, LoadError)>, cautions: &mut Cautions) -> Vec<(PathBuf, FitsError)> {
    let mut failures = Vec::new();
    for (path, error) in refused {
        match error {
            LoadError::Fits(error) => failures.push((path, error)),
            LoadError::ColourPlanes { .. } => cautions.push(("not-raw", error.to_string(), vec![path])),
            LoadError::NoValidPixels => cautions.push(("no-valid-pixels", error.to_string(), vec![path])),
            LoadError::Size { .. } => cautions.push(("size-differs", error.to_string(), vec![path])),
        }
    }
    failures
}
