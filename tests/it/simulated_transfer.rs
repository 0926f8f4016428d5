//! Photon transfer on simulated flats whose truth is known: ladders of levels, curvature, full pixels, flickering lamps,
//! dust, levels that differ; and gain and read noise of many small cameras.

use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, Normal, Poisson};
use rand_xoshiro::Xoshiro256PlusPlus;
use skygrain::folder::FrameKind;
use skygrain::report::InWords;
use skygrain::sensor::{CalibrationFrame, SensorHints, SensorOutcome, SensorResult, characterise};
use skygrain::simulate::{SmallCamera, Tally, write_frame};
use tempfile::TempDir;

const GAIN: f64 = 0.8;
const READ_E: f64 = 4.0;
const BIAS_ADU: f64 = 1000.0;
const SIDE: usize = 256;
const PIXELS: usize = SIDE * SIDE;

/// Bias pairs and what flats a test adds.
struct Lab {
    folder: TempDir,
    rng: Xoshiro256PlusPlus,
    frames: Vec<CalibrationFrame>,
    response: Vec<f64>,
}

impl Lab {
    /// A camera whose pixels' response scatters by `prnu`.
    fn new(seed: u64, prnu: f64) -> Self {
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed);
        let law = Normal::new(1.0, prnu.max(1e-12)).unwrap();
        let response = (0..PIXELS).map(|_| law.sample(&mut rng)).collect();
        let mut lab = Self { folder: tempfile::tempdir().unwrap(), rng, frames: Vec::new(), response };
        for _ in 0..3 {
            lab.write(FrameKind::Bias, 0.0, |_, _| 0.0);
        }
        lab
    }

    /// Writes a frame of the charge `electrons(lab, pixel)`, noise of light included.
    fn write(&mut self, kind: FrameKind, seconds: f64, mut electrons: impl FnMut(&mut Self, usize) -> f64) {
        let read = Normal::new(0.0, READ_E).unwrap();
        let codes: Vec<u16> = (0..PIXELS)
            .map(|i| {
                let charge = electrons(self, i) + read.sample(&mut self.rng);
                (BIAS_ADU + charge / GAIN).round().clamp(0.0, 65_535.0) as u16
            })
            .collect();
        let path = self.folder.path().join(format!("{:03}.fits", self.frames.len()));
        write_frame(&path, &ndarray::Array2::from_shape_vec((SIDE, SIDE), codes).unwrap(), &[]).unwrap();
        self.frames.push(CalibrationFrame { path, kind, exposure_s: Some(seconds), celsius: None, filter: None });
    }

    /// A flat of the mean charge `light(pixel)`.
    fn flat(&mut self, seconds: f64, light: impl Fn(usize) -> f64) {
        self.write(FrameKind::Flat, seconds, |lab, i| {
            Poisson::new(light(i) * lab.response[i]).unwrap().sample(&mut lab.rng)
        });
    }

    fn measure(&self) -> SensorOutcome {
        characterise(&self.frames, &SensorHints::default(), &|_| {})
    }
}

fn codes(outcome: &SensorOutcome) -> Vec<&'static str> {
    outcome.cautions.iter().map(|c| c.about.code()).collect()
}

/// Asserts the gain to four of its stated errors, which are below `error`.
fn assert_gain(outcome: &SensorOutcome, error: f64) {
    let (gain, sigma) = outcome.result.gain_e_per_adu.pair().expect("a gain");
    assert!((gain - GAIN).abs() < 4.0 * sigma && sigma < error * GAIN, "{:?}", outcome.result.gain_e_per_adu);
}

