//! One simulated camera at a time: its darks are taken, measured, and compared with its truth.

use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;
use skygrain::sensor::{CalibrationFrame, SensorHints, characterise};
use skygrain::simulate::{DarkLaw, DarkSeries, Detector, write_series};

const SIDE: usize = 128;

/// Errors of one camera.
#[derive(Debug, Clone, Copy)]
pub struct Trial {
    /// True rate at the middle temperature, e-/px/s.
    pub rate: f64,
    /// (measured - true) / true, and the stated error over the truth.
    pub relative_rate_error: f64,
    pub relative_rate_sigma: f64,
    /// Error of the doubling step and its stated error, C; `None` where the program says that it is not measurable.
    pub step: Option<(f64, f64)>,
}

/// Errors of many cameras.
#[derive(Debug, Clone, Copy)]
pub struct Summary {
    pub n: usize,
    /// Mean error weighted by the stated ones, with its own.
    pub bias: f64,
    pub bias_sigma: f64,
    /// Share of the truths within one stated standard deviation.
    pub covered: f64,
}

/// Weighted mean of (error, stated sigma) and the share within one sigma.
pub fn summary(errors: impl Iterator<Item = (f64, f64)>) -> Summary {
    let errors: Vec<(f64, f64)> = errors.collect();
    let weight: f64 = errors.iter().map(|e| e.1.powi(-2)).sum();
    let bias = errors.iter().map(|e| e.0 * e.1.powi(-2)).sum::<f64>() / weight;
    let covered = errors.iter().filter(|e| e.0.abs() <= e.1).count() as f64 / errors.len() as f64;
    Summary { n: errors.len(), bias, bias_sigma: weight.sqrt().recip(), covered }
}

/// Takes and measures the darks of camera number `seed`: gain, read noise, step between codes, offset, rate, activation
/// energy, number and distance of the temperatures and the wander of the level are drawn from ranges of real cameras.
pub fn trial(seed: u64) -> Trial {
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(0xda2c + seed);
    let mut between = |low: f64, high: f64| low * (high / low).powf(rng.random::<f64>());
    let gain = between(0.1, 3.0);
    let code_step = [1u16, 4, 16][(between(1.0, 20.0).ln()) as usize % 3];
    // At least half a step between codes, or the noise cannot be told from the rounding.
    let gain = gain / f64::from(code_step);
    let read_adu = between(0.6, 20.0) * f64::from(code_step);
    let law =
        DarkLaw { rate_e_per_px_s: between(0.0005, 5.0), reference_celsius: 0.0, activation_ev: between(0.55, 0.8) };
    let (count, apart) = (between(2.0, 7.0) as usize, between(4.0, 8.0));
    let celsius: Vec<f64> = (0..count).map(|i| apart * (i as f64 - 0.5 * (count - 1) as f64)).collect();
    // The warmest of the long exposures half fills the 16 bits at most.
    let warmest = law.rate_at(celsius[count - 1]);
    let long = (20_000.0 * gain * 0.5 / warmest).min(600.0).round().max(2.0);
    let detector = Detector {
        seed,
        gain_e_per_adu: gain,
        read_noise_e: read_adu * gain,
        offset_adu: (6.0 * read_adu).max(200.0),
        code_step,
        dark_scatter: 0.05,
        ..Detector::even(SIDE, SIDE)
    };
    let series = DarkSeries {
        detector,
        law,
        seed: 1000 + seed,
        celsius,
        biases: 4,
        exposures_s: vec![long, long, 0.2 * long, 0.2 * long],
        drift_celsius: 0.0,
        wander_adu: 0.02 * read_adu,
    };
    let folder = tempfile::tempdir().unwrap();
    let frames: Vec<CalibrationFrame> = write_series(folder.path(), &series)
        .unwrap()
        .into_iter()
        .map(|f| CalibrationFrame {
            path: f.path,
            kind: f.kind,
            exposure_s: Some(f.exposure_s),
            celsius: Some(f.celsius),
            filter: None,
        })
        .collect();
    let hints = SensorHints { rig_gain_e_per_adu: Some(gain), ..SensorHints::default() };
    let dark = characterise(&frames, &hints, &|_| {}).result.dark_current;
    let reference = dark.reference_celsius.unwrap();
    // The rate of these very pixels: their mean differs from the ensemble's by 5 % over the root of their number.
    let mut row = vec![0.0; SIDE];
    let factors = (0..SIDE).map(|y| {
        series.detector.dark_factors(y, &mut row);
        row.iter().sum::<f64>()
    });
    let truth = series.law.rate_at(reference) * factors.sum::<f64>() / (SIDE * SIDE) as f64;
    let (rate, sigma) = dark.rate_e_per_px_s.pair().unwrap();
    let measured = dark.doubling_celsius.pair().filter(|_| dark.law.is_some());
    Trial {
        rate: series.law.rate_e_per_px_s,
        relative_rate_error: rate / truth - 1.0,
        relative_rate_sigma: sigma / truth,
        step: measured.map(|(step, sigma)| (step - series.law.doubling_at(reference), sigma)),
    }
}
