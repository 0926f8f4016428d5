//! Nights as people have them: headers without kinds, temperatures, mosaic and optics; kinds by names, by pixels, by what the user states.

use std::path::Path;

use ndarray::Array2;
use serde_json::Value;
use skygrain::folder::{FrameKind, KindPatterns, Rig};
use skygrain::night::{NightInput, Scope, run};
use skygrain::simulate::{Detector, FrameRecipe, HeaderCard, SimStar, render, write_frame};

use crate::explained_noise::codes;
use crate::false_skies::scattered;

const SIDE: usize = 512;
pub const EXPOSURE_S: f64 = 60.0;
const FWHM_PX: f64 = 3.0;
/// 14 bits shifted to the left by two: 0.9 e- a code of the converter.
const GAIN: f64 = 0.225;
pub const READ_NOISE_E: f64 = 2.8;
pub const SKY: f64 = 6.0;
pub const DARK: f64 = 0.15;
/// Light of red and blue over green, sky and stars alike.
const RED: f64 = 0.55;
const BLUE: f64 = 0.62;

pub fn mirrorless() -> Detector {
    let even = Detector { gain_e_per_adu: GAIN, offset_adu: 2048.0, code_step: 4, ..Detector::even(SIDE, SIDE) };
    Detector { read_noise_e: READ_NOISE_E, light_scatter: 0.006, seed: 71, ..even }.with_hot_pixels(0.002, 10.0, 300.0)
}

/// A frame under a mosaic RGGB.
pub fn mosaic(recipe: &FrameRecipe) -> Array2<u16> {
    let seen = |share: f64| {
        let stars = recipe.stars.iter().map(|s| SimStar { flux_e: share * s.flux_e, ..*s }).collect();
        render(&FrameRecipe { sky_e_per_px_s: share * recipe.sky_e_per_px_s, stars, ..recipe.clone() }).0
    };
    let [red, green, blue] = [RED, 1.0, BLUE].map(seen);
    Array2::from_shape_fn(green.dim(), |(y, x)| match (y % 2, x % 2) {
        (0, 0) => red[[y, x]],
        (1, 1) => blue[[y, x]],
        _ => green[[y, x]],
    })
}

/// The frames of a night with their folder, in the order in which they were taken.
pub fn frames(of: &dyn Fn(&FrameRecipe) -> Array2<u16>, camera: &Detector) -> Vec<(&'static str, f64, Array2<u16>)> {
    frames_with_lights(of, camera, DARK)
}

/// The same, the lights taken when the sensor had this dark current; hot pixels follow it.
pub fn frames_with_lights(
    of: &dyn Fn(&FrameRecipe) -> Array2<u16>,
    camera: &Detector,
    dark: f64,
) -> Vec<(&'static str, f64, Array2<u16>)> {
    let unlit = |seed| FrameRecipe::unlit(camera.clone(), seed);
    let mut frames = Vec::new();
    for n in 0..8 {
        let level = [60_000.0, 90_000.0, 120_000.0, 150_000.0][n as usize / 2];
        let seconds = 0.05;
        let lit = FrameRecipe {
            exposure_s: seconds,
            sky_e_per_px_s: level * 1.2,
            corner_illumination: 0.8,
            ..unlit(800 + n)
        };
        frames.push(("flats", seconds, of(&lit)));
    }
    for n in 0..6 {
        let drift = 1.7 * n as f64;
        let moved = |s: &SimStar| SimStar { x: s.x + 12.0 + drift, y: s.y + 30.0 - 0.6 * drift, ..*s };
        let stars = scattered(SIDE - 60, 60, FWHM_PX, [6000.0, 120_000.0], 7).iter().map(moved).collect();
        let light = FrameRecipe {
            exposure_s: EXPOSURE_S,
            sky_e_per_px_s: SKY,
            dark_e_per_px_s: dark,
            corner_illumination: 0.8,
            stars,
            ..unlit(700 + n)
        };
        frames.push(("lights", EXPOSURE_S, of(&light)));
    }
    for n in 0..6 {
        let dark = FrameRecipe { exposure_s: EXPOSURE_S, dark_e_per_px_s: DARK, ..unlit(900 + n) };
        frames.push(("darks", EXPOSURE_S, of(&dark)));
    }
    frames.extend((0..6).map(|n| ("bias", 0.0002, of(&unlit(950 + n)))));
    frames
}

