//! Whole nights in which things go wrong, and what the session makes of them.

use std::path::Path;

use serde_json::Value;
use skygrain::simulate::{Detector, FrameRecipe, Glow, HeaderCard, SimStar, render, write_frame};
use skygrain::stats::{mean_and_std, median};

use crate::odd_images::{Random, area_px, ring};
use crate::raw_fits::{report, row};

/// Stars along a side of the grid, and their distance, px.
const GRID: usize = 7;
const PITCH_PX: f64 = 44.0;
const BETA: f64 = 3.5;
const EXPOSURE_S: f64 = 60.0;
const SKY_E_PER_S: f64 = 5.0;

/// One light of a night.
#[derive(Clone)]
struct Light {
    name: String,
    fwhm_px: f64,
    /// Share of the starlight that passes.
    passes: f64,
    fault: Fault,
}

#[derive(Clone, Copy, PartialEq)]
enum Fault {
    None,
    /// The stars are rings of that outer diameter, px.
    Rings(f64),
    /// The stars are drawn out over a line of that length, px.
    Trail(f64),
    /// Light that falls off from a place of the frame, as shares of its side, over a distance in px.
    Gradient([f64; 2], f64),
}

fn good(name: impl Into<String>, fwhm_px: f64) -> Light {
    Light { name: name.into(), fwhm_px, passes: 1.0, fault: Fault::None }
}

fn stars_of(light: &Light, seed: u64) -> Vec<SimStar> {
    let mut random = Random(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15));
    (0..GRID * GRID)
        .flat_map(|i| {
            let x = PITCH_PX * (1.0 + (i % GRID) as f64) + random.next() - 0.5;
            let y = PITCH_PX * (1.0 + (i / GRID) as f64) + random.next() - 0.5;
            // Worse seeing spreads the same light.
            let flux_e = light.passes * (1500.0 + 400.0 * (i % 13) as f64) * area_px(3.0, BETA);
            let star = SimStar::round(x, y, flux_e, light.fwhm_px, BETA);
            match light.fault {
                Fault::Rings(outer_px) => ring(&star, outer_px, 0.4),
                Fault::Trail(length_px) => (0..24)
                    .map(|k| {
                        let along = length_px * ((f64::from(k) + 0.5) / 24.0 - 0.5);
                        SimStar { x: x + 0.8 * along, y: y + 0.6 * along, flux_e: flux_e / 24.0, ..star }
                    })
                    .collect(),
                Fault::None | Fault::Gradient(..) => vec![star],
            }
        })
        .collect()
}

fn write_night(folder: &Path, lights: &[Light], seed: u64) {
    let side = (PITCH_PX * (GRID as f64 + 1.0)) as usize;
    for (k, light) in lights.iter().enumerate() {
        let frame_seed = 1000 * seed + k as u64;
        let mut recipe = FrameRecipe {
            exposure_s: EXPOSURE_S,
            sky_e_per_px_s: SKY_E_PER_S,
            stars: stars_of(light, frame_seed),
            ..FrameRecipe::unlit(Detector::even(side, side), frame_seed)
        };
        if let Fault::Gradient([x, y], scale_px) = light.fault {
            let (x, y) = (x * side as f64, y * side as f64);
            recipe.glow = Some(Glow { x, y, rate_e_per_px_s: 3.0 * SKY_E_PER_S, scale_px });
        }
        let cards = [
            HeaderCard::text("IMAGETYP", "LIGHT", ""),
            HeaderCard::real("EXPTIME", EXPOSURE_S, "s"),
            HeaderCard::text("DATE-OBS", &format!("2031-10-04T{:02}:{:02}:00", 20 + k / 30, 2 * (k % 30)), ""),
            HeaderCard::real("EGAIN", 1.0, "e-/ADU"),
        ];
        write_frame(&folder.join(&light.name), &render(&recipe).0, &cards).unwrap();
    }
}

fn pair(quantity: &Value) -> (f64, f64) {
    let of = |key: &str| quantity[key].as_f64().unwrap_or_else(|| panic!("no {key} in {quantity}"));
    (of("value"), of("sigma"))
}

/// Standard errors within which a session's width holds its truth: one fixed seed.
const SESSION_ERRORS: f64 = 3.0;
/// Bias that a gradient of the sky may cause in a frame's width, beyond three errors.
const GRADIENT_BIAS: f64 = 0.005;

