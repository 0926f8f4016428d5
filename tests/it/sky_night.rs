//! The image scale from the stars through the whole program: frames rendered from the catalogue.

use std::path::Path;

use rand::SeedableRng;
use rand_distr::{Distribution, Normal};
use rand_xoshiro::Xoshiro256PlusPlus;
use serde_json::Value;
use skygrain::simulate::{Detector, FrameRecipe, HeaderCard, SimStar, render, write_frame};
use skygrain::sky::{Catalogue, Direction};

use crate::raw_fits::report_with;
use crate::sky_fields::{Truth, catalogue_stars, mean_scale};

/// Pixel pitch, um, and the focal length that the header states, mm: 5 % more than the true one.
const PIXEL_UM: f64 = 3.8;
const STATED_MM: f64 = 210.0;
const TRUE_MM: f64 = 200.0;
/// 206264.806 * 3.8e-3 / 200.
const SCALE: f64 = 3.919_031;
/// Relative error of the scale that is promised.
const SCALE_ERROR: f64 = 5e-4;
/// Places in a frame of 1,000 stars are good to a tenth of a pixel, of four arcsec.
const CENTRE_ARCSEC: f64 = 1.0;

fn truth() -> Truth {
    Truth {
        ra_deg: 310.2,
        dec_deg: 45.1,
        size_px: [1500, 1000],
        scale: [SCALE, SCALE],
        angle_deg: 71.5,
        mirrored: true,
        distortion: 0.001,
    }
}

/// Electrons of a star of magnitude 10 in the 60 s of a light.
const ELECTRONS_AT_10: f64 = 3e4;

/// What the air and the stars' colours do to the light.
struct Air {
    /// Share of the light that each light gets.
    shares: [f64; 3],
    /// Scatter of the stars' magnitudes about those of the catalogue.
    colours_mag: f64,
}

/// A clear sky and stars of one colour.
const CLEAR: Air = Air { shares: [1.0; 3], colours_mag: 0.0 };

/// Three lights, the telescope nudged between them. `cards` come on top of the usual ones.
fn write_lights(folder: &Path, cards: &[HeaderCard], air: &Air) {
    let catalogue = Catalogue::shipped().expect("built with the catalogue");
    let colour = Normal::new(0.0, air.colours_mag).unwrap();
    for (k, nudge) in [0.0, 0.01, -0.02].into_iter().enumerate() {
        let truth = Truth { dec_deg: truth().dec_deg + nudge, ..truth() };
        let star = |([x, y], vt): &([f64; 2], f64)| {
            // A star has its colour in every frame.
            let own = vt + colour.sample(&mut Xoshiro256PlusPlus::seed_from_u64(vt.to_bits()));
            SimStar::round(*x, *y, air.shares[k] * ELECTRONS_AT_10 * 10f64.powf(0.4 * (10.0 - own)), 2.4, 3.2)
        };
        let [width, height] = truth.size_px;
        let stars = catalogue_stars(&catalogue, &truth).iter().map(star).collect();
        let recipe = FrameRecipe {
            exposure_s: 60.0,
            sky_e_per_px_s: 4.0,
            stars,
            ..FrameRecipe::unlit(Detector::even(width, height), k as u64)
        };
        let mut all = vec![
            HeaderCard::text("IMAGETYP", "Light Frame", ""),
            HeaderCard::real("EXPTIME", 60.0, ""),
            HeaderCard::text("DATE-OBS", &format!("2031-10-04T21:0{k}:00"), ""),
            HeaderCard::text("INSTRUME", "Quillfin 6", ""),
            HeaderCard::real("XPIXSZ", PIXEL_UM, ""),
            HeaderCard::real("FOCALLEN", STATED_MM, ""),
        ];
        // A header that names its target tells nothing else here of optics and sky.
        if cards.iter().any(|c| c.keyword == "OBJECT") {
            all.retain(|c| !["XPIXSZ", "FOCALLEN"].contains(&c.keyword.as_str()));
        }
        all.extend_from_slice(cards);
        write_frame(&folder.join(format!("light{k}.fits")), &render(&recipe).0, &all).unwrap();
    }
}

fn session(cards: &[HeaderCard], rig: &str) -> Value {
    let folder = tempfile::tempdir().unwrap();
    write_lights(folder.path(), cards, &CLEAR);
    report_with(folder.path(), rig)["sessions"][0].clone()
}

