//! Dark current and its law on simulated series whose truth is known.

use skygrain::fits::ImageFile;
use skygrain::folder::Rig;
use skygrain::night::{NightInput, Scope, run};
use skygrain::report::InWords;
use skygrain::sensor::{CalibrationFrame, SensorHints, SensorResult, characterise};
use skygrain::simulate::{DarkLaw, DarkSeries, Detector, HeaderCard, write_frame, write_series};

use super::dark_trials::{Trial, summary, trial};

const GAIN: f64 = 0.8;
const LAW: DarkLaw = DarkLaw { rate_e_per_px_s: 0.2, reference_celsius: 0.0, activation_ev: 0.7 };

fn series(seed: u64) -> DarkSeries {
    DarkSeries {
        detector: Detector { seed, gain_e_per_adu: GAIN, dark_scatter: 0.05, ..Detector::even(192, 192) },
        law: LAW,
        seed,
        celsius: vec![-10.0, 0.0, 10.0],
        biases: 4,
        exposures_s: vec![60.0, 300.0, 60.0, 300.0],
        drift_celsius: 0.0,
        wander_adu: 0.05,
    }
}

fn measured(series: &DarkSeries) -> SensorResult {
    let folder = tempfile::tempdir().unwrap();
    let frame = |f: skygrain::simulate::SeriesFrame| CalibrationFrame {
        path: f.path,
        kind: f.kind,
        exposure_s: Some(f.exposure_s),
        celsius: Some(f.celsius),
        filter: None,
    };
    let frames: Vec<CalibrationFrame> = write_series(folder.path(), series).unwrap().into_iter().map(frame).collect();
    let hints = SensorHints { rig_gain_e_per_adu: Some(GAIN), ..SensorHints::default() };
    characterise(&frames, &hints, &|_| {}).result
}

#[test]
fn rates_and_doubling_steps_of_many_cameras_are_unbiased_and_their_errors_hold() {
    const CAMERAS: u64 = 40;
    /// Three standard errors of a share of 0.683 among 40.
    const COVERED_WITHIN: f64 = 0.22;
    /// Beyond this a bias would be one, C and relative; three of the errors of the mean are allowed beside it.
    const RATE: f64 = 0.01;
    const STEP_C: f64 = 0.3;
    let trials: Vec<Trial> = (0..CAMERAS).map(trial).collect();
    let rate = summary(trials.iter().map(|t| (t.relative_rate_error, t.relative_rate_sigma)));
    let step = summary(trials.iter().filter_map(|t| t.step));
    assert!(trials.iter().any(|t| t.rate < 0.002) && trials.iter().any(|t| t.rate > 1.0), "the range is covered");
    println!("{rate:?}\n{step:?}");
    assert!(rate.bias.abs() < RATE + 3.0 * rate.bias_sigma, "{rate:?}");
    assert!(step.bias.abs() < STEP_C && step.n > 20, "{step:?}");
    for covered in [rate.covered, step.covered] {
        assert!((covered - 0.683).abs() < COVERED_WITHIN, "{rate:?} {step:?}");
    }
}

// Truth by construction: the sensor cools by 6 C while its darks are taken, and every header gives its own temperature.
#[test]
fn a_sensor_that_drifts_by_six_degrees_gives_its_law_frame_by_frame() {
    const SEEDS: u64 = 6;
    let mut pulls = Vec::new();
    for seed in 0..SEEDS {
        let drifting = DarkSeries {
            celsius: vec![18.0],
            biases: 6,
            // Longest first, as many people take them: exposure and temperature go together.
            exposures_s: [300.0; 8].into_iter().chain([150.0; 8]).chain([60.0; 8]).collect(),
            drift_celsius: -6.0,
            ..series(40 + seed)
        };
        let dark = measured(&drifting).dark_current;
        let (step, sigma) = dark.doubling_celsius.pair().unwrap();
        let truth = LAW.doubling_at(dark.reference_celsius.unwrap());
        println!("{step:.2} +- {sigma:.2}, true {truth:.2}");
        pulls.push((step - truth) / sigma);
        // A fifth of the step is what an observer wants to know it to.
        assert!(sigma < 0.2 * truth, "{step} +- {sigma}");
    }
    let rms = (pulls.iter().map(|p| p * p).sum::<f64>() / SEEDS as f64).sqrt();
    // Six pulls of unit errors have an rms below 1.93 in 999 of 1000 cases (chi-squared).
    assert!(rms < 1.93, "{pulls:?}");
}

