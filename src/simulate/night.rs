//! A whole night of the invented rig on disk, with the truth behind it.

use std::path::{Path, PathBuf};

use serde::Serialize;

use super::field::{PointSource, expose, scatter};
use super::plan::{CURVATURE, GUIDING, Planned, RADIAL, Session, Sight, TILT, plan, sessions};
use super::{DarkLaw, Detector, FrameRecipe, FrameTruth, SimulateError, mix, render, rig, write_frame};
use crate::stats::median;
use crate::units::ARCSEC_PER_RADIAN;

/// Sub-seeds of the night.
const DETECTOR_SEED: u64 = 1;
const FIELD_SEED: u64 = 2;
const PLAN_SEED: u64 = 3;
const FRAME_SEEDS: u64 = 4;

/// What is true of one light frame.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LightTruth {
    /// Path below the night's folder.
    pub path: PathBuf,
    /// What was done to it: `trailed`, `clouded`, or nothing.
    pub fault: Option<&'static str>,
    /// True sensor temperature, degrees Celsius.
    pub celsius: f64,
    /// Median over the stars in the frame of the geometric mean of both widths before the pixel, px.
    pub fwhm_px: f64,
    /// Median over the stars in the frame of 1 - minor/major.
    pub ellipticity: f64,
    /// Sky, mean over the frame with its vignetting, e- per px and s.
    pub sky_e_per_px_s: f64,
    /// Dark current of an ordinary pixel, e- per px and s.
    pub dark_e_per_px_s: f64,
    /// Stars whose centre lies in the frame.
    pub star_count: usize,
}

/// What is true of one session. Medians run over all its frames, each of which is a median over the stars in it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SessionTruth {
    /// Filter.
    pub filter: String,
    /// Exposure, s.
    pub exposure_s: f64,
    /// Geometric mean of both widths before the pixel blurs the star, px.
    pub fwhm_px: f64,
    /// The same on the sky, arcsec.
    pub fwhm_arcsec: f64,
    /// 1 - minor/major.
    pub ellipticity: f64,
    /// Sky, mean over the frame with its vignetting, e- per px and s.
    pub sky_e_per_px_s: f64,
    /// Dark current of an ordinary pixel, e- per px and s.
    pub dark_e_per_px_s: f64,
    /// Sensor temperature, degrees Celsius.
    pub celsius: f64,
    /// Its frames in order of time.
    pub frames: Vec<LightTruth>,
}

/// What is true of the night.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct NightTruth {
    /// Conversion gain, e- per ADU.
    pub gain_e_per_adu: f64,
    /// Read noise, e- rms.
    pub read_noise_e: f64,
    /// Level without charge, ADU.
    pub bias_level_adu: f64,
    /// Dark current of an ordinary pixel against temperature; other pixels scatter about it.
    pub dark_law: DarkLaw,
    /// Its doubling step at the reference temperature, degrees Celsius.
    pub doubling_celsius: f64,
    /// Share of hot pixels, whose dark current is at least `hot_least_factor` times an ordinary one's.
    pub hot_pixel_fraction: f64,
    /// Least multiple of a hot pixel.
    pub hot_least_factor: f64,
    /// Image scale, arcsec per px.
    pub image_scale_arcsec_per_px: f64,
    /// Gradient of the width at the centre and its growth from there to a corner, % per half diagonal.
    pub widening_one_side_percent: f64,
    pub widening_corner_percent: f64,
    /// Ellipticity that all stars share, and the radial one at a corner; faulty frames differ.
    pub guiding_ellipticity: f64,
    pub radial_ellipticity: f64,
    /// Illumination of the corners over that of the centre.
    pub corner_illumination: f64,
    /// Number of files written.
    pub files: usize,
    /// Sessions in order of time.
    pub sessions: Vec<SessionTruth>,
    /// The detector with its hot pixels.
    #[serde(skip)]
    pub detector: Detector,
}

