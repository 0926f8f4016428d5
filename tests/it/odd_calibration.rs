//! Calibration frames that are of another time or camera, or no raw frames; what stands in for those that are missing; and numbers of
//! sensors with pixels that jump, glow and clip.

use std::path::Path;

use ndarray::Array2;
use serde_json::Value;
use skygrain::simulate::{
    CardValue, Detector, FrameRecipe, Glow, HeaderCard, SimStar, render, write_frame, write_frame_f32,
};

use crate::explained_noise::{EXPOSURE_S, LIGHTS, SIDE, camera, cards, codes, light, write_calibration};
use crate::raw_fits::{report, row};

const OFFSET: f64 = 500.0;
/// Errors by which a value may differ from the camera's.
const SIGMAS: f64 = 4.0;

fn dated(cards: Vec<HeaderCard>, day: &str) -> Vec<HeaderCard> {
    let of = |card: HeaderCard| match &card.value {
        CardValue::Text(moment) if card.keyword == "DATE-OBS" => {
            HeaderCard::text("DATE-OBS", &format!("{day}T{}", &moment[11..]), "")
        }
        _ => card,
    };
    cards.into_iter().map(of).collect()
}

fn value(q: &Value) -> (f64, f64) {
    (q["value"].as_f64().unwrap_or(f64::NAN), q["sigma"].as_f64().unwrap_or(f64::NAN))
}

fn near(name: &str, told: &Value, want: f64, most_sigma: f64) {
    let (v, sigma) = value(told);
    assert!((v - want).abs() < SIGMAS * sigma && sigma < most_sigma * want, "{name}: {v} +- {sigma}, {want}");
}

/// One file a recipe, with these cards.
fn write(folder: &Path, name: &str, recipe: FrameRecipe, cards: &[HeaderCard]) {
    write_frame(&folder.join(format!("{name}.fits")), &render(&recipe).0, cards).unwrap();
}

/// A camera's bias, flat and dark frames of one day.
fn calibration_of(folder: &Path, name: &str, camera: &Detector, day: &str) {
    let own = |kind: &str, seconds, n| dated(cards(kind, seconds, n), day);
    for n in 0..4 {
        write(folder, &format!("{name}-bias-{n}"), FrameRecipe::unlit(camera.clone(), 20 + n), &own("bias", 0.0, n));
        let lit =
            FrameRecipe { exposure_s: 1.0, sky_e_per_px_s: 16_000.0, ..FrameRecipe::unlit(camera.clone(), 30 + n) };
        write(folder, &format!("{name}-flat-{n}"), lit, &own("flat", 1.0, n));
        let dark =
            FrameRecipe { exposure_s: EXPOSURE_S, dark_e_per_px_s: 0.1, ..FrameRecipe::unlit(camera.clone(), 40 + n) };
        write(folder, &format!("{name}-dark-{n}"), dark, &own("dark", EXPOSURE_S, n));
    }
}

fn lights_of(folder: &Path, name: &str, camera: &Detector, day: &str) {
    for n in 0..LIGHTS {
        let path = folder.join(format!("{name}-light-{n}.fits"));
        write_frame(&path, &light(camera, n), &dated(cards("light", EXPOSURE_S, n), day)).unwrap();
    }
}

#[test]
fn calibration_frames_years_apart_are_two_sensors_and_lights_go_with_the_nearer() {
    let (old, new) = (camera(0.8, 500.0, 61), camera(1.5, 700.0, 62));
    let folder = tempfile::tempdir().unwrap();
    for (name, camera, day) in [("old", &old, "2029-03-04"), ("new", &new, "2032-05-06")] {
        calibration_of(folder.path(), name, camera, day);
        lights_of(folder.path(), name, camera, day);
    }
    let report = report(folder.path());
    let sensors = report["sensors"].as_array().unwrap();
    assert_eq!(sensors.len(), 2, "{:?}", codes(&report));
    for (camera, day) in [(&old, "2029-03-04"), (&new, "2032-05-06")] {
        let sensor = sensors.iter().find(|s| s["id"].as_str().unwrap().contains(day)).expect("its epoch in its name");
        near(day, &sensor["gain_e_per_adu"], camera.gain_e_per_adu, 0.05);
        near(day, &sensor["bias_level_adu"], camera.offset_adu, 0.01);
        let session = report["sessions"].as_array().unwrap().iter().find(|s| s["night"] == day).unwrap();
        assert_eq!(session["sensor_id"], sensor["id"]);
        assert_eq!(session["noise_check"]["verdict"], "explained", "{}", session["noise_check"]);
    }
    assert!(codes(&report).contains(&"calibration-epochs"));
}