fn cards(seconds: f64, number: usize) -> Vec<HeaderCard> {
    vec![
        HeaderCard::text("INSTRUME", "Quietude M", ""),
        HeaderCard::text("DATE-OBS", &format!("2031-11-02T{:02}:{:02}:00", 19 + number / 60, number % 60), ""),
        HeaderCard::real("EXPTIME", seconds, "s"),
    ]
}

pub fn report_of(folders: &[&Path], rig: Rig) -> Value {
    let out = tempfile::tempdir().unwrap();
    let folders = folders.iter().map(|f| f.to_path_buf()).collect();
    let input = NightInput { folders, out: out.path().to_owned(), rig, stars: false };
    let report = run(&input, Scope::Night, &|_, _, _| {}).unwrap();
    serde_json::from_str(&skygrain::report::json(&report).unwrap()).unwrap()
}

/// Kind and status of every frame against its true folder, which its path or its number tells.
fn wrong_kinds(report: &Value, truth: &dyn Fn(&str) -> &'static str) -> Vec<String> {
    let rows = report["frames"].as_array().unwrap();
    let wrong = |f: &&Value| f["kind"] != truth(f["path"].as_str().unwrap()) || f["status"] != "used";
    rows.iter().filter(wrong).map(|f| format!("{} {} {}", f["path"], f["kind"], f["reason"])).collect()
}

fn told(quantity: &Value) -> (f64, f64) {
    (quantity["value"].as_f64().unwrap_or(f64::NAN), quantity["sigma"].as_f64().unwrap_or(f64::NAN))
}

fn right_answers(report: &Value) {
    let (sensor, session) = (&report["sensors"][0], &report["sessions"][0]);
    assert_eq!(report["sensors"].as_array().unwrap().len(), 1);
    assert_eq!(report["sessions"].as_array().unwrap().len(), 1);
    assert_eq!(session["settings"]["cfa"], "?GG?", "{}", session["settings"]);
    let (gain, sigma) = told(&sensor["gain_e_per_adu"]);
    assert!((gain / GAIN - 1.0).abs() < 0.02 && (gain - GAIN).abs() < 3.0 * sigma, "{gain} +- {sigma}");
    let (read, sigma) = told(&sensor["read_noise_e"]);
    assert!((read - READ_NOISE_E).abs() < 3.0 * sigma, "{read} +- {sigma}");
    let (fwhm, sigma) = told(&session["fwhm_px"]);
    // A mosaic shows half of the pixels.
    assert!((fwhm / FWHM_PX - 1.0).abs() < 0.01 + 2.0 * sigma / FWHM_PX, "{fwhm} +- {sigma}");
    // The darks' temperature is assumed: 3 C of a doubling step of 6.5 C are a third of the rate.
    let budget = &session["noise_budget"];
    let total = SKY * EXPOSURE_S + DARK * EXPOSURE_S + READ_NOISE_E.powi(2);
    for (key, want) in [("sky_share", SKY * EXPOSURE_S / total), ("dark_share", DARK * EXPOSURE_S / total)] {
        let (value, sigma) = told(&budget[key]);
        // The sky is that of the central half of the frame, where the corners' fall leaves up to 7 % less.
        assert!((value - want).abs() < 3.0 * sigma + 0.03 * want, "{key}: {value} +- {sigma}, {want}");
        assert_eq!(budget[key]["source"], "assumed", "{}", budget[key]);
    }
    let (floor, sigma) = told(&session["cooling_floor_time_ratio"]);
    assert!((floor - (1.0 - DARK * EXPOSURE_S / total)).abs() < 3.0 * sigma + 0.002, "{floor} +- {sigma}");
    assert!(session["cooling"].as_array().unwrap().is_empty(), "no temperature, no table: {}", session["cooling"]);
    assert!(codes(report).contains(&"mosaic-by-pixels"), "{:?}", codes(report));
    for answer in report["answers"].as_array().unwrap().iter().filter(|a| a["question"] != "sampling") {
        assert_eq!(answer["confidence"]["because"], "darks-as-warm", "{answer}");
    }
}

