//! Frames that do not belong together, or are not what their headers say: told apart by pixels, cards and the laws of silicon.

use std::path::Path;

use serde_json::Value;
use skygrain::simulate::{Detector, FrameRecipe, HeaderCard, write_frame};

use crate::explained_noise::{EXPOSURE_S, FWHM_PX, LIGHTS, camera, cards, codes, light, write_calibration, written};
use crate::raw_fits::{report, row};

const GAIN: f64 = 0.8;
const OFFSET: f64 = 500.0;

/// Lights of a camera under a header that says `kind`.
fn write_lights(folder: &Path, name: &str, kind: &str, camera: &Detector, change: impl Fn(u64, &mut Vec<HeaderCard>)) {
    for n in 0..LIGHTS {
        let mut cards = cards(kind, EXPOSURE_S, n);
        change(n, &mut cards);
        write_frame(&folder.join(format!("{name}-{n}.fits")), &light(camera, n), &cards).unwrap();
    }
}

fn set(cards: &mut Vec<HeaderCard>, card: HeaderCard) {
    cards.retain(|c| c.keyword != card.keyword);
    cards.push(card);
}

fn night(camera: &Detector, write: impl FnOnce(&Path)) -> Value {
    let folder = tempfile::tempdir().unwrap();
    write_calibration(folder.path(), camera);
    write(folder.path());
    report(folder.path())
}

fn value(q: &Value) -> (f64, f64) {
    (q["value"].as_f64().unwrap_or(f64::NAN), q["sigma"].as_f64().unwrap_or(f64::NAN))
}

/// Errors by which bias level, read noise and gain may differ from the camera's.
const SIGMAS: f64 = 4.0;

fn knows_its_camera(name: &str, sensor: &Value, camera: &Detector) {
    let read_noise_adu = camera.read_noise_e / camera.gain_e_per_adu;
    for (key, want) in [
        ("gain_e_per_adu", camera.gain_e_per_adu),
        ("bias_level_adu", camera.offset_adu),
        ("read_noise_adu", read_noise_adu),
    ] {
        let (told, sigma) = value(&sensor[key]);
        assert!((told - want).abs() < SIGMAS * sigma && sigma < 0.05 * want, "{name}: {key} {told} +- {sigma}, {want}");
    }
}

#[test]
fn lights_that_headers_call_bias_dark_or_flat_are_lights() {
    for (kind, seed) in [("BIAS", 11), ("DARK", 12), ("FLAT", 13)] {
        let camera = camera(GAIN, OFFSET, seed);
        let report = night(&camera, |folder| {
            write_lights(folder, "sky", "LIGHT", &camera, |_, _| {});
            write_lights(folder, "mislabelled", kind, &camera, |n, cards| {
                set(cards, HeaderCard::text("DATE-OBS", &format!("2031-11-02T22:{n:02}:00"), ""));
            });
        });
        for n in 0..LIGHTS {
            let row = row(&report, &format!("mislabelled-{n}.fits"));
            assert_eq!((row["kind"].as_str(), row["status"].as_str()), (Some("light"), Some("used")), "{kind}: {row}");
        }
        assert!(codes(&report).contains(&"kind-contradicted"), "{kind}: {:?}", codes(&report));
        knows_its_camera(kind, &report["sensors"][0], &camera);
        let (fwhm, _) = value(&report["sessions"][0]["fwhm_px"]);
        // Widths of twelve lights of 60 stars.
        assert!((fwhm / FWHM_PX - 1.0).abs() < 0.01, "{kind}: {fwhm}");
        assert_eq!(report["sessions"][0]["noise_check"]["verdict"], "explained", "{kind}");
    }
}

