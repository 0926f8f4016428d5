//! What happens in nights: told with its time, and lights that do not stand for the rig left out by name.

use jiff::ToSpan;
use jiff::civil::DateTime;
use ndarray::Array2;
use serde_json::Value;
use skygrain::folder::Rig;
use skygrain::night::{NightInput, Scope, run};
use skygrain::simulate::{Detector, FrameRecipe, HeaderCard, SimStar, render, write_frame};

use crate::false_skies::scattered;

const SIDE: usize = 320;
const EXPOSURE_S: f64 = 60.0;
const FWHM_PX: f64 = 3.0;
const SKY: f64 = 4.0;

fn camera() -> Detector {
    Detector { gain_e_per_adu: 0.8, offset_adu: 500.0, read_noise_e: 3.0, seed: 5, ..Detector::even(SIDE, SIDE) }
}

/// One light of a night; all but what a test changes is that of a quiet one.
#[derive(Clone)]
struct Light {
    fwhm_px: f64,
    /// Sky over the usual one.
    sky: f64,
    /// Light of the stars over the usual.
    stars: f64,
    turned: bool,
    /// Rows from the first on that no light reaches.
    dark_rows: usize,
    /// A line across the frame.
    streak: bool,
    /// Minutes since the first light.
    minute: i64,
}

const QUIET: Light =
    Light { fwhm_px: FWHM_PX, sky: 1.0, stars: 1.0, turned: false, dark_rows: 0, streak: false, minute: 0 };

fn image(light: &Light, n: u64) -> Array2<u16> {
    // Air and focus scatter by 1 % from light to light, by a fixed row.
    let scatter = 1.0 + 0.01 * [0.4, -1.1, 0.7, 0.2, -0.6, 1.3, -0.9, 0.1, -0.3, 0.8][n as usize % 10];
    let drift = 0.7 * n as f64;
    let seen = |s: &SimStar| {
        let (x, y) = (s.x + drift, s.y - 0.5 * drift);
        let (x, y) = if light.turned { (SIDE as f64 + 5.0 - x, SIDE as f64 - 8.0 - y) } else { (x, y) };
        SimStar::round(x, y, light.stars * s.flux_e, scatter * light.fwhm_px, 3.5)
    };
    let mut stars: Vec<SimStar> = scattered(SIDE - 24, 45, FWHM_PX, [8000.0, 200_000.0], 11).iter().map(seen).collect();
    if light.streak {
        stars.extend((0..2 * SIDE).map(|k| {
            let along = 0.5 * k as f64;
            SimStar::round(along, 40.0 + 0.6 * along, 900.0, FWHM_PX, 3.5)
        }));
    }
    let unlit = FrameRecipe { exposure_s: EXPOSURE_S, dark_e_per_px_s: 0.05, ..FrameRecipe::unlit(camera(), 300 + n) };
    let dark = render(&unlit).0;
    let lit = FrameRecipe { sky_e_per_px_s: SKY * light.sky, corner_illumination: 0.9, stars, ..unlit };
    let lit = render(&lit).0;
    Array2::from_shape_fn((SIDE, SIDE), |at| if at.0 < light.dark_rows { dark[at] } else { lit[at] })
}

/// The report of a night whose first light begins at `start`, with biases, darks and flats.
fn night(start: &str, lights: &[Light], seconds: &dyn Fn(usize) -> f64) -> Value {
    let (folder, out) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let start: DateTime = start.parse().unwrap();
    let write = |name: &str, kind: &str, seconds: f64, at: DateTime, image: &Array2<u16>| {
        let cards = [
            HeaderCard::text("IMAGETYP", kind, ""),
            HeaderCard::text("INSTRUME", "Quietude M", ""),
            HeaderCard::text("DATE-OBS", &at.to_string(), ""),
            HeaderCard::real("EXPTIME", seconds, "s"),
            HeaderCard::real("CCD-TEMP", -10.0, ""),
            HeaderCard::real("SITELAT", 47.0, ""),
            HeaderCard::real("SITELONG", 11.0, ""),
            HeaderCard::text("FILTER", "L", ""),
        ];
        write_frame(&folder.path().join(name), image, &cards).unwrap();
    };
    let unlit = |seed| FrameRecipe::unlit(camera(), seed);
    for n in 0..4u64 {
        let at = start.checked_sub((100 - n as i64).minutes()).unwrap();
        let dark = FrameRecipe { exposure_s: EXPOSURE_S, dark_e_per_px_s: 0.05, ..unlit(50 + n) };
        let level = [20_000.0, 40_000.0][n as usize / 2];
        let flat = FrameRecipe { exposure_s: 1.0, sky_e_per_px_s: level, corner_illumination: 0.9, ..unlit(70 + n) };
        write(&format!("bias{n}.fits"), "bias", 0.0, at, &render(&unlit(60 + n)).0);
        write(&format!("dark{n}.fits"), "dark", EXPOSURE_S, at, &render(&dark).0);
        write(&format!("flat{n}.fits"), "flat", 1.0, at, &render(&flat).0);
    }
    for (n, light) in lights.iter().enumerate() {
        let at = start.checked_add(light.minute.minutes()).unwrap();
        write(&format!("light{n:02}.fits"), "light", seconds(n), at, &image(light, n as u64));
    }
    let rig = Rig::default();
    let input = NightInput { folders: vec![folder.path().to_owned()], out: out.path().to_owned(), rig, stars: false };
    let report = run(&input, Scope::Night, &|_, _, _| {}).unwrap();
    serde_json::from_str(&skygrain::report::json(&report).unwrap()).unwrap()
}