#[test]
fn the_night_of_a_mirrorless_camera_without_cards_has_its_answers() {
    let (named, bare) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let frames = frames(&mosaic, &mirrorless());
    for (number, (folder, seconds, image)) in frames.iter().enumerate() {
        let (below, file) = (named.path().join(folder), format!("IMG_{number:04}.fits"));
        std::fs::create_dir_all(&below).unwrap();
        write_frame(&below.join(&file), image, &cards(*seconds, number)).unwrap();
        write_frame(&bare.path().join(&file), image, &cards(*seconds, number)).unwrap();
    }
    let kind = |folder: &str| match folder {
        "lights" => "light",
        "darks" => "dark",
        "flats" => "flat",
        _ => "bias",
    };
    let of_name = report_of(&[named.path()], Rig::default());
    assert_eq!(wrong_kinds(&of_name, &|path| kind(path.split('/').next().unwrap())), Vec::<String>::new());
    right_answers(&of_name);
    // Not a word anywhere: exposure and pixels alone.
    let of_pixels = report_of(&[bare.path()], Rig::default());
    let number = |path: &str| path[4..8].parse::<usize>().unwrap();
    assert_eq!(wrong_kinds(&of_pixels, &|path| kind(frames[number(path)].0)), Vec::<String>::new());
    right_answers(&of_pixels);
    for (report, source) in [(&of_name, "the name "), (&of_pixels, "its pixels")] {
        assert!(codes(report).contains(&"kinds-without-card"), "{:?}", codes(report));
        for row in report["frames"].as_array().unwrap() {
            assert!(row["kind_source"].as_str().unwrap().starts_with(source), "{row}");
        }
    }
}

/// A monochrome camera at a known temperature.
fn mono() -> Detector {
    let even =
        Detector { gain_e_per_adu: 0.8, offset_adu: 500.0, read_noise_e: 3.5, seed: 72, ..Detector::even(SIDE, SIDE) };
    even.with_hot_pixels(0.002, 10.0, 300.0)
}

fn plain(recipe: &FrameRecipe) -> Array2<u16> {
    render(recipe).0
}

#[test]
fn names_and_cards_that_disagree_are_settled_by_pixels_and_said() {
    let folder = tempfile::tempdir().unwrap();
    for (number, (kind, seconds, image)) in frames(&plain, &mono()).iter().enumerate() {
        let below = folder.path().join(kind);
        std::fs::create_dir_all(&below).unwrap();
        let mut cards = cards(*seconds, number);
        // Whoever changed the cover left the program at its setting.
        cards.push(HeaderCard::text("IMAGETYP", if *kind == "darks" { "Light Frame" } else { kind }, ""));
        cards.push(HeaderCard::real("CCD-TEMP", -5.0, "C"));
        write_frame(&below.join(format!("{number:03}.fits")), image, &cards).unwrap();
    }
    let report = report_of(&[folder.path()], Rig::default());
    let darks: Vec<&Value> = report["frames"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|f| f["path"].as_str().unwrap().starts_with("darks"))
        .collect();
    assert!(darks.iter().all(|f| f["kind"] == "dark" && f["status"] == "used"), "{darks:?}");
    let told = report["warnings"].as_array().unwrap().iter().find(|w| w["code"] == "kind-contradicted").unwrap();
    assert_eq!(told["paths"].as_array().unwrap().len(), darks.len(), "{told}");
}