#[test]
fn a_ladder_of_flats_gives_gain_prnu_and_no_curvature_where_there_is_none() {
    let mut lab = Lab::new(1, 0.012);
    for electrons in [2_000.0, 6_000.0, 15_000.0, 30_000.0] {
        for _ in 0..2 {
            lab.flat(electrons, |_| electrons);
        }
    }
    let outcome = lab.measure();
    assert!(outcome.cautions.is_empty(), "steps of a ladder are no fault: {:?}", outcome.cautions);
    assert_gain(&outcome, 0.01);
    let fit = outcome.result.photon_transfer_fit.unwrap();
    let (curvature, sigma) = fit.curvature_per_adu.pair().unwrap();
    assert!(curvature.abs() < 4.0 * sigma, "{:?}", fit.curvature_per_adu);
    // Without light: read noise and rounding.
    let dark = (READ_E / GAIN).powi(2) + 1.0 / 12.0;
    let (intercept, sigma) = fit.intercept_adu2.pair().unwrap();
    assert!((intercept - dark).abs() < 4.0 * sigma, "{:?}", fit.intercept_adu2);
    assert!((fit.dark_variance_adu2 / dark - 1.0).abs() < 0.02);
    assert!((0.8..1.2).contains(&fit.chi2_per_degree), "{}", fit.chi2_per_degree);
    assert!(fit.full_well_adu.value.is_none());
    assert_eq!(outcome.result.photon_transfer.len(), 4);
    // 65 536 pixels give a scatter to 0.28 %, shot noise in a pair adds as much.
    let prnu = outcome.result.prnu[0].fraction.value.unwrap();
    assert!((prnu / 0.012 - 1.0).abs() < 0.015, "{:?}", outcome.result.prnu);
}

#[test]
fn charge_that_spreads_as_pixels_fill_is_a_curvature_and_not_an_error_of_the_gain() {
    /// Signal at which no shot noise would be left, ADU: variances 10 % short at half of the 16 bits.
    const SPREAD_ADU: f64 = 3.0e5;
    let pulls: Vec<[f64; 2]> = (0..10)
        .map(|seed| {
            let mut lab = Lab::new(100 + seed, 0.01);
            for electrons in [3_000.0f64, 12_000.0, 30_000.0] {
                for _ in 0..2 {
                    let kept = (1.0 - electrons / GAIN / SPREAD_ADU).sqrt();
                    lab.write(FrameKind::Flat, electrons, |lab, i| {
                        let mean = electrons * lab.response[i];
                        mean + kept * (Poisson::new(mean).unwrap().sample(&mut lab.rng) - mean)
                    });
                }
            }
            let result = lab.measure().result;
            let fit = result.photon_transfer_fit.unwrap();
            let (k, sigma) = fit.curvature_per_adu.pair().unwrap();
            let (gain, error) = result.gain_e_per_adu.pair().unwrap();
            [(k + 1.0 / SPREAD_ADU) / sigma, (gain - GAIN) / error]
        })
        .collect();
    for i in 0..2 {
        // Ten unit pulls: their mean within three of its errors, 3 / sqrt 10; spread as chi-squared of 10 to 0.1 % a side.
        let mean = pulls.iter().map(|p| p[i]).sum::<f64>() / 10.0;
        let spread = (pulls.iter().map(|p| p[i] * p[i]).sum::<f64>() / 10.0).sqrt();
        assert!(mean.abs() < 0.95 && (0.38..1.72).contains(&spread), "{mean} {spread} {pulls:?}");
    }
}