/// A pointing a degree off, in hours, as mounts tell it.
fn pointing() -> [HeaderCard; 2] {
    [HeaderCard::text("OBJCTRA", "20 44 00", ""), HeaderCard::text("OBJCTDEC", "+45 30 00", "")]
}

#[test]
fn a_wrong_focal_length_is_found_out_and_everything_follows_the_stars() {
    let session = session(&pointing(), "");
    let scale = &session["image_scale_arcsec_per_px"];
    assert_eq!(scale["source"], "measured");
    let value = scale["value"].as_f64().unwrap();
    assert!((value / mean_scale(&truth()) - 1.0).abs() < SCALE_ERROR, "{scale:#}");
    assert!(scale["note"].as_str().unwrap().contains("-4.8 % from it"), "{scale:#}");
    let found = &session["star_match"];
    assert_eq!(
        (&found["frames_tried"], &found["frames_agreeing"], &found["mirrored"]),
        (&3.into(), &3.into(), &true.into())
    );
    let focal = found["focal_length_mm"]["value"].as_f64().unwrap();
    assert!((focal / TRUE_MM - 1.0).abs() < SCALE_ERROR, "{focal}");
    assert!(found["sentence"].as_str().unwrap().contains("where 210 mm is stated (-4.8 %)"), "{found:#}");
    let centre = ["centre_ra_deg", "centre_dec_deg"].map(|k| found[k]["value"].as_f64().unwrap());
    // Any of the three frames may have been the first.
    let near = [0.0, 0.01, -0.02].iter().any(|nudge| {
        let true_centre = Direction::from_degrees(truth().ra_deg, truth().dec_deg + nudge);
        Direction::from_degrees(centre[0], centre[1]).separation_arcsec(true_centre) < CENTRE_ARCSEC
    });
    assert!(near, "{centre:?}");
    assert!((found["position_angle_deg"]["value"].as_f64().unwrap() - truth().angle_deg).abs() < 0.02, "{found:#}");
    let distortion = &found["corner_distortion_percent"];
    let (value, sigma) = (distortion["value"].as_f64().unwrap(), distortion["sigma"].as_f64().unwrap());
    assert!((value - 100.0 * truth().distortion).abs() < 5.0 * sigma && sigma < 0.01, "{distortion:#}");
    assert!(found["false_alarm_probability"].as_f64().unwrap() < 1e-6);
    let fwhm = |key: &str| session[key]["value"].as_f64().unwrap();
    assert!((fwhm("fwhm_arcsec") / (fwhm("fwhm_px") * SCALE) - 1.0).abs() < SCALE_ERROR);
}

#[test]
fn without_a_pointing_the_header_s_scale_stands_until_the_user_tells_one() {
    let lost = session(&[], "");
    assert_eq!(lost["image_scale_arcsec_per_px"]["source"], "header");
    assert!(lost["star_match"]["image_scale_arcsec_per_px"]["value"].is_null());
    assert!(lost["star_match"]["sentence"].as_str().unwrap().contains("--pointing"), "{lost:#}");
    let told = session(&[], "pointing = '310.0 44.9'");
    assert_eq!(told["image_scale_arcsec_per_px"]["source"], "measured");
}

// IC 5067 stands 1.4 degrees from the centre of the frames.
#[test]
fn the_name_of_a_target_stands_for_a_pointing_and_no_optics_are_needed() {
    let named = session(&[HeaderCard::text("OBJECT", "IC 5067 panel 2", "")], "");
    let scale = &named["image_scale_arcsec_per_px"];
    assert_eq!(scale["source"], "measured", "{scale:#}");
    assert!((scale["value"].as_f64().unwrap() / mean_scale(&truth()) - 1.0).abs() < SCALE_ERROR, "{scale:#}");
    assert!(named["fwhm_arcsec"]["value"].is_f64());
    // Another target, on another part of the sky, makes no scale.
    let elsewhere = session(&[HeaderCard::text("OBJECT", "M 13", "")], "");
    assert!(elsewhere["image_scale_arcsec_per_px"]["value"].is_null(), "{elsewhere:#}");
}

