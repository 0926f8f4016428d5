//! The sensor stage on real frames, which are not part of the project: `SKYGRAIN_REAL_FRAMES` names their folder.
//!
//! Expected values were measured independently with astropy and scipy (clipped statistics of the same files).

use skygrain::report::InWords;
use std::path::{Path, PathBuf};

use skygrain::fits::ImageFile;
use skygrain::folder::FrameKind;
use skygrain::sensor::{CalibrationFrame, SensorHints, SensorOutcome, characterise};

/// Two independent estimators of the gain (tiles of another size, another clip) agree to this.
const GAIN_AGREEMENT: f64 = 0.015;
/// The independent rates are medians of whole ADU; the mean of the pixels that are not hot lies up to 6 % above.
const RATE_AGREEMENT: f64 = 0.08;

fn folder(name: &str) -> Option<PathBuf> {
    crate::real_frames(name).map(|root| root.join(name))
}

fn frames(folder: &Path, kind_of: impl Fn(&str) -> Option<FrameKind>) -> Vec<CalibrationFrame> {
    let mut paths: Vec<PathBuf> = std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()).collect();
    paths.sort();
    let mut frames = Vec::new();
    for path in paths {
        let name = path.file_name().unwrap().to_string_lossy().to_lowercase();
        let Some(kind) = kind_of(&name) else { continue };
        let cards = ImageFile::open(&path).unwrap().cards().unwrap();
        frames.push(CalibrationFrame {
            kind,
            exposure_s: cards.number("EXPTIME"),
            celsius: cards.number("CCD-TEMP"),
            filter: cards.text("FILTER").map(str::to_owned),
            path,
        });
    }
    frames
}

fn print(outcome: &SensorOutcome) {
    println!("{}", serde_json::to_string_pretty(&outcome.result).unwrap());
    println!("{:?}\n{:?}", outcome.failures, outcome.cautions);
}

#[test]
fn the_dark_ladder_gives_gain_rates_and_doubling_step() {
    let Some(folder) = folder("dark-ladder") else { return };
    let frames = frames(&folder, |name| match name {
        n if n.starts_with("bias") => Some(FrameKind::Bias),
        n if n.starts_with("dark") => Some(FrameKind::Dark),
        n if n.starts_with("flat") => Some(FrameKind::Flat),
        _ => None,
    });
    let hints = SensorHints { header_gain: Some((2.06, "EGAIN".to_owned())), ..SensorHints::default() };
    let outcome = characterise(&frames, &hints, &|_| {});
    print(&outcome);
    let sensor = &outcome.result;
    let gain = sensor.gain_e_per_adu.value.unwrap();
    assert!((gain / 1.936 - 1.0).abs() < GAIN_AGREEMENT, "{gain}");
    assert!(sensor.amplifiers.is_empty(), "one amplifier: {:?}", sensor.amplifiers);
    for (celsius, rate) in [(-10.2, 0.335), (-5.2, 0.667), (-0.2, 1.34)] {
        let point = sensor.dark_current.points.iter().find(|p| (p.celsius - celsius).abs() < 0.3).unwrap();
        let got = point.rate_e_per_px_s.value.unwrap();
        assert!((got / rate - 1.0).abs() < RATE_AGREEMENT, "{celsius}: {got}");
        let law = sensor.dark_current.rate_at(celsius).value.unwrap();
        assert!((law / rate - 1.0).abs() < 0.1, "{celsius}: law {law}");
    }
    // A doubling every 4.6 to 5.0 C between neighbours, 0.2 C more for the errors of the temperatures (0.4 C steps).
    let step = sensor.dark_current.doubling_celsius.value.unwrap();
    assert!((4.4..5.2).contains(&step), "{step}");
}

#[test]
fn the_cluster_night_gives_gain_and_read_noise() {
    let Some(folder) = folder("cluster-night") else { return };
    let frames = frames(&folder, |name| match name {
        n if n.starts_with("bias") => Some(FrameKind::Bias),
        n if n.starts_with("dark") => Some(FrameKind::Dark),
        n if n.starts_with("domeflat") => Some(FrameKind::Flat),
        _ => None,
    });
    let outcome = characterise(&frames, &SensorHints::default(), &|_| {});
    print(&outcome);
    let sensor = &outcome.result;
    let gain = sensor.gain_e_per_adu.value.unwrap();
    assert!((gain / 1.298 - 1.0).abs() < GAIN_AGREEMENT, "{gain}");
    let read = sensor.read_noise_adu.value.unwrap();
    assert!((5.7..=5.9).contains(&read), "{read}");
    assert!(sensor.dark_current.doubling_celsius.remark().unwrap().contains("assumption"));
}

#[test]
fn the_lights_of_a_crowded_cluster_are_refused_by_name() {
    let Some(folder) = folder("cluster-night") else { return };
    let frames = frames(&folder, |name| match name {
        n if n.starts_with("bias") => Some(FrameKind::Bias),
        n if n.starts_with("m13") => Some(FrameKind::Light),
        _ => None,
    });
    let gain = characterise(&frames, &SensorHints::default(), &|_| {}).result.gain_e_per_adu;
    println!("{gain:?}");
    // Stars fill the field: the quietest tiles read 0.7 to 1.1 e-/ADU for 1.298, by numpy outside this project.
    assert!(gain.value.is_none() && gain.why().contains("stars too faint to tell"), "{gain:?}");
}

#[test]
fn four_amplifiers_of_one_sensor_are_told_apart_by_their_noise() {
    let Some(folder) = folder("small") else { return };
    let frames = frames(&folder, |name| name.starts_with("esis1_0486").then_some(FrameKind::Bias));
    let result = characterise(&frames, &SensorHints::default(), &|_| {}).result;
    println!("{:?}", result.amplifiers);
    // Clipped deviation of the difference over sqrt 2 in the middle of each quadrant, by numpy; the codes of 1 ADU add
    // 1/12 ADU^2, and 5 MAD-sigma clip differently: 1.5 %.
    for (a, want) in result.amplifiers.iter().zip([4.025, 3.864, 4.168, 4.242]) {
        assert!((a.read_noise_adu.value.unwrap() / want - 1.0).abs() < 0.015, "{a:?}, {want}");
    }
    assert_eq!(result.amplifiers.len(), 4);
    for (a, want) in result.amplifiers.iter().zip([3558.0, 3790.0, 3648.0, 3438.0]) {
        assert!((a.bias_level_adu - want).abs() < 1.0, "{a:?}, {want}");
    }
}