#[test]
fn one_old_library_serves_new_lights_and_its_age_is_told() {
    let camera = camera(0.8, OFFSET, 63);
    let folder = tempfile::tempdir().unwrap();
    calibration_of(folder.path(), "library", &camera, "2030-01-02");
    lights_of(folder.path(), "new", &camera, "2031-11-02");
    let report = report(folder.path());
    assert_eq!(report["sensors"].as_array().unwrap().len(), 1);
    near("old library", &report["sensors"][0]["gain_e_per_adu"], 0.8, 0.05);
    let codes = codes(&report);
    assert!(codes.contains(&"calibration-old") && !codes.contains(&"calibration-epochs"), "{codes:?}");
}

/// A frame of real numbers, each of this kind and number.
fn write_mean(folder: &Path, kind: &str, number: u64, frames: &[Array2<u16>], seconds: f64) {
    let sum = frames.iter().fold(Array2::<f32>::zeros((SIDE, SIDE)), |sum, f| sum + f.mapv(f32::from));
    let path = folder.join(format!("mean-{kind}-{number}.fits"));
    write_frame_f32(&path, &(sum / frames.len() as f32), &cards(kind, seconds, number)).unwrap();
}

#[test]
fn means_among_raw_frames_are_left_out() {
    let camera = camera(0.8, OFFSET, 64);
    let folder = tempfile::tempdir().unwrap();
    write_calibration(folder.path(), &camera);
    lights_of(folder.path(), "raw", &camera, "2031-11-02");
    for n in 0..4u64 {
        let of = |recipe: &dyn Fn(u64) -> FrameRecipe| -> Vec<Array2<u16>> {
            (0..5).map(|k| render(&recipe(700 + 10 * n + k)).0).collect()
        };
        let unlit = |seed| FrameRecipe::unlit(camera.clone(), seed);
        write_mean(folder.path(), "bias", n, &of(&unlit), 0.0);
        let lit = |seed| FrameRecipe { exposure_s: 1.0, sky_e_per_px_s: 16_000.0, ..unlit(seed) };
        write_mean(folder.path(), "flat", n, &of(&lit), 1.0);
    }
    let report = report(folder.path());
    assert_eq!(row(&report, "mean-bias-1.fits")["reason_code"], "fractional-among-whole");
    assert_eq!(row(&report, "mean-flat-2.fits")["status"], "excluded");
    near("gain", &report["sensors"][0]["gain_e_per_adu"], 0.8, 0.05);
    near("read noise", &report["sensors"][0]["read_noise_e"], camera.read_noise_e, 0.05);
}

#[test]
fn smoothed_flats_tell_no_gain() {
    let camera = camera(1.0, OFFSET, 65);
    let folder = tempfile::tempdir().unwrap();
    write_calibration(folder.path(), &camera);
    for n in 0..6 {
        std::fs::remove_file(folder.path().join(format!("flat-{n}.fits"))).unwrap();
        let lit =
            FrameRecipe { exposure_s: 1.0, sky_e_per_px_s: 16_000.0, ..FrameRecipe::unlit(camera.clone(), 750 + n) };
        let raw = render(&lit).0;
        // Moved by half a pixel along both axes, as a resampling does.
        let at = |y: usize, x: usize| f64::from(raw[[y.min(SIDE - 1), x.min(SIDE - 1)]]);
        let moved = Array2::from_shape_fn((SIDE, SIDE), |(y, x)| {
            (0.25 * (at(y, x) + at(y, x + 1) + at(y + 1, x) + at(y + 1, x + 1))).round() as u16
        });
        write_frame(&folder.path().join(format!("flat-{n}.fits")), &moved, &cards("flat", 1.0, n)).unwrap();
    }
    lights_of(folder.path(), "raw", &camera, "2031-11-02");
    let report = report(folder.path());
    assert!(codes(&report).contains(&"flats-resampled"), "{:?}", codes(&report));
    assert_eq!(report["sensors"][0]["gain_e_per_adu"]["value"], Value::Null);
}

