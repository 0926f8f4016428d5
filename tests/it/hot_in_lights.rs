//! Hot pixels of nights without darks: told by the lights, where the stars move from one to the next.

use std::path::Path;

use serde_json::Value;
use skygrain::simulate::{Detector, FrameRecipe, HeaderCard, SimStar, render, write_frame};

use crate::false_skies::{SKY_E, scattered};
use crate::odd_images::GAIN_E_PER_ADU;
use crate::raw_fits::report;

const SIDE: usize = 700;
const STARS: usize = 120;
const FWHM_PX: f64 = 2.2;
const LIGHTS: usize = 6;
/// Share of hot pixels; their charge is even in its logarithm over three decades from 60 e-, 3.5 times the noise of the sky, on.
const HOT_SHARE: f64 = 0.01;
const HOT_E: [f64; 2] = [60.0, 60_000.0];

/// Moves the hot pixels by whole pixels, as they do where lights are laid over one another.
fn with_moved_hot_pixels(mut detector: Detector, [dx, dy]: [i64; 2]) -> Detector {
    for hot in &mut detector.hot {
        let moved = |at: usize, by: i64| (at as i64 + by).rem_euclid(SIDE as i64) as usize;
        hot.index = moved(hot.index / SIDE, dy) * SIDE + moved(hot.index % SIDE, dx);
    }
    detector.hot.sort_by_key(|hot| hot.index);
    detector
}

/// Lights of one field, each shifted by so much, px, and its hot pixels by so much.
fn write_lights(
    folder: &Path,
    shifts: [[f64; 2]; LIGHTS],
    hot_shifts: [[i64; 2]; LIGHTS],
    pattern: Option<&str>,
) -> Detector {
    let bare = Detector { gain_e_per_adu: GAIN_E_PER_ADU, seed: 5, ..Detector::even(SIDE, SIDE) };
    let detector = bare.with_hot_pixels(HOT_SHARE, HOT_E[0], HOT_E[1]);
    let stars = scattered(SIDE - 40, STARS, FWHM_PX, [4000.0, 60_000.0], 3);
    for (k, ([dx, dy], hot_shift)) in shifts.into_iter().zip(hot_shifts).enumerate() {
        let moved = |s: &SimStar| SimStar { x: s.x + 20.0 + dx, y: s.y + 20.0 + dy, ..*s };
        let recipe = FrameRecipe {
            exposure_s: 1.0,
            sky_e_per_px_s: SKY_E,
            dark_e_per_px_s: 1.0,
            stars: stars.iter().map(moved).collect(),
            ..FrameRecipe::unlit(with_moved_hot_pixels(detector.clone(), hot_shift), 70 + k as u64)
        };
        let mut cards = vec![
            HeaderCard::text("IMAGETYP", "LIGHT", ""),
            HeaderCard::real("EXPTIME", 60.0, "s"),
            HeaderCard::text("DATE-OBS", &format!("2031-10-04T21:{k:02}:00"), ""),
            HeaderCard::real("EGAIN", GAIN_E_PER_ADU, "e-/ADU"),
        ];
        cards.extend(pattern.map(|name| HeaderCard::text("BAYERPAT", name, "")));
        write_frame(&folder.join(format!("light-{k}.fits")), &render(&recipe).0, &cards).unwrap();
    }
    detector
}

const STAYING: [[i64; 2]; LIGHTS] = [[0; 2]; LIGHTS];
const DITHERED: [[f64; 2]; LIGHTS] = [[0.0, 0.0], [5.3, -7.2], [-9.6, 3.1], [11.0, 8.4], [-4.2, -12.7], [2.9, 14.8]];

fn told(report: &Value) -> Option<usize> {
    let of = |w: &Value| w["message"].as_str().unwrap().split(' ').find_map(|word| word.parse().ok());
    let all = report["warnings"].as_array().unwrap();
    all.iter().find(|w| w["code"] == "hot-pixels-of-lights").and_then(of)
}

/// Stars counted in each light, and the least and greatest width, px.
fn counts_and_widths(report: &Value) -> (Vec<u64>, [f64; 2]) {
    let frames = report["frames"].as_array().unwrap();
    let counts = frames.iter().map(|f| f["star_count"].as_u64().unwrap()).collect();
    let widths = || frames.iter().map(|f| f["fwhm_px"]["value"].as_f64().unwrap());
    (counts, [widths().fold(f64::MAX, f64::min), widths().fold(0.0, f64::max)])
}

/// Of stars a few lie on a hot pixel that outshines them.
const LOST: u64 = 8;
/// Widths of six frames, each to 0.5 % by some 80 stars, and what the image's model may add (0.3 %).
const WIDTH_ERROR: f64 = 0.018;

#[test]
fn lights_whose_stars_move_tell_their_hot_pixels() {
    for pattern in [None, Some("RGGB")] {
        let folder = tempfile::tempdir().unwrap();
        let detector = write_lights(folder.path(), DITHERED, STAYING, pattern);
        let report = report(folder.path());
        let (counts, widths) = counts_and_widths(&report);
        let pixels = told(&report).expect("a warning of hot pixels");
        // Pixels of other colours are not looked at; a single pixel reaches 4 of the filtered noise from about 12 of its own on.
        let share = if pattern.is_some() { 0.5 } else { 1.0 };
        let plain = detector.hot.iter().filter(|hot| hot.factor > 15.0 * (SKY_E + 9.0).sqrt()).count() as f64 * share;
        eprintln!("{pattern:?}: {pixels} hot pixels told, some {plain} plain; stars {counts:?}, widths {widths:?}");
        assert!(pixels as f64 > 0.85 * plain && pixels <= detector.hot.len(), "{pixels}");
        for count in counts {
            assert!((STARS as u64 - LOST..=STARS as u64 + 2).contains(&count), "{pattern:?}: {count} stars");
        }
        assert!(widths.iter().all(|w| (w / FWHM_PX - 1.0).abs() < WIDTH_ERROR), "{widths:?}");
    }
}

#[test]
fn lights_whose_stars_stay_tell_none_and_keep_their_stars() {
    let folder = tempfile::tempdir().unwrap();
    let hardly = DITHERED.map(|[dx, dy]| [0.05 * dx, 0.05 * dy]);
    write_lights(folder.path(), hardly, STAYING, None);
    let report = report(folder.path());
    assert_eq!(told(&report), None);
    let (counts, widths) = counts_and_widths(&report);
    // Stars beside hot pixels are lost as long as nothing tells these: one in seven.
    assert!(counts.iter().all(|count| (STARS as u64 * 4 / 5..STARS as u64 - LOST).contains(count)), "{counts:?}");
    assert!(widths.iter().all(|w| (w / FWHM_PX - 1.0).abs() < WIDTH_ERROR), "{widths:?}");
}

#[test]
fn stars_of_lights_laid_over_one_another_are_not_told_as_hot_pixels() {
    let folder = tempfile::tempdir().unwrap();
    let against_them = DITHERED.map(|shift| shift.map(|at: f64| at.round() as i64));
    write_lights(folder.path(), STAYING.map(|shift| shift.map(|at| at as f64)), against_them, None);
    let report = report(folder.path());
    assert_eq!(told(&report), None);
    let (counts, widths) = counts_and_widths(&report);
    // One star in seven is lost to hot pixels beside it that nothing tells, others in each light: 103 +- 4 of 120 stay.
    assert!(counts.iter().all(|count| (87..=STARS as u64).contains(count)), "{counts:?}");
    assert!(widths.iter().all(|w| (w / FWHM_PX - 1.0).abs() < WIDTH_ERROR), "{widths:?}");
}