#[test]
fn what_the_user_states_tells_the_kind() {
    let (night, library) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    for (number, (kind, seconds, image)) in frames(&plain, &mono()).iter().enumerate() {
        // Words that tell nothing, or the wrong thing.
        let (path, file) = match *kind {
            "darks" => (library.path(), format!("sixty_{number}.fits")),
            "bias" => (night.path(), format!("z_{number}.fits")),
            _ => (night.path(), format!("run_{number}.fits")),
        };
        write_frame(&path.join(file), image, &cards(*seconds, number)).unwrap();
    }
    let rig = Rig {
        kind_folders: vec![(FrameKind::Dark, library.path().to_owned())],
        kinds: KindPatterns { bias: vec!["Z_*.fits".to_owned()], ..KindPatterns::default() },
        ..Rig::default()
    };
    let report = report_of(&[night.path(), library.path()], rig);
    for row in report["frames"].as_array().unwrap() {
        let (path, source) = (row["path"].as_str().unwrap(), row["kind_source"].as_str().unwrap());
        let want = if path.starts_with("sixty") {
            ("dark", source.starts_with("--dark"))
        } else if path.starts_with("z_") {
            ("bias", source == "rig file: Z_*.fits")
        } else {
            (row["kind"].as_str().unwrap(), source == "its pixels")
        };
        assert_eq!((row["kind"].as_str().unwrap(), true), want, "{row}");
        assert_eq!(row["status"], "used", "{row}");
    }
}

#[test]
fn one_filter_and_one_exposure_are_one_session() {
    let folder = tempfile::tempdir().unwrap();
    let camera = mono();
    for n in 0..9u64 {
        let stars = scattered(SIDE - 60, 40, FWHM_PX, [6000.0, 120_000.0], 7);
        let stars = stars.iter().map(|s| SimStar { x: s.x + 20.0 + n as f64, ..*s }).collect();
        let light =
            FrameRecipe { exposure_s: 60.0, sky_e_per_px_s: 2.0, stars, ..FrameRecipe::unlit(camera.clone(), 40 + n) };
        let mut cards = cards([60.0, 59.9987, 60.004][n as usize % 3], n as usize);
        cards.push(HeaderCard::text("IMAGETYP", "light", ""));
        cards.push(HeaderCard::text("FILTER", ["L", "l", "L "][n as usize % 3], ""));
        write_frame(&folder.path().join(format!("{n}.fits")), &plain(&light), &cards).unwrap();
        // Bands of two systems, and one line under two names.
        let apart = ["r", "R", "Ha", "H-alpha"].get(n as usize);
        if let Some(filter) = apart {
            let mut cards = cards.clone();
            cards.retain(|c| c.keyword != "FILTER");
            cards.push(HeaderCard::text("FILTER", filter, ""));
            let seed = 60 + n;
            let other = FrameRecipe { seed, ..light };
            write_frame(&folder.path().join(format!("other-{n}.fits")), &plain(&other), &cards).unwrap();
        }
    }
    let report = report_of(&[folder.path()], Rig::default());
    let sessions = report["sessions"].as_array().unwrap();
    let of = |filter: &str| sessions.iter().filter(|s| s["settings"]["filter"] == filter).collect::<Vec<_>>();
    let [l] = of("L")[..] else { panic!("{sessions:?}") };
    assert_eq!((l["frame_counts"]["light"].as_u64(), l["settings"]["exposure_s"].as_f64()), (Some(9), Some(60.0)));
    for filter in ["r", "R", "Ha", "H-alpha"] {
        assert_eq!(of(filter).len(), 1, "{filter}");
    }
    let asked = report["warnings"].as_array().unwrap().iter().find(|w| w["code"] == "filters-alike").unwrap();
    assert!(asked["message"].as_str().unwrap().contains("H-alpha, Ha"), "{asked}");
}

