//! Lights of a part of the sensor, with calibration frames of all of it.

use ndarray::{Array2, s};
use serde_json::Value;
use skygrain::folder::Rig;
use skygrain::night::{NightInput, Scope, run};
use skygrain::simulate::{Detector, FrameRecipe, HeaderCard, SimStar, render, write_frame};

use crate::explained_noise::codes;
use crate::false_skies::scattered;

const SIDE: usize = 400;
const EXPOSURE_S: f64 = 120.0;
const GAIN: f64 = 0.8;
const READ_NOISE_E: f64 = 3.5;
const SKY: f64 = 1.5;
const DARK: f64 = 0.1;
/// The part that the lights show: its first column and row, its columns and rows.
const CORNER: [usize; 2] = [96, 40];
const SIZE: [usize; 2] = [256, 288];

fn camera() -> Detector {
    let even = Detector {
        gain_e_per_adu: GAIN,
        offset_adu: 400.0,
        read_noise_e: READ_NOISE_E,
        seed: 17,
        ..Detector::even(SIDE, SIDE)
    };
    even.with_hot_pixels(0.01, 5.0, 80.0)
}

/// The night, `cards` telling where the lights lie.
fn night(cards: &[HeaderCard]) -> Value {
    let (folder, out) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let mut number = 0;
    let mut write = |kind: &str, seconds: f64, image: &Array2<u16>, cards: &[HeaderCard]| {
        number += 1;
        let usual = [
            HeaderCard::text("IMAGETYP", kind, ""),
            HeaderCard::text("INSTRUME", "Quietude M", ""),
            HeaderCard::text(
                "DATE-OBS",
                &format!("2031-11-02T{:02}:{:02}:00", 18 + number / 20, 3 * (number % 20)),
                "",
            ),
            HeaderCard::real("EXPTIME", seconds, "s"),
            HeaderCard::real("CCD-TEMP", 5.0, ""),
        ];
        let name = format!("{kind}{number:02}.fits");
        write_frame(&folder.path().join(name), image, &[&usual, cards].concat()).unwrap();
    };
    let unlit = |seed| FrameRecipe::unlit(camera(), seed);
    for n in 0..6u64 {
        let dark = FrameRecipe { exposure_s: EXPOSURE_S, dark_e_per_px_s: DARK, ..unlit(100 + n) };
        let level = [15_000.0, 25_000.0, 40_000.0][n as usize / 2];
        let flat = FrameRecipe { exposure_s: 1.0, sky_e_per_px_s: level, ..unlit(200 + n) };
        write("bias", 0.0, &render(&unlit(300 + n)).0, &[]);
        write("dark", EXPOSURE_S, &render(&dark).0, &[]);
        write("flat", 1.0, &render(&flat).0, &[]);
        let drift = 1.3 * n as f64;
        let moved = |s: &SimStar| SimStar { x: s.x + drift, y: s.y + 0.4 * drift, ..*s };
        let stars = scattered(SIDE - 10, 70, 2.4, [5000.0, 90_000.0], 9).iter().map(moved).collect();
        let light =
            FrameRecipe { exposure_s: EXPOSURE_S, sky_e_per_px_s: SKY, dark_e_per_px_s: DARK, stars, ..unlit(400 + n) };
        let [x, y] = CORNER;
        let part = render(&light).0.slice(s![y..y + SIZE[1], x..x + SIZE[0]]).to_owned();
        write("light", EXPOSURE_S, &part, cards);
    }
    let rig = Rig::default();
    let input = NightInput { folders: vec![folder.path().to_owned()], out: out.path().to_owned(), rig, stars: false };
    let report = run(&input, Scope::Night, &|_, _, _| {}).unwrap();
    serde_json::from_str(&skygrain::report::json(&report).unwrap()).unwrap()
}

fn told(quantity: &Value) -> (f64, f64) {
    (quantity["value"].as_f64().unwrap_or(f64::NAN), quantity["sigma"].as_f64().unwrap_or(f64::NAN))
}

#[test]
fn lights_of_a_part_of_the_sensor_use_its_calibration() {
    let [x, y] = CORNER.map(|v| v as i64);
    let section = format!("[{}:{},{}:{}]", x + 1, x + SIZE[0] as i64, y + 1, y + SIZE[1] as i64);
    let by_corner = [HeaderCard::whole("XORGSUBF", x, ""), HeaderCard::whole("YORGSUBF", y, "")];
    let by_section = [HeaderCard::text("DETSEC", &section, "")];
    let mut hot = Vec::new();
    for (cards, placed) in [(by_corner.as_slice(), true), (by_section.as_slice(), true), (&[], false)] {
        let report = night(cards);
        assert_eq!(report["sensors"].as_array().unwrap().len(), 1, "{}", report["sensors"]);
        let session = &report["sessions"][0];
        let (fwhm, sigma) = told(&session["fwhm_px"]);
        assert!((fwhm - 2.4).abs() < 0.024 + 2.0 * sigma, "{fwhm} +- {sigma}");
        let budget = &session["noise_budget"];
        let total = (SKY + DARK) * EXPOSURE_S + READ_NOISE_E.powi(2);
        for (key, want) in [("sky_share", SKY * EXPOSURE_S), ("dark_share", DARK * EXPOSURE_S)] {
            let (value, sigma) = told(&budget[key]);
            assert!((value - want / total).abs() < 3.0 * sigma && sigma < 0.02, "{key}: {value} +- {sigma}");
        }
        assert_eq!(session["noise_check"]["verdict"], "explained", "{}", session["noise_check"]);
        let warning = report["warnings"].as_array().unwrap().iter().find(|w| w["code"] == "sub-frames");
        let message = warning.unwrap_or_else(|| panic!("{:?}", codes(&report)))["message"].as_str().unwrap();
        assert!(message.contains("256 x 288 px of the 400 x 400 px"), "{message}");
        assert_eq!(message.contains("XORGSUBF"), !placed, "{message}");
        let of_light = |f: &&Value| f["kind"] == "light";
        let lights = report["frames"].as_array().unwrap().iter().filter(of_light);
        hot.push(lights.map(|f| f["star_flags"]["hot pixel"].as_u64().unwrap_or(0)).sum::<u64>());
    }
    // With their place known the hot pixels of the darks are no peaks at all.
    assert!(hot[0] == hot[1] && hot[0] < hot[2] / 4, "{hot:?}");
}
