//! Pixels in every coding, with holes, in cubes and behind other HDUs; sensors that pack, clip or wrap.

use ndarray::Array2;
use serde_json::Value;

use skygrain::fits::{ImageFile, Pixels};
use skygrain::simulate::{Detector, FrameRecipe, render};

use crate::raw_fits::*;
use crate::tile_files::{self, GZIP, RICE};

#[test]
fn every_coding_gives_its_physical_values_exactly() {
    let want = [0i64, 1, 32767, 32768, 65535];
    let be16 = |off: i64| want.iter().flat_map(|v| ((v - off) as i16).to_be_bytes()).collect::<Vec<u8>>();
    let be32 = |off: i64| want.iter().flat_map(|v| ((v - off) as i32).to_be_bytes()).collect::<Vec<u8>>();
    type Case = (i32, &'static [&'static str], Vec<u8>, Vec<f64>);
    let cases: Vec<Case> = vec![
        (16, &["BZERO   = '32768'"], be16(32768), want.map(|v| v as f64).to_vec()),
        (16, &["BZERO   = 32768.0"], be16(32768), want.map(|v| v as f64).to_vec()),
        (16, &["BZERO   = 3.2768D4", "BSCALE  = 1.0"], be16(32768), want.map(|v| v as f64).to_vec()),
        (
            16,
            &["BZERO   = 0"],
            [-32768i16, -1, 0, 1, 32767].iter().flat_map(|v| v.to_be_bytes()).collect(),
            vec![-32768.0, -1.0, 0.0, 1.0, 32767.0],
        ),
        (8, &[], vec![0, 1, 127, 128, 255], vec![0.0, 1.0, 127.0, 128.0, 255.0]),
        (8, &["BZERO   = -128"], vec![0, 1, 127, 128, 255], vec![-128.0, -127.0, -1.0, 0.0, 127.0]),
        (32, &["BZERO   = 2147483648"], be32(2_147_483_648), want.map(|v| v as f64).to_vec()),
        (32, &[], be32(0), want.map(|v| v as f64).to_vec()),
        (
            64,
            &[],
            [-5i64, 0, 1, 65535, 100_000].iter().flat_map(|v| v.to_be_bytes()).collect(),
            vec![-5.0, 0.0, 1.0, 65535.0, 100_000.0],
        ),
        (
            -32,
            &[],
            [-1.5f32, 0.0, 0.25, 65535.0, 1e6].iter().flat_map(|v| v.to_be_bytes()).collect(),
            vec![-1.5, 0.0, 0.25, 65535.0, 1e6],
        ),
        (
            -64,
            &[],
            [-1.5f64, 0.0, 0.25, 65535.0, 1e6].iter().flat_map(|v| v.to_be_bytes()).collect(),
            vec![-1.5, 0.0, 0.25, 65535.0, 1e6],
        ),
        (16, &["BZERO   = 32768", "BLANK   = -32768"], be16(32768), vec![f64::NAN, 1.0, 32767.0, 32768.0, 65535.0]),
    ];
    for (bitpix, extra, data, want) in cases {
        let mut cards = shape_cards(bitpix, &[5, 1]);
        cards.extend(extra.iter().map(|c| (*c).to_owned()));
        let dir = folder_of([("a.fits", file(&cards, &data))]);
        let mut image = ImageFile::open(&dir.path().join("a.fits")).unwrap();
        // The way to the primary HDU and back must not lose the scaling.
        image.cards().unwrap();
        image.further_images().unwrap();
        let plane = &image.pixels().unwrap().planes[0];
        let got: Vec<f64> = (0..5).map(|x| plane.at(x, 0)).collect();
        assert!(got.iter().zip(&want).all(|(g, w)| g == w || g.is_nan() && w.is_nan()), "{bitpix} {extra:?}: {got:?}");
        assert_eq!(
            matches!(plane, Pixels::U16(_)),
            !want.iter().any(|w| w.is_nan() || *w < 0.0) && bitpix.abs() < 32 && bitpix > 0
        );
    }
}

fn floats(pixels: &Array2<f32>) -> Vec<u8> {
    let (height, width) = pixels.dim();
    let mut cards = shape_cards(-32, &[width, height]);
    cards.extend(["EXPTIME = 60.0", "IMAGETYP= 'LIGHT'"].map(str::to_owned));
    let data: Vec<u8> = pixels.iter().flat_map(|v| v.to_be_bytes()).collect();
    file(&cards, &data)
}