#[test]
fn a_change_of_focus_in_mid_session_is_told_with_its_time() {
    let of = |widths: [f64; 8]| {
        let folder = tempfile::tempdir().unwrap();
        for (n, fwhm_px) in widths.into_iter().enumerate() {
            let stars = scattered(SIDE - 60, 60, fwhm_px, [6000.0, 120_000.0], 7);
            let stars = stars.iter().map(|s| SimStar { x: s.x + 20.0 + n as f64, ..*s }).collect();
            let recipe = FrameRecipe::unlit(mono(), 500 + n as u64);
            let light = FrameRecipe { exposure_s: 60.0, sky_e_per_px_s: 2.0, stars, ..recipe };
            let mut cards = cards(60.0, n);
            cards.push(HeaderCard::text("IMAGETYP", "light", ""));
            write_frame(&folder.path().join(format!("{n}.fits")), &plain(&light), &cards).unwrap();
        }
        report_of(&[folder.path()], Rig::default())
    };
    // A third more and its lights would be left out.
    let stepped = of([2.6, 2.65, 2.55, 2.6, 3.15, 3.1, 3.15, 3.2]);
    let told = stepped["warnings"].as_array().unwrap().iter().find(|w| w["code"] == "widths-stepped").unwrap();
    assert!(told["message"].as_str().unwrap().contains("2031-11-02T19:04:00"), "{told}");
    assert_eq!(told["paths"].as_array().unwrap().len(), 4, "{told}");
    // The air alone: as wide a range, from light to light and in a drift.
    for widths in [[2.6, 3.6, 2.9, 3.3, 2.7, 3.5, 3.0, 3.2], [2.6, 2.74, 2.88, 3.02, 3.16, 3.3, 3.44, 3.6]] {
        let report = of(widths);
        assert!(!codes(&report).contains(&"widths-stepped"), "{:?}", report["warnings"]);
        assert_eq!(
            report["sessions"][0]["happenings"].as_array().unwrap().len(),
            0,
            "{}",
            report["sessions"][0]["happenings"]
        );
    }
}

#[test]
fn hot_pixels_tell_how_much_warmer_the_lights_were_than_the_darks() {
    let even =
        Detector { gain_e_per_adu: 0.8, offset_adu: 500.0, read_noise_e: 3.5, seed: 72, ..Detector::even(SIDE, SIDE) };
    let camera = even.with_hot_pixels(0.004, 10.0, 300.0);
    // Doubled in about 6 C.
    for warmer in [1.0, 1.6, 0.6] {
        let folder = tempfile::tempdir().unwrap();
        let frames = frames_with_lights(&plain, &camera, warmer * DARK);
        for (number, (kind, seconds, image)) in frames.iter().enumerate() {
            let mut cards = cards(*seconds, number);
            cards.push(HeaderCard::text("IMAGETYP", kind, ""));
            write_frame(&folder.path().join(format!("{number:03}.fits")), image, &cards).unwrap();
        }
        let report = report_of(&[folder.path()], Rig::default());
        let budget = &report["sessions"][0]["noise_budget"];
        let total = (SKY + warmer * DARK) * EXPOSURE_S + 3.5f64.powi(2);
        let (share, sigma) = told(&budget["dark_share"]);
        let want = warmer * DARK * EXPOSURE_S / total;
        eprintln!("{warmer}: {share} +- {sigma}, {want}; {}", budget["dark_share"]["note"]);
        // Three degrees that nobody knows would leave a third.
        assert!((share - want).abs() < 3.0 * sigma && sigma < 0.25 * want, "{warmer}: {share} +- {sigma}, {want}");
        let warning =
            report["warnings"].as_array().unwrap().iter().find(|w| w["code"] == "dark-temperature-assumed").unwrap();
        let message = warning["message"].as_str().unwrap();
        assert!(message.contains(&format!("have {warmer:.1}")), "{message}");
    }
}

