//! Codings that lose something, units, and files that change while they are read: faults that real files are known for.

use ndarray::Array2;
use rand::SeedableRng;
use rand_distr::{Distribution, Normal};

use skygrain::fits::ImageFile;
use skygrain::folder::Rig;
use skygrain::night::{NightInput, Scope, run};
use skygrain::report::FrameStatus;

use crate::raw_fits::*;
use crate::tile_files::{self, GZIP, GZIP_2, HCOMPRESS, NO_DITHER, PLIO, RICE, SUBTRACTIVE_DITHER};

/// Noise of the floating-point images, ADU.
const SIGMA_ADU: f64 = 5.0;

fn noise(seed: u64) -> Array2<f32> {
    let mut random = rand_xoshiro::Xoshiro256PlusPlus::seed_from_u64(seed);
    let normal = Normal::new(1000.0, SIGMA_ADU).unwrap();
    Array2::from_shape_fn((200, 200), |_| normal.sample(&mut random) as f32)
}

fn pixels_of(path: &std::path::Path) -> Vec<f64> {
    let image = ImageFile::open(path).unwrap().pixels().unwrap();
    let (rows, columns) = image.planes[0].dim();
    (0..rows).flat_map(|y| (0..columns).map(move |x| (x, y))).map(|(x, y)| image.planes[0].at(x, y)).collect()
}

fn sigma(values: impl Iterator<Item = f64> + Clone) -> f64 {
    let (n, sum) = values.clone().fold((0.0, 0.0), |(n, s), v| (n + 1.0, s + v));
    (values.map(|v| (v - sum / n).powi(2)).sum::<f64>() / (n - 1.0)).sqrt()
}

// Whole numbers come back bit for bit from every codec.
#[test]
fn whole_numbers_survive_every_codec_exactly() {
    let dir = tempfile::tempdir().unwrap();
    let image = stars(3);
    let want: Vec<f64> = image.iter().map(|v| f64::from(*v)).collect();
    for (name, coding) in [("r", RICE), ("g", GZIP), ("g2", GZIP_2), ("h", HCOMPRESS), ("p", PLIO)] {
        // PLIO packs masks: numbers up to 24 bits without a sign, so no unsigned offset.
        let path = dir.path().join(format!("{name}.fz"));
        tile_files::write(&path, coding, &image, &[], &["IMAGETYP= 'LIGHT'"], true);
        assert!(pixels_of(&path) == want, "{name}");
        assert_eq!(ImageFile::open(&path).unwrap().rounded_to_adu(), None, "{name}");
    }
}

// A step of a quarter, one and two standard deviations inflates the noise by sqrt(1 + step^2/12).
#[test]
fn lossy_floats_are_told_with_their_step_and_undefined_pixels_stay_where_they_were() {
    let dir = tempfile::tempdir().unwrap();
    let mut image = noise(1);
    // One in each tile, which is a row.
    (0..200).for_each(|y| image[[y, (y * 37) % 200]] = f32::NAN);
    let own = sigma(image.iter().filter(|v| v.is_finite()).map(|v| f64::from(*v)));
    for (dither, steps) in [(NO_DITHER, [0.25, 1.0, 2.0]), (SUBTRACTIVE_DITHER, [0.25, 1.0, 2.0])] {
        for (step, factor) in steps.into_iter().zip([1.0026_f64, 1.041, 1.155]) {
            let path = dir.path().join(format!("lossy{dither}-{step}.fz"));
            let step = step * SIGMA_ADU;
            tile_files::write_floats(&path, RICE, &image, Some(step as f32), dither);
            let told = ImageFile::open(&path).unwrap().rounded_to_adu().expect("it was rounded");
            assert!((told / step - 1.0).abs() < 1e-6, "{told} for {step}");
            let got = pixels_of(&path);
            for (i, (read, written)) in got.iter().zip(&image).enumerate() {
                assert_eq!(read.is_nan(), written.is_nan(), "pixel {i}");
                // Half a step is rounded away; dither moves within the step.
                assert!(read.is_nan() || (read - f64::from(*written)).abs() <= 0.51 * step, "pixel {i}");
            }
            // 40 000 pixels tell a standard deviation to 0.35 %, most of which both have in common. Without dither the
            // variance swings with the level's place between two steps, by (1/pi^2 + 4/r^2) exp(-2 pi^2/r^2) step^2 at
            // the first harmonic of the noise's characteristic function, r being step/sigma.
            let r = step / SIGMA_ADU;
            let pi2 = std::f64::consts::PI.powi(2);
            let swing = (1.0 / pi2 + 4.0 / (r * r)) * (-2.0 * pi2 / (r * r)).exp() * r * r / factor.powi(2) / 2.0;
            let tolerance = 0.005 + if dither == NO_DITHER { swing } else { 0.0 };
            let inflated = sigma(got.iter().copied().filter(|v| !v.is_nan())) / own;
            assert!((inflated / factor - 1.0).abs() < tolerance, "step {step}: {inflated}, expected {factor}");
        }
    }
    let lossless = dir.path().join("lossless.fz");
    tile_files::write_floats(&lossless, GZIP_2, &image, None, NO_DITHER);
    assert_eq!(ImageFile::open(&lossless).unwrap().rounded_to_adu(), None);
    std::fs::write(dir.path().join("good.fits"), light(1, &[])).unwrap();
    let report = report(dir.path());
    let lossy = |path: &str| warnings_about(&report, path).iter().any(|m| m.contains("lossy-quantised"));
    assert!(lossy("lossy-1-2.fz") && !lossy("lossless.fz") && !lossy("good.fits"), "{:#}", report["warnings"]);
}