#[test]
fn undefined_pixels_are_left_out_and_a_frame_of_them_says_so() {
    let whole = stars(1).mapv(f32::from);
    let mut holes = whole.clone();
    holes.row_mut(2).fill(f32::NAN);
    holes.row_mut(70).fill(f32::NAN);
    holes[[5, 5]] = f32::INFINITY;
    holes[[6, 90]] = f32::NEG_INFINITY;
    let report = report_of([
        ("whole.fits", floats(&whole)),
        ("holes.fits", floats(&holes)),
        ("nothing.fits", floats(&Array2::from_elem((64, 64), f32::NAN))),
        ("infinite.fits", floats(&Array2::from_elem((64, 64), f32::INFINITY))),
    ]);
    for name in ["nothing.fits", "infinite.fits"] {
        left_out(&report, name, "unreadable", "no valid pixels");
    }
    let width = |name: &str| row(&report, name)["fwhm_px"]["value"].as_f64().unwrap();
    // The stars are the same; the rows lost touch none or few of them.
    assert!((width("holes.fits") / width("whole.fits") - 1.0).abs() < 0.02);
    assert!(row(&report, "holes.fits")["level_adu"].is_number());
    assert!(warnings_about(&report, "holes.fits").iter().any(|m| m.contains("undefined")), "{:#}", report["warnings"]);
}

#[test]
fn frames_without_stars_say_so() {
    let report = report_of([
        ("good.fits", light(1, &[])),
        ("constant.fits", {
            let cards = base_cards(128, 128);
            file(&cards, &unsigned(std::iter::repeat_n(1000, 128 * 128)))
        }),
        ("noise.fits", {
            let recipe = FrameRecipe {
                exposure_s: 60.0,
                sky_e_per_px_s: 3.0,
                ..FrameRecipe::unlit(Detector::even(1024, 1024), 4)
            };
            file(&base_cards(1024, 1024), &unsigned(render(&recipe).0))
        }),
        ("tiny.fits", file(&base_cards(3, 1), &unsigned([1, 2, 3]))),
    ]);
    for name in ["constant.fits", "noise.fits", "tiny.fits"] {
        left_out(&report, name, if name == "tiny.fits" { "unreadable" } else { "excluded" }, "star");
        assert!(row(&report, name)["star_count"].as_u64().is_none_or(|n| n <= 1), "{:#}", row(&report, name));
        assert!(row(&report, name)["fwhm_px"]["value"].is_null());
    }
    assert_eq!(row(&report, "constant.fits")["sky_sigma_adu"], 0.0);
    assert_eq!(row(&report, "good.fits")["status"], "used");
}

/// Stars of one width on a grid.
fn plane(fwhm_px: f64, seed: u64) -> Array2<u16> {
    let star = |i: usize| skygrain::simulate::SimStar {
        x: 16.0 + 32.0 * (i % 5) as f64 + 0.13 * i as f64,
        y: 16.0 + 32.0 * (i / 5) as f64 + 0.07 * i as f64,
        flux_e: 60_000.0,
        fwhm_major_px: fwhm_px,
        fwhm_minor_px: fwhm_px,
        angle_rad: 0.0,
        image: skygrain::simulate::StarImage::Moffat { beta: 3.5 },
    };
    let recipe = FrameRecipe {
        exposure_s: 60.0,
        sky_e_per_px_s: 3.0,
        stars: (0..20).map(star).collect(),
        ..FrameRecipe::unlit(Detector::even(160, 128), seed)
    };
    render(&recipe).0
}