#[test]
fn biases_of_two_offsets_and_flats_of_two_gains_are_named() {
    let (own, other) = (camera(0.8, 500.0, 66), camera(1.6, 560.0, 66));
    let folder = tempfile::tempdir().unwrap();
    calibration_of(folder.path(), "own", &own, "2031-11-02");
    calibration_of(folder.path(), "other", &other, "2031-11-02");
    let report = report(folder.path());
    let codes = codes(&report);
    assert!(codes.contains(&"biases-differ") && codes.contains(&"flats-differ"), "{codes:?}");
    let alone = tempfile::tempdir().unwrap();
    calibration_of(alone.path(), "own", &own, "2031-11-02");
    let report = crate::raw_fits::report(alone.path());
    assert!(!self::codes(&report).iter().any(|c| c.ends_with("-differ")), "{:?}", self::codes(&report));
}

#[test]
fn darks_of_the_flats_exposure_stand_for_missing_biases() {
    for (seed, seconds, tells_noise) in [(67, 2.0, true), (68, 20.0, false)] {
        let camera = camera(0.8, OFFSET, seed);
        let folder = tempfile::tempdir().unwrap();
        for n in 0..6 {
            let unlit = FrameRecipe::unlit(camera.clone(), 770 + n);
            let dark = FrameRecipe { exposure_s: seconds, dark_e_per_px_s: 0.4, ..unlit.clone() };
            write(folder.path(), &format!("dark-flat-{n}"), dark, &cards("flat dark", seconds, n));
            let lit = FrameRecipe {
                exposure_s: seconds,
                dark_e_per_px_s: 0.4,
                sky_e_per_px_s: 16_000.0 / seconds,
                seed: 780 + n,
                ..unlit
            };
            write(folder.path(), &format!("flat-{n}"), lit, &cards("flat", seconds, n));
        }
        let report = report(folder.path());
        let sensor = &report["sensors"][0];
        near("gain", &sensor["gain_e_per_adu"], 0.8, 0.03);
        assert_eq!(sensor["read_noise_e"]["value"].is_f64(), tells_noise, "{}", sensor["read_noise_e"]);
        if tells_noise {
            // 0.8 e- of dark charge beside 16 of read noise.
            near("read noise", &sensor["read_noise_e"], (16.0f64 + 0.8).sqrt(), 0.05);
            assert!(sensor["read_noise_adu"]["note"].as_str().unwrap().contains("darks of 2 s"), "{sensor}");
        }
    }
}

#[test]
fn optics_that_cannot_be_are_named_and_a_scale_that_stars_deny_is_not_told() {
    let camera = camera(0.8, OFFSET, 69);
    let with = |more: &[HeaderCard]| {
        let folder = tempfile::tempdir().unwrap();
        write_calibration(folder.path(), &camera);
        for n in 0..LIGHTS {
            let mut cards = cards("light", EXPOSURE_S, n);
            cards.retain(|c| more.iter().all(|m| m.keyword != c.keyword));
            cards.extend(more.iter().cloned());
            write_frame(&folder.path().join(format!("light-{n}.fits")), &light(&camera, n), &cards).unwrap();
        }
        report(folder.path())
    };
    // f/80, and stars of 2.6 px that would be 0.05 arcsec wide.
    let odd = with(&[HeaderCard::real("FOCALLEN", 48_768.0, "mm"), HeaderCard::real("APTDIA", 609.6, "mm")]);
    assert!(codes(&odd).contains(&"focal-ratio"), "{:?}", codes(&odd));
    let session = &odd["sessions"][0];
    assert_eq!(session["image_scale_arcsec_per_px"]["value"], Value::Null, "{}", session["image_scale_arcsec_per_px"]);
    assert_eq!(session["fwhm_arcsec"]["value"], Value::Null);
    assert!(session["fwhm_px"]["value"].is_f64());
    // An aperture of 64 mm, which leaves stars of 1.2 arcsec at least, beside 206.265 * 4.4 / 512 arcsec/px.
    let good = with(&[HeaderCard::real("APTDIA", 64.0, "mm")]);
    assert!(!codes(&good).contains(&"focal-ratio"));
    assert!(good["sessions"][0]["fwhm_arcsec"]["value"].is_f64(), "{}", good["sessions"][0]["fwhm_arcsec"]);
}

