//! Pixels that are not like the others, found in simulated darks and kept out of simulated lights.

use std::path::{Path, PathBuf};

use ndarray::Array2;

use crate::command_line::skygrain;
use skygrain::fits::ImageFile;
use skygrain::folder::Rig;
use skygrain::night::{NightInput, Scope, run};
use skygrain::report::{Report, write_defect_file};
use skygrain::sensor::{CalibrationFrame, DefectKind, SensorHints, SensorOutcome, characterise};
use skygrain::simulate::{
    DarkLaw, DarkSeries, Detector, FrameRecipe, HeaderCard, SeriesFrame, SimStar, render, write_frame, write_series,
};

const GAIN: f64 = 0.8;
const SIDE: usize = 256;
const LAW: DarkLaw = DarkLaw { rate_e_per_px_s: 0.05, reference_celsius: 0.0, activation_ev: 0.7 };
const HOT_SHARE: f64 = 0.004;

fn series(hot_share: f64, celsius: &[f64]) -> DarkSeries {
    let detector = Detector { seed: 5, gain_e_per_adu: GAIN, dark_scatter: 0.1, ..Detector::even(SIDE, SIDE) };
    DarkSeries {
        // Even in their logarithm from 0.15 to 50 e-/s at 0 C.
        detector: detector.with_hot_pixels(hot_share, 3.0, 1000.0),
        law: LAW,
        seed: 77,
        celsius: celsius.to_vec(),
        biases: 6,
        exposures_s: vec![300.0, 300.0, 300.0, 300.0, 300.0, 300.0, 60.0, 60.0, 60.0],
        drift_celsius: 0.0,
        wander_adu: 0.05,
    }
}

/// Rewrites a frame with some of its pixels changed.
fn change(path: &Path, cards: &[HeaderCard], places: &[usize], by: impl Fn(u16) -> u16) {
    let plane = ImageFile::open(path).unwrap().pixels().unwrap().planes.remove(0);
    let (h, w) = plane.dim();
    let mut image = Array2::from_shape_fn((h, w), |(y, x)| plane.at(x, y) as u16);
    places.iter().for_each(|i| image[[i / w, i % w]] = by(image[[i / w, i % w]]));
    std::fs::remove_file(path).unwrap();
    write_frame(path, &image, cards).unwrap();
}

fn measured(frames: &[SeriesFrame]) -> SensorOutcome {
    let frame = |f: &SeriesFrame| CalibrationFrame {
        path: f.path.clone(),
        kind: f.kind,
        exposure_s: Some(f.exposure_s),
        celsius: Some(f.celsius),
        filter: None,
    };
    let hints = SensorHints { rig_gain_e_per_adu: Some(GAIN), ..SensorHints::default() };
    characterise(&frames.iter().map(frame).collect::<Vec<_>>(), &hints, &|_| {})
}