#[test]
fn flats_that_headers_call_dark_or_bias_are_flats() {
    for (kind, seed) in [("DARK", 14), ("BIAS", 15)] {
        let camera = camera(GAIN, OFFSET, seed);
        let report = night(&camera, |folder| {
            write_lights(folder, "sky", "LIGHT", &camera, |_, _| {});
            for n in 0..2 {
                let lit = FrameRecipe {
                    exposure_s: 1.0,
                    sky_e_per_px_s: 20_000.0,
                    ..FrameRecipe::unlit(camera.clone(), 700 + n)
                };
                let image = skygrain::simulate::render(&lit).0;
                write_frame(&folder.join(format!("odd-{n}.fits")), &image, &cards(kind, 2.5, n)).unwrap();
            }
        });
        for n in 0..2 {
            assert_eq!(row(&report, &format!("odd-{n}.fits"))["kind"], "flat", "{kind}");
        }
        knows_its_camera(kind, &report["sensors"][0], &camera);
    }
}

#[test]
fn a_light_on_a_pedestal_is_no_flat() {
    let camera = camera(GAIN, 33_000.0, 16);
    let report = night(&camera, |folder| write_lights(folder, "sky", "LIGHT", &camera, |_, _| {}));
    assert_eq!(report["sessions"][0]["frame_counts"]["used"], LIGHTS, "{}", report["sessions"]);
    knows_its_camera("pedestal", &report["sensors"][0], &camera);
    assert_eq!(report["sessions"][0]["noise_check"]["verdict"], "explained");
}

/// Biases of a second with so much dark current, e-/px/s, that it doubles the noise.
#[test]
fn exposed_biases_are_darks_where_others_are_not_exposed() {
    let camera = camera(GAIN, OFFSET, 17);
    let exposed = |folder: &Path| {
        for n in 10..16 {
            let warm =
                FrameRecipe { exposure_s: 1.0, dark_e_per_px_s: 48.0, ..FrameRecipe::unlit(camera.clone(), 800 + n) };
            written(folder, "bias", 1.0, n, warm);
        }
    };
    let report = night(&camera, |folder| {
        write_lights(folder, "sky", "LIGHT", &camera, |_, _| {});
        exposed(folder);
    });
    assert_eq!(row(&report, "bias-12.fits")["kind"], "dark");
    knows_its_camera("exposed biases", &report["sensors"][0], &camera);
    let alone = tempfile::tempdir().unwrap();
    exposed(alone.path());
    let alone = crate::raw_fits::report(alone.path());
    assert!(codes(&alone).contains(&"exposed-bias"), "{:?}", codes(&alone));
}

#[test]
fn two_pitches_under_one_name_are_two_sensors_and_two_focal_lengths_two_sessions() {
    let (small, large) = (camera(0.8, OFFSET, 18), camera(1.9, OFFSET, 19));
    let folder = tempfile::tempdir().unwrap();
    for (name, camera, pitch) in [("small", &small, 3.8), ("large", &large, 5.4)] {
        let own = folder.path().join(name);
        std::fs::create_dir(&own).unwrap();
        write_calibration(&own, camera);
        write_lights(&own, "sky", "LIGHT", camera, |_, _| {});
        with_pitch(&own, pitch);
    }
    let report = report(folder.path());
    let sensors = report["sensors"].as_array().unwrap();
    assert_eq!(sensors.len(), 2, "{:?}", sensors.iter().map(|s| &s["id"]).collect::<Vec<_>>());
    for sensor in sensors {
        let camera = if sensor["id"].as_str().unwrap().contains("3.8 um") { &small } else { &large };
        knows_its_camera("two pitches", sensor, camera);
    }
    assert_eq!(report["sessions"].as_array().unwrap().len(), 2);

    let camera = camera(GAIN, OFFSET, 20);
    let report = night(&camera, |folder| {
        write_lights(folder, "sky", "LIGHT", &camera, |n, cards| {
            // A focuser that writes its own length, and a reducer after half of the night.
            let focal = if n < LIGHTS / 2 { 500.0 + n as f64 } else { 350.0 };
            set(cards, HeaderCard::real("FOCALLEN", focal, "mm"));
        });
    });
    let scales: Vec<f64> =
        report["sessions"].as_array().unwrap().iter().map(|s| value(&s["image_scale_arcsec_per_px"]).0).collect();
    assert_eq!(scales.len(), 2, "{scales:?}");
    // 206.265 times 4.4 um over the focal length.
    let want = [206.265 * 4.4 / 350.0, 206.265 * 4.4 / 501.0];
    assert!(want.iter().all(|w| scales.iter().any(|s| (s / w - 1.0).abs() < 0.005)), "{scales:?} {want:?}");
}