#[test]
fn the_lights_own_ceiling_tells_the_saturation_where_flats_do_not() {
    let camera = camera(0.8, OFFSET, 70);
    for (stated, ceiling) in [(None, 23_456u16), (Some(60_000.0), 31_000)] {
        let folder = tempfile::tempdir().unwrap();
        for n in 0..4 {
            write(
                folder.path(),
                &format!("bias-{n}"),
                FrameRecipe::unlit(camera.clone(), 10 + n),
                &cards("bias", 0.0, n),
            );
        }
        for n in 0..LIGHTS {
            let stars: Vec<SimStar> = (0..25)
                .map(|k| {
                    let (x, y) = (50.3 + 95.0 * (k % 5) as f64 + n as f64, 50.1 + 95.0 * (k / 5) as f64);
                    let flux = if k < 6 { 900_000.0 } else { 20_000.0 + 4_000.0 * k as f64 };
                    SimStar { x, y, flux_e: flux, ..crate::false_skies::scattered(SIDE, 1, 2.6, [1.0, 1.0], 1)[0] }
                })
                .collect();
            let recipe = FrameRecipe {
                exposure_s: EXPOSURE_S,
                sky_e_per_px_s: 2.0,
                stars,
                ..FrameRecipe::unlit(camera.clone(), 500 + n)
            };
            let image = render(&recipe).0.mapv(|v| v.min(ceiling));
            let mut cards = cards("light", EXPOSURE_S, n);
            cards.extend(stated.map(|adu| HeaderCard::real("SATURATE", adu, "ADU")));
            write_frame(&folder.path().join(format!("light-{n}.fits")), &image, &cards).unwrap();
        }
        let report = report(folder.path());
        let told = &report["sensors"][0]["saturation_adu"];
        assert_eq!((told["value"].as_f64(), &told["source"]), (Some(f64::from(ceiling)), &"measured".into()), "{told}");
    }
}

/// Bias frames of which one pixel in a hundred jumps by this many ADU, half of the time.
fn jumping(read_noise_adu: f64, jump_adu: f64, seed: u64) -> Value {
    use rand::{RngExt, SeedableRng};
    let mut rng = rand_xoshiro::Xoshiro256PlusPlus::seed_from_u64(seed);
    let jumps: Vec<bool> = (0..SIDE * SIDE).map(|_| rng.random_bool(0.01)).collect();
    let detector = Detector { read_noise_e: read_noise_adu, ..camera(1.0, OFFSET, seed) };
    let folder = tempfile::tempdir().unwrap();
    for n in 0..6 {
        let mut image = render(&FrameRecipe::unlit(detector.clone(), 600 + n)).0;
        let mut pixels = image.iter_mut().zip(&jumps).filter(|(_, jumps)| **jumps);
        pixels.by_ref().for_each(|(v, _)| *v += if rng.random_bool(0.5) { jump_adu as u16 } else { 0 });
        write_frame(&folder.path().join(format!("bias-{n}.fits")), &image, &cards("bias", 0.0, n)).unwrap();
    }
    report(folder.path())
}

#[test]
fn read_noise_is_the_root_mean_square_and_that_of_ordinary_pixels_is_told_beside_it() {
    for (noise, jump, seed) in [(3.0, 20.0, 71), (3.0, 0.0, 72), (0.5, 6.0, 73)] {
        let report = jumping(noise, jump, seed);
        let sensor = &report["sensors"][0];
        // A jump of `j` half of the time has the variance `j^2 / 4`.
        let all = (noise * noise + 0.01 * jump * jump / 4.0f64).sqrt();
        let (told, _) = value(&sensor["read_noise_adu"]);
        // 2621 jumping pixels in five pairs: their share is known to 2 %, the rest to 0.2 %; coarse codes tell a noise to 1 %.
        assert!((told / all - 1.0).abs() < 0.02, "{noise} {jump}: {told}, {all}");
        let (ordinary, _) = value(&sensor["read_noise_tail"]["ordinary_adu"]);
        assert!((ordinary / noise - 1.0).abs() < 0.02, "{noise} {jump}: ordinary {ordinary}");
    }
}

