//! The stage: calibration frames of one sensor in, what is known about the sensor out.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use crate::facts::sensor::{SensorMethod, SensorNote};
use crate::facts::sensor_caution::SensorCaution;
use crate::facts::{Missing, Note, Quantity};
use crate::fits::FitsError;
use crate::folder::FrameKind;

use super::bias::neighbours;
use super::bias::pairs::BiasSet;
use super::bias::read_noise::{self, BiasOutcome};
use super::bias::unlike::unlike as unlike_biases;
use super::cautions::{CautionedFrames, Gathered};
use super::darks::dark::DarkInput;
use super::darks::pixels;
use super::darks::rates::{self, DarkOutcome};
use super::flats::filter::{FlatGroup, FlatOutcome, measure_filter};
use super::flats::flat_pair::FlatPair;
use super::flats::unlike::unlike as unlike_flats;
use super::flats::{amplifiers, sky_pairs};
use super::input::{CalibrationFrame, SensorHints};
use super::plane::codes::Histogram;
use super::plane::load::{raw_size, read_plane};
use super::plane::tiles::TileGrid;
use super::unlit::{self, Unlit};
use super::{
    Amplifier, CalibrationCounts, DefectMap, PhotonTransferPoint, Prnu, SensorResult, TransferFit, Vignetting,
    chosen_gain, temperatures,
};

/// Share of the highest 16-bit code taken as saturation where nothing tells it: analogue chains bend just below it.
const ASSUMED_SATURATION_SHARE: f64 = 0.98;

/// Longest darks whose noise stands for the read noise where there are no bias frames, s: in so much time an uncooled sensor gathers
/// an electron or two.
const READ_NOISE_DARK_S: f64 = 5.0;

/// What came of it.
///
/// # Examples
///
/// No frames tell nothing, and every value says what would supply it:
///
/// ```
/// use skygrain::facts::Help;
/// use skygrain::sensor::{SensorHints, SensorOutcome, characterise};
///
/// let outcome: SensorOutcome = characterise(&[], &SensorHints::default(), &|_| {});
/// assert!(outcome.failures.is_empty() && outcome.defects.is_empty());
/// assert_eq!(outcome.result.gain_e_per_adu.because().would_help(), [Help::Flat, Help::Bias]);
/// ```
#[derive(Debug, Clone)]
pub struct SensorOutcome {
    pub result: SensorResult,
    /// Frames that could not be read.
    pub failures: Vec<(PathBuf, FitsError)>,
    pub cautions: Vec<CautionedFrames>,
    /// Pixels that are not like the others, one map for each temperature with darks, the coldest first.
    pub defects: Vec<DefectMap>,
}

/// Measures one sensor from its calibration frames.
///
/// Gain from pairs of flats, read noise from pairs of biases, dark current from darks of several exposures and
/// temperatures. Nothing fails as a whole: what cannot be measured says which frames would supply it. Three frames and
/// four planes are in memory at most, four frames where lights tell the gain; the result does not depend on the number of
/// threads.
///
/// # Examples
///
/// Bias and flat frames of a simulated camera, and what is missing without darks:
///
/// ```
/// use skygrain::facts::Help;
/// use skygrain::folder::FrameKind;
/// use skygrain::sensor::{CalibrationFrame, SensorHints, characterise};
/// use skygrain::simulate::SmallCamera;
///
/// # fn main() -> Result<(), Box<dyn std::error::Error>> {
/// let dir = tempfile::tempdir()?;
/// let camera = SmallCamera::draw(1, 0, 256);
/// let files = camera.write(dir.path())?;
/// let frame = |kind| {
///     move |path| CalibrationFrame { path, kind, exposure_s: Some(1.0), celsius: Some(10.0), filter: None }
/// };
/// let biases = files.biases.into_iter().map(frame(FrameKind::Bias));
/// let frames: Vec<_> = biases.chain(files.flats.into_iter().map(frame(FrameKind::Flat))).collect();
///
/// let sensor = characterise(&frames, &SensorHints::default(), &|_| {}).result;
/// let (gain, sigma) = sensor.gain_e_per_adu.pair().expect("there are pairs of flats and of biases");
/// assert!((gain - camera.gain_e_per_adu).abs() < 5.0 * sigma);
/// assert_eq!(sensor.dark_current.rate_e_per_px_s.because().would_help(), [Help::Dark]);
/// # Ok(())
/// # }
/// ```
pub fn characterise(
    frames: &[CalibrationFrame],
    hints: &SensorHints,
    progress: &(dyn Fn(&Path) + Sync),
) -> SensorOutcome {
    let frames = distinct(frames);
    let survey = Survey::new(&frames, hints, progress);
    let mut told = Gathered::default();
    let mut unlit = unlit::measure(&survey.unlit, &survey.dark_input(), &mut told);
    let in_place = survey.in_place_of_biases(&unlit, &mut told);
    let reference = if in_place.is_empty() { &unlit.biases } else { &in_place };
    let mut lit = survey.lit(reference, &mut told);
    let gain = survey.gain(reference, &mut lit, &mut told);
    let short = in_place.iter().find(|set| set.exposure_s <= READ_NOISE_DARK_S);
    let from_bias = match short {
        Some(set) => read_noise::of_darks(set, survey.lattice()),
        None => read_noise::derive(&unlit.biases, survey.lattice()),
    };
    survey.tell_of_biases(&mut unlit, &from_bias, &mut told);
    let dark = survey.dark(&unlit, &gain, &mut told);
    let maps = unlit.darks.iter().zip(&dark.typical);
    let defects = maps.filter_map(|(set, typical)| pixels::defects(set, *typical, &gain, survey.size)).collect();
    let result = survey.result(&unlit, lit, gain, from_bias, dark);
    let (failures, cautions) = told.sorted();
    SensorOutcome { result, failures, cautions, defects }
}