#[test]
fn a_colour_pattern_that_the_flats_deny_is_not_believed() {
    let folder = tempfile::tempdir().unwrap();
    for (number, (kind, seconds, image)) in frames(&plain, &mono()).iter().enumerate() {
        let mut cards = cards(*seconds, number);
        cards.extend([HeaderCard::text("IMAGETYP", kind, ""), HeaderCard::text("BAYERPAT", "RGGB", "")]);
        write_frame(&folder.path().join(format!("{number:03}.fits")), image, &cards).unwrap();
    }
    let denied = report_of(&[folder.path()], Rig::default());
    assert!(codes(&denied).contains(&"mosaic-denied"), "{:?}", codes(&denied));
    assert!(denied["sessions"][0]["settings"]["cfa"].is_null());
    let (gain, sigma) = told(&denied["sensors"][0]["gain_e_per_adu"]);
    assert!((gain - 0.8).abs() < 3.0 * sigma && sigma < 0.02, "{gain} +- {sigma}");
    // Who says so knows better.
    let stated = report_of(&[folder.path()], Rig { cfa: Some("RGGB".to_owned()), ..Rig::default() });
    assert!(!codes(&stated).contains(&"mosaic-denied") && stated["sessions"][0]["settings"]["cfa"] == "RGGB");
}

#[test]
fn a_clouded_light_without_stars_is_taken_for_no_dark() {
    let folder = tempfile::tempdir().unwrap();
    let mut frames = frames(&mosaic, &mirrorless());
    // At the edge of a cloud bank: a tenth of the sky, no star through it.
    let unlit = FrameRecipe::unlit(mirrorless(), 1500);
    let clouded = FrameRecipe {
        exposure_s: EXPOSURE_S,
        sky_e_per_px_s: 0.1 * SKY,
        dark_e_per_px_s: DARK,
        corner_illumination: 0.8,
        ..unlit
    };
    frames.push(("clouded", EXPOSURE_S, mosaic(&clouded)));
    for (number, (_, seconds, image)) in frames.iter().enumerate() {
        write_frame(&folder.path().join(format!("IMG_{number:04}.fits")), image, &cards(*seconds, number)).unwrap();
    }
    let report = report_of(&[folder.path()], Rig::default());
    let row = report["frames"].as_array().unwrap().iter().find(|f| f["path"] == "IMG_0026.fits").unwrap();
    assert_eq!((&row["kind"], &row["reason_code"]), (&"unknown".into(), &"kind-not-known".into()), "{row}");
    let kinds = report["frames"].as_array().unwrap().iter().filter(|f| f["kind"] == "dark").count();
    assert_eq!(kinds, 6);
}

#[test]
fn the_air_stands_for_a_sensor_without_temperature_and_hot_pixels() {
    let camera =
        Detector { gain_e_per_adu: 0.8, offset_adu: 500.0, read_noise_e: 3.5, seed: 73, ..Detector::even(SIDE, SIDE) };
    let folder = tempfile::tempdir().unwrap();
    // 4 C warmer: 2^(4/6.5).
    let warmer = 1.532;
    for (number, (kind, seconds, image)) in frames_with_lights(&plain, &camera, warmer * DARK).iter().enumerate() {
        let mut cards = cards(*seconds, number);
        cards.push(HeaderCard::text("IMAGETYP", kind, ""));
        cards.push(HeaderCard::real("FOCTEMP", if *kind == "lights" { 12.0 } else { 8.0 }, "[degC]"));
        write_frame(&folder.path().join(format!("{number:03}.fits")), image, &cards).unwrap();
    }
    let report = report_of(&[folder.path()], Rig::default());
    let total = (SKY + warmer * DARK) * EXPOSURE_S + 3.5f64.powi(2);
    let (share, sigma) = told(&report["sessions"][0]["noise_budget"]["dark_share"]);
    let want = warmer * DARK * EXPOSURE_S / total;
    // Three degrees are a third; the share itself is that of the truth's own step.
    assert!((share / want - 1.0).abs() < 0.1 && (0.25..0.4).contains(&(sigma / want)), "{share} +- {sigma}, {want}");
    let warning =
        report["warnings"].as_array().unwrap().iter().find(|w| w["code"] == "dark-temperature-assumed").unwrap();
    assert!(warning["message"].as_str().unwrap().contains("+4.0 C warmer"), "{warning}");
}