/// Writes every file of a folder anew with another pixel pitch.
fn with_pitch(folder: &Path, pitch_um: f64) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let mut bytes = std::fs::read(&path).unwrap();
        let at = bytes.windows(9).position(|w| w == b"XPIXSZ  =").expect("a card of the pitch");
        let card = format!("{:<80}", format!("XPIXSZ  = {pitch_um:>20.1}"));
        bytes[at..at + 80].copy_from_slice(card.as_bytes());
        std::fs::write(&path, bytes).unwrap();
    }
}

/// Bias frames and darks of 60 s at 0 and 10 C with these rates, e-/px/s.
fn darks(seed: u64, celsius: [f64; 2], rates: [f64; 2]) -> Value {
    let camera = camera(GAIN, OFFSET, seed);
    night(&camera, |folder| {
        write_lights(folder, "sky", "LIGHT", &camera, |_, _| {});
        for n in 0..4 {
            std::fs::remove_file(folder.join(format!("dark-{n}.fits"))).unwrap();
        }
        for n in 0..8 {
            let at = (n / 4) as usize;
            let dark = FrameRecipe {
                exposure_s: EXPOSURE_S,
                dark_e_per_px_s: rates[at],
                ..FrameRecipe::unlit(camera.clone(), 900 + n)
            };
            let mut cards = cards("DARK", EXPOSURE_S, n);
            set(&mut cards, HeaderCard::real("CCD-TEMP", celsius[at], "C"));
            let image = skygrain::simulate::render(&dark).0;
            write_frame(&folder.join(format!("warm-{n}.fits")), &image, &cards).unwrap();
        }
    })
}

#[test]
fn a_doubling_step_that_silicon_has_not_is_not_used() {
    for (step, usual, seed) in
        [(1.4, false, 21), (158.0, false, 22), (2.5, false, 23), (20.0, false, 24), (6.0, true, 25)]
    {
        let report = darks(seed, [0.0, 10.0], [0.4, 0.4 * 2f64.powf(10.0 / step)]);
        let dark = &report["sensors"][0]["dark_current"];
        let (told, _) = value(&dark["doubling_celsius"]);
        assert_eq!(dark["doubling_celsius"]["source"] == "measured", usual, "{step}: {}", dark["doubling_celsius"]);
        assert_eq!(codes(&report).contains(&"dark-law-not-of-silicon"), !usual, "{step}: {:?}", codes(&report));
        assert!((4.0..10.0).contains(&told), "{step}: {told}");
        let cooling = report["answers"].as_array().unwrap().iter().find(|a| a["question"] == "cooling").unwrap();
        if !usual {
            assert_ne!(cooling["confidence"]["level"], "high", "{step}: {cooling}");
            assert_ne!(cooling["confidence"]["level"], "medium", "{step}: {cooling}");
        }
    }
}

#[test]
fn darks_of_one_stated_temperature_that_differ_eightfold_are_named() {
    let report = darks(26, [5.0, 5.0], [0.4, 3.2]);
    assert!(codes(&report).contains(&"darks-differ"), "{:?}", codes(&report));
    let alike = darks(27, [5.0, 5.0], [0.4, 0.44]);
    assert!(!codes(&alike).contains(&"darks-differ"), "{:?}", codes(&alike));
}