/// Each path once, in order: no file is opened by two tasks.
fn distinct(frames: &[CalibrationFrame]) -> Vec<CalibrationFrame> {
    let mut sorted = frames.to_vec();
    sorted.sort_by(|a, b| a.path.cmp(&b.path));
    sorted.dedup_by(|a, b| a.path == b.path);
    sorted
}

/// The frames by kind, and what holds for all of them.
struct Survey<'a> {
    /// Biases, then darks.
    unlit: Vec<&'a CalibrationFrame>,
    flats: Vec<&'a CalibrationFrame>,
    lights: Vec<&'a CalibrationFrame>,
    hints: &'a SensorHints,
    progress: &'a (dyn Fn(&Path) + Sync),
    size: (usize, usize),
    grid: TileGrid,
    /// Step between codes; `None` for data that are not integers.
    step: Option<u32>,
    /// Stated or assumed, ADU.
    saturation_adu: f64,
}

/// What the flats say.
struct Lit {
    transfer: Result<(Quantity, TransferFit), Missing>,
    points: Vec<PhotonTransferPoint>,
    prnu: Vec<Prnu>,
    vignetting: Vec<Vignetting>,
    amplifiers: Vec<Amplifier>,
    /// Lowest code at which pixels piled up, ADU.
    pile_up: Option<u32>,
    used: usize,
}

impl<'a> Survey<'a> {
    fn new(frames: &'a [CalibrationFrame], hints: &'a SensorHints, progress: &'a (dyn Fn(&Path) + Sync)) -> Self {
        let of = |kind| frames.iter().filter(|f| f.kind == kind).collect::<Vec<&CalibrationFrame>>();
        let (biases, darks, flats) = (of(FrameKind::Bias), of(FrameKind::Dark), of(FrameKind::Flat));
        let size = frames.iter().find_map(|f| raw_size(&f.path).ok()).unwrap_or((1, 1));
        let step = probe_step(&flats, &darks, &biases, size);
        let stated = hints.rig_saturation_adu.or(hints.header_saturation_adu.as_ref().map(|h| h.0));
        Self {
            unlit: [biases, darks].concat(),
            flats,
            lights: of(FrameKind::Light),
            hints,
            progress,
            size,
            grid: TileGrid::new(size.0, size.1, hints.cfa.is_some()),
            step,
            saturation_adu: stated.unwrap_or_else(|| assumed_saturation_adu(step)),
        }
    }

    /// Step between codes, 0 for continuous values.
    fn lattice(&self) -> u32 {
        self.step.unwrap_or(0)
    }

