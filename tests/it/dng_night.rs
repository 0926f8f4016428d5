//! A night of DNG files through the whole program, beside the same codes as FITS.

use ndarray::Array2;
use serde_json::Value;
use skygrain::fits::ImageFile;
use skygrain::folder::Rig;
use skygrain::simulate::dng::{Coding, DngRecipe, write};
use skygrain::simulate::{Detector, FrameRecipe, HeaderCard, render, write_frame};

use crate::unlabelled_nights::{
    DARK, EXPOSURE_S, READ_NOISE_E, SKY, frames, frames_with_lights, mirrorless, mosaic, report_of,
};

const TILES: Coding = Coding::LosslessJpeg { tile_width: 128, tile_height: 64, components: 2, predictor: 1 };

/// What the camera notes of a frame; its clock is an hour ahead of UTC.
fn recipe(image: &Array2<u16>, seconds: f64, number: usize) -> DngRecipe {
    let (height, width) = image.dim();
    DngRecipe {
        width,
        height,
        pixels: image.iter().copied().collect(),
        // Cameras write either.
        coding: if number.is_multiple_of(2) { TILES } else { Coding::Plain },
        cfa: Some(*b"RGGB"),
        white_level: Some(65_532),
        exposure_s: Some(((seconds * 10_000.0).round() as u32, 10_000)),
        iso: Some(800),
        date_time_original: Some(format!("2031:11:02 {:02}:{:02}:00", 20 + number / 60, number % 60)),
        offset_time_original: Some("+01:00".to_owned()),
        camera: Some("Quietude M".to_owned()),
        focal_mm: Some((400, 1)),
        f_number: Some((5, 1)),
        pixels_per_cm: Some((2500, 1)),
        ..DngRecipe::default()
    }
}

/// The same as cards of a FITS file.
fn cards(seconds: f64, number: usize) -> Vec<HeaderCard> {
    vec![
        HeaderCard::text("INSTRUME", "Quietude M", ""),
        HeaderCard::text("DATE-OBS", &format!("2031-11-02T{:02}:{:02}:00", 19 + number / 60, number % 60), ""),
        HeaderCard::real("EXPTIME", seconds, ""),
        HeaderCard::whole("ISOSPEED", 800, ""),
        HeaderCard::text("BAYERPAT", "RGGB", ""),
        HeaderCard::real("FOCALLEN", 400.0, ""),
        HeaderCard::real("APTDIA", 80.0, ""),
        HeaderCard::real("XPIXSZ", 4.0, ""),
        HeaderCard::whole("SATURATE", 65_532, ""),
    ]
}

#[test]
fn a_night_of_dng_files_gives_what_the_same_codes_give_as_fits() {
    let (dng, fits) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    for (number, (folder, seconds, image)) in frames(&mosaic, &mirrorless()).iter().enumerate() {
        for below in [&dng, &fits] {
            std::fs::create_dir_all(below.path().join(folder)).unwrap();
        }
        let path = dng.path().join(folder).join(format!("{number:03}.dng"));
        std::fs::write(&path, write(&recipe(image, *seconds, number))).unwrap();
        let path = fits.path().join(folder).join(format!("{number:03}.fits"));
        write_frame(&path, image, &cards(*seconds, number)).unwrap();
    }
    let [of_dng, of_fits] = [&dng, &fits].map(|folder| report_of(&[folder.path()], Rig::default()));
    let numbers = |report: &Value| {
        let mut session = report["sessions"][0].clone();
        // The words of a source name the card that it was read from: the same in both.
        session["happenings"].take();
        (report["sensors"][0].to_string(), session.to_string())
    };
    let rows = |report: &Value| report["frames"].as_array().unwrap().iter().filter(|f| f["status"] == "used").count();
    assert_eq!(rows(&of_dng), 26);
    assert_eq!(of_dng["sessions"][0]["settings"]["cfa"], "RGGB");
    let scale = of_dng["sessions"][0]["image_scale_arcsec_per_px"]["value"].as_f64().unwrap();
    // 206.265 * 4 / 400.
    assert!((scale - 2.0626).abs() < 1e-3, "{scale}");
    assert_eq!(numbers(&of_dng), numbers(&of_fits));
}