#[test]
fn full_pixels_end_the_curve_and_leave_the_gain_alone() {
    const FULL_WELL_E: f64 = 24_000.0;
    let mut lab = Lab::new(3, 0.01);
    let well = Normal::new(FULL_WELL_E, 300.0).unwrap();
    let wells: Vec<f64> = (0..PIXELS).map(|_| well.sample(&mut lab.rng)).collect();
    for electrons in [2_000.0f64, 5_000.0, 10_000.0, 16_000.0, 20_000.0, 22_500.0, 28_000.0, 34_000.0] {
        for _ in 0..2 {
            lab.write(FrameKind::Flat, electrons, |lab, i| {
                let mean = electrons * lab.response[i];
                Poisson::new(mean).unwrap().sample(&mut lab.rng).min(wells[i])
            });
        }
    }
    let outcome = lab.measure();
    assert_gain(&outcome, 0.01);
    let fit = outcome.result.photon_transfer_fit.unwrap();
    let full = fit.full_well_e.value.unwrap();
    // Between the last free level and the first that is full: 22 500 and 24 000 e-, and a bin is 10 % wide.
    assert!((21_000.0..25_500.0).contains(&full), "{:?}", fit.full_well_adu);
    assert!(fit.range_adu[1] * GAIN < 20_000.0, "{:?}", fit.range_adu);
}

/// Light of an alternating lamp through a rolling shutter: rows swing by `depth` about the mean.
fn flicker(depth: f64, phase: f64) -> impl Fn(usize) -> f64 {
    move |i| 1.0 + depth * (std::f64::consts::TAU * (i / SIDE) as f64 / 37.0 + phase).sin()
}

#[test]
fn a_flickering_lamp_is_named_and_its_bands_do_not_reach_the_gain() {
    for (depth, named) in [(0.0, false), (0.005, true), (0.05, true)] {
        let mut lab = Lab::new(4, 0.01);
        for k in 0..4 {
            let rows = flicker(depth, 1.9 * f64::from(k));
            lab.flat(1.0, |i| 20_000.0 * rows(i));
        }
        let outcome = lab.measure();
        assert_eq!(codes(&outcome).contains(&"flat-flicker"), named, "{depth}: {:?}", outcome.cautions);
        assert_gain(&outcome, 0.01);
    }
}

#[test]
fn dust_that_stays_and_dust_that_moves_do_not_reach_the_gain() {
    let dust = |i: usize, shift: f64| {
        let (x, y) = ((i % SIDE) as f64, (i / SIDE) as f64);
        let shadow = |cx: f64, cy: f64, r: f64| if (x - cx - shift).hypot(y - cy) < r { 0.15 } else { 0.0 };
        1.0 - shadow(60.0, 80.0, 12.0) - shadow(170.0, 120.0, 20.0) - shadow(100.0, 210.0, 8.0)
    };
    for shift in [0.0, 9.0] {
        let mut lab = Lab::new(5, 0.01);
        // The second flat is dimmer too.
        lab.flat(1.0, |i| 25_000.0 * dust(i, 0.0));
        lab.flat(1.0, |i| 23_500.0 * dust(i, shift));
        let outcome = lab.measure();
        assert!(outcome.cautions.is_empty(), "{:?}", outcome.cautions);
        assert_gain(&outcome, 0.015);
    }
}

#[test]
fn flats_that_are_no_pair_are_refused_by_name() {
    let mut lab = Lab::new(6, 0.01);
    lab.flat(1.0, |_| 30_000.0);
    lab.flat(1.0, |_| 10_000.0);
    let gain = lab.measure().result.gain_e_per_adu;
    assert!(gain.value.is_none() && gain.why().contains("differ in level by a factor of 3.0"), "{gain:?}");
    // A copy makes no pair either.
    let mut lab = Lab::new(7, 0.01);
    lab.flat(1.0, |_| 30_000.0);
    let copy = lab.folder.path().join("copy.fits");
    let original = lab.frames.last().unwrap().clone();
    std::fs::copy(&original.path, &copy).unwrap();
    lab.frames.push(CalibrationFrame { path: copy, ..original });
    let outcome = lab.measure();
    assert_eq!(codes(&outcome), ["identical-frames"]);
    assert!(outcome.result.gain_e_per_adu.value.is_none());
}

#[test]
fn flats_hardly_brighter_than_the_read_noise_are_refused_by_name() {
    let mut lab = Lab::new(8, 0.0);
    for _ in 0..2 {
        lab.flat(1.0, |_| 0.4);
    }
    let gain = lab.measure().result.gain_e_per_adu;
    assert!(gain.value.is_none() && gain.why().contains("brighter flats"), "{gain:?}");
}