// A file that grew while the others were looked at is looked at again, once; one that stopped half-way is
// left out whole.
#[test]
fn a_file_that_is_being_written_is_looked_at_again_once_and_never_half_measured() {
    let whole = light(2, &[]);
    let dir = folder_of([("a.fits", light(1, &[])), ("grows.fits", whole[..9000].to_vec())]);
    let stopped = dir.path().join("late.fits");
    std::fs::write(&stopped, &whole[..9000]).unwrap();
    let input = NightInput {
        folders: vec![dir.path().to_owned()],
        out: dir.path().join("no-such-output"),
        rig: Rig::default(),
        stars: false,
    };
    let (grows, total) = (dir.path().join("grows.fits"), 3);
    let report = run(&input, Scope::Frames, &|_, done, of| {
        // All were looked at: the camera writes on.
        if (done, of) == (total, total) {
            std::fs::write(&grows, &whole).unwrap();
            std::fs::write(&stopped, &whole[..20_000]).unwrap();
        }
    })
    .unwrap();
    let row = |name: &str| report.frames.iter().find(|f| f.path == name).unwrap();
    assert_eq!(row("grows.fits").status, FrameStatus::Used, "{:?}", row("grows.fits").reason());
    assert_eq!(row("late.fits").status, FrameStatus::Unreadable);
    let why = row("late.fits").reason().unwrap();
    assert!(why.contains("still being written") && why.contains("has 20000 of the 43840"), "{why}");
}

// Sky of 1000 e- and read noise of 4 e- at 0.8 e-/ADU scatter by sqrt(1016)/0.8 = 39.84 ADU; the same frame
// multiplied to electrons must not be multiplied again.
#[test]
fn a_frame_in_electrons_is_not_converted_twice() {
    use skygrain::simulate::{Detector, FrameRecipe, render};
    let detector = Detector { gain_e_per_adu: 0.8, read_noise_e: 4.0, ..Detector::even(160, 128) };
    let recipe = FrameRecipe { exposure_s: 100.0, sky_e_per_px_s: 10.0, ..FrameRecipe::unlit(detector, 5) };
    let sky = render(&recipe).0;
    let with_stars = stars(1);
    let electrons = |image: &Array2<u16>| {
        let mut cards = shape_cards(-32, &[160, 128]);
        let more = ["EXPTIME = 60.0", "IMAGETYP= 'LIGHT'", "GAIN    = 1", "EGAIN   = 0.8", "BUNIT   = 'electron'"];
        cards.extend(more.map(str::to_owned));
        let data = image.iter().flat_map(|v| (0.8 * f32::from(*v)).to_be_bytes()).collect::<Vec<u8>>();
        file(&cards, &data)
    };
    let report = report_of([
        ("raw.fits", light(1, &["GAIN    = 1", "EGAIN   = 0.8"])),
        ("done.fits", electrons(&with_stars)),
        ("sky.fits", file(&base_cards(160, 128), &unsigned(sky.iter().copied()))),
    ]);
    let noise = row(&report, "sky.fits")["sky_sigma_adu"].as_f64().unwrap();
    // 110 samples tell a tile's noise to 7 %, the median of its 48 tiles 2 %; three of that.
    assert!((noise / 39.84 - 1.0).abs() < 0.06, "{noise}");
    let gain_of = |name: &str| {
        let id = &row(&report, name)["sensor_id"];
        let sensor = report["sensors"].as_array().unwrap().iter().find(|s| s["id"] == *id).unwrap();
        (sensor["gain_e_per_adu"]["value"].as_f64(), sensor["gain_e_per_adu"]["method"].to_string())
    };
    assert_eq!(gain_of("raw.fits").0, Some(0.8));
    let (gain, method) = gain_of("done.fits");
    assert!(gain == Some(1.0) && method.contains("BUNIT"), "{gain:?} {method}");
    assert_ne!(row(&report, "done.fits")["session_id"], row(&report, "raw.fits")["session_id"]);
    assert!(warnings_about(&report, "done.fits").iter().any(|m| m.contains("electrons")));
}

