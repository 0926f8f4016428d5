//! The same night again: what was measured is not measured twice, and the report does not tell the difference.

use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};

use crate::command_line::skygrain_in;
use crate::raw_fits::*;

use skygrain::folder::{Rig, find_files};
use skygrain::night::{Kept, NightInput, Scope, Tally, What, run, run_on};
use skygrain::report::json;
use skygrain::simulate::write_night;

/// A night with all kinds of frames in `frames`, beside `report`.
fn simulated() -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    write_night(&dir.path().join("frames"), 1, &|_, _| {}).unwrap();
    dir
}

fn input(dir: &Path, rig: Rig) -> NightInput {
    NightInput { folders: vec![dir.join("frames")], out: dir.join("report"), rig, stars: true }
}

/// Report and counts of a run that keeps.
fn keeping(dir: &Path, rig: Rig) -> (String, [Tally; 4]) {
    let input = input(dir, rig);
    let kept = Kept::in_folder(dir.join("report/cache"), false);
    let files = find_files(&input.folders, &input.out).unwrap();
    let report = run_on(files, &input, Scope::Night, &kept, &|_, _, _| {}).unwrap();
    (json(&report).unwrap(), [What::Look, What::Sensor, What::Light, What::SkyNoise].map(|w| kept.tally(w)))
}

fn entries(dir: &Path) -> Vec<PathBuf> {
    let all = std::fs::read_dir(dir.join("report/cache")).unwrap().map(|e| e.unwrap().path());
    let mut all: Vec<PathBuf> = all.filter(|p| p.extension().is_some_and(|e| e == "kept")).collect();
    all.sort();
    all
}

#[test]
fn a_cold_a_warm_and_a_half_warm_run_give_the_same_bytes() {
    let dir = simulated();
    let before = snapshot(&dir.path().join("frames"));
    let plain = json(&run(&input(dir.path(), Rig::default()), Scope::Night, &|_, _, _| {}).unwrap()).unwrap();
    let (cold, counts) = keeping(dir.path(), Rig::default());
    let fits = counts[0].measured;
    assert!(fits >= 60 && counts.iter().all(|c| c.kept == 0 && c.measured > 0), "{counts:?}");
    let (warm, counts) = keeping(dir.path(), Rig::default());
    assert_eq!(counts.map(|c| c.measured), [0; 4], "nothing is measured again");
    assert_eq!(counts[0].kept, fits);
    // Every second entry goes, one is cut, one is filled with other bytes, one is another's.
    let all = entries(dir.path());
    for (i, path) in all.iter().enumerate() {
        match i % 8 {
            0 => std::fs::remove_file(path).unwrap(),
            2 => std::fs::write(path, &std::fs::read(path).unwrap()[..100]).unwrap(),
            4 => std::fs::write(path, vec![0xA5; 5000]).unwrap(),
            6 => std::fs::copy(&all[i - 1], path).map(drop).unwrap(),
            _ => {}
        }
    }
    let (half, counts) = keeping(dir.path(), Rig::default());
    let measured: usize = counts.iter().map(|c| c.measured).sum();
    assert_eq!(measured, all.len().div_ceil(2), "{counts:?}");
    assert!(plain == cold && cold == warm && warm == half);
    assert!(snapshot(&dir.path().join("frames")) == before, "the frames' folder was changed");
}

#[test]
fn ten_more_frames_measure_ten() {
    let dir = tempfile::tempdir().unwrap();
    let put = |seeds: std::ops::Range<u64>| {
        for seed in seeds {
            std::fs::create_dir_all(dir.path().join("frames")).unwrap();
            std::fs::write(dir.path().join(format!("frames/{seed:03}.fits")), light(seed, &[])).unwrap();
        }
    };
    put(0..5);
    keeping(dir.path(), Rig::default());
    put(5..15);
    let (_, [looks, _, lights, _]) = keeping(dir.path(), Rig::default());
    assert_eq!((looks, lights), (Tally { measured: 10, kept: 5 }, Tally { measured: 10, kept: 5 }));
}

#[test]
fn a_changed_file_is_measured_anew_and_an_unchanged_one_is_taken_as_it_was() {
    let dir = folder_of([("frames/a.fits", light(1, &[])), ("frames/b.fits", light(2, &[]))]);
    let path = dir.path().join("frames/a.fits");
    let (first, _) = keeping(dir.path(), Rig::default());
    // Touched: the same bytes at another time.
    let set_time = |time| std::fs::File::options().write(true).open(&path).unwrap().set_modified(time).unwrap();
    set_time(SystemTime::now() + Duration::from_secs(10));
    let (touched, counts) = keeping(dir.path(), Rig::default());
    assert_eq!((counts[0].measured, counts[2].measured), (1, 1));
    assert!(first == touched);
    std::fs::write(&path, light(3, &[])).unwrap();
    let (changed, counts) = keeping(dir.path(), Rig::default());
    assert_eq!((counts[0].measured, counts[2].measured), (1, 1));
    assert!(first != changed);
    std::fs::remove_file(dir.path().join("frames/b.fits")).unwrap();
    keeping(dir.path(), Rig::default());
}