/// Writes the night's frames into `dir`, in folders `lights`, `flats`, `bias` and `darks`, and returns the truth.
///
/// `progress` is called with the number of frames written and of all frames. The same seed writes the same bytes.
///
/// # Errors
///
/// `dir` holds anything, or cannot be written. Frames written before a failure stay.
pub fn write_night(
    dir: &Path,
    seed: u64,
    progress: &(dyn Fn(usize, usize) + Sync),
) -> Result<NightTruth, SimulateError> {
    make_empty(dir)?;
    let detector = rig::detector(mix(seed, DETECTOR_SEED));
    let sources = scatter(&rig::FIELD, mix(seed, FIELD_SEED));
    let plan = plan(mix(seed, PLAN_SEED));
    let mut lights: [Vec<LightTruth>; 2] = [Vec::new(), Vec::new()];
    for (i, frame) in plan.iter().enumerate() {
        let recipe = recipe(frame, &detector, &sources, mix(mix(seed, FRAME_SEEDS), i as u64));
        let (image, truth) = render(&recipe);
        let path = dir.join(&frame.path);
        let folder = path.parent().unwrap_or(dir);
        std::fs::create_dir_all(folder).map_err(|source| SimulateError::Io { path: folder.to_owned(), source })?;
        let cards = rig::cards(frame.kind, frame.exposure_s, frame.celsius, frame.start, frame.filter);
        write_frame(&path, &image, &cards)?;
        if let Some(sight) = &frame.sight {
            lights[sight.session].push(light_truth(frame, sight, &truth));
        }
        progress(i + 1, plan.len());
    }
    let image_scale = rig::PIXEL_UM * 1e-3 / rig::FOCAL_MM * ARCSEC_PER_RADIAN;
    let sessions = sessions().iter().zip(lights).map(|(s, frames)| session_truth(s, frames, image_scale)).collect();
    Ok(NightTruth {
        gain_e_per_adu: rig::GAIN_E_PER_ADU,
        read_noise_e: rig::READ_NOISE_E,
        bias_level_adu: rig::OFFSET_ADU,
        dark_law: rig::DARK_LAW,
        doubling_celsius: rig::DARK_LAW.doubling_at(rig::DARK_LAW.reference_celsius),
        hot_pixel_fraction: rig::HOT_FRACTION,
        hot_least_factor: rig::HOT_LEAST,
        image_scale_arcsec_per_px: image_scale,
        widening_one_side_percent: 100.0 * TILT[0].hypot(TILT[1]),
        widening_corner_percent: 100.0 * CURVATURE,
        guiding_ellipticity: GUIDING,
        radial_ellipticity: RADIAL,
        corner_illumination: rig::CORNER_ILLUMINATION,
        files: plan.len(),
        sessions,
        detector,
    })
}

fn make_empty(dir: &Path) -> Result<(), SimulateError> {
    let io = |source| SimulateError::Io { path: dir.to_owned(), source };
    std::fs::create_dir_all(dir).map_err(io)?;
    match std::fs::read_dir(dir).map_err(io)?.next() {
        Some(_) => Err(SimulateError::NotEmpty { path: dir.to_owned() }),
        None => Ok(()),
    }
}

fn recipe(frame: &Planned, detector: &Detector, sources: &[PointSource], seed: u64) -> FrameRecipe {
    let mut recipe = FrameRecipe::unlit(detector.clone(), seed);
    recipe.exposure_s = frame.exposure_s;
    recipe.sky_e_per_px_s = frame.sky_e_per_px_s;
    recipe.dark_e_per_px_s = rig::DARK_LAW.rate_at(frame.celsius);
    recipe.corner_illumination = rig::CORNER_ILLUMINATION;
    if let Some(s) = &frame.sight {
        recipe.stars = expose(sources, &rig::FIELD, &s.shape, s.dither_px, s.effective_s);
    }
    recipe
}

fn light_truth(frame: &Planned, sight: &Sight, truth: &FrameTruth) -> LightTruth {
    LightTruth {
        path: frame.path.clone(),
        fault: sight.fault,
        celsius: frame.celsius,
        fwhm_px: truth.median_fwhm_px.expect("the field has stars"),
        ellipticity: truth.rms_ellipticity.expect("the field has stars"),
        sky_e_per_px_s: truth.sky_e_per_px_s,
        dark_e_per_px_s: truth.dark_e_per_px_s,
        star_count: truth.star_count,
    }
}

