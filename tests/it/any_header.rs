//! Headers as capture software writes them.

use serde_json::Value;

use crate::raw_fits::*;

fn session_of(changes: &[&str]) -> (Value, Value) {
    let report = report_of([("a.fits", light(1, changes))]);
    (report["sessions"][0].clone(), report)
}

/// Expected scales have four decimals.
const SCALE_DIGITS: f64 = 1e-3;

#[test]
fn a_binned_pixel_size_is_resolved_by_other_cards_or_both_readings_are_given() {
    let base = ["FOCALLEN= 530", "XBINNING= 2", "YBINNING= 2"];
    let scale = |cards: &[&str], rig: &str| {
        let dir = folder_of([("a.fits", light(1, &[&base, cards].concat()))]);
        report_with(dir.path(), rig)["sessions"][0]["image_scale_arcsec_per_px"].clone()
    };
    for (cards, low, high) in [(["XPIXSZ  = 3.76"], "1.463", "2.927"), (["XPIXSZ  = 7.52"], "2.927", "5.853")] {
        let ambiguous = scale(&cards, "");
        let note = ambiguous["note"].as_str().unwrap();
        assert!(ambiguous["value"].is_null() && note.contains(low) && note.contains(high), "{ambiguous:#}");
        for (flag, want) in [("true", low), ("false", high)] {
            let forced = scale(&cards, &format!("pixel_includes_binning = {flag}"));
            let want: f64 = want.parse().unwrap();
            assert!((forced["value"].as_f64().unwrap() - want).abs() < SCALE_DIGITS, "{forced:#}");
        }
    }
    for cards in [["XPIXSZ  = 7.52", "PIXSIZE1= 3.76"], ["XPIXSZ  = 3.76", "CDELT2  = 8.1295E-4"]] {
        let resolved = scale(&cards, "");
        assert!((resolved["value"].as_f64().expect("a scale") - 2.927).abs() < SCALE_DIGITS, "{cards:?}: {resolved:#}");
    }
    // 20 stars of FWHM 2.5 px: 7.32". Their widths are good to a few per cent.
    let (session, _) = session_of(&[&base[..], &["XPIXSZ  = 7.52", "PIXSIZE1= 3.76"]].concat());
    assert!((session["fwhm_arcsec"]["value"].as_f64().unwrap() / 7.32 - 1.0).abs() < 0.03, "{session:#}");
}

#[test]
fn the_sensor_temperature_is_the_measured_one_and_the_set_point_a_labelled_fallback() {
    let temperature = |cards: &[&str]| session_of(cards).0["sensor_temperature_c"].clone();
    assert_eq!(temperature(&["SET-TEMP= -10", "CCD-TEMP= -4.5"])["value"], -4.5);
    assert_eq!(temperature(&["DET-TEMP= '-9.8 C'"])["value"], -9.8);
    let fallback = temperature(&["SET-TEMP= -10"]);
    assert!(fallback["value"] == -10.0 && fallback["note"].as_str().unwrap().contains("set-point"), "{fallback:#}");
    for placeholder in ["CCD-TEMP= -273.15", "CCD-TEMP= 0.0"] {
        let used = temperature(&[placeholder, "SET-TEMP= -10"]);
        assert_eq!(used["value"], -10.0, "{placeholder}");
        assert!(session_of(&[placeholder, "SET-TEMP= -10"]).1["warnings"].to_string().contains("not used"));
    }
    assert!(temperature(&["CCD-TEMP= -273.15"])["value"].is_null());
}