#[test]
fn cubes_of_colours_unit_axes_and_interleaved_pixels() {
    let planes = [2.0, 2.4, 3.0].map(|f| plane(f, 1));
    let of = |axes: &[usize], pixels: Vec<u16>| {
        let mut cards = shape_cards(16, axes);
        cards.extend(["BZERO   = 32768", "EXPTIME = 60.0", "IMAGETYP= 'LIGHT'"].map(str::to_owned));
        file(&cards, &unsigned(pixels))
    };
    let one = || planes[1].iter().copied().collect::<Vec<u16>>();
    let all: Vec<u16> = planes.iter().flatten().copied().collect();
    let woven: Vec<u16> = (0..160 * 128).flat_map(|i| [0, 1, 2].map(|k| planes[k].as_slice().unwrap()[i])).collect();
    let report = report_of([
        ("cube.fits", of(&[160, 128, 3], all.clone())),
        ("unit.fits", of(&[160, 128, 1], one())),
        ("units.fits", of(&[160, 128, 1, 1], one())),
        ("woven.fits", of(&[3, 160, 128], woven)),
        ("four.fits", of(&[160, 32, 4, 3], all)),
    ]);
    // Stars of 20 at a signal of 60 000 e-: 1 % each at the most.
    let close = |got: &Value, want: f64| (got["value"].as_f64().unwrap() / want - 1.0).abs() < 0.02;
    for name in ["unit.fits", "units.fits"] {
        let row = row(&report, name);
        assert!(row["status"] == "used" && close(&row["fwhm_px"], 2.4), "{row:#}");
    }
    let cube = row(&report, "cube.fits");
    let of_planes = cube["plane_fwhm_px"].as_array().expect("a width for each plane");
    for (got, want) in of_planes.iter().zip([2.0, 2.4, 3.0]) {
        assert!(close(got, want), "{want}: {got:#}");
    }
    assert!(of_planes.len() == 3 && close(&cube["fwhm_px"], 2.4), "{cube:#}");
    assert!(warnings_about(&report, "cube.fits").iter().any(|m| m.contains("not raw")), "{:#}", report["warnings"]);
    // Interpolated noise and raw noise belong to no common session.
    assert_ne!(cube["session_id"], row(&report, "unit.fits")["session_id"]);
    for name in ["woven.fits", "four.fits"] {
        left_out(&report, name, "unreadable", "axes");
    }
}

#[test]
fn the_image_is_found_behind_blank_hdus_and_tables_and_cards_are_merged() {
    let image = stars(1);
    let dir = tempfile::tempdir().unwrap();
    let fz = |name: &str, coding, primary: &[&str], own: &[&str]| {
        tile_files::write(&dir.path().join(name), coding, &image, primary, own, true);
    };
    let kind = "IMAGETYP= 'LIGHT'";
    fz("own.fz", RICE, &[], &[kind, "EXPTIME = 60.0"]);
    fz("both.fz", RICE, &["EXPTIME = 60.0", "FILTER  = 'primary'"], &[kind, "FILTER  = 'own'"]);
    fz("gzip.fits.fz", GZIP, &[kind, "EXPTIME = 60.0"], &[]);
    let blank = header(&shape_cards(8, &[]));
    let table = {
        let cards = ["XTENSION= 'BINTABLE'", "BITPIX  = 8", "NAXIS   = 2", "NAXIS1  = 4", "NAXIS2  = 2", "PCOUNT  = 0"];
        let more = ["GCOUNT  = 1", "TFIELDS = 1", "TFORM1  = '1J'"];
        file(&cards.iter().chain(&more).map(|c| (*c).to_owned()).collect::<Vec<_>>(), &[0; 8])
    };
    let extension = || {
        let mut cards = base_cards(160, 128);
        cards[0] = "XTENSION= 'IMAGE   '".to_owned();
        cards.extend(["PCOUNT  = 0", "GCOUNT  = 1"].map(str::to_owned));
        file(&cards, &unsigned(image.iter().copied()))
    };
    let put = |name: &str, parts: &[Vec<u8>]| std::fs::write(dir.path().join(name), parts.concat()).unwrap();
    put("table.fits", &[blank.clone(), table.clone(), extension()]);
    put("two.fits", &[blank.clone(), extension(), extension()]);
    put("cut.fits", &[blank.clone(), extension()[..9000].to_vec()]);
    put("none.fits", &[blank.clone(), table]);
    put("blank.fits", &[blank]);
    let want: f64 = image.iter().map(|v| f64::from(*v)).sum();
    let report = report(dir.path());
    for name in ["own.fz", "both.fz", "gzip.fits.fz", "table.fits", "two.fits"] {
        let row = row(&report, name);
        assert_eq!((&row["status"], &row["exposure_s"]), (&"used".into(), &60.0.into()), "{row:#}");
        assert_eq!(sum_of(&dir.path().join(name)), (want, (160, 128)), "{name}");
    }
    assert_eq!(row(&report, "both.fz")["filter"], "own");
    assert!(
        warnings_about(&report, "two.fits").iter().any(|m| m.contains("further image")),
        "{:#}",
        report["warnings"]
    );
    left_out(&report, "cut.fits", "unreadable", "incomplete");
    left_out(&report, "none.fits", "unreadable", "no image");
    left_out(&report, "blank.fits", "unreadable", "no image");
}

