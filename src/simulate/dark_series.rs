//! Biases and darks of one camera at several temperatures, as files: the frames behind a dark current and its law.

use std::path::{Path, PathBuf};

use rand::RngExt;
use rand_distr::StandardNormal;

use super::{DarkLaw, Detector, FrameRecipe, HeaderCard, SimulateError, mix, render, stream, write_frame};
use crate::folder::FrameKind;

/// Stream of the levels that whole frames share.
const LEVEL_STREAM: u64 = 7;

/// What is taken, and with which camera.
#[derive(Debug, Clone, PartialEq)]
pub struct DarkSeries {
    pub detector: Detector,
    pub law: DarkLaw,
    /// Seed of the frames' noise.
    pub seed: u64,
    /// Temperature of each stop, degrees Celsius: all biases and darks are taken at each.
    pub celsius: Vec<f64>,
    /// Biases at each stop.
    pub biases: usize,
    /// Exposures of the darks of each stop in their order, s.
    pub exposures_s: Vec<f64>,
    /// Change of the temperature from the first to the last dark of a stop, C: a sensor without regulation.
    pub drift_celsius: f64,
    /// Standard deviation of the level that a whole frame shares, ADU.
    pub wander_adu: f64,
}

/// A frame that was written.
#[derive(Debug, Clone, PartialEq)]
pub struct SeriesFrame {
    pub path: PathBuf,
    pub kind: FrameKind,
    pub exposure_s: f64,
    /// True temperature of the sensor in this frame, which its header gives too.
    pub celsius: f64,
}

/// Writes the frames as `000.fits` and so on into `folder`, which must exist.
///
/// # Errors
///
/// A file exists or cannot be written.
pub fn write_series(folder: &Path, series: &DarkSeries) -> Result<Vec<SeriesFrame>, SimulateError> {
    let mut frames = Vec::new();
    let mut levels = stream(series.seed, LEVEL_STREAM);
    for celsius in &series.celsius {
        let darks = series.exposures_s.len();
        let drifted = |k: usize| celsius + series.drift_celsius * k as f64 / (darks.max(2) - 1) as f64;
        let biases = (0..series.biases).map(|_| (FrameKind::Bias, 0.0, *celsius));
        let darks = series.exposures_s.iter().enumerate().map(|(k, s)| (FrameKind::Dark, *s, drifted(k)));
        for (kind, exposure_s, celsius) in biases.chain(darks) {
            let level = series.wander_adu * levels.sample::<f64, _>(StandardNormal);
            let detector = Detector { offset_adu: series.detector.offset_adu + level, ..series.detector.clone() };
            let recipe = FrameRecipe {
                exposure_s,
                dark_e_per_px_s: series.law.rate_at(celsius),
                ..FrameRecipe::unlit(detector, mix(series.seed, frames.len() as u64))
            };
            let path = folder.join(format!("{:03}.fits", frames.len()));
            let cards = [
                HeaderCard::text("IMAGETYP", kind.label(), ""),
                HeaderCard::text("INSTRUME", "Bench Camera", ""),
                HeaderCard::real("EXPTIME", exposure_s, "s"),
                HeaderCard::real("CCD-TEMP", celsius, "degrees Celsius"),
            ];
            write_frame(&path, &render(&recipe).0, &cards)?;
            frames.push(SeriesFrame { path, kind, exposure_s, celsius });
        }
    }
    Ok(frames)
}
