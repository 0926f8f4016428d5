//! Lights whose noise is not that of their level: the budget is withheld, and what they look like is said.

use std::path::Path;

use ndarray::Array2;
use serde_json::Value;
use skygrain::fits::Pixels;
use skygrain::frame::Lattice;
use skygrain::simulate::{Detector, FrameRecipe, HeaderCard, SimStar, render, write_frame, write_frame_f32};
use skygrain::stars::{MeasureOptions, measure};

use crate::false_skies::scattered;
use crate::odd_images::GAIN_E_PER_ADU;
use crate::raw_fits::report;

pub const SIDE: usize = 512;
pub const LIGHTS: u64 = 6;
pub const EXPOSURE_S: f64 = 60.0;
const SKY_E_PER_PX_S: f64 = 2.0;
pub const FWHM_PX: f64 = 2.6;

/// A camera; every night of these tests has another.
pub fn camera(gain_e_per_adu: f64, offset_adu: f64, seed: u64) -> Detector {
    let even = Detector { gain_e_per_adu, offset_adu, read_noise_e: 4.0, seed, ..Detector::even(SIDE, SIDE) };
    Detector { light_scatter: 0.008, ..even }
}

pub fn cards(kind: &str, seconds: f64, number: u64) -> Vec<HeaderCard> {
    vec![
        HeaderCard::text("IMAGETYP", kind, ""),
        HeaderCard::text("INSTRUME", "Quietude", ""),
        HeaderCard::text("DATE-OBS", &format!("2031-11-02T21:{number:02}:00"), ""),
        HeaderCard::real("EXPTIME", seconds, "s"),
        HeaderCard::real("CCD-TEMP", -10.0, "C"),
        HeaderCard::real("XPIXSZ", 4.4, "um"),
        HeaderCard::real("FOCALLEN", 512.0, "mm"),
    ]
}

pub fn written(folder: &Path, kind: &str, seconds: f64, number: u64, recipe: FrameRecipe) {
    let image = render(&recipe).0;
    write_frame(&folder.join(format!("{kind}-{number}.fits")), &image, &cards(kind, seconds, number)).unwrap();
}

/// Biases, flats and darks of a camera.
pub fn write_calibration(folder: &Path, camera: &Detector) {
    for n in 0..6 {
        written(folder, "bias", 0.0, n, FrameRecipe::unlit(camera.clone(), 100 + n));
    }
    for n in 0..6 {
        let lit = FrameRecipe {
            exposure_s: 1.0,
            sky_e_per_px_s: [9_000.0, 16_000.0, 24_000.0][n as usize / 2],
            ..FrameRecipe::unlit(camera.clone(), 200 + n)
        };
        written(folder, "flat", 1.0 + (n / 2) as f64, n, lit);
    }
    for n in 0..4 {
        let dark = FrameRecipe {
            exposure_s: EXPOSURE_S,
            dark_e_per_px_s: 0.05,
            ..FrameRecipe::unlit(camera.clone(), 300 + n)
        };
        written(folder, "dark", EXPOSURE_S, n, dark);
    }
}

/// A light of some stars that move from one to the next, under a sky that falls to the corners.
pub fn light(camera: &Detector, seed: u64) -> Array2<u16> {
    let shift = |k: u64| (k % 5) as f64 * 3.3 - 6.0;
    let moved = |s: &SimStar| SimStar { x: s.x + 20.0 + shift(seed), y: s.y + 20.0 - shift(seed / 2), ..*s };
    let stars = scattered(SIDE - 60, 60, FWHM_PX, [4000.0, 80_000.0], 7).iter().map(moved).collect();
    render(&FrameRecipe {
        exposure_s: EXPOSURE_S,
        sky_e_per_px_s: SKY_E_PER_PX_S,
        dark_e_per_px_s: 0.05,
        corner_illumination: 0.6,
        stars,
        ..FrameRecipe::unlit(camera.clone(), 400 + seed)
    })
    .0
}