/// Bias, flats and their cards for a detector; `each` changes a pixel's number.
fn calibration(detector: &Detector, cards: &[&str], each: impl Fn(usize, u16) -> u16) -> Vec<(String, Vec<u8>)> {
    let frame = |kind: &str, seed, flat_e: f64| {
        let mut recipe = FrameRecipe::unlit(detector.clone(), seed);
        recipe.exposure_s = 1.0;
        recipe.sky_e_per_px_s = flat_e;
        let mut all = base_cards(detector.width, detector.height);
        set(&mut all, &format!("IMAGETYP= '{kind}'"));
        cards.iter().for_each(|c| set(&mut all, c));
        file(&all, &unsigned(render(&recipe).0.iter().enumerate().map(|(i, v)| each(i, *v))))
    };
    let bias = (0..4).map(|i| (format!("bias-{i}.fits"), frame("bias", 10 + i, 0.0)));
    let flats = (0..4).map(|i| (format!("flat-{i}.fits"), frame("flat", 20 + i, 10_000.0)));
    bias.chain(flats).collect()
}

fn sensor_of(files: &[(String, Vec<u8>)]) -> (Value, Value) {
    let report = report_of(files.iter().map(|(n, b)| (n.as_str(), b.clone())));
    (report["sensors"][0].clone(), report)
}

/// 300 x 300 px and two pairs of flats give the gain to 0.7 %; three of that.
const GAIN_TOLERANCE: f64 = 0.02;

// Gain 0.80 e-/ADU, whatever the cards of that name say.
#[test]
fn the_gain_card_is_a_label_and_the_pixels_tell_the_gain() {
    let detector = Detector { gain_e_per_adu: 0.8, ..Detector::even(300, 300) };
    for (cards, label) in [
        (["GAIN    = 100"].as_slice(), "100"),
        (&["GAIN    = 0"], "0"),
        (&["GAIN    = 1.4"], "1.4"),
        (&["GAIN    = 360"], "360"),
        (&["GAIN    = 'High'"], "High"),
        (&["GAIN    = 100", "EGAIN   = 0.8"], "100"),
        (&["GAIN    = 100", "EGAIN   = 2.0"], "100"),
    ] {
        let (sensor, report) = sensor_of(&calibration(&detector, cards, |_, v| v));
        assert_eq!(sensor["settings"]["gain_setting"], label);
        let gain = &sensor["gain_e_per_adu"];
        assert_eq!(gain["source"], "measured");
        assert!((gain["value"].as_f64().unwrap() / 0.8 - 1.0).abs() < GAIN_TOLERANCE, "{cards:?}: {gain:#}");
        let disagrees = report["warnings"].as_array().unwrap().iter().any(|w| w["code"] == "gain-disagrees");
        assert_eq!(disagrees, cards.contains(&"EGAIN   = 2.0"), "{cards:?}: {:#}", report["warnings"]);
    }
    let report = report_of([("a.fits", light(1, &["GAIN    = 100", "EGAIN   = 0.8"]))]);
    let gain = &report["sensors"][0]["gain_e_per_adu"];
    assert_eq!((&gain["value"], &gain["source"]), (&0.8.into(), &"header".into()), "only a claim without flats");
    let report = report_of([("a.fits", light(1, &["GAIN    = 1.4"]))]);
    assert!(report["sensors"][0]["gain_e_per_adu"]["value"].is_null());
}