// The drift is told from the frame on where it leaves the set-point.
#[test]
fn a_sensor_that_leaves_its_set_point_is_told_from_which_frame_on() {
    let names = ["0.fits", "1.fits", "2.fits", "3.fits"];
    let files = names.into_iter().enumerate().map(|(i, name)| {
        let celsius = format!("CCD-TEMP= {}", [-10.0, -9.6, -7.0, -4.5][i]);
        let start = format!("DATE-OBS= '2031-03-01T22:0{i}:00'");
        (name, light(i as u64, &["SET-TEMP= -10", &celsius, &start]))
    });
    let report = report_of(files);
    for (name, drifts) in names.into_iter().zip([false, false, true, true]) {
        let told = warnings_about(&report, name).iter().any(|m| m.contains("set-point") && m.contains("2.fits"));
        assert_eq!(told, drifts, "{name}: {:#}", report["warnings"]);
    }
    let temperature = &report["sessions"][0]["sensor_temperature_c"];
    assert_eq!((&temperature["min"], &temperature["max"]), (&(-10.0).into(), &(-4.5).into()));
}

#[test]
fn exposure_times_in_all_their_forms() {
    let without = |cards: &[&str]| {
        let mut all = base_cards(160, 128);
        all.retain(|c| !c.starts_with("EXPTIME"));
        all.extend(cards.iter().map(|c| (*c).to_owned()));
        report_of([("a.fits", file(&all, &unsigned(stars(1))))])
    };
    for cards in [
        ["EXPOSURE= 300", ""].as_slice(),
        &["EXPTIME = 300", "EXPOSURE= 300.02"],
        &["EXPTIME = 300000 / [ms]"],
        &["EXPTIME = 300", "DARKTIME= 303"],
        &["EXPTIME = '300 s'"],
        &["exptime = 300"],
        &["EXPTIME = 300", "DATE-OBS= '2031-03-01T22:00:00'", "DATE-END= '2031-03-01T22:05:04'"],
    ] {
        let report = without(cards);
        assert_eq!(row(&report, "a.fits")["exposure_s"], 300.0, "{cards:?}");
        assert!(!warnings_about(&report, "a.fits").iter().any(|m| m.contains(" s:")), "{cards:?}: {report:#}");
    }
    let conflict = without(&["EXPTIME = 300", "EXPOSURE= 310"]);
    assert!(warnings_about(&conflict, "a.fits").iter().any(|m| m.contains("300") && m.contains("310")));
    let short = without(&["EXPTIME = 5", "DATE-OBS= '2031-03-01T22:00:00'", "DATE-END= '2031-03-01T22:05:00'"]);
    assert!(warnings_about(&short, "a.fits").iter().any(|m| m.contains("DATE-END")), "{:#}", short["warnings"]);
    assert!(row(&without(&[]), "a.fits")["exposure_s"].is_null(), "absent is unknown, not 0");
}

#[test]
fn bogus_optics_and_unsolved_matrices_leave_the_scale_unknown() {
    let ones = ["CTYPE1  = 'RA---TAN'", "CTYPE2  = 'DEC--TAN'", "CD1_1   = 1", "CD2_2   = 1"];
    for cards in [
        &["XPIXSZ  = 3.76", "FOCALLEN= 0"],
        ["XPIXSZ  = 3.76"].as_slice(),
        &["XPIXSZ  = 3.76", "FOCALLEN= 0.53"],
        &["XPIXSZ  = 3.76", "FOCALLEN= -1"],
        &["XPIXSZ  = 3.76", "FOCALLEN= NAN"],
        &["CD1_1   = 1", "CD2_2   = 1"],
        &ones,
    ] {
        let (session, report) = session_of(cards);
        assert!(session["image_scale_arcsec_per_px"]["value"].is_null(), "{cards:?}");
        assert!(session["fwhm_arcsec"]["value"].is_null(), "{cards:?}");
        assert!(session["fwhm_px"]["value"].is_number(), "{cards:?}");
        if cards.contains(&"FOCALLEN= 0.53") {
            assert!(warnings_about(&report, "a.fits").iter().any(|m| m.contains("metres")));
        }
    }
    let (session, _) =
        session_of(&[&ones[..2], &["XPIXSZ  = 3.76", "FOCALLEN= 530", "CD1_1   = 1", "CD2_2   = 1"]].concat());
    let scale = &session["image_scale_arcsec_per_px"];
    assert!((scale["value"].as_f64().unwrap() - 1.463).abs() < SCALE_DIGITS && scale["source"] == "header");
}

