//! Stars of every light, and which lights a session can use.

use std::cell::Cell;
use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::facts::night::{Correlated, NightMissing, NoiseOrigin};
use crate::facts::{Caution, LeftOut, Quantity};
use crate::fits::{Image, ImageFile, Pixels};
use crate::folder::{CfaPattern, FrameKind, SessionKey};
use crate::frame::{
    Lattice, NoiseAtLevel, NoiseCorrelation, measured_pattern, noise_correlation, noise_of_frame, undefine,
};
use crate::report::Warning;
use crate::sensor::Defect;
use crate::stars::{Diffraction, FrameStars, MeasureOptions, Place, measure};

use super::cache::{Kept, What};
use super::diffraction::diffraction;
use super::fault::unreadable;
use super::hot_ratio::{Expected, expected, ratio};
use super::input::{Progress, Stage};
use super::intake::{Intake, Outcome, Read, reads_of};
use super::noise_origin;
use super::one_name::unify_exposures;
use super::sensors::{MeasuredSensor, Sensors};
use super::set_apart;

/// Excess charge of a known defect over the read noise from which it is left out of a light: below it nothing is
/// detected, and a star that lies there keeps its pixels.
const DEFECT_NOISE_SIGMAS: f64 = 3.0;

/// A light and its stars.
#[derive(Debug, Clone)]
pub struct MeasuredLight {
    /// Place in the list of files.
    pub index: usize,
    pub session: SessionKey,
    pub read: Read,
    pub stars: FrameStars,
    /// Widths of the planes of a colour cube, px; empty for a frame of one plane.
    pub plane_fwhm_px: Vec<Quantity>,
    /// Correlation of the sky noise of neighbouring pixels; `None` where it cannot be told.
    pub correlation: Option<NoiseCorrelation>,
    /// Its sky's noise, by level; empty for a colour cube.
    pub noise: Vec<NoiseAtLevel>,
    /// Brightness of its hot pixels over those of the darks; `None` where a card tells its temperature or too few do.
    pub hot_ratio: Option<(f64, f64)>,
    /// Where that comes from, where it is more than that of light.
    pub correlated: Option<Correlated>,
    /// Why its session does not use it.
    pub excluded: Option<LeftOut>,
}

impl MeasuredLight {
    /// Whether its noise shows that it was resampled or denoised.
    pub fn resampled(&self) -> bool {
        self.correlated.is_some_and(|c| matches!(c.origin, NoiseOrigin::Processed { .. }))
    }

    /// Whether it may have been, and nothing tells.
    pub fn perhaps_resampled(&self) -> bool {
        self.correlated.is_some_and(|c| matches!(c.origin, NoiseOrigin::Untold { .. }))
    }
}

/// Measures the stars of all lights; those that cannot be read are marked in `intakes`.
pub fn measure_all(
    intakes: &mut [Intake],
    sensors: &Sensors,
    kept: &Kept,
    progress: Progress,
    warnings: &mut Vec<Warning>,
) -> Vec<MeasuredLight> {
    let lights = reads_of(intakes, &[FrameKind::Light]);
    let (done, total) = (AtomicUsize::new(0), lights.len());
    let results: Vec<(usize, Read, Result<Looked, LeftOut>)> = lights
        .into_par_iter()
        .map(|(index, read)| {
            let mut looked = look(&intakes[index], &read, sensors, kept);
            // Each frame is held against the sky by itself: the places of all need not be in memory at once.
            if let (Ok(looked), true) = (&mut looked, kept.recalls()) {
                looked.stars.places = Vec::new();
            }
            progress(Stage::Stars, done.fetch_add(1, Ordering::Relaxed) + 1, total);
            (index, read, looked)
        })
        .collect();
    let mut measured = Vec::new();
    let mut turned = Vec::new();
    for (index, read, result) in results {
        match result {
            Ok(looked) => {
                if looked.pattern_overruled {
                    turned.push(intakes[index].file.shown.clone());
                }
                let whole = SessionKey::of(&read.header, read.sensor.clone());
                let window = read.window.map(|_| [read.geometry.width, read.geometry.height]);
                let session = SessionKey { window, ..whole };
                let excluded = unusable(&looked.stars);
                let Looked { stars, plane_fwhm_px, correlation, noise, hot_ratio, .. } = looked;
                let sensor = sensors.get(&read.sensor).map(|s| &s.result);
                let correlated = noise_origin::correlated(correlation.as_ref(), stars.sky_sigma_adu, sensor);
                measured.push(MeasuredLight {
                    index,
                    session,
                    read,
                    stars,
                    plane_fwhm_px,
                    correlation,
                    noise,
                    hot_ratio,
                    correlated,
                    excluded,
                });
            }
            Err(why) => intakes[index].outcome = Outcome::Unreadable(why),
        }
    }
    if !turned.is_empty() {
        warnings.push(Warning { caution: Caution::ColourPattern, paths: turned });
    }
    let stated = |l: &MeasuredLight| (l.session.clone(), l.read.header.focal_mm.as_ref().map(|f| f.value));
    let sessions = set_apart::by_focal_length(measured.iter().map(stated).collect());
    for (light, session) in measured.iter_mut().zip(unify_exposures(sessions)) {
        light.session = session;
    }
    measured
}