/// What a night's file holds.
enum Written {
    Whole(Array2<u16>),
    Real(Array2<f32>),
}

fn real(image: &Array2<u16>, of: impl Fn(f64) -> f64) -> Written {
    Written::Real(image.mapv(|v| of(f64::from(v)) as f32))
}

/// The report of a night whose lights are what `of` makes of the camera's frames; it is given a number from 0 on.
fn night(calibration: &Detector, lights: &Detector, of: impl Fn(&dyn Fn(u64) -> Array2<u16>, u64) -> Written) -> Value {
    night_of(LIGHTS, calibration, lights, of)
}

fn night_of(
    count: u64,
    calibration: &Detector,
    lights: &Detector,
    of: impl Fn(&dyn Fn(u64) -> Array2<u16>, u64) -> Written,
) -> Value {
    let folder = tempfile::tempdir().unwrap();
    write_calibration(folder.path(), calibration);
    let raw = |seed| light(lights, seed);
    for n in 0..count {
        let (path, cards) = (folder.path().join(format!("light-{n}.fits")), cards("light", EXPOSURE_S, n));
        match of(&raw, n) {
            Written::Whole(image) => write_frame(&path, &image, &cards).unwrap(),
            Written::Real(image) => write_frame_f32(&path, &image, &cards).unwrap(),
        }
    }
    report(folder.path())
}

pub fn codes(report: &Value) -> Vec<&str> {
    report["warnings"].as_array().unwrap().iter().map(|w| w["code"].as_str().unwrap()).collect()
}

fn ratio(report: &Value) -> f64 {
    report["sessions"][0]["noise_check"]["ratio"]["value"].as_f64().unwrap()
}

/// Error of a gain from six flats (1 %), in the root, with that of the lights' own noise.
const RATIO: f64 = 0.02;

#[test]
fn raw_lights_show_the_noise_of_their_budget_at_any_gain_and_offset() {
    for (gain, offset, seed) in [(0.8, 500.0, 1), (0.25, 1000.0, 2), (2.5, 150.0, 3)] {
        let camera = camera(gain, offset, seed);
        let report = night(&camera, &camera, |raw, n| Written::Whole(raw(n)));
        let check = &report["sessions"][0]["noise_check"];
        eprintln!("{check}");
        assert_eq!(check["verdict"], "explained", "{check}");
        assert!((ratio(&report) - 1.0).abs() < RATIO, "{check}");
        let of_sky = &check["gain_of_sky_e_per_adu"];
        let (told, sigma) = (of_sky["value"].as_f64().unwrap(), of_sky["sigma"].as_f64().unwrap());
        // The levels of the sky reach from 0.6 to 1: three sigma.
        assert!((told - gain).abs() < 3.0 * sigma && sigma < 0.2 * gain, "{of_sky}");
        assert!(report["sessions"][0]["noise_budget"]["sky_share"]["value"].is_f64());
        assert!(!codes(&report).iter().any(|c| c.starts_with("noise-")), "{:?}", codes(&report));
    }
}

/// A night whose budget must be withheld; what its lights look like.
fn withheld(name: &str, report: &Value) -> String {
    let session = &report["sessions"][0];
    let check = &session["noise_check"];
    eprintln!("{name}: ratio {}, {}", check["ratio"]["value"], check["sentence"].as_str().unwrap());
    assert_eq!(check["verdict"], "unexplained", "{name}: {check}");
    for of_level in
        [&session["sky_e_per_px_s"], &session["noise_budget"]["sky_share"], &session["noise_budget"]["dark_share"]]
    {
        assert!(of_level["value"].is_null(), "{name}: {of_level}");
        assert_eq!(of_level["missing"]["reason"], "noise-unexplained", "{name}: {of_level}");
    }
    for frame in report["frames"].as_array().unwrap().iter().filter(|f| f["kind"] == "light") {
        assert!(frame["sky_e_per_px_s"]["value"].is_null(), "{name}: {frame}");
    }
    let answers = report["answers"].as_array().unwrap();
    for answer in answers.iter().filter(|a| a["question"] != "sampling") {
        assert_eq!(answer["confidence"]["level"], "none", "{name}: {answer}");
    }
    assert!(codes(report).contains(&"noise-unexplained"), "{name}: {:?}", codes(report));
    check["looks_like"].as_str().unwrap().to_owned()
}