#[test]
fn decimal_commas_are_read_and_told_or_refused_but_never_zero() {
    let pixels = small_pixels();
    let sum: f64 = pixels.iter().map(|v| f64::from(*v)).sum();
    let dir = folder_of([
        ("a.fits", light(1, &["XPIXSZ  = 3,76", "FOCALLEN= 530", "BSCALE  = 1,0", "SKEW    = 1.95,", "GAIN    = 100"])),
        ("scaled.fits", small(&["BSCALE  = 1,000E+00"])),
        ("zero.fits", small(&["BZERO   = 32768,0"])),
        ("half.fits", small(&["BSCALE  = '0,5'", "BZERO   = 16384"])),
        ("words.fits", small(&["BZERO   = 'none'"])),
        ("naught.fits", small(&["BSCALE  = 0"])),
    ]);
    assert_eq!(sum_of(&dir.path().join("scaled.fits")).0, sum);
    assert_eq!(sum_of(&dir.path().join("zero.fits")).0, sum);
    assert_eq!(sum_of(&dir.path().join("half.fits")).0, sum / 2.0);
    let report = report(dir.path());
    left_out(&report, "words.fits", "unreadable", "BZERO");
    left_out(&report, "naught.fits", "unreadable", "BSCALE");
    assert!(warnings_about(&report, "a.fits").iter().any(|m| m.contains("comma") && m.contains("XPIXSZ")));
    let session =
        report["sessions"].as_array().unwrap().iter().find(|s| s["settings"]["gain_setting"] == "100").unwrap();
    assert!((session["image_scale_arcsec_per_px"]["value"].as_f64().unwrap() - 1.463).abs() < SCALE_DIGITS);
}

#[test]
fn values_that_are_none_are_missing_and_the_word_none_is_a_name() {
    let (session, report) = session_of(&[
        "FOCALLEN= NAN",
        "XPIXSZ  = INF",
        "CCD-TEMP= -NaN",
        "EGAIN   =",
        "FILTER  = 'None'",
        "PCOUNT  = 0.0",
        "GCOUNT  = 1.0",
    ]);
    assert_eq!(row(&report, "a.fits")["status"], "used");
    assert_eq!(session["settings"]["filter"], "None");
    assert!(session["image_scale_arcsec_per_px"]["value"].is_null());
    assert!(session["sensor_temperature_c"]["value"].is_null());
    assert!(report["sensors"][0]["gain_e_per_adu"]["value"].is_null());
}

#[test]
fn broken_cards_spoil_neither_the_image_nor_the_cards_beside_them() {
    let mut cards = vec![
        format!("SIMPLE  = {:>20}", "T"),
        "BITPIX  = 16".to_owned(),
        "NAXIS   = 2".to_owned(),
        "DATE    = '2024-10-03'".to_owned(),
    ];
    cards.extend(
        [
            "NAXIS1  = 160",
            "NAXIS2  = 128",
            "BZERO   = 32768",
            "DATE-OBS= 2024-10-02T20:41:48",
            "FILTER  Ha",
            "GAIN.SPE= 3",
            "IRAF-B/P= 16",
            "EXPID** = 4",
            "        a comment under a blank keyword",
            "IMAGETYP= 'LIGHT",
            "EXPTIME = 60",
        ]
        .map(str::to_owned),
    );
    let report = report_of([("a.fits", file(&cards, &unsigned(stars(1))))]);
    let row = row(&report, "a.fits");
    assert_eq!((&row["status"], &row["kind"]), (&"used".into(), &"light".into()));
    assert_eq!(row["start_utc"], "2024-10-02T20:41:48Z");
    assert_eq!(row["exposure_s"], 60.0);
    assert!(row["filter"].is_null(), "no equals sign, no value");
    let told = warnings_about(&report, "a.fits");
    assert_eq!(told.iter().filter(|m| m.contains("FILTER")).count(), 1, "{told:?}");
}