#[test]
fn a_law_beyond_its_range_says_so_and_is_less_sure() {
    let dark = measured(&series(3)).dark_current;
    let (inside, beyond) = (dark.rate_at(-5.0), dark.rate_at(-25.0));
    let relative = |q: &skygrain::facts::Quantity| q.sigma.unwrap() / q.value.unwrap();
    assert!(inside.remark().is_none() && beyond.remark().unwrap().contains("15.0 C beyond"), "{beyond:?}");
    assert!(relative(&beyond) > 3.0 * relative(&inside), "{inside:?} {beyond:?}");
    assert!((beyond.value.unwrap() - LAW.rate_at(-25.0)).abs() < 2.0 * beyond.sigma.unwrap(), "{beyond:?}");
}

#[test]
fn mean_and_variance_stand_side_by_side_at_each_temperature() {
    let dark = measured(&series(4)).dark_current;
    assert_eq!(dark.points.len(), 3);
    for point in &dark.points {
        let truth = LAW.rate_at(point.celsius);
        for rate in [&point.rate_e_per_px_s, &point.variance_rate_e_per_px_s] {
            let (value, sigma) = rate.pair().unwrap();
            // Six values: one in 2000 lies four errors off.
            assert!((value - truth).abs() < 4.0 * sigma, "{point:?}");
        }
    }
}

/// Frames of `folder` with the temperature cards of their headers replaced.
fn with_cards(folder: &std::path::Path, celsius: f64, seed: u64, cards: &[HeaderCard]) {
    let plain = tempfile::tempdir().unwrap();
    let stop = DarkSeries { celsius: vec![celsius], ..series(seed) };
    for frame in write_series(plain.path(), &stop).unwrap() {
        let plane = ImageFile::open(&frame.path).unwrap().pixels().unwrap().planes.remove(0);
        let (h, w) = plane.dim();
        let image = ndarray::Array2::from_shape_fn((h, w), |(y, x)| plane.at(x, y) as u16);
        let own = [
            HeaderCard::text("IMAGETYP", frame.kind.label(), ""),
            HeaderCard::text("INSTRUME", "Bench Camera", ""),
            HeaderCard::real("EXPTIME", frame.exposure_s, "s"),
        ];
        let path = folder.join(format!("{seed}-{}", frame.path.file_name().unwrap().to_string_lossy()));
        write_frame(&path, &image, &[&own[..], cards].concat()).unwrap();
    }
}

// Failures restated from public issue trackers: kelvin, a set-point alone, a unit in the text, and no temperature at all.
#[test]
fn kelvin_set_points_and_missing_temperatures_find_their_place() {
    let folder = tempfile::tempdir().unwrap();
    let frames = folder.path().join("frames");
    std::fs::create_dir(&frames).unwrap();
    with_cards(&frames, -10.0, 1, &[HeaderCard::real("CCD-TEMP", 263.15, "")]);
    with_cards(&frames, 0.0, 2, &[HeaderCard::real("SET-TEMP", 0.0, "")]);
    with_cards(&frames, 10.0, 3, &[HeaderCard::text("DET-TEMP", "10.0 C", "")]);
    with_cards(&frames, 5.0, 4, &[]);
    let rig = Rig { gain_e_per_adu: Some(GAIN), ..Rig::default() };
    let input = NightInput { folders: vec![frames], out: folder.path().join("report"), rig, stars: false };
    let report = run(&input, Scope::Sensor, &|_, _, _| {}).unwrap();
    let sensor = &report.sensors[0].result;
    let at: Vec<f64> = sensor.dark_current.points.iter().map(|p| (p.celsius * 10.0).round() / 10.0).collect();
    assert_eq!(at, [-10.0, 0.0, 10.0], "the darks without a temperature are no point of the law");
    let (step, sigma) = sensor.dark_current.doubling_celsius.pair().unwrap();
    assert!((step - LAW.doubling_at(0.0)).abs() < 4.0 * sigma.max(0.05), "{step} +- {sigma}");
    assert_eq!(sensor.frames.dark, 16);
    assert_eq!(sensor.pixel_dark_rates.iter().filter(|p| p.celsius.is_none()).count(), 1);
}