/// Stars of FWHM 3.5 px: `count` over the frame, of that mean charge, shifted from frame to frame.
fn stars(seed: u64, count: usize, mean_e: f64, shift: f64) -> Vec<f64> {
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed);
    let mut light = vec![0.0; PIXELS];
    let sigma = 3.5 / 2.354_820_045;
    for _ in 0..count {
        let mut even = || rng.random::<f64>();
        let (x, y) = (even() * SIDE as f64 + shift, even() * SIDE as f64 - 0.6 * shift);
        // Charges even in their logarithm over a factor of 100, mean `mean_e`.
        let charge = mean_e * 100f64.powf(even()) * 100f64.ln() / 99.0;
        let (cx, cy) = (x.round() as i64, y.round() as i64);
        for py in (cy - 8).max(0)..(cy + 9).min(SIDE as i64) {
            for px in (cx - 8).max(0)..(cx + 9).min(SIDE as i64) {
                let r2 = (px as f64 - x).powi(2) + (py as f64 - y).powi(2);
                light[py as usize * SIDE + px as usize] +=
                    charge / (std::f64::consts::TAU * sigma * sigma) * (-0.5 * r2 / (sigma * sigma)).exp();
            }
        }
    }
    light
}

#[test]
fn without_flats_the_sky_of_lights_gives_the_gain_and_is_called_so() {
    let mut lab = Lab::new(9, 0.01);
    for k in 0..4 {
        let light = stars(90, 60, 20_000.0, 2.5 * f64::from(k));
        let sky = 900.0 + 20.0 * f64::from(k);
        lab.write(FrameKind::Light, 120.0, |lab, i| {
            Poisson::new((sky + light[i]) * lab.response[i]).unwrap().sample(&mut lab.rng)
        });
    }
    let outcome = lab.measure();
    let gain = &outcome.result.gain_e_per_adu;
    assert_gain(&outcome, 0.04);
    assert!(gain.how().contains("lights") && gain.remark().unwrap().contains("not flats"), "{gain:?}");
    // Flats are better, and are used where there are some.
    for _ in 0..2 {
        lab.flat(1.0, |_| 20_000.0);
    }
    assert!(!lab.measure().result.gain_e_per_adu.how().contains("lights"));
}

#[test]
fn a_field_full_of_faint_stars_gives_no_gain_and_says_why() {
    let mut lab = Lab::new(10, 0.01);
    for k in 0..4 {
        let light = stars(91, 9_000, 2_000.0, 2.5 * f64::from(k));
        lab.write(FrameKind::Light, 120.0, |lab, i| {
            Poisson::new((900.0 + light[i]) * lab.response[i]).unwrap().sample(&mut lab.rng)
        });
    }
    let gain = lab.measure().result.gain_e_per_adu;
    assert!(gain.value.is_none() && gain.why().contains("stars too faint to tell"), "{gain:?}");
}

#[test]
fn four_amplifiers_are_told_apart() {
    const GAINS: [f64; 4] = [0.80, 0.84, 0.76, 0.80];
    let quadrant = |i: usize| usize::from(i % SIDE >= SIDE / 2) + 2 * usize::from(i / SIDE >= SIDE / 2);
    let mut lab = Lab::new(11, 0.01);
    for k in 0..8 {
        let level = [8_000.0, 30_000.0][k / 4];
        lab.write(FrameKind::Flat, level, |lab, i| {
            // Charge in units of the writer's gain.
            Poisson::new(level * lab.response[i]).unwrap().sample(&mut lab.rng) * GAIN / GAINS[quadrant(i)]
        });
    }
    let outcome = lab.measure();
    assert!(codes(&outcome).contains(&"several-amplifiers"), "{:?}", outcome.cautions);
    let amplifiers = &outcome.result.amplifiers;
    assert_eq!(amplifiers.len(), 4);
    for (a, truth) in amplifiers.iter().zip(GAINS) {
        let (gain, sigma) = a.gain_e_per_adu.pair().unwrap();
        assert!((gain - truth).abs() < 4.0 * sigma && sigma < 0.02 * truth, "{a:?}");
    }
}