// Zeros and negatives in flats reach no number, and flats in electrons stay apart from raw ones.
#[test]
fn flats_with_zeros_or_in_electrons_spoil_no_gain() {
    use skygrain::simulate::{Detector, FrameRecipe, render};
    let frame = |kind: &str, seed: u64, flat_e: f64, change: &dyn Fn(usize, f32) -> f32, extra: &[&str]| {
        let detector = Detector { gain_e_per_adu: 0.8, ..Detector::even(300, 300) };
        let recipe = FrameRecipe { exposure_s: 1.0, sky_e_per_px_s: flat_e, ..FrameRecipe::unlit(detector, seed) };
        let mut cards = shape_cards(-32, &[300, 300]);
        cards.extend(["EXPTIME = 1.0".to_owned(), format!("IMAGETYP= '{kind}'")]);
        cards.extend(extra.iter().map(|c| (*c).to_owned()));
        let pixels = render(&recipe).0;
        file(
            &cards,
            &pixels.iter().enumerate().flat_map(|(i, v)| change(i, f32::from(*v)).to_be_bytes()).collect::<Vec<u8>>(),
        )
    };
    let plain = |_: usize, v: f32| v;
    // A vignetted corner that over-subtraction took to zero and below.
    let spoilt = |i: usize, v: f32| match (i % 300 < 40 && i / 300 < 40, i % 2) {
        (true, 0) => 0.0,
        (true, _) => -3.0,
        _ => v,
    };
    let electrons = |_: usize, v: f32| 0.8 * v;
    let mut files = vec![
        ("b1.fits", frame("bias", 1, 0.0, &plain, &[])),
        ("b2.fits", frame("bias", 2, 0.0, &plain, &[])),
        ("f1.fits", frame("flat", 3, 10_000.0, &spoilt, &[])),
        ("f2.fits", frame("flat", 4, 10_000.0, &spoilt, &[])),
    ];
    let gain = |files: &[(&'static str, Vec<u8>)]| {
        let report = report_of(files.iter().map(|(n, b)| (*n, b.clone())));
        assert!(!report.to_string().contains("NaN"));
        let sensors = report["sensors"].as_array().unwrap();
        let raw = sensors.iter().find(|s| !s["id"].as_str().unwrap().contains("electrons")).unwrap();
        (raw["gain_e_per_adu"].clone(), report.clone())
    };
    let (raw, _) = gain(&files);
    // A pair of 300 x 300 px tells the gain to 0.5 %; three of that, and the corner is 2 % of the pixels.
    assert!((raw["value"].as_f64().expect("a gain") / 0.8 - 1.0).abs() < 0.02, "{raw:#}");
    files.push(("e1.fits", frame("flat", 5, 10_000.0, &electrons, &["BUNIT   = 'electron'"])));
    files.push(("e2.fits", frame("flat", 6, 10_000.0, &electrons, &["BUNIT   = 'electron'"])));
    let (with_electrons, report) = gain(&files);
    assert_eq!(raw["value"], with_electrons["value"], "flats in electrons change nothing");
    assert!(warnings_about(&report, "e1.fits").iter().any(|m| m.contains("electrons")), "{:#}", report["warnings"]);
}

// More than is taken into memory is refused by its header, before it is unpacked.
#[test]
fn a_gzip_stream_of_more_than_memory_holds_is_refused_by_name() {
    let mut cards = shape_cards(16, &[60_000, 45_000]);
    cards.push("IMAGETYP= 'LIGHT'".to_owned());
    // Noise does not compress: 6 MB could hold 6 GB at the best rate of the format, so only the limit speaks.
    let mut state = 1u32;
    let noise = (0..6_000_000).map(|_| {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (state >> 24) as u8
    });
    let packed = gzip(&[header(&cards), noise.collect()].concat());
    let report = report_of([("good.fits", light(1, &[])), ("huge.fits.gz", packed)]);
    left_out(&report, "huge.fits.gz", "unreadable", "more than the");
}