fn session_truth(session: &Session, frames: Vec<LightTruth>, image_scale: f64) -> SessionTruth {
    let of = |value: fn(&LightTruth) -> f64| {
        median(&frames.iter().map(value).collect::<Vec<_>>()).expect("a session has frames")
    };
    let fwhm_px = of(|f| f.fwhm_px);
    SessionTruth {
        filter: session.filter.to_owned(),
        exposure_s: session.exposure_s,
        fwhm_px,
        fwhm_arcsec: fwhm_px * image_scale,
        ellipticity: of(|f| f.ellipticity),
        sky_e_per_px_s: of(|f| f.sky_e_per_px_s),
        dark_e_per_px_s: of(|f| f.dark_e_per_px_s),
        celsius: of(|f| f.celsius),
        frames,
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use jiff::civil::DateTime;

    use super::*;
    use crate::fits::{ImageFile, Pixels};
    use crate::folder::FrameKind;

    fn bytes(dir: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
        let files = walkdir::WalkDir::new(dir).into_iter().map(|e| e.unwrap()).filter(|e| e.file_type().is_file());
        files.map(|e| (e.path().strip_prefix(dir).unwrap().to_owned(), std::fs::read(e.path()).unwrap())).collect()
    }

    fn mean_adu(path: &Path) -> f64 {
        match &ImageFile::open(path).unwrap().pixels().unwrap().planes[0] {
            Pixels::U16(p) => p.iter().map(|v| f64::from(*v)).sum::<f64>() / p.len() as f64,
            _ => panic!("a night is 16 bit"),
        }
    }

    #[test]
    fn a_night_is_complete_and_the_same_on_any_number_of_threads() {
        let write = |threads| {
            let folder = tempfile::tempdir().unwrap();
            let seen = std::sync::Mutex::new(Vec::new());
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
            let record = |done, of| seen.lock().unwrap().push((done, of));
            let truth = pool.install(|| write_night(folder.path(), 11, &record)).unwrap();
            (folder, truth, seen.into_inner().unwrap())
        };
        let (one, truth, seen) = write(1);
        let (three, again, _) = write(3);
        let files = bytes(one.path());
        assert!(files == bytes(three.path()) && truth == again);
        assert_eq!(seen, (1..=62).map(|i| (i, 62)).collect::<Vec<_>>());
        assert_eq!((files.len(), truth.files), (62, 62));
        let mut kinds = BTreeMap::new();
        for path in files.keys() {
            let mut file = ImageFile::open(&one.path().join(path)).unwrap();
            let cards = file.cards().unwrap();
            for keyword in ["EXPTIME", "CCD-TEMP", "DATE-OBS", "XPIXSZ", "INSTRUME", "GAIN", "OFFSET", "SITELONG"] {
                assert!(cards.get(keyword).is_some(), "{keyword} of {path:?}");
            }
            let kind = FrameKind::from_words(cards.text("IMAGETYP").unwrap()).unwrap();
            *kinds.entry(kind).or_insert(0) += 1;
            assert!(cards.text("DATE-OBS").unwrap().parse::<DateTime>().is_ok());
        }
        use FrameKind::{Bias, Dark, Flat, Light};
        assert_eq!(kinds, BTreeMap::from([(Light, 20), (Dark, 24), (Bias, 6), (Flat, 12)]));
        assert!(serde_json::to_string(&truth).unwrap().contains("\"gain_e_per_adu\":0.79"));
    }

    #[test]
    fn levels_of_the_night_are_those_of_its_truth() {
        let folder = tempfile::tempdir().unwrap();
        let truth = write_night(folder.path(), 5, &|_, _| {}).unwrap();
        let at = |name: &str| mean_adu(&folder.path().join(name));
        // Five standard errors of a frame's mean; its noise is 3.4 e- in ADU, and hot pixels show no charge yet.
        assert!((at("bias/bias-03.fits") - 500.0).abs() < 5.0 * 4.31 / 240_000f64.sqrt());
        // Ordinary dark plus the hot pixels' share; the sum of their factors is known.
        let hot: f64 = truth.detector.hot.iter().map(|h| h.factor - 1.0).sum::<f64>() / 240_000.0;
        let rate = truth.dark_law.rate_at(21.0);
        let dark = 500.0 + 60.0 * rate * (1.0 + hot) / 0.79;
        // The frame's own temperature scatters by 0.15 C (1.3 % of the charge); four of that.
        assert!((at("darks/21C/dark-060s-1.fits") - dark).abs() < 0.052 * (dark - 500.0));
        let flat = 500.0 + 25_000.0 * (1.0 - 0.15 / 3.0) / 0.79;
        assert!((at("flats/Clear/flat-01.fits") / flat - 1.0).abs() < 1e-3, "the response scatters by 0.008");
        let [clear, narrow] = &truth.sessions[..] else { panic!("two sessions") };
        // Seeing wanders by 5 % per frame: its median over ten by 2 %; the field's curvature and tilt add up to 5 %.
        assert!(clear.fwhm_px > 2.6 * 0.93 && clear.fwhm_px < 2.6 * 1.12, "{}", clear.fwhm_px);
        let trailed = clear.frames.iter().find(|f| f.fault == Some("trailed")).unwrap();
        assert!(trailed.ellipticity > 0.4 && clear.ellipticity < 0.1);
        let clouded = narrow.frames.iter().find(|f| f.fault == Some("clouded")).unwrap();
        assert!((clouded.sky_e_per_px_s / narrow.sky_e_per_px_s - 1.7).abs() < 1e-9);
        assert!((clear.frames[0].celsius, narrow.frames[9].celsius) == (19.0, 13.0));
        // The narrow filter is for the heat to spoil, the broad one for the sky.
        assert!(narrow.dark_e_per_px_s > narrow.sky_e_per_px_s && clear.sky_e_per_px_s > 5.0 * clear.dark_e_per_px_s);
        assert!((truth.image_scale_arcsec_per_px - 1.632930).abs() < 1e-6, "206.264806 x 3.8 / 480");
    }

    #[test]
    fn a_folder_that_holds_something_is_refused_and_left_alone() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("notes.txt"), "mine").unwrap();
        let refused = write_night(folder.path(), 1, &|_, _| {});
        assert!(matches!(refused, Err(SimulateError::NotEmpty { .. })));
        assert_eq!(bytes(folder.path()).len(), 1);
    }
}