#[test]
fn what_is_kept_answers_even_where_the_file_has_secretly_changed() {
    // Beyond the first bytes, at the same size and time: nothing tells the change, so the old values must come back.
    let mut cards = base_cards(400, 400);
    set(&mut cards, "IMAGETYP= 'LIGHT'");
    let frame = |seed: u64| {
        let mut detector = skygrain::simulate::Detector::even(400, 400);
        detector.gain_e_per_adu = 0.8;
        let star = |i: usize| skygrain::simulate::SimStar {
            x: 30.0 + 60.0 * (i % 6) as f64,
            y: 120.0 + 60.0 * (i / 6) as f64,
            flux_e: 30_000.0,
            fwhm_major_px: 2.5 + seed as f64,
            fwhm_minor_px: 2.5 + seed as f64,
            angle_rad: 0.0,
            image: skygrain::simulate::StarImage::Moffat { beta: 3.5 },
        };
        let recipe = skygrain::simulate::FrameRecipe {
            exposure_s: 60.0,
            sky_e_per_px_s: 3.0,
            stars: (0..24).map(star).collect(),
            ..skygrain::simulate::FrameRecipe::unlit(detector, 7)
        };
        file(&cards, &unsigned(skygrain::simulate::render(&recipe).0))
    };
    let (old, mut new) = (frame(0), frame(1));
    new[..1 << 16].copy_from_slice(&old[..1 << 16]);
    let dir = folder_of([("frames/a.fits", old)]);
    let path = dir.path().join("frames/a.fits");
    let time = std::fs::metadata(&path).unwrap().modified().unwrap();
    let (first, _) = keeping(dir.path(), Rig::default());
    std::fs::write(&path, new).unwrap();
    std::fs::File::options().write(true).open(&path).unwrap().set_modified(time).unwrap();
    let (again, counts) = keeping(dir.path(), Rig::default());
    assert_eq!(counts.map(|c| c.measured), [0; 4]);
    assert!(first == again);
    let anew = json(&run(&input(dir.path(), Rig::default()), Scope::Night, &|_, _, _| {}).unwrap()).unwrap();
    assert!(anew != first, "the secret change would have shown");
}

#[test]
fn rig_keys_that_change_a_measurement_measure_anew_and_others_do_not() {
    let dir = folder_of([("frames/a.fits", light(1, &["XPIXSZ  = 3.76", "FOCALLEN= 530"]))]);
    let with = |rig: Rig| {
        let fresh = json(&run(&input(dir.path(), rig.clone()), Scope::Night, &|_, _, _| {}).unwrap()).unwrap();
        let (report, [looks, sensors, lights, _]) = keeping(dir.path(), rig);
        assert!(report == fresh, "as without anything kept");
        [looks, sensors, lights].map(|c| c.measured)
    };
    assert_eq!(with(Rig::default()), [1, 1, 1]);
    assert_eq!(with(Rig { focal_mm: Some(600.0), ..Rig::default() }), [0, 0, 0], "the scale is no measurement");
    assert_eq!(with(Rig { gain_e_per_adu: Some(0.8), ..Rig::default() }), [0, 1, 1], "weights follow the gain");
    assert_eq!(with(Rig { saturation_adu: Some(3000.0), ..Rig::default() }), [0, 1, 1]);
    assert_eq!(with(Rig { cfa: Some("RGGB".to_owned()), ..Rig::default() }), [0, 1, 1]);
}

#[test]
fn verbose_says_what_was_measured_and_fresh_measures_all() {
    let dir = folder_of([("n/a.fits", light(1, &[])), ("n/b.fits", light(2, &[]))]);
    let lights = |arguments: &[&str]| {
        let ran = skygrain_in(dir.path(), &[&["night", "n", "--out", "o", "-v"], arguments].concat());
        assert_eq!(ran.status, Some(0), "{}", ran.stderr);
        ran.stderr.lines().find(|l| l.contains("lights:")).unwrap().to_owned()
    };
    assert_eq!(lights(&[]), "skygrain: lights: 2 measured, 0 as kept from earlier");
    let report = || std::fs::read(dir.path().join("o/report.json")).unwrap();
    let first = report();
    assert_eq!(lights(&[]), "skygrain: lights: 0 measured, 2 as kept from earlier");
    assert!(report() == first);
    assert_eq!(lights(&["--fresh"]), "skygrain: lights: 2 measured, 0 as kept from earlier");
    // It may go at any time.
    std::fs::remove_dir_all(dir.path().join("o/cache")).unwrap();
    assert_eq!(lights(&[]), "skygrain: lights: 2 measured, 0 as kept from earlier");
    assert!(report() == first);
}

#[test]
fn what_no_frame_needs_any_more_is_not_kept() {
    let dir = folder_of([("n/a.fits", light(1, &[])), ("n/b.fits", light(2, &[]))]);
    let count = || {
        let ran = skygrain_in(dir.path(), &["night", "n", "--out", "report"]);
        assert_eq!(ran.status, Some(0), "{}", ran.stderr);
        entries(dir.path()).len()
    };
    // A look and stars of each, one sensor, the noise of their difference.
    assert_eq!(count(), 6);
    std::fs::remove_file(dir.path().join("n/b.fits")).unwrap();
    assert_eq!(count(), 3);
}