#[test]
fn long_texts_hierarchies_and_small_letters() {
    let dir = folder_of([("a.fits", {
        let mut cards = base_cards(160, 128);
        cards.retain(|c| !c.starts_with("EXPTIME"));
        let part = "x".repeat(60);
        cards.extend([
            format!("OBJECT  = '{part}&'"),
            format!("CONTINUE  '{part}&'"),
            format!("CONTINUE  '{}&'", "y".repeat(30)),
            "HIERARCH rig ccd-temp = -10".to_owned(),
            "exptime = 300".to_owned(),
        ]);
        file(&cards, &unsigned(stars(1)))
    })]);
    let cards = skygrain::fits::ImageFile::open(&dir.path().join("a.fits")).unwrap().cards().unwrap();
    assert_eq!(cards.text("object").unwrap(), format!("{}{}&", "x".repeat(120), "y".repeat(30)));
    assert_eq!(cards.number("rig CCD-TEMP"), Some(-10.0));
    assert_eq!(row(&report(dir.path()), "a.fits")["exposure_s"], 300.0);
}

// Conflicts are told once for the frames of a night, not once for each.
#[test]
fn a_conflict_of_many_frames_is_told_once_with_all_of_them() {
    let names: Vec<String> = (0..6).map(|i| format!("{i}.fits")).collect();
    let files = names.iter().enumerate().map(|(i, name)| {
        let (a, b) = (format!("EXPTIME = {}", 60.0 + i as f64), format!("EXPOSURE= {}", 70.0 + i as f64));
        (name.as_str(), light(i as u64, &[&a, &b, "DATE-OBS= '2031-03-01T22:00:00'"]))
    });
    let report = report_of(files);
    let warnings = report["warnings"].as_array().unwrap();
    let told: Vec<&Value> = warnings.iter().filter(|w| w["message"].to_string().contains("EXPOSURE says")).collect();
    assert_eq!(told.len(), 1, "{told:#?}");
    assert_eq!(told[0]["paths"].as_array().unwrap().len(), 6);
    assert!(told[0]["message"].as_str().unwrap().contains("60 s"), "{:#}", told[0]);
}

// A site's clock beside UTC tells the night where no longitude does; a rig key does the same.
#[test]
fn the_night_follows_longitude_or_time_zone() {
    let night = |cards: &[&str], rig: &str| {
        let dir = folder_of([("a.fits", light(1, &[&["DATE-OBS= '2031-10-05T13:30:00'"], cards].concat()))]);
        report_with(dir.path(), rig)["sessions"][0]["night"].clone()
    };
    assert_eq!(night(&[], ""), "2031-10-05");
    assert_eq!(night(&["SITELONG= -150"], ""), "2031-10-04");
    assert_eq!(night(&["DATE-LOC= '2031-10-05T03:30:00'"], ""), "2031-10-04");
    assert_eq!(night(&[], "utc_offset_h = -10"), "2031-10-04");
    assert_eq!(night(&["DATE-LOC= '2031-10-05T03:30:00'"], "site_longitude_deg = 150"), "2031-10-05");
}

/// Cards of a light of the 80 mm refractor in these tests, whose target stands at 69.2 degrees in the middle of its minute
/// (astropy 8.0.2: AltAz without pressure), which is an airmass of 1.069.
const PLACED: [&str; 8] = [
    "XPIXSZ  = 3.76",
    "FOCALLEN= 530",
    "DATE-OBS= '2029-04-12T03:59:58'",
    "OBJCTRA = '13 25 27.6'",
    "OBJCTDEC= '-43 01 09'",
    "SITELAT = '-24 36 00'",
    "SITELONG= '-70 24 00'",
    "APTDIA  = 80",
];
/// What airmass^0.6 makes of the third digit of an airmass of 1.07, relative.
const AIRMASS_DIGITS: f64 = 5e-4;