fn quiet(count: usize, minutes: i64) -> Vec<Light> {
    (0..count).map(|n| Light { minute: minutes * n as i64, ..QUIET.clone() }).collect()
}

/// Numbers of the lights left out for a reason.
fn out(report: &Value, code: &str) -> Vec<usize> {
    let rows = report["frames"].as_array().unwrap();
    let number = |f: &Value| f["path"].as_str()?.strip_prefix("light")?.strip_suffix(".fits")?.parse().ok();
    rows.iter().filter(|f| f["reason_code"] == code).filter_map(number).collect()
}

fn all_out(report: &Value) -> usize {
    let rows = report["frames"].as_array().unwrap();
    rows.iter().filter(|f| f["status"] != "used").inspect(|f| eprintln!("{} {}", f["path"], f["reason"])).count()
}

/// What happened, a code each, and all of it with its sentences on standard error.
fn happened(report: &Value) -> Vec<Value> {
    let sessions = report["sessions"].as_array().unwrap();
    let all: Vec<Value> = sessions.iter().flat_map(|s| s["happenings"].as_array().unwrap().clone()).collect();
    all.iter().for_each(|h| eprintln!("{h}"));
    all
}

fn width(report: &Value) -> f64 {
    report["sessions"][0]["fwhm_px"]["value"].as_f64().unwrap()
}

/// A width of a dozen lights: 1 % a light by the scatter, 1 % allowed.
fn is_sharp(report: &Value) {
    assert!((width(report) / FWHM_PX - 1.0).abs() < 0.015, "{}", report["sessions"][0]["fwhm_px"]);
}

const EVENING: &str = "2031-11-02T19:00:00";

#[test]
fn nothing_is_told_of_a_quiet_night() {
    let report = night(EVENING, &quiet(12, 5), &|_| EXPOSURE_S);
    assert_eq!(happened(&report), Vec::<Value>::new());
    assert_eq!(all_out(&report), 0);
    is_sharp(&report);
}

#[test]
fn lights_of_the_twilight_are_left_out_and_the_sun_is_named() {
    let mut lights = quiet(12, 5);
    for (n, sky) in [(9, 8.0), (10, 25.0), (11, 75.0)] {
        lights[n].sky = sky;
    }
    // The last light begins at 05:00 UTC, when the Sun stands at -10.83 degrees over the place (astropy 8.0.2).
    let report = night("2031-11-03T04:05:00", &lights, &|_| EXPOSURE_S);
    assert_eq!(out(&report, "bright-sky"), [9, 10, 11]);
    let told = happened(&report);
    let sky = told.iter().find(|h| h["what"] == "bright-sky").unwrap();
    assert_eq!((&sky["lights"], &sky["left_out"]), (&3.into(), &3.into()));
    assert_eq!(sky["from_utc"], "2031-11-03T04:50:00Z");
    assert!((sky["most_times"].as_f64().unwrap() / 75.0 - 1.0).abs() < 0.05, "{sky}");
    assert!((sky["sun_altitude_deg"].as_f64().unwrap() + 10.83).abs() < 0.03, "{sky}");
    assert!(sky["sentence"].as_str().unwrap().contains("twilight"), "{sky}");
    is_sharp(&report);
}

#[test]
fn a_search_for_the_focus_is_left_out_alone_and_among_the_lights() {
    let valley = [8.0, 6.5, 5.0, 3.8, 3.1, 3.7, 5.1, 6.6, 8.2];
    for seconds in [5.0, EXPOSURE_S] {
        let mut lights = quiet(20, 5);
        for (n, fwhm_px) in valley.into_iter().enumerate() {
            lights[5 + n].fwhm_px = fwhm_px;
        }
        let report = night(EVENING, &lights, &|n| if (5..14).contains(&n) { seconds } else { EXPOSURE_S });
        let run: Vec<usize> = (5..14).collect();
        assert_eq!(out(&report, "focus-run"), run, "{seconds} s");
        let told = happened(&report);
        assert!(told.iter().any(|h| h["what"] == "focus-run" && h["lights"] == 9 && h["left_out"] == 9), "{told:?}");
        let sessions = report["sessions"].as_array().unwrap();
        let lights = sessions.iter().find(|s| s["settings"]["exposure_s"] == EXPOSURE_S).unwrap();
        let fwhm_px = lights["fwhm_px"]["value"].as_f64().unwrap();
        assert!((fwhm_px / FWHM_PX - 1.0).abs() < 0.015, "{fwhm_px}");
    }
}