    fn dark_input(&self) -> DarkInput<'_> {
        let (step, saturation_adu) = (self.lattice(), self.saturation_adu);
        DarkInput { grid: &self.grid, step, saturation_adu, progress: self.progress }
    }

    /// Darks as short as the flats, where there are flats and no pair of biases.
    fn in_place_of_biases(&self, unlit: &Unlit, told: &mut Gathered) -> Vec<BiasSet> {
        if self.flats.len() < 2 || unlit.biases.iter().any(|b| !b.pairs.is_empty()) {
            return Vec::new();
        }
        let darks: Vec<&CalibrationFrame> = self.unlit.iter().copied().filter(|f| f.kind == FrameKind::Dark).collect();
        unlit::in_place_of_biases(&darks, &self.flats, &self.dark_input(), told)
    }

    /// Measures the flats of every filter.
    fn lit(&self, biases: &[BiasSet], told: &mut Gathered) -> Lit {
        let outcomes = self.flat_outcomes(biases);
        let transfer = chosen_gain::fit_transfer(&outcomes, &self.grid, self.saturation_adu);
        let pairs: Vec<&FlatPair> = outcomes.iter().flat_map(|o| &o.pairs).collect();
        let lattice = f64::from(self.lattice());
        let amplifiers = amplifiers::measure(biases, &pairs, &self.grid, lattice, self.saturation_adu);
        if let Some(about) = amplifiers::caution(&amplifiers) {
            told.caution(about, Vec::new());
        }
        let missing: Missing = chosen_gain::missing(self.flats.len(), biases).into();
        let mut lit = Lit {
            transfer: Err(missing.clone()),
            points: Vec::new(),
            prnu: Vec::new(),
            vignetting: Vec::new(),
            amplifiers,
            pile_up: None,
            used: 0,
        };
        for mut outcome in outcomes {
            told.flats(&mut outcome);
            lit.vignetting.extend(outcome.vignetting);
            lit.prnu.extend(outcome.prnu);
            lit.pile_up = [lit.pile_up, outcome.pile_up].into_iter().flatten().min();
            lit.used += outcome.used.len();
            lit.points.extend(outcome.points);
        }
        if let Some(about) = unlike_flats(&lit.points) {
            told.caution(about, Vec::new());
        }
        lit.transfer = match transfer {
            Some(fit) => fit.map_err(Missing::from),
            None => Err(lit.points.first().map_or(missing, |p| p.gain_e_per_adu.because())),
        };
        lit
    }

    fn flat_outcomes(&self, biases: &[BiasSet]) -> Vec<FlatOutcome> {
        let mut by_filter: BTreeMap<Option<String>, Vec<&CalibrationFrame>> = BTreeMap::new();
        for flat in &self.flats {
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
                let celsius = temperatures::mean(members.iter().map(|f| f.celsius));
                let seconds = members.iter().filter_map(|f| f.exposure_s).fold(0.0, f64::max);
                let bias = nearest_bias(biases, celsius, seconds);
                let group = FlatGroup { filter, paths: members.iter().map(|f| f.path.clone()).collect() };
                measure_filter(&group, bias, &self.grid, self.lattice(), self.saturation_adu, self.progress)
            })
            .collect()
    }

    /// The gain that holds; without flats the sky of the lights may tell it.
    fn gain(&self, biases: &[BiasSet], lit: &mut Lit, told: &mut Gathered) -> Quantity {
        let from_flats = lit.transfer.as_ref().map(|(gain, _)| gain.clone()).map_err(Missing::clone);
        let measured = match (from_flats, nearest_bias(biases, None, 0.0)) {
            (Err(flats), Some(biases)) if self.flats.len() < 2 && !self.lights.is_empty() => sky_pairs::measure(
                &self.lights,
                biases,
                &self.grid,
                self.saturation_adu,
                self.progress,
                &mut told.refused,
            )
            .map_err(|lights| Missing::neither(flats, lights.into())),
            (from_flats, _) => from_flats,
        };
        chosen_gain::choose(measured, self.hints, told)
    }

    fn of_unlit(&self, kind: FrameKind) -> Vec<PathBuf> {
        self.unlit.iter().filter(|f| f.kind == kind).map(|f| f.path.clone()).collect()
    }

    fn tell_of_biases(&self, unlit: &mut Unlit, from_bias: &BiasOutcome, told: &mut Gathered) {
        told.copies(unlit.biases.iter_mut().flat_map(|s| std::mem::take(&mut s.copies)).collect());
        for about in unlike_biases(&unlit.biases) {
            told.caution(about, self.of_unlit(FrameKind::Bias));
        }
        if let Some(fraction) = from_bias.too_low {
            told.caution(SensorCaution::BiasFloor { fraction }, self.of_unlit(FrameKind::Bias));
        }
    }

    fn dark(&self, unlit: &Unlit, gain: &Quantity, told: &mut Gathered) -> DarkOutcome {
        let celsius: Vec<Option<f64>> = self.unlit.iter().map(|f| f.celsius).collect();
        let resolution = temperatures::resolution_c(&celsius);
        let dark = rates::derive(&unlit.darks, &unlit.own_bias, &unlit.biases, gain, resolution);
        if dark.current.suppressed_in_camera {
            told.caution(SensorCaution::DarkLevelSuppressed, self.of_unlit(FrameKind::Dark));
        }
        let not_of_silicon = |note: &Note| match note {
            Note::Sensor(SensorNote::LawNotOfSilicon { doubling_celsius }) => Some(*doubling_celsius),
            _ => None,
        };
        if let Some(doubling_celsius) = dark.current.doubling_celsius.notes.iter().find_map(not_of_silicon) {
            told.caution(SensorCaution::DarkLawNotOfSilicon { doubling_celsius }, self.of_unlit(FrameKind::Dark));
        }
        for about in dark.unlike.iter().cloned() {
            told.caution(about, Vec::new());
        }
        dark
    }

    fn result(
        &self,
        unlit: &Unlit,
        lit: Lit,
        gain: Quantity,
        from_bias: BiasOutcome,
        dark: DarkOutcome,
    ) -> SensorResult {
        let mut read_noise_e = from_bias.read_noise_adu.times(&gain, SensorMethod::ReadNoiseTimesGain);
        if read_noise_e.is_known() {
            read_noise_e.notes.extend(from_bias.read_noise_adu.notes.iter().cloned());
        }
        let [read_noise_correlation_x, read_noise_correlation_y] = neighbours::derive(&unlit.biases);
        SensorResult {
            read_noise_e,
            read_noise_correlation_x,
            read_noise_correlation_y,
            sensitivity_threshold_e: read_noise::sensitivity_threshold(
                &from_bias.read_noise_adu,
                &gain,
                self.lattice(),
            ),
            gain_e_per_adu: gain,
            read_noise_adu: from_bias.read_noise_adu,
            row_noise_adu: from_bias.row_noise_adu,
            column_noise_adu: from_bias.column_noise_adu,
            fixed_pattern_adu: from_bias.fixed_pattern_adu,
            level_drift_adu: from_bias.drift_adu,
            read_noise_tail: from_bias.tail,
            bias_level_adu: from_bias.level_adu,
            adu_step: self.step,
            saturation_adu: saturation(self.hints, lit.pile_up, self.step),
            bias_floor_fraction: from_bias.floor_fraction,
            photon_transfer: lit.points,
            photon_transfer_fit: lit.transfer.ok().map(|(_, fit)| fit),
            prnu: lit.prnu,
            amplifiers: lit.amplifiers,
            vignetting: lit.vignetting,
            dark_current: dark.current,
            hot_pixel_fraction: dark.hot,
            hot_pixel_doubling_celsius: dark.hot_doubling,
            pixel_dark_rates: dark.pixels,
            frames: CalibrationCounts {
                bias: unlit.biases.iter().map(|s| s.levels.len()).sum(),
                dark: unlit.darks.iter().map(|s| s.levels.len()).sum(),
                flat: lit.used,
            },
        }
    }
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