/// By how much the session's width shrinks towards the zenith, the answer about sampling, and what was said of the header.
fn seen_through(cards: &[&str], rig: &str) -> (f64, String, Vec<(String, String)>) {
    let dir = folder_of([("night/a.fits", light(1, cards))]);
    let report = report_with(dir.path(), rig);
    let budget = &report["sessions"][0]["width_budget"];
    let value = |key: &str| budget[key]["value"].as_f64().unwrap_or(f64::NAN);
    let factor = value("rest_arcsec") / value("rest_at_zenith_arcsec");
    let about = |w: &&Value| w["code"] == "header" && w["paths"][0] == "night/a.fits";
    let warnings = report["warnings"].as_array().unwrap().iter().filter(about);
    let text = |v: &Value| v.as_str().unwrap().to_owned();
    let told = warnings.map(|w| (text(&w["severity"]), text(&w["message"]))).collect();
    (factor, report["answers"][0].to_string(), told)
}

#[test]
fn an_airmass_that_the_altitude_or_the_pointing_denies_is_not_used_and_both_values_are_told() {
    let with = |more: &[&'static str]| [&PLACED[..], more].concat();
    let unplaced = |more: &[&'static str]| [&PLACED[..2], &PLACED[7..], more].concat();
    // Altitude 70.6 degrees: airmass 1.060.
    for (cards, airmass, named) in [
        (
            unplaced(&["AIRMASS = 13.37", "CENTALT = 70.6"]),
            1.060,
            &["AIRMASS", "13.370", "CENTALT", "70.6", "1.060"][..],
        ),
        (with(&["AIRMASS = 13.37"]), 1.069, &["AIRMASS", "13.370", "OBJCTRA", "SITELAT", "DATE-OBS", "69.2", "1.069"]),
        (with(&["AIRMASS = 13.37", "OBJCTALT= 69.0"]), 1.069, &["AIRMASS", "13.370", "OBJCTRA", "OBJCTALT", "69.0"]),
        (with(&["AIRMASS = 0.5"]), 1.069, &["AIRMASS = 0.5", "cannot be", "69.2"]),
        (with(&["AIRMASS = 1.075", "OBJCTALT= 12"]), 1.075, &["OBJCTALT", "12.0", "1.075"]),
    ] {
        let (factor, answer, told) = seen_through(&cards, "");
        // Seeing goes with airmass^0.6 (Fried 1966).
        assert!((factor / f64::powf(airmass, 0.6) - 1.0).abs() < AIRMASS_DIGITS, "{cards:?}: {factor}");
        assert!(answer.contains(&format!("(airmass {airmass:.2})")) && !answer.contains("13.37"), "{answer}");
        let [(severity, message)] = &told[..] else { panic!("{told:?}") };
        assert_eq!(severity, "caution");
        assert!(named.iter().all(|part| message.contains(part)), "{named:?}: {message}");
        assert!(message.contains("correct or remove"), "{message}");
    }
}

#[test]
fn pointing_site_and_time_tell_the_airmass_and_a_site_that_is_wrong_is_told() {
    let (factor, answer, told) = seen_through(&PLACED, "");
    assert!((factor / f64::powf(1.069, 0.6) - 1.0).abs() < AIRMASS_DIGITS && told.is_empty(), "{factor} {told:?}");
    assert!(answer.contains("(airmass 1.07)"), "{answer}");
    // The site's latitude from the rig file.
    let without = [&PLACED[..5], &PLACED[6..]].concat();
    let (factor, _, _) = seen_through(&without, "site_latitude_deg = -24.6");
    assert!((factor / f64::powf(1.069, 0.6) - 1.0).abs() < AIRMASS_DIGITS, "{factor}");
    assert!(seen_through(&without, "").0.is_nan());
    // Half a turn of the Earth further on the target is under the ground: the card stands.
    let mut elsewhere = [&PLACED[..], &["AIRMASS = 1.3"]].concat();
    elsewhere[6] = "SITELONG= 109.6";
    let (factor, _, told) = seen_through(&elsewhere, "");
    assert!((factor / f64::powf(1.3, 0.6) - 1.0).abs() < AIRMASS_DIGITS, "{factor}");
    let [(severity, message)] = &told[..] else { panic!("{told:?}") };
    assert!(severity == "caution" && message.contains("below the horizon"), "{message}");
    assert!(message.contains("SITELONG (east positive)"), "{message}");
}
