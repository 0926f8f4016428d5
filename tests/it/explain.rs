//! `skygrain night --explain`: one file, alone or as one of a folder's.

use crate::command_line::skygrain;
use crate::raw_fits::*;

const CARDS: [&str; 9] = [
    "EXPTIME = 300000 / [ms] how long",
    "CCD-TEMP= '-9,8 C'",
    "XPIXSZ  = 3.76",
    "XBINNING= 2",
    "FOCALLEN= 0.53",
    "DATE-OBS= '2031-10-05T01:30:00'",
    "DATE-LOC= '2031-10-04T19:30:00'",
    "FILTER  = 'Ha'",
    "GAIN    = 100",
];

/// The lines of a letter as one text, so that a sentence may be broken anywhere.
fn joined(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn a_file_alone_is_explained_value_by_value_and_nothing_is_written() {
    let dir = folder_of([("a.fits", light(1, &CARDS))]);
    let before = snapshot(dir.path());
    // Where no other folder is named, reports go there; one may lie there from before.
    let report = std::path::Path::new("skygrain-report");
    let changed = || report.metadata().and_then(|m| m.modified()).ok();
    let before_there = changed();
    let ran = skygrain(&["night", "--explain", dir.path().join("a.fits").to_str().unwrap()]);
    assert_eq!(ran.status, Some(0), "{}", ran.stderr);
    assert!(snapshot(dir.path()) == before && changed() == before_there);
    assert!(ran.stdout.lines().all(|l| l.chars().count() <= 80), "{}", ran.stdout);
    let text = joined(&ran.stdout);
    for words in [
        "An image of 160 x 128 pixels, 16-bit whole numbers, in HDU 1.",
        "used as a light frame, because IMAGETYP says so",
        "the only light of the session \"2031-10-04 Ha 300 s\"",
        "exposure time 300 s EXPTIME = 300000 / [ms] how long (300000 from ms to s: times 0.001)",
        "sensor temperature -9.8 C CCD-TEMP = -9,8 C",
        "set-point: no usable SET-TEMP",
        "focal length: no usable FOCALLEN",
        "FOCALLEN = 0.53 is no focal length in mm (is it in metres?) and was not used.",
        "clock of the site UTC -6 h DATE-LOC",
        "Night 2031-10-04: noon to noon in the time zone that DATE-LOC tells.",
        "3.76 um if the stated pitch contains the binning, 7.52 um if not",
        "Image scale not known",
        "No other file was looked at.",
    ] {
        assert!(text.contains(words), "{words}\n{}", ran.stdout);
    }
}

#[test]
fn a_file_of_a_folder_is_explained_with_what_the_others_make_of_it() {
    let mut files: Vec<(String, Vec<u8>)> = (0..5).map(|i| (format!("{i}.fits"), light(i, &CARDS))).collect();
    // A clouded one: the same frame without stars.
    files.push(("empty.fits".to_owned(), {
        let mut cards = base_cards(160, 128);
        CARDS.iter().for_each(|c| set(&mut cards, c));
        file(&cards, &unsigned((0..160 * 128).map(|i| 490 + (i * 7919 % 21) as u16)))
    }));
    files.push(("cut.fits".to_owned(), light(9, &CARDS)[..9000].to_vec()));
    files.push(("notes.txt".to_owned(), b"thin cloud".to_vec()));
    let dir = folder_of(files.iter().map(|(n, b)| (n.as_str(), b.clone())));
    let folder = dir.path().to_str().unwrap();
    let explain = |name: &str| {
        let ran = skygrain(&["night", folder, "--explain", dir.path().join(name).to_str().unwrap()]);
        (ran.status, joined(&ran.stdout), ran.stderr)
    };
    let (status, text, errors) = explain("3.fits");
    assert_eq!(status, Some(0), "{errors}");
    assert!(
        text.contains("one of the") && text.contains("lights of the session") && text.contains("7 other file(s)"),
        "{text}"
    );
    for (name, words) in [
        ("empty.fits", "Left out: 0 stars found"),
        ("cut.fits", "Left out: incomplete: has 9000 of the 43840 bytes"),
        ("notes.txt", "By its first bytes: not a FITS file."),
    ] {
        let (status, text, _) = explain(name);
        assert!(status == Some(1) && text.contains(words), "{name}: {status:?} {text}");
    }
    let elsewhere = folder_of([("b.fits", light(1, &[]))]);
    let other = elsewhere.path().join("b.fits");
    let ran = skygrain(&["night", folder, "--explain", other.to_str().unwrap()]);
    assert!(ran.status == Some(2) && ran.stderr.contains("does not lie below"), "{}", ran.stderr);
}

#[test]
fn a_header_cannot_steer_the_terminal() {
    let mut bytes = light(1, &["OBJECT  = 'red @[31m sky'"]);
    let at = bytes.iter().position(|b| *b == b'@').unwrap();
    bytes[at] = 0x1b;
    let dir = folder_of([("a.fits", bytes)]);
    let ran = skygrain(&["night", "--explain", dir.path().join("a.fits").to_str().unwrap()]);
    assert!(
        ran.status == Some(0) && !ran.stdout.contains('\u{1b}') && ran.stdout.contains("[31m sky"),
        "{}",
        ran.stdout
    );
}

#[test]
fn without_folders_and_without_a_file_the_arguments_are_refused() {
    let ran = skygrain(&["night"]);
    assert!(ran.status == Some(2) && ran.stderr.contains("FOLDERS"), "{}", ran.stderr);
}