#[test]
fn lights_out_of_focus_before_or_after_a_step_do_not_stand_for_the_rig() {
    for (blurred, widths) in [(0..6, [5.0, 3.0f64]), (9..14, [3.0, 4.4])] {
        let mut lights = quiet(14, 5);
        lights[blurred.clone()].iter_mut().for_each(|l| l.fwhm_px = widths[0].max(widths[1]));
        let report = night(EVENING, &lights, &|_| EXPOSURE_S);
        assert_eq!(out(&report, "out-of-focus"), blurred.collect::<Vec<_>>());
        let told = happened(&report);
        assert_eq!(told.len(), 1, "{told:?}");
        for (key, want) in ["before_px", "after_px"].iter().zip(widths) {
            assert!((told[0][key].as_f64().unwrap() / want - 1.0).abs() < 0.02, "{told:?}");
        }
        is_sharp(&report);
    }
}

#[test]
fn dew_is_told_from_cloud() {
    // Over an hour and a half the stars fall to a third of their light and grow by two fifths.
    let mut dew = quiet(20, 8);
    for (n, light) in dew.iter_mut().enumerate().skip(9) {
        let k = (n - 8) as f64 / 11.0;
        (light.stars, light.fwhm_px) = (1.0 - 0.66 * k, FWHM_PX * (1.0 + 0.4 * k));
    }
    let report = night(EVENING, &dew, &|_| EXPOSURE_S);
    let told = happened(&report);
    let fading = told.iter().find(|h| h["what"] == "fading").unwrap();
    assert!(!told.iter().any(|h| h["what"] == "cloud"), "{told:?}");
    assert!((25.0..45.0).contains(&fading["light_left_percent"].as_f64().unwrap()), "{fading}");
    assert!((25.0..50.0).contains(&fading["wider_percent"].as_f64().unwrap()), "{fading}");
    let from = fading["from_utc"].as_str().unwrap();
    assert!(("2031-11-02T19:50:00Z".."2031-11-02T20:35:00Z").contains(&from), "{fading}");
    assert!(out(&report, "clouded").is_empty() && out(&report, "fading").contains(&19), "{}", all_out(&report));

    let mut cloud = quiet(20, 5);
    for (n, share) in [(8, 0.3), (9, 0.15), (10, 0.08), (11, 0.4), (12, 0.7)] {
        (cloud[n].stars, cloud[n].sky) = (share, 1.3);
    }
    let report = night(EVENING, &cloud, &|_| EXPOSURE_S);
    let told = happened(&report);
    assert_eq!(told.len(), 1, "{told:?}");
    assert_eq!((&told[0]["what"], &told[0]["lights"]), (&"cloud".into(), &5.into()));
    assert_eq!(told[0]["from_utc"], "2031-11-02T19:40:00Z");
    assert!([8, 9, 10, 11].iter().all(|n| out(&report, "clouded").contains(n)), "{}", all_out(&report));
    is_sharp(&report);
}

#[test]
fn a_turned_field_a_shaded_frame_and_lines_are_told() {
    let mut lights = quiet(12, 5);
    lights[6..].iter_mut().for_each(|l| l.turned = true);
    lights[3].dark_rows = 150;
    for n in [2, 8, 9] {
        lights[n].streak = true;
    }
    let report = night(EVENING, &lights, &|_| EXPOSURE_S);
    let told = happened(&report);
    let of = |what: &str| told.iter().filter(|h| h["what"] == what).collect::<Vec<_>>();
    assert_eq!(told.len(), 3, "{told:?}");
    assert_eq!(of("half-turn")[0]["from_utc"], "2031-11-02T19:30:00Z");
    assert_eq!(out(&report, "shaded"), [3]);
    // 150 of 320 rows; blocks are a quarter of the frame high.
    assert!((25.0..=50.0).contains(&of("shaded")[0]["frame_percent"].as_f64().unwrap()), "{told:?}");
    assert_eq!(of("streaks")[0]["lights"], 3);
    assert_eq!(all_out(&report), 1);
    is_sharp(&report);
}

#[test]
fn the_moon_that_rises_costs_no_light() {
    let mut lights = quiet(16, 8);
    for (n, light) in lights.iter_mut().enumerate().skip(6) {
        light.sky = 1.0 + 3.0 * (n - 5) as f64 / 10.0;
    }
    let report = night(EVENING, &lights, &|_| EXPOSURE_S);
    let told = happened(&report);
    assert_eq!(all_out(&report), 0);
    assert!(told.len() == 1 && told[0]["what"] == "sky-drift", "{told:?}");
    assert!((3.0..5.0).contains(&told[0]["times"].as_f64().unwrap()), "{told:?}");
}