#[test]
fn a_bad_night_uses_its_good_frames_and_says_what_befell_the_others() {
    let seeing = [3.0, 3.1, 2.92, 3.05, 2.97, 3.08, 2.95, 3.02, 3.11];
    let mut lights: Vec<Light> = seeing.iter().enumerate().map(|(k, w)| good(format!("good-{k}.fits"), *w)).collect();
    let moon = Fault::Gradient([0.0, 0.0], 250.0);
    let nebula = Fault::Gradient([0.55, 0.45], 60.0);
    lights.push(Light { fault: moon, ..good("moonlit.fits", 3.0) });
    lights.push(Light { fault: nebula, ..good("nebula.fits", 3.0) });
    let fault_free = lights.len();
    lights.push(Light { passes: 0.1, ..good("cloud-1.fits", 3.0) });
    lights.push(Light { passes: 0.1, ..good("cloud-2.fits", 3.2) });
    lights.push(Light { fault: Fault::Rings(14.0), ..good("rings.fits", 3.0) });
    lights.push(good("soft.fits", 6.0));
    lights.push(Light { fault: Fault::Trail(6.0), ..good("trail-1.fits", 3.0) });
    lights.push(Light { fault: Fault::Trail(12.0), ..good("trail-2.fits", 3.0) });
    let folder = tempfile::tempdir().unwrap();
    write_night(folder.path(), &lights, 5);
    let report = report(folder.path());
    for frame in report["frames"].as_array().unwrap() {
        eprintln!("{} {} {} {}", frame["path"], frame["status"], frame["reason"], frame["fwhm_px"]["value"]);
    }
    for light in &lights[..fault_free] {
        let row = row(&report, &light.name);
        assert_eq!(row["status"], "used", "{row}");
        let (width, sigma) = pair(&row["fwhm_px"]);
        let off = (width - light.fwhm_px).abs();
        assert!(off < 3.0 * sigma + GRADIENT_BIAS * light.fwhm_px, "{}: {width} +- {sigma}", light.name);
    }
    for (name, words) in [
        ("cloud-1.fits", "clouded"),
        ("cloud-2.fits", "clouded"),
        ("rings.fits", "defocused"),
        ("soft.fits", "focus or wind"),
        ("trail-1.fits", "trailed"),
        ("trail-2.fits", "trailed"),
    ] {
        crate::raw_fits::left_out(&report, name, "excluded", words);
    }
    let session = &report["sessions"][0];
    let counts = &session["frame_counts"];
    assert_eq!((&counts["used"], &counts["excluded"]), (&fault_free.into(), &(lights.len() - fault_free).into()));
    let truth = median(&lights[..fault_free].iter().map(|l| l.fwhm_px).collect::<Vec<_>>()).unwrap();
    let (width, sigma) = pair(&session["fwhm_px"]);
    eprintln!("session {width:.4} +- {sigma:.4} px, truth {truth:.4}");
    assert!((width - truth).abs() < SESSION_ERRORS * sigma && sigma < 0.05, "{width} +- {sigma}, truth {truth}");
}

/// A session whose stars are drawn out over lines of these lengths, px.
fn session_of_trails(lengths_px: &[f64]) -> Value {
    let seeing = [3.0, 3.2, 2.85, 3.1, 2.9, 3.15];
    let lights: Vec<Light> = lengths_px
        .iter()
        .zip(seeing)
        .enumerate()
        .map(|(k, (px, fwhm))| Light { fault: Fault::Trail(*px), ..good(format!("light-{k}.fits"), fwhm) })
        .collect();
    let folder = tempfile::tempdir().unwrap();
    write_night(folder.path(), &lights, 9);
    report(folder.path())
}

#[test]
fn a_light_is_left_out_for_its_trail_where_its_session_does_without() {
    // Seeing scatters by 5 %: a line of 1.5 px among others is no reason, one of 5 px is.
    let few = session_of_trails(&[0.1, 0.1, 0.1, 1.5, 5.0, 0.1]);
    for (k, status) in ["used", "used", "used", "used", "excluded", "used"].iter().enumerate() {
        assert_eq!(row(&few, &format!("light-{k}.fits"))["status"], **status, "light-{k}");
    }
    crate::raw_fits::left_out(&few, "light-4.fits", "excluded", "whose seeing scatters by");
    assert!(!few["sessions"][0]["fwhm_px"]["note"].as_str().unwrap_or("").contains("drawn out"));
    // Where all are drawn out, none stands apart, and a lone light has nothing to stand apart from.
    for lengths in [&[4.5, 4.0, 4.8, 4.2, 4.4, 4.6][..], &[4.5][..]] {
        let all = session_of_trails(lengths);
        let session = &all["sessions"][0];
        assert_eq!(session["frame_counts"]["used"], lengths.len(), "{}", all["frames"]);
        let note = session["fwhm_px"]["note"].as_str().unwrap_or("");
        assert!(note.contains("drawn out in one direction") && note.contains("shorter axis"), "{note}");
    }
}

/// Nights and frames a night; the share of pulls within one is then known to 9 %.
const NIGHTS: u64 = 30;
const FRAMES: usize = 8;
/// Scatter of the seeing from frame to frame.
const SEEING_SCATTER: f64 = 0.05;