#[test]
fn a_wcs_is_used_as_it_is_and_checked_against_the_stars() {
    let wcs = |scale: f64| {
        [
            HeaderCard::text("CTYPE1", "RA---TAN", ""),
            HeaderCard::text("CTYPE2", "DEC--TAN", ""),
            HeaderCard::real("CRVAL1", truth().ra_deg, ""),
            HeaderCard::real("CRVAL2", truth().dec_deg, ""),
            HeaderCard::real("CRPIX1", 750.5, ""),
            HeaderCard::real("CRPIX2", 500.5, ""),
            HeaderCard::real("CDELT1", -scale / 3600.0, ""),
            HeaderCard::real("CDELT2", scale / 3600.0, ""),
        ]
    };
    let right = session(&wcs(SCALE), "");
    assert!((right["image_scale_arcsec_per_px"]["value"].as_f64().unwrap() / SCALE - 1.0).abs() < 1e-9);
    assert!(right["star_match"]["detail"].as_str().unwrap().contains("The header's WCS"), "{right:#}");
    let wrong = session(&wcs(1.02 * SCALE), "");
    assert!((wrong["image_scale_arcsec_per_px"]["value"].as_f64().unwrap() / SCALE - 1.02).abs() < 1e-9);
    let note = wrong["image_scale_arcsec_per_px"]["note"].as_str().unwrap();
    assert!(note.contains("the stars themselves give"), "{note}");
}

// Truth by construction: 500 e-/s at magnitude 10 are 5 x 10^6 at 0, a zero point of 16.747; the sky of 4 e-/px/s in pixels
// of 15.36 square arcsec is at 16.747 + 1.461 magnitudes. 1 e-/ADU.
#[test]
fn zero_point_sky_and_transparency_come_from_the_matched_stars() {
    let folder = tempfile::tempdir().unwrap();
    let air = Air { shares: [1.0, 0.8, 0.95], colours_mag: 0.25 };
    write_lights(folder.path(), &pointing(), &air);
    for k in 0..2 {
        let [width, height] = truth().size_px;
        let bias = render(&FrameRecipe::unlit(Detector::even(width, height), 10 + k)).0;
        let cards = [
            HeaderCard::text("IMAGETYP", "Bias Frame", ""),
            HeaderCard::real("EXPTIME", 0.0, ""),
            HeaderCard::text("INSTRUME", "Quillfin 6", ""),
        ];
        write_frame(&folder.path().join(format!("bias{k}.fits")), &bias, &cards).unwrap();
    }
    let report = report_with(folder.path(), "gain_e_per_adu = 1.0");
    let found = &report["sessions"][0]["photometry"];
    let pair = |q: &Value| [&q["value"], &q["sigma"]].map(|v| v.as_f64().unwrap());
    // The frame of median transparency is the third: it gets 95 %.
    let zero_point = 2.5 * (0.95 * ELECTRONS_AT_10 / 60.0 * 1e4).log10();
    let [zero, sigma] = pair(&found["zero_point_vt_mag"]);
    println!("zero point {zero} +- {sigma}, {zero_point}");
    // 300 stars of 0.25 mag tell a median to 0.018.
    assert!((zero - zero_point).abs() < 4.0 * sigma && sigma < 0.03, "{found:#}");
    // 150 stars or more tell a deviation from a median one to 9 % (1.166/sqrt(n)); three of these errors are 28 %.
    assert!((found["star_scatter_mag"].as_f64().unwrap() / air.colours_mag - 1.0).abs() < 0.25, "{found:#}");
    let [sky, sigma] = pair(&found["sky_vt_mag_per_arcsec2"]);
    let sky_true = zero_point - 2.5 * (4.0 / mean_scale(&truth()).powi(2)).log10();
    // Its error holds the stars' scatter, that of one colour: the simulated sky has none, and lies as near as the
    // zero point, within four of its errors.
    assert!((sky - sky_true).abs() < 0.1 && sigma > 0.2, "{sky} +- {sigma}, {sky_true}");
    let mut shares = Vec::new();
    for row in report["frames"].as_array().unwrap().iter().filter(|f| f["kind"] == "light") {
        shares.push(pair(&row["transparency"]));
    }
    for (share, [value, sigma]) in air.shares.iter().zip(&shares) {
        println!("transparency {value} +- {sigma}, {}", share / 0.95);
        assert!((value - share / 0.95).abs() < 5.0 * sigma && *sigma < 0.01, "{value} +- {sigma}");
    }
    assert!(found["sentence"].as_str().unwrap().contains("VT is the catalogue's band"), "{found:#}");
}