// Truth by construction: which pixels are hot, by how much, and how uneven the others are.
#[test]
fn rates_of_the_pixels_come_back_with_their_distribution() {
    /// Pixels whose rate lies within the noise of a threshold fall on either side; 262 are hot or warm in all.
    const COUNT: f64 = 0.1;
    let folder = tempfile::tempdir().unwrap();
    let recipe = series(HOT_SHARE, &[-8.0, 0.0, 8.0]);
    let outcome = measured(&write_series(folder.path(), &recipe).unwrap());
    let sensor = &outcome.result;
    assert_eq!(sensor.pixel_dark_rates.len(), 3);
    for at in &sensor.pixel_dark_rates {
        let typical = LAW.rate_at(at.celsius.unwrap());
        assert_eq!((at.frames, at.pixels, at.full_pixels), (6, (SIDE * SIDE) as u64, 0));
        let above = |limit: f64| recipe.detector.hot_fraction_above(typical + limit, typical) * (SIDE * SIDE) as f64;
        let (hot, warm) = (at.hot_above_e_per_s.unwrap(), at.warm_above_e_per_s.unwrap());
        assert!(hot >= 1.0 && warm >= 0.1 && warm < hot, "{hot} {warm}");
        let (got_hot, got_all) =
            (at.hot_pixels.unwrap() as f64, at.hot_pixels.unwrap() as f64 + at.warm_pixels.unwrap() as f64);
        println!("{:?}: hot {got_hot} of {}, with warm {got_all} of {}", at.celsius, above(hot), above(warm));
        assert!((got_hot / above(hot) - 1.0).abs() < COUNT && (got_all / above(warm) - 1.0).abs() < COUNT);
        let median = at.quantiles.iter().find(|q| q.share == 0.5).unwrap().e_per_px_s;
        // The median of the pixels' noise is known to 1.25 sigma / 256, and the bins to half a per cent.
        let allowed = 0.01 * typical + 5.0 * at.noise_e_per_px_s.unwrap() / SIDE as f64;
        assert!((median - typical).abs() < allowed, "{median} {typical}");
        assert_eq!(at.histogram.iter().map(|s| s.pixels).sum::<u64>(), at.pixels);
        let (dsnu, sigma) = at.ordinary_dsnu_e_per_px_s.pair().unwrap();
        // Of the hot pixels those below 5 times the typical rate are ordinary: they add a few per cent when it is warm.
        println!("DSNU {dsnu} +- {sigma}, {}", 0.1 * typical);
        assert!((dsnu - 0.1 * typical).abs() < 4.0 * sigma + 0.1 * typical * 0.5, "{dsnu} +- {sigma}, {typical}");
        assert_eq!(at.not_linear_pixels, Some(0));
    }
    // The share is that of the warmest temperature's hot pixels, and its threshold the one that they were counted with.
    let (warmest, share) = (&sensor.pixel_dark_rates[2], &sensor.hot_pixel_fraction);
    assert_eq!(share.at_celsius, warmest.celsius);
    assert_eq!(share.fraction.value, Some(warmest.hot_pixels.unwrap() as f64 / warmest.pixels as f64));
    let above = share.threshold_e_per_s.unwrap() - warmest.hot_above_e_per_s.unwrap();
    assert!((above - LAW.rate_at(8.0)).abs() < 0.05 * above, "{above}");
    let (step, sigma) = sensor.hot_pixel_doubling_celsius.pair().unwrap();
    // All of them follow the one law, so their steps differ by noise alone; bins and typical rates add a hundredth.
    assert!((step - LAW.doubling_at(0.0)).abs() < 4.0 * sigma + 0.06, "{step} +- {sigma}");
    assert_eq!(outcome.defects.len(), 3);
}

#[test]
fn cosmic_rays_are_no_defects_and_a_pixel_that_does_not_grow_evenly_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let frames = write_series(folder.path(), &series(0.0, &[0.0])).unwrap();
    let struck: Vec<usize> = (0..60).map(|i| 1000 + 911 * i).collect();
    let stuck: Vec<usize> = (0..20).map(|i| 400 + 3001 * i).collect();
    for (k, frame) in frames.iter().filter(|f| f.exposure_s > 0.0).enumerate() {
        // Each dark has its own ten rays; the same charge comes with every exposure, long or short, in the stuck pixels.
        let own: Vec<usize> = struck.iter().copied().filter(|i| (i / 911) % 6 == k).collect();
        change(&frame.path, &[], &own, |v| v + 4000);
        change(&frame.path, &[], &stuck, |v| v + 900);
    }
    let outcome = measured(&frames);
    let found: Vec<(usize, DefectKind)> =
        outcome.defects[0].defects.iter().map(|d| (d.index as usize, d.kind)).collect();
    let want: Vec<(usize, DefectKind)> = stuck.iter().map(|i| (*i, DefectKind::NotLinear)).collect();
    assert_eq!(found, want);
    assert_eq!(outcome.result.pixel_dark_rates[0].not_linear_pixels, Some(20));
}

/// Lights with stars on a grid, beside the darks of the same detector.
fn night(folder: &Path, hot_share: f64) -> Report {
    let frames = folder.join("frames");
    std::fs::create_dir_all(&frames).unwrap();
    let recipe = series(hot_share, &[0.0]);
    write_series(&frames, &recipe).unwrap();
    let star = |i: usize| {
        let place = |k: usize| 20.0 + 27.0 * k as f64 + 0.37 * (i % 5) as f64;
        SimStar::round(place(i % 9), place(i / 9), 30_000.0, 2.6, 3.5)
    };
    for k in 0..3 {
        let light = FrameRecipe {
            exposure_s: 120.0,
            sky_e_per_px_s: 0.5,
            dark_e_per_px_s: LAW.rate_at(0.0),
            stars: (0..81).map(star).collect(),
            ..FrameRecipe::unlit(recipe.detector.clone(), 900 + k)
        };
        let cards = [
            HeaderCard::text("IMAGETYP", "Light", ""),
            HeaderCard::text("INSTRUME", "Bench Camera", ""),
            HeaderCard::real("EXPTIME", 120.0, "s"),
            HeaderCard::real("CCD-TEMP", 0.0, "degrees Celsius"),
        ];
        write_frame(&frames.join(format!("light{k}.fits")), &render(&light).0, &cards).unwrap();
    }
    let rig = Rig { gain_e_per_adu: Some(GAIN), ..Rig::default() };
    run(
        &NightInput { folders: vec![frames], out: folder.join("report"), rig, stars: false },
        Scope::Night,
        &|_, _, _| {},
    )
    .unwrap()
}