/// What a light's pixels say.
#[derive(Serialize, Deserialize)]
struct Looked {
    stars: FrameStars,
    plane_fwhm_px: Vec<Quantity>,
    correlation: Option<NoiseCorrelation>,
    noise: Vec<NoiseAtLevel>,
    hot_ratio: Option<(f64, f64)>,
    pattern_overruled: bool,
}

/// All that decides what a light's pixels say, besides them.
#[derive(Serialize)]
struct Settings {
    e_per_adu: Option<f64>,
    saturation_adu: Option<f64>,
    diffraction: Option<Diffraction>,
    cfa: Option<Mosaic>,
    /// Pixels taken for undefined.
    defects: Vec<u32>,
    /// Hot pixels whose brightness tells how warm the sensor was; none where a card does.
    hot: Vec<Expected>,
}

/// A mosaic as the header or the rig file tells it.
#[derive(Serialize)]
pub struct Mosaic {
    pattern: CfaPattern,
    /// Level above which the pixels may overrule it, ADU; `None` where they may not.
    bias_adu: Option<f64>,
}

impl Mosaic {
    /// That of a light; `None` where it is none.
    pub fn of(read: &Read, sensors: &Sensors) -> Option<Self> {
        let cfa = read.header.cfa.as_ref().filter(|_| read.geometry.planes == 1)?;
        let bias_adu = || sensors.get(&read.sensor).and_then(|s| s.result.bias_level_adu.value).unwrap_or(0.0);
        Some(Self { pattern: cfa.value, bias_adu: (!cfa.from_rig).then(bias_adu) })
    }

    /// Which pixels of a plane are measured, and whether they overruled the pattern.
    pub fn lattice(mosaic: Option<&Self>, plane: &Pixels) -> (Lattice, bool) {
        match mosaic {
            None => (Lattice::All, false),
            Some(Self { pattern, bias_adu: None }) => (Lattice::Green(*pattern), false),
            Some(Self { pattern, bias_adu: Some(level) }) => {
                let (seen, overruled) = measured_pattern(plane, *pattern, *level);
                (Lattice::Green(seen), overruled)
            }
        }
    }
}

impl Settings {
    fn of(read: &Read, sensors: &Sensors) -> Self {
        let sensor = sensors.get(&read.sensor);
        let value = |of: fn(&MeasuredSensor) -> &Quantity| sensor.and_then(|s| of(s).value);
        Self {
            // The sensor's gain holds for codes of its own; other numbers tell theirs by the stars' scatter.
            e_per_adu: value(|s| &s.result.gain_e_per_adu).filter(|_| !read.is_processed()),
            saturation_adu: value(|s| &s.result.saturation_adu),
            diffraction: diffraction(&read.header),
            cfa: Mosaic::of(read, sensors),
            hot: sensor.filter(|_| read.geometry.planes == 1).map_or_else(Vec::new, |s| thermometer(s, read)),
            defects: sensor.filter(|_| read.geometry.planes == 1).map_or_else(Vec::new, |s| defects_in(s, read)),
        }
    }
}

fn look(intake: &Intake, read: &Read, sensors: &Sensors, kept: &Kept) -> Result<Looked, LeftOut> {
    let (path, settings) = (intake.file.path.as_path(), Settings::of(read, sensors));
    let measure = || measure_light(path, &settings);
    kept.or_measure(What::Light, [(path, intake.fingerprint.as_ref())], &settings, measure)
}

/// Places of a light's stars, brightest first: from what is kept where they were not kept in memory.
pub fn places_of(light: &MeasuredLight, intakes: &[Intake], sensors: &Sensors, kept: &Kept) -> Vec<Place> {
    if !kept.keeps() || !light.stars.places.is_empty() {
        return light.stars.places.clone();
    }
    let intake = &intakes[light.index];
    let (path, settings) = (intake.file.path.as_path(), Settings::of(&light.read, sensors));
    let measure = || measure_light(path, &settings);
    let again = kept.recall(What::Light, [(path, intake.fingerprint.as_ref())], &settings, measure);
    // A file that has gone since shows no stars to match.
    again.map_or_else(|_| Vec::new(), |(looked, _)| looked.stars.places)
}