// Gain and read noise of one CMOS camera at four gain settings (0, 50, 99 and 100), read off the legend of a figure in a
// summer-school notebook of the Observatoire de Haute-Provence, 2023 (ptc.ipynb, commit 541540b).
#[test]
fn a_published_camera_comes_back_at_four_gain_settings() {
    for (i, (gain, read_e)) in [(0.77, 3.77), (0.44, 3.77), (0.25, 3.66), (0.25, 2.02)].into_iter().enumerate() {
        let camera = SmallCamera {
            gain_e_per_adu: gain,
            read_noise_adu: read_e / gain,
            pedestal_adu: 500.0,
            step: 1,
            ..SmallCamera::draw(i as u64, 5, 256)
        };
        let result = measured(&camera);
        for (got, want) in [(&result.gain_e_per_adu, gain), (&result.read_noise_e, read_e)] {
            let (value, sigma) = got.pair().unwrap();
            assert!((value - want).abs() < 4.0 * sigma && sigma < 0.012 * want, "{gain}: {got:?}");
        }
    }
}

fn measured(camera: &SmallCamera) -> SensorResult {
    let folder = tempfile::tempdir().unwrap();
    let files = camera.write(folder.path()).unwrap();
    let of = |kind: FrameKind| {
        move |path: std::path::PathBuf| CalibrationFrame { path, kind, exposure_s: None, celsius: None, filter: None }
    };
    let biases = files.biases.into_iter().map(of(FrameKind::Bias));
    let frames: Vec<CalibrationFrame> = biases.chain(files.flats.into_iter().map(of(FrameKind::Flat))).collect();
    characterise(&frames, &SensorHints::default(), &|_| {}).result
}

/// The whole Monte Carlo is `cargo bench --bench sensor_accuracy`; this is a tenth of it.
#[test]
fn gain_and_read_noise_of_small_cameras_are_unbiased_and_their_errors_hold() {
    const CAMERAS: u64 = 60;
    /// Mean relative error: gains are known to 1 % each, so that the mean of sixty is to 0.15 %.
    const BIAS: f64 = 0.01;
    /// 68 % of sixty is known to 6 %: three of these errors.
    const COVERAGE: std::ops::RangeInclusive<f64> = 0.50..=0.86;
    let [mut gain, mut read, mut prnu] = [(); 3].map(|()| Tally::default());
    for number in 0..CAMERAS {
        let camera = SmallCamera::draw(77, number, 192);
        let result = measured(&camera);
        gain.relative(result.gain_e_per_adu.pair(), camera.gain_e_per_adu);
        read.relative(result.read_noise_adu.pair(), camera.read_noise_adu);
        prnu.relative(result.prnu.first().and_then(|p| p.fraction.pair()), camera.prnu);
    }
    // Vignetting of 20 % must not look like PRNU.
    assert!(prnu.missing() == 0 && prnu.bias().0.abs() < 0.005, "{:?}", prnu.bias());
    for (name, tally) in [("gain", &gain), ("read noise", &read)] {
        println!("{name}: {}", tally.markdown());
        assert_eq!(tally.missing(), 0, "{name}");
        assert!(tally.bias().0.abs() < BIAS, "{name}: {:?}", tally.bias());
        assert!(COVERAGE.contains(&tally.coverage().0), "{name}: {:?}", tally.coverage());
        // The mean of sixty unit pulls is 0 to 0.13.
        assert!(tally.mean_pull().abs() < 0.45, "{name}: {}", tally.mean_pull());
    }
}