#[test]
fn what_is_no_readable_dng_is_a_row_with_its_reason() {
    let dir = tempfile::tempdir().unwrap();
    let image = Array2::from_shape_fn((64, 96), |(y, x)| 500 + (7 * x + 13 * y) as u16 % 100);
    let whole = write(&recipe(&image, 30.0, 0));
    let path = dir.path().join("a frame.DNG");
    std::fs::write(&path, &whole).unwrap();
    let mut file = ImageFile::open(&path).unwrap();
    assert_eq!((file.geometry.width, file.geometry.height, file.geometry.is_u16), (96, 64, true));
    assert_eq!(file.cards().unwrap().text("INSTRUME"), Some("Quietude M"));
    let read = file.pixels().unwrap();
    let mut row = vec![0f32; 96];
    read.planes[0].copy_row(63, &mut row);
    assert_eq!(row[95], f32::from(image[[63, 95]]));
    std::fs::write(&path, &whole[..whole.len() / 2]).unwrap();
    let cut = ImageFile::open(&path).err().unwrap().to_string();
    assert!(cut.contains("damaged DNG"), "{cut}");
    let other = DngRecipe { cfa: None, ..recipe(&image, 30.0, 1) };
    std::fs::write(&path, write(&other)).unwrap();
    assert!(ImageFile::open(&path).unwrap().cards().unwrap().get("BAYERPAT").is_none(), "a monochrome sensor");
}

#[test]
fn masked_pixels_tell_how_much_warmer_the_lights_were_than_the_darks() {
    const BORDER: usize = 32;
    let folder = tempfile::tempdir().unwrap();
    // Without hot pixels nothing else would tell.
    let camera = Detector { hot: Vec::new(), ..mirrorless() };
    let warmer = 1.5;
    for (number, (kind, seconds, image)) in frames_with_lights(&mosaic, &camera, warmer * DARK).iter().enumerate() {
        let dark = match *kind {
            "lights" => warmer * DARK,
            "darks" => DARK,
            _ => 0.0,
        };
        // The border sees the dark current alone.
        let unlit = FrameRecipe::unlit(camera.clone(), 4000 + number as u64);
        let shielded = render(&FrameRecipe { exposure_s: *seconds, dark_e_per_px_s: dark, ..unlit }).0;
        let (rows, columns) = image.dim();
        let whole = Array2::from_shape_fn((rows, columns + BORDER), |(y, x)| match x.checked_sub(BORDER) {
            Some(x) => image[[y, x]],
            None => shielded[[y, x]],
        });
        let [rows, columns, border] = [rows, columns + BORDER, BORDER].map(|v| v as u32);
        let recipe = DngRecipe {
            active_area: Some([0, border, rows, columns]),
            masked_areas: vec![[0, 0, rows, border]],
            ..recipe(&whole, *seconds, number)
        };
        std::fs::create_dir_all(folder.path().join(kind)).unwrap();
        std::fs::write(folder.path().join(kind).join(format!("{number:03}.dng")), write(&recipe)).unwrap();
    }
    let report = report_of(&[folder.path()], Rig::default());
    let budget = &report["sessions"][0]["noise_budget"];
    let total = (SKY + warmer * DARK) * EXPOSURE_S + READ_NOISE_E.powi(2);
    let want = warmer * DARK * EXPOSURE_S / total;
    let (share, sigma) =
        (budget["dark_share"]["value"].as_f64().unwrap(), budget["dark_share"]["sigma"].as_f64().unwrap());
    eprintln!("{share} +- {sigma}, {want}");
    assert!((share - want).abs() < 3.0 * sigma + 0.03 * want && sigma < 0.2 * want, "{share} +- {sigma}, {want}");
    let warning =
        report["warnings"].as_array().unwrap().iter().find(|w| w["code"] == "dark-temperature-assumed").unwrap();
    assert!(warning["message"].as_str().unwrap().contains("have 1.5"), "{warning}");
}