/// Widths of six lights of 60 stars, and what an image's model may add; of processed frames the processing's own as well.
const WIDTH_ERROR: f64 = 0.02;

fn keeps_its_stars(name: &str, report: &Value, want_px: f64) {
    let fwhm = &report["sessions"][0]["fwhm_px"];
    let (value, sigma) = (fwhm["value"].as_f64().unwrap_or(f64::NAN), fwhm["sigma"].as_f64().unwrap_or(f64::NAN));
    assert!((value / want_px - 1.0).abs() < WIDTH_ERROR && sigma < 0.05 * value, "{name}: {fwhm}");
}

#[test]
fn processed_lights_have_no_budget_and_keep_their_stars() {
    let camera = camera(0.8, 500.0, 4);
    let mean = |raw: &dyn Fn(u64) -> Array2<u16>, n: u64, frames: u64| {
        let sum = (0..frames).map(|k| raw(n + 10 * (k + 1)).mapv(f64::from)).reduce(|a, b| a + b).unwrap();
        sum / frames as f64
    };
    let scaled = night(&camera, &camera, |raw, n| real(&raw(n), |v| v / 65_535.0));
    assert_eq!(withheld("scaled to 0..1", &scaled), "scaled-to-one");
    keeps_its_stars("scaled to 0..1", &scaled, FWHM_PX);
    let calibrated = night(&camera, &camera, |raw, n| real(&raw(n), |v| (v - 503.75) * 1.0003));
    assert_eq!(withheld("calibrated", &calibrated), "offset-taken-off");
    keeps_its_stars("calibrated", &calibrated, FWHM_PX);
    for frames in [4, 8] {
        let averaged = night(&camera, &camera, |raw, n| Written::Real(mean(raw, n, frames).mapv(|v| v as f32)));
        assert_eq!(withheld("mean of lights", &averaged), "averaged");
        let told = ratio(&averaged).powi(-2) / frames as f64;
        assert!((told - 1.0).abs() < 0.1, "{told} of {frames} frames");
        let rounded = night(&camera, &camera, |raw, n| Written::Whole(mean(raw, n, frames).mapv(|v| v.round() as u16)));
        assert_eq!(withheld("rounded mean of lights", &rounded), "averaged");
    }
    let stretched = night(&camera, &camera, |raw, n| {
        Written::Whole(raw(n).mapv(|v| (60_000.0 * (f64::from(v) / 400.0).asinh() / 6.0).round() as u16))
    });
    withheld("stretched", &stretched);
    let moved = night(&camera, &camera, |raw, n| {
        let image = raw(n);
        let at = |x: usize, y: usize| f64::from(image[[y.min(SIDE - 1), x.min(SIDE - 1)]]);
        Written::Real(Array2::from_shape_fn((SIDE, SIDE), |(y, x)| {
            (0.25 * (at(x, y) + at(x + 1, y) + at(x, y + 1) + at(x + 1, y + 1))) as f32
        }))
    });
    assert_eq!(withheld("resampled", &moved), "resampled");
}

#[test]
fn lights_of_another_offset_or_body_than_the_calibration_frames_have_no_budget() {
    for (offset, seed) in [(200.0, 5), (900.0, 6)] {
        let calibration = camera(0.8, 500.0, seed);
        let lights = Detector { offset_adu: offset, ..calibration.clone() };
        let report = night(&calibration, &lights, |raw, n| Written::Whole(raw(n)));
        let looks = withheld("another offset", &report);
        assert!(["other-offset", "below-bias"].contains(&looks.as_str()), "{looks}");
        keeps_its_stars("another offset", &report, FWHM_PX);
    }
    for (gain, seed) in [(0.4, 7), (1.7, 8)] {
        let calibration = camera(0.8, 500.0, seed);
        let lights = Detector { gain_e_per_adu: gain, ..calibration.clone() };
        let report = night(&calibration, &lights, |raw, n| Written::Whole(raw(n)));
        let looks = withheld("another body", &report);
        assert!(["other-gain", "averaged", "untold"].contains(&looks.as_str()), "{looks}");
        keeps_its_stars("another body", &report, FWHM_PX);
    }
}