#[test]
fn a_sessions_error_holds_the_scatter_of_the_seeing() {
    let mut pulls = Vec::new();
    for seed in 0..NIGHTS {
        let mut random = Random(7919 * (seed + 1));
        // Sum of twelve even numbers: a normal law but for its far ends.
        let mut normal = || (0..12).map(|_| random.next()).sum::<f64>() - 6.0;
        let lights: Vec<Light> =
            (0..FRAMES).map(|k| good(format!("light-{k}.fits"), 2.8 * (1.0 + SEEING_SCATTER * normal()))).collect();
        let folder = tempfile::tempdir().unwrap();
        write_night(folder.path(), &lights, 100 + seed);
        let report = report(folder.path());
        assert_eq!(report["sessions"][0]["frame_counts"]["used"], FRAMES);
        let (width, sigma) = pair(&report["sessions"][0]["fwhm_px"]);
        pulls.push((width - 2.8) / sigma);
    }
    let (mean, _) = mean_and_std(&pulls).unwrap();
    let rms = (pulls.iter().map(|p| p * p).sum::<f64>() / pulls.len() as f64).sqrt();
    let inside = pulls.iter().filter(|p| p.abs() < 1.0).count() as f64 / pulls.len() as f64;
    eprintln!("{} nights: pulls mean {mean:.2}, rms {rms:.2}, {:.0} % within one sigma", pulls.len(), 100.0 * inside);
    // The scatter of eight frames is itself known to 27 %: pulls follow Student's law, root mean square sqrt(7/5) = 1.18,
    // known to 15 % from 30 nights; an error without the scatter would give pulls of ten and more.
    assert!((0.8..1.6).contains(&rms), "{rms}");
    assert!((inside - 0.67).abs() < 3.0 * (0.67 * 0.33 / NIGHTS as f64).sqrt(), "{inside}");
    assert!(mean.abs() < 3.0 * 1.18 / (NIGHTS as f64).sqrt(), "{mean}");
}

/// Writes a calibration frame of a small camera without stars.
fn write_calibration(folder: &Path, kind: &str, number: u64, exposure_s: f64, charge_e_per_s: [f64; 2]) {
    let side = (PITCH_PX * (GRID as f64 + 1.0)) as usize;
    let [sky_e_per_px_s, dark_e_per_px_s] = charge_e_per_s;
    let stream: u64 = kind.bytes().map(u64::from).sum();
    let recipe = FrameRecipe {
        exposure_s,
        sky_e_per_px_s,
        dark_e_per_px_s,
        ..FrameRecipe::unlit(Detector::even(side, side), 100 * stream + number)
    };
    let cards = [
        HeaderCard::text("IMAGETYP", kind, ""),
        HeaderCard::real("EXPTIME", exposure_s, "s"),
        HeaderCard::real("CCD-TEMP", 10.0, "degrees Celsius"),
    ];
    write_frame(&folder.join(format!("{kind}-{number}.fits")), &render(&recipe).0, &cards).unwrap();
}

#[test]
fn flats_that_are_nearly_unexposed_are_asked_for_again_and_not_darks() {
    const DARK_E_PER_S: f64 = 0.5;
    let folder = tempfile::tempdir().unwrap();
    let side = (PITCH_PX * (GRID as f64 + 1.0)) as usize;
    for k in 0..4 {
        let recipe = FrameRecipe {
            exposure_s: EXPOSURE_S,
            sky_e_per_px_s: SKY_E_PER_S,
            dark_e_per_px_s: DARK_E_PER_S,
            stars: stars_of(&good("light", 3.0), k),
            ..FrameRecipe::unlit(Detector::even(side, side), k)
        };
        let cards = [
            HeaderCard::text("IMAGETYP", "LIGHT", ""),
            HeaderCard::real("EXPTIME", EXPOSURE_S, "s"),
            HeaderCard::real("CCD-TEMP", 10.0, "degrees Celsius"),
            HeaderCard::text("DATE-OBS", &format!("2031-10-04T20:{:02}:00", 2 * k), ""),
        ];
        write_frame(&folder.path().join(format!("light-{k}.fits")), &render(&recipe).0, &cards).unwrap();
        write_calibration(folder.path(), "BIAS", k, 0.0, [0.0, 0.0]);
        write_calibration(folder.path(), "DARK", k, EXPOSURE_S, [0.0, DARK_E_PER_S]);
        // A fiftieth of an electron of light, under three of read noise.
        write_calibration(folder.path(), "FLAT", k, 0.01, [2.0, DARK_E_PER_S]);
    }
    let report = report(folder.path());
    let gain = &report["sensors"][0]["gain_e_per_adu"];
    assert!(gain["value"].is_null(), "{gain}");
    let cooling = &report["answers"][2];
    assert_eq!((&cooling["question"], &cooling["verdict"]), (&"cooling".into(), &"not-measurable".into()));
    assert_eq!(cooling["confidence"]["because"], "nothing-measured");
    let sentence = cooling["sentence"].as_str().unwrap();
    assert!(sentence.contains("flats") && !sentence.contains("dark frames"), "{sentence}");
    let basis = report["sessions"][0]["cooling_basis"].as_str().unwrap();
    assert!(basis.contains("flats") && !basis.contains("dark frames"), "{basis}");
    let floor = &report["sessions"][0]["cooling_floor_time_ratio"]["missing"];
    assert_eq!(floor["would_help"], serde_json::json!(["flat"]), "{floor}");
}