#[test]
fn many_hot_pixels_neither_add_stars_nor_widen_them() {
    /// 1.5 % of all pixels: every stamp of a star holds several, most of them brighter than the sky's noise.
    const MANY: f64 = 0.015;
    /// Widths of 81 stars in three frames are known to 0.3 %.
    const WIDTH: f64 = 0.01;
    let (clean, hot) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let (clean, hot) = (night(clean.path(), 0.0), night(hot.path(), MANY));
    let value = |r: &Report, pick: fn(&skygrain::report::Session) -> &skygrain::facts::Quantity| {
        pick(&r.sessions[0]).value.unwrap()
    };
    let (stars, wide) = (value(&hot, |s| &s.star_count), value(&hot, |s| &s.fwhm_px));
    println!("{stars} stars of {}, {wide} px of {}", value(&clean, |s| &s.star_count), value(&clean, |s| &s.fwhm_px));
    assert_eq!(value(&clean, |s| &s.star_count), 81.0);
    assert!((stars - 81.0).abs() <= 1.0, "{stars}");
    assert!((wide / value(&clean, |s| &s.fwhm_px) - 1.0).abs() < WIDTH, "{wide}");
    assert!(hot.sensors[0].defects.as_ref().unwrap().defects.len() > 500);
}

#[test]
fn the_map_in_the_file_is_the_map_of_the_darks() {
    let folder = tempfile::tempdir().unwrap();
    let report = night(folder.path(), HOT_SHARE);
    let map = report.sensors[0].defects.as_ref().unwrap();
    let path: PathBuf = folder.path().join("map.fits");
    write_defect_file(&path, &[(&report.sensors[0].id, map)], &[folder.path().join("frames")]).unwrap();
    let plane = ImageFile::open(&path).unwrap().pixels().unwrap().planes.remove(0);
    for defect in &map.defects {
        let (x, y) = (defect.index as usize % SIDE, defect.index as usize / SIDE);
        assert_eq!(plane.at(x, y), f64::from(defect.kind as u8));
    }
    let marked = (0..SIDE * SIDE).filter(|i| plane.at(i % SIDE, i / SIDE) > 0.0).count();
    assert_eq!(marked, map.defects.len());
}

#[test]
fn the_program_writes_the_map_and_never_over_what_is_not_one() {
    let folder = tempfile::tempdir().unwrap();
    let frames = folder.path().join("frames");
    std::fs::create_dir(&frames).unwrap();
    for frame in write_series(&frames, &series(HOT_SHARE, &[0.0])).unwrap() {
        let cards = [
            HeaderCard::text("IMAGETYP", frame.kind.label(), ""),
            HeaderCard::real("EXPTIME", frame.exposure_s, "s"),
            HeaderCard::real("CCD-TEMP", frame.celsius, "degrees Celsius"),
        ];
        change(&frame.path, &cards, &[], |v| v);
    }
    let at = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    let run = |map: &str| skygrain(&["sensor", &at("frames"), "--out", &at("report"), "--defects", &at(map)]);
    // The second time it takes the place of the first.
    for _ in 0..2 {
        let ran = run("map.fits");
        assert_eq!(ran.status, Some(0), "{}", ran.stderr);
        assert!(ran.stdout.contains("map.fits"), "{}", ran.stdout);
        let plane = ImageFile::open(&folder.path().join("map.fits")).unwrap().pixels().unwrap().planes.remove(0);
        assert_eq!(plane.dim(), (SIDE, SIDE));
        assert!((0..SIDE * SIDE).filter(|i| plane.at(i % SIDE, i / SIDE) > 0.0).count() > 100);
    }
    std::fs::write(folder.path().join("letter.fits"), "dear reader").unwrap();
    for elsewhere in ["letter.fits", "frames/map.fits"] {
        let ran = run(elsewhere);
        assert_eq!(ran.status, Some(2), "{elsewhere}: {}", ran.stdout);
        assert!(ran.stderr.contains(elsewhere), "{}", ran.stderr);
    }
    assert_eq!(std::fs::read(folder.path().join("letter.fits")).unwrap(), b"dear reader");
    assert!(!folder.path().join("frames/map.fits").exists());
}