/// Frames whose sky is held against the truth: their share within one sigma is known to 5 %.
const SKIES: u64 = 90;

#[test]
fn the_error_of_a_frames_sky_holds() {
    for corner_illumination in [1.0, 0.7] {
        let camera = Detector { light_scatter: 0.0, ..camera(GAIN_E_PER_ADU, 500.0, 9) };
        let camera = Detector { width: 480, height: 360, ..camera };
        let frame = |seed: u64| {
            let stars = scattered(340, 40, FWHM_PX, [2000.0, 80_000.0], seed);
            let recipe = FrameRecipe {
                exposure_s: 1.0,
                sky_e_per_px_s: 150.0,
                corner_illumination,
                stars,
                ..FrameRecipe::unlit(camera.clone(), seed)
            };
            let options = MeasureOptions {
                lattice: Lattice::All,
                e_per_adu: Some(GAIN_E_PER_ADU),
                saturation_adu: None,
                diffraction: None,
            };
            let stars = measure(&Pixels::U16(render(&recipe).0), &options).expect("the frame has pixels");
            (stars.sky_adu, stars.sky_error_adu)
        };
        let found: Vec<(f64, f64)> = (0..SKIES).map(|n| frame(5000 + n)).collect();
        let mean = found.iter().map(|f| f.0).sum::<f64>() / SKIES as f64;
        // What faint stars and the fall to the corners do to the level, they do to all frames alike.
        let within = found.iter().filter(|(sky, error)| (sky - mean).abs() < *error).count() as f64 / SKIES as f64;
        eprintln!("corners at {corner_illumination}: {mean:.2} ADU, {:.3}, within one sigma {within:.2}", found[0].1);
        assert!((0.53..0.83).contains(&within), "{within}");
        if corner_illumination == 1.0 {
            // Faint stars between the tiles' samples lift it by a tenth of the noise at most.
            assert!((mean - 500.0 - 150.0 / GAIN_E_PER_ADU).abs() < 1.5, "{mean}");
        }
    }
}

#[test]
fn a_few_lights_of_another_kind_among_many_are_told() {
    let camera = camera(0.8, 500.0, 33);
    let folder = tempfile::tempdir().unwrap();
    write_calibration(folder.path(), &camera);
    for n in 0..8 {
        let raw = light(&camera, n);
        // Two in a row at twice the offset, as a driver that was set anew writes them: their sky is as noisy as before.
        let image = if n == 2 || n == 3 { raw.mapv(|v| v + 700) } else { raw };
        write_frame(&folder.path().join(format!("light-{n}.fits")), &image, &cards("light", EXPOSURE_S, n)).unwrap();
    }
    let report = report(folder.path());
    let check = &report["sessions"][0]["noise_check"];
    assert_eq!((&check["verdict"], &check["looks_like"]), (&"differs".into(), &"mixed".into()), "{check}");
    assert_eq!((check["pairs"].as_u64(), check["pairs_off"].as_u64()), (Some(4), Some(1)), "{check}");
    assert!(codes(&report).contains(&"noise-differs"));
}

/// What each light of a report shows against its level: ratio and error.
fn each_light(report: &Value) -> Vec<(f64, f64)> {
    let rows = report["frames"].as_array().unwrap().iter().filter(|f| f["kind"] == "light");
    rows.map(|f| (f["noise_ratio"]["value"].as_f64().unwrap(), f["noise_ratio"]["sigma"].as_f64().unwrap())).collect()
}