// A detector read out by four amplifiers, an image for each. The first is measured, with its own cards, and the
// others are named once for all frames.
#[test]
fn of_several_amplifiers_in_a_file_the_first_is_measured_and_the_others_are_named_once() {
    let gains = [0.8, 1.6, 1.2, 2.4];
    let amplifiers = gains.map(|gain| {
        let detector = Detector { gain_e_per_adu: gain, ..Detector::even(300, 300) };
        let own = format!("EGAIN   = {gain}");
        calibration(&detector, &[own.as_str(), "PCOUNT  = 0", "GCOUNT  = 1"], |_, v| v)
    });
    let primary = header(&shape_cards(8, &[]));
    let whole = |i: usize| {
        let extensions = amplifiers.iter().map(|files| {
            let mut image = files[i].1.clone();
            image[..80].copy_from_slice(format!("{:<80}", "XTENSION= 'IMAGE   '").as_bytes());
            image
        });
        (amplifiers[0][i].0.clone(), std::iter::once(primary.clone()).chain(extensions).flatten().collect())
    };
    let files: Vec<(String, Vec<u8>)> = (0..amplifiers[0].len()).map(whole).collect();
    let (sensor, report) = sensor_of(&files);
    let gain = &sensor["gain_e_per_adu"];
    assert!((gain["value"].as_f64().unwrap() / gains[0] - 1.0).abs() < GAIN_TOLERANCE, "{gain:#}");
    let warnings = report["warnings"].as_array().unwrap();
    let about: Vec<_> = warnings.iter().filter(|w| w["message"].to_string().contains("3 further image")).collect();
    assert!(about.len() == 1 && about[0]["paths"].as_array().unwrap().len() == files.len(), "{warnings:#?}");
    assert!(
        !warnings.iter().any(|w| w["code"] == "gain-disagrees"),
        "the gain card of another amplifier: {warnings:#?}"
    );
}

// 1.5 native steps of noise, packed into 16 bits by a factor; then a few pixels interpolated in between.
#[test]
fn left_justified_samples_are_seen_and_all_numbers_are_in_file_units() {
    let detector = Detector { gain_e_per_adu: 2.0, read_noise_e: 3.0, offset_adu: 240.0, ..Detector::even(300, 300) };
    // 99.9 % stay on the step.
    let interpolated = |i: usize, v: u16| 8 * v + if i.is_multiple_of(1009) { 3 } else { 0 };
    for (step, files) in [
        (1, calibration(&detector, &[], |_, v| v)),
        (4, calibration(&detector, &[], |_, v| 4 * v)),
        (8, calibration(&detector, &[], |_, v| 8 * v)),
        (8, calibration(&detector, &[], interpolated)),
    ] {
        let (sensor, _) = sensor_of(&files);
        assert_eq!(sensor["adu_step"], step);
        let gain = sensor["gain_e_per_adu"]["value"].as_f64().unwrap();
        assert!((gain * f64::from(step) / 2.0 - 1.0).abs() < GAIN_TOLERANCE, "step {step}: {gain}");
        // In native steps sqrt(1.5^2 + 1/12) were it not subtracted: 1.8 % more.
        let noise = sensor["read_noise_e"]["value"].as_f64().unwrap();
        assert!((noise / 3.0 - 1.0).abs() < 0.01, "step {step}: {noise}");
    }
}

// Differences of unsigned numbers must not wrap.
#[test]
fn frames_below_the_bias_do_not_wrap() {
    let constant = |kind: &str, level: &dyn Fn(usize) -> u16| {
        let mut cards = base_cards(SIDE, SIDE);
        set(&mut cards, &format!("IMAGETYP= '{kind}'"));
        file(&cards, &unsigned((0..SIDE * SIDE).map(level)))
    };
    let alternate = |a: u16| move |i: usize| a + ((i + i / SIDE) % 2) as u16;
    let below = |i: usize| if i.is_multiple_of(5) { 997 } else { 1000 };
    let report = report_of([
        ("bias-1.fits", constant("bias", &alternate(1000))),
        ("bias-2.fits", constant("bias", &|i| 1001 - ((i + i / SIDE) % 2) as u16)),
        ("dark-1.fits", constant("dark", &below)),
        ("dark-2.fits", constant("dark", &below)),
        ("light.fits", constant("light", &below)),
    ]);
    let noise = report["sensors"][0]["read_noise_adu"]["value"].as_f64();
    assert!(noise.is_none_or(|n| n < 2.0), "about 1, never thousands: {noise:?}");
    for point in report["sensors"][0]["dark_current"]["points"].as_array().unwrap() {
        let rate = point["rate_e_per_px_s"]["value"].as_f64();
        assert!(rate.is_none_or(|r| r.abs() < 1.0), "{point:#}");
    }
    let sky = row(&report, "light.fits")["sky_adu"].as_f64().unwrap();
    assert!((-3.0..=0.0).contains(&sky), "{sky}");
}