#[test]
fn glow_beyond_the_cells_left_out_leaves_rate_and_doubling_step_alone() {
    const SECONDS: [f64; 2] = [60.0, 300.0];
    let law = |celsius: f64| 0.05 * 2f64.powf((celsius + 10.0) / 6.0);
    for (seed, rate_e_per_px_s, scale_px) in [(74, 2.0, 60.0), (75, 0.5, 90.0), (76, 6.0, 40.0)] {
        let camera = camera(0.8, OFFSET, seed);
        let folder = tempfile::tempdir().unwrap();
        let glow = Some(Glow { x: -5.0, y: 10.0, rate_e_per_px_s, scale_px });
        for (k, celsius) in [-10.0, 0.0, 10.0].into_iter().enumerate() {
            for n in 0..4 {
                let at = |kind: &str, seconds| {
                    let mut cards = cards(kind, seconds, n);
                    cards.retain(|c| c.keyword != "CCD-TEMP");
                    cards.push(HeaderCard::real("CCD-TEMP", celsius, "C"));
                    cards
                };
                let unlit = |seed| FrameRecipe::unlit(camera.clone(), seed + 100 * k as u64 + n);
                write(folder.path(), &format!("bias-{k}-{n}"), unlit(10_000), &at("bias", 0.0));
                let exposure_s = SECONDS[n as usize % 2];
                let dark = FrameRecipe { exposure_s, dark_e_per_px_s: law(celsius), glow, ..unlit(20_000) };
                write(folder.path(), &format!("dark-{k}-{n}"), dark, &at("dark", exposure_s));
                let lit = FrameRecipe { exposure_s: 1.0, sky_e_per_px_s: 16_000.0, ..unlit(30_000) };
                write(folder.path(), &format!("flat-{k}-{n}"), lit, &at("flat", 1.0));
            }
        }
        let report = report(folder.path());
        let dark = &report["sensors"][0]["dark_current"];
        assert!(dark["glow"].is_object(), "{seed}");
        let points = dark["points"].as_array().unwrap();
        for point in points {
            let want = law(point["celsius"].as_f64().unwrap());
            let (told, sigma) = value(&point["rate_e_per_px_s"]);
            eprintln!("{seed} {}: {told:.4} +- {sigma:.4}, {want:.4}", point["celsius"]);
            assert!((told - want).abs() < SIGMAS * sigma && sigma < 0.15 * want, "{point} {want}");
        }
        near("step", &dark["doubling_celsius"], 6.0, 0.15);
    }
}

#[test]
fn a_gradient_of_the_noise_is_no_second_amplifier() {
    // The read noise grows from side to side by a fifth, as heat that gathers makes it.
    let folder = tempfile::tempdir().unwrap();
    let quiet = camera(0.8, OFFSET, 77);
    for n in 0..8 {
        let image = render(&FrameRecipe::unlit(quiet.clone(), 900 + n)).0;
        let graded = Array2::from_shape_fn((SIDE, SIDE), |(y, x)| {
            let away = f64::from(image[[y, x]]) - OFFSET;
            (OFFSET + away * (2.0 + 0.4 * x as f64 / SIDE as f64)).round() as u16
        });
        write_frame(&folder.path().join(format!("bias-{n}.fits")), &graded, &cards("bias", 0.0, n)).unwrap();
    }
    let told = report(folder.path());
    assert!(!codes(&told).contains(&"several-amplifiers"), "{:?}", told["sensors"][0]["amplifiers"]);
    // The same in two halves.
    let folder = tempfile::tempdir().unwrap();
    for n in 0..8 {
        let image = render(&FrameRecipe::unlit(quiet.clone(), 900 + n)).0;
        let halves = Array2::from_shape_fn((SIDE, SIDE), |(y, x)| {
            let away = f64::from(image[[y, x]]) - OFFSET;
            (OFFSET + away * if x < SIDE / 2 { 2.0 } else { 2.4 }).round() as u16
        });
        write_frame(&folder.path().join(format!("bias-{n}.fits")), &halves, &cards("bias", 0.0, n)).unwrap();
    }
    assert!(codes(&report(folder.path())).contains(&"several-amplifiers"));
}