/// The set with pairs whose temperature is nearest, then whose exposure is.
fn nearest_bias(biases: &[BiasSet], celsius: Option<f64>, seconds: f64) -> Option<&BiasSet> {
    let distance = |b: &BiasSet| match (b.celsius, celsius) {
        (Some(a), Some(b)) => (a - b).abs(),
        _ => f64::MAX,
    };
    biases.iter().filter(|b| !b.pairs.is_empty()).min_by(|a, b| {
        let apart = |set: &BiasSet| (set.exposure_s - seconds).abs();
        distance(a)
            .total_cmp(&distance(b))
            .then_with(|| apart(a).total_cmp(&apart(b)))
            .then_with(|| b.pairs.len().cmp(&a.pairs.len()))
    })
}

/// The highest code of samples that step by 16 is 65 520.
fn assumed_saturation_adu(step: Option<u32>) -> f64 {
    ASSUMED_SATURATION_SHARE * (65_536.0 - f64::from(step.unwrap_or(1)))
}

fn saturation(hints: &SensorHints, pile_up: Option<u32>, step: Option<u32>) -> Quantity {
    if let Some(rig) = hints.rig_saturation_adu {
        return Quantity::rig(rig, "saturation_adu");
    }
    if let Some(code) = pile_up {
        return Quantity::measured(f64::from(code), 0.0, SensorMethod::PileUpOfFlats, 1);
    }
    if let Some((level, card)) = &hints.header_saturation_adu {
        return Quantity::header(*level, card);
    }
    let share = SensorMethod::ShareOfSixteenBits { share: ASSUMED_SATURATION_SHARE };
    Quantity::assumed(assumed_saturation_adu(step), None, share).noted(SensorNote::SaturationAssumed)
}