#[test]
fn a_light_alone_is_held_against_its_level() {
    for (gain, offset, seed) in [(0.8, 500.0, 41), (0.25, 1000.0, 42), (2.5, 150.0, 43)] {
        let camera = camera(gain, offset, seed);
        let alone = night_of(1, &camera, &camera, |raw, n| Written::Whole(raw(n)));
        let check = &alone["sessions"][0]["noise_check"];
        eprintln!("{check}");
        assert_eq!(check["verdict"], "explained", "{check}");
        let [(ratio, sigma)] = each_light(&alone)[..] else { panic!("one light") };
        assert!((ratio - 1.0).abs() < 2.0 * sigma && sigma < 0.05, "{ratio} {sigma}");
        assert!(alone["sessions"][0]["noise_budget"]["sky_share"]["value"].is_f64());
        let mean = |raw: &dyn Fn(u64) -> Array2<u16>, n: u64| {
            let sum = (0..4).map(|k| raw(n + 10 * (k + 1)).mapv(f64::from)).reduce(|a, b| a + b).unwrap();
            Written::Real(sum.mapv(|v| (v / 4.0) as f32))
        };
        let averaged = night_of(1, &camera, &camera, mean);
        assert_eq!(withheld("one mean of lights", &averaged), "averaged");
        let calibrated = night_of(1, &camera, &camera, |raw, n| real(&raw(n), |v| v - offset - 0.3));
        assert_eq!(withheld("one calibrated light", &calibrated), "offset-taken-off");
        let scaled = night_of(1, &camera, &camera, |raw, n| real(&raw(n), |v| v / 65_535.0));
        assert_eq!(withheld("one light scaled to 0..1", &scaled), "scaled-to-one");
        let other = Detector { gain_e_per_adu: 2.2 * gain, ..camera.clone() };
        withheld("one light of another body", &night_of(1, &camera, &other, |raw, n| Written::Whole(raw(n))));
        let other = Detector { offset_adu: 0.4 * offset, ..camera.clone() };
        withheld("one light of another offset", &night_of(1, &camera, &other, |raw, n| Written::Whole(raw(n))));
    }
}

#[test]
fn one_light_of_another_kind_among_many_is_told_by_name() {
    let camera = camera(0.8, 500.0, 51);
    // At less than half the gain the light is noisier than its level makes it: told by the photon transfer.
    let other = Detector { gain_e_per_adu: 0.36, ..camera.clone() };
    let report = night_of(9, &camera, &camera, |raw, n| Written::Whole(if n == 4 { light(&other, n) } else { raw(n) }));
    let check = &report["sessions"][0]["noise_check"];
    assert_eq!((&check["verdict"], &check["looks_like"]), (&"differs".into(), &"mixed".into()), "{check}");
    assert_eq!((check["lights"].as_u64(), check["lights_off"].as_u64()), (Some(9), Some(1)), "{check}");
    for (n, row) in report["frames"].as_array().unwrap().iter().filter(|f| f["kind"] == "light").enumerate() {
        assert_eq!(row["sky_e_per_px_s"]["value"].is_null(), n == 4, "{row}");
    }
    for (n, (ratio, sigma)) in each_light(&report).into_iter().enumerate() {
        // 123 e- and 4 e- of read noise at both gains.
        let (level, variance) = (123.0 / 0.36, 139.0 / 0.36f64.powi(2));
        let want = if n == 4 { (variance / (level / 0.8 + 25.0)).sqrt() } else { 1.0 };
        assert!((ratio / want - 1.0).abs() < 3.0 * sigma / ratio, "light {n}: {ratio} {sigma}");
    }
    let told = report["warnings"].as_array().unwrap().iter().find(|w| w["code"] == "noise-differs").unwrap();
    assert_eq!(told["paths"].as_array().unwrap().len(), 1, "{told}");
    assert!(told["paths"][0].as_str().unwrap().contains("light-4"), "{told}");
}