thread_local! {
    /// Where the last light of this thread lay: the next one is read into it.
    static MEMORY: Cell<Vec<u16>> = const { Cell::new(Vec::new()) };
}

/// The pixels of a light, in this thread's memory.
pub fn read_light(path: &Path) -> Result<Image, LeftOut> {
    let read = ImageFile::open(path).and_then(|mut file| file.pixels_into(MEMORY.take()));
    read.map_err(|e| unreadable(&e))
}

/// Leaves that memory to the next light.
pub fn give_back(image: Image) {
    MEMORY.set(image.into_memory());
}

fn measure_light(path: &Path, settings: &Settings) -> Result<Looked, LeftOut> {
    let mut image = read_light(path)?;
    let hot_ratio = ratio(&image.planes[0], &settings.hot);
    image.planes = image.planes.into_iter().map(|plane| undefine(plane, &settings.defects)).collect();
    // Of a colour cube the middle plane is measured, the green one by custom.
    let plane = &image.planes[image.planes.len() / 2];
    let (lattice, pattern_overruled) = Mosaic::lattice(settings.cfa.as_ref(), plane);
    let options = MeasureOptions {
        lattice,
        e_per_adu: settings.e_per_adu,
        saturation_adu: settings.saturation_adu,
        diffraction: settings.diffraction,
    };
    let stars = measure(plane, &options).ok_or(LeftOut::TooFewValidPixels)?;
    let width_of = |other: &Pixels| {
        if std::ptr::eq(other, plane) {
            return stars.fwhm_px.clone();
        }
        let unknown = || Quantity::not_measurable(NightMissing::PlaneWithoutValidPixels);
        measure(other, &options).map_or_else(unknown, |stars| stars.fwhm_px)
    };
    let plane_fwhm_px = if image.planes.len() > 1 { image.planes.iter().map(width_of).collect() } else { Vec::new() };
    // A cube's planes are made of a mosaic's pixels, or of several frames.
    let noise = if image.planes.len() > 1 { Vec::new() } else { noise_of_frame(plane, lattice) };
    let correlation = noise_correlation(plane, lattice);
    let looked = Looked { stars, plane_fwhm_px, correlation, noise, hot_ratio, pattern_overruled };
    give_back(image);
    Ok(looked)
}

/// Pixels of a light that would look like something in the sky: those whose excess charge stands out from read noise, by the
/// darks, else those that lights tell.
///
/// A hot pixel of a light is never a star and never part of one: it is taken as undefined.
fn defects_in(sensor: &MeasuredSensor, read: &Read) -> Vec<u32> {
    let Some(map) = sensor.defects_at(read.header.celsius().map(|(c, _)| c)) else {
        let standing = sensor.standing.get(&read.header.exposure_ms()).filter(|_| read.window.is_none());
        return standing.cloned().unwrap_or_default();
    };
    let (g, whole) = (read.geometry, [map.width, map.height]);
    let corner = match read.window {
        Some(window) => window.corner,
        None => ([g.width, g.height] == whole).then_some([0, 0]),
    };
    let (Some(seconds), Some([left, first])) = (read.header.dark_seconds(), corner) else {
        return Vec::new();
    };
    let noise = sensor.result.read_noise_adu.value.unwrap_or(0.0);
    let stands_out = |d: &&Defect| f64::from(d.excess_adu_per_s) * seconds > DEFECT_NOISE_SIGMAS * noise;
    let within = |d: &Defect| {
        let (x, y) = (d.index as usize % map.width, d.index as usize / map.width);
        let (x, y) = (x.checked_sub(left)?, y.checked_sub(first)?);
        (x < g.width && y < g.height).then_some((y * g.width + x) as u32)
    };
    map.defects.iter().filter(stands_out).filter_map(within).collect()
}

/// Hot pixels that tell how warm a light without a temperature was.
fn thermometer(sensor: &MeasuredSensor, read: &Read) -> Vec<Expected> {
    let map = sensor.defects_at(None).filter(|m| [m.width, m.height] == [read.geometry.width, read.geometry.height]);
    match (read.header.celsius(), map, read.header.dark_seconds()) {
        (None, Some(map), Some(seconds)) => expected(map, seconds, sensor.result.read_noise_adu.value.unwrap_or(0.0)),
        _ => Vec::new(),
    }
}

/// Why a light says nothing by itself.
fn unusable(stars: &FrameStars) -> Option<LeftOut> {
    if stars.defocused {
        return Some(LeftOut::Defocused);
    }
    if !stars.fwhm_px.is_known() {
        return Some(LeftOut::StarsNotMeasurable { because: stars.fwhm_px.because() });
    }
    None
}
