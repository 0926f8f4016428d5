//! Folders as people have them: names, kinds, damaged copies.

use std::path::Path;

use crate::raw_fits::*;
use crate::tile_files::{self, RICE};

/// A frame that makes a run possible where all others are refused.
fn good() -> (&'static str, Vec<u8>) {
    ("good.fits", light(1, &[]))
}

#[test]
fn every_spelling_of_a_kind_is_understood_and_the_unknown_is_listed_by_name() {
    let spellings = [
        ("IMAGETYP", "Light Frame", "light"),
        ("IMAGETYP", "LIGHT", "light"),
        ("IMAGETYP", "light ", "light"),
        ("FRAME", "OBJECT", "light"),
        ("IMAGETYP", "Flat Field", "flat"),
        ("OBSTYPE", "FLAT", "flat"),
        ("IMAGETYP", "SKYFLAT", "flat"),
        ("IMAGETYP", "Dark", "dark"),
        ("IMAGETYP", "DARKFLAT", "dark-flat"),
        ("IMAGETYP", "Dark Flat", "dark-flat"),
        ("IMAGETYP", "Bias Frame", "bias"),
        ("IMAGETYP", "ZERO", "bias"),
        ("IMAGETYP", "Master Dark", "master"),
        // As dark as the darks and biases beside it, and exposed.
        ("NOTHING", "", "dark"),
        ("IMAGETYP", "Focus", "unknown"),
    ];
    let names: Vec<String> = (0..spellings.len()).map(|i| format!("{i:02}.fits")).collect();
    let files = spellings.iter().zip(&names).map(|((keyword, words, _), name)| {
        let mut cards = base_cards(SIDE, SIDE);
        cards.retain(|c| !c.starts_with("IMAGETYP"));
        cards.push(format!("{keyword:<8}= '{words}'"));
        (name.as_str(), file(&cards, &unsigned(small_pixels())))
    });
    let report = report_of(files);
    for ((_, words, kind), name) in spellings.iter().zip(&names) {
        assert_eq!(row(&report, name)["kind"], *kind, "{words}");
    }
    left_out(&report, "14.fits", "excluded", "kind not known");
    left_out(&report, "12.fits", "excluded", "combination");
}

// Characters that have a meaning to CFITSIO, to a shell or to a command line.
#[test]
fn names_are_taken_literally() {
    let names = [
        "M31 [Ha] 300s.fits",
        "x(1).fits",
        "a+b.fits",
        "a+1",
        "c{2}.fits",
        "-5C_001.fits",
        "f*?.fits",
        "!x.fits",
        "~x.fits",
        " x.fits",
        "2024 [rig]/plain.fits",
        "2024 [rig]/x[1:3,2:5](copy.fits).gz",
        "a=b;c&d#e%41.fits",
        "mem:x.fits",
    ];
    let dir = folder_of(names.iter().map(|n| (*n, small(&[]))));
    let want: f64 = small_pixels().iter().map(|v| f64::from(*v)).sum();
    for name in names {
        assert_eq!(sum_of(&dir.path().join(name)), (want, (SIDE, SIDE)), "{name}");
    }
    std::fs::write(dir.path().join("good.fits"), light(1, &[])).unwrap();
    // The folder that is given may itself have such a name.
    for folder in [dir.path().to_owned(), dir.path().join("2024 [rig]")] {
        let report = report(&folder);
        for frame in report["frames"].as_array().unwrap() {
            assert_eq!(frame["width"], if frame["path"] == "good.fits" { 160 } else { SIDE }, "{frame:#}");
        }
    }
}

#[cfg(unix)]
#[test]
fn names_in_any_script_or_none_and_with_any_suffix_are_read() {
    use std::os::unix::ffi::OsStrExt;
    let jpeg = [&[0xff, 0xd8, 0xff, 0xe0], [7u8; 5000].as_slice()].concat();
    let dir = folder_of([
        ("Путь/é.fits", light(1, &[])),
        ("a.FIT", light(2, &[])),
        ("b.fts", light(3, &[])),
        ("c", light(4, &[])),
        ("d.fits", jpeg),
        ("notes.txt", b"thin cloud after midnight".to_vec()),
    ]);
    let odd = std::ffi::OsStr::from_bytes(b"caf\xe9.fits");
    std::fs::write(dir.path().join(odd), light(5, &[])).unwrap();
    let report = report(dir.path());
    for name in ["Путь/é.fits", "a.FIT", "b.fts", "c", "caf\u{fffd}.fits"] {
        assert_eq!(row(&report, name)["status"], "used", "{name}: {:#}", row(&report, name));
    }
    left_out(&report, "d.fits", "unreadable", "JPEG");
    left_out(&report, "notes.txt", "excluded", "not a FITS file");
}

// The base card set fits one block, so 2880 bytes are the header alone.
#[test]
fn truncated_copies_are_named_with_what_they_have_and_the_rest_is_measured() {
    let whole = light(2, &[]);
    let data = 160 * 128 * 2;
    let cuts = [
        ("cut-0.fits", 0, "0 bytes"),
        ("cut-600.fits", 600, "END"),
        ("cut-1000.fits", 1000, "has 1000 of the 43840 bytes"),
        ("cut-header.fits", 2880, "has 2880 of the 43840 bytes"),
        ("cut-half.fits", 2880 + data / 2, "has 23360 of the 43840 bytes"),
        ("cut-last.fits", 2880 + data - 1, "has 43839 of the 43840 bytes"),
    ];
    let mut files: Vec<(&str, Vec<u8>)> = cuts.iter().map(|(n, at, _)| (*n, whole[..*at].to_vec())).collect();
    files.push(good());
    // The padding behind the last row may be missing: no pixel is lost.
    files.push(("unpadded.fits", whole[..2880 + data].to_vec()));
    let report = report_of(files);
    for (name, _, words) in cuts {
        left_out(&report, name, "unreadable", words);
    }
    assert_eq!(row(&report, "good.fits")["status"], "used");
    assert_eq!(row(&report, "unpadded.fits")["status"], "used", "{:#}", row(&report, "unpadded.fits"));
    assert_eq!(report["sessions"][0]["frame_counts"]["used"], 2);
}

// Numbers 36 and 42.
#[test]
fn damaged_and_foreign_compression_is_refused_by_name() {
    let whole = light(2, &[]);
    let packed = gzip(&whole);
    let mut flipped = packed.clone();
    let middle = flipped.len() / 2;
    flipped[middle] ^= 0xff;
    let report = report_of([
        good(),
        ("really-gzip.fits", packed.clone()),
        ("plain.fits.gz", light(3, &[])),
        ("cut-70.fits.gz", packed[..packed.len() * 7 / 10].to_vec()),
        ("cut-trailer.fits.gz", packed[..packed.len() - 3].to_vec()),
        ("cut-early.fits.gz", packed[..60].to_vec()),
        ("cut-magic.fits.gz", packed[..2].to_vec()),
        ("flipped.fits.gz", flipped),
        ("two-members.fits.gz", [gzip(&whole[..10_000]), gzip(&whole[10_000..])].concat()),
        ("short-inside.fits.gz", gzip(&whole[..20_000])),
        ("a.fits.bz2", b"BZh91AY&SY and so on, which nobody unpacks here".to_vec()),
        ("b.fits", b"BZh91AY&SY and so on, which nobody unpacks here".to_vec()),
        ("c.fits.Z", vec![0x1f, 0x9d, 0x90, 1, 2, 3]),
    ]);
    for name in ["really-gzip.fits", "plain.fits.gz", "two-members.fits.gz"] {
        assert_eq!(row(&report, name)["status"], "used", "{:#}", row(&report, name));
    }
    for name in ["cut-70", "cut-trailer", "cut-early", "cut-magic", "flipped", "short-inside"] {
        left_out(&report, &format!("{name}.fits.gz"), "unreadable", "gzip");
    }
    left_out(&report, "short-inside.fits.gz", "unreadable", "20000 of the promised 43840");
    left_out(&report, "a.fits.bz2", "unreadable", "bzip2");
    left_out(&report, "b.fits", "unreadable", "bzip2");
    left_out(&report, "c.fits.Z", "unreadable", ".Z");
}

// A truncated heap, and flipped bytes all over the file. No crash, and no partial statistics.
#[test]
fn damaged_tiles_are_refused_or_read_but_never_crash() {
    let dir = folder_of([good()]);
    let fz = dir.path().join("whole.fz");
    tile_files::write(&fz, RICE, &stars(2), &[], &["IMAGETYP= 'LIGHT'", "EXPTIME = 60.0"], true);
    let bytes = std::fs::read(&fz).unwrap();
    let heap_end = bytes.len() - 2880;
    std::fs::write(dir.path().join("cut.fz"), &bytes[..heap_end - 3000]).unwrap();
    // Inside the heap the pixels change and the stated sum shows it.
    for at in [heap_end / 2, heap_end - 2000] {
        let mut damaged = bytes.clone();
        damaged[at] ^= 0x55;
        std::fs::write(dir.path().join(format!("heap-{at}.fz")), damaged).unwrap();
    }
    for at in (2880..bytes.len()).step_by(397) {
        let mut damaged = bytes.clone();
        damaged[at] ^= 0x5a;
        std::fs::write(dir.path().join(format!("any-{at:06}.fz")), damaged).unwrap();
    }
    let report = report(dir.path());
    assert_eq!(row(&report, "whole.fz")["status"], "used", "{:#}", row(&report, "whole.fz"));
    left_out(&report, "cut.fz", "unreadable", "incomplete");
    for at in [heap_end / 2, heap_end - 2000] {
        left_out(&report, &format!("heap-{at}.fz"), "unreadable", "DATASUM");
    }
}

// Without a sum nothing tells that pixels are wrong, but lengths must still not be believed.
#[test]
fn damaged_tiles_without_a_sum_never_crash() {
    let dir = folder_of([good()]);
    let fz = dir.path().join("whole.fz");
    tile_files::write(&fz, RICE, &stars(2), &[], &["IMAGETYP= 'LIGHT'"], false);
    let bytes = std::fs::read(&fz).unwrap();
    for at in (2880 + 2000..bytes.len()).step_by(211) {
        let mut damaged = bytes.clone();
        damaged[at] = !damaged[at];
        std::fs::write(dir.path().join(format!("any-{at:06}.fz")), damaged).unwrap();
    }
    let text = |from: &str, to: &str| {
        let mut damaged = bytes.clone();
        let at = bytes.windows(from.len()).position(|w| w == from.as_bytes()).unwrap();
        damaged[at..at + to.len()].copy_from_slice(to.as_bytes());
        damaged
    };
    // Tiles and axes that are not those of the streams.
    std::fs::write(
        dir.path().join("tile-8.fz"),
        text("ZTILE1  =                  160", "ZTILE1  =                    8"),
    )
    .unwrap();
    std::fs::write(
        dir.path().join("huge.fz"),
        text("ZNAXIS1 =                  160", "ZNAXIS1 =           1600000000"),
    )
    .unwrap();
    std::fs::write(
        dir.path().join("tall.fz"),
        text("ZNAXIS2 =                  128", "ZNAXIS2 =                12800"),
    )
    .unwrap();
    // In a process of its own: a crash there is an exit status here.
    let out = tempfile::tempdir().unwrap();
    let ran = crate::command_line::skygrain(&[
        "night",
        dir.path().to_str().unwrap(),
        "--out",
        out.path().join("o").to_str().unwrap(),
    ]);
    assert_eq!(ran.status, Some(1), "{}", ran.stderr);
    let report: serde_json::Value =
        serde_json::from_slice(&std::fs::read(out.path().join("o/report.json")).unwrap()).unwrap();
    left_out(&report, "huge.fz", "unreadable", "");
    left_out(&report, "tall.fz", "unreadable", "");
    left_out(&report, "tile-8.fz", "unreadable", "");
}

// Numbers 24 and 36: an axis card gone wrong must not be believed, whatever the coding.
#[test]
fn promises_of_terabytes_are_refused_before_memory_is_asked_for() {
    let promising = |bitpix: i32, axes: &[usize]| {
        let mut cards = shape_cards(bitpix, axes);
        cards.push("IMAGETYP= 'LIGHT'".to_owned());
        file(&cards, &[0; 5000])
    };
    let report = report_of([
        good(),
        ("tera.fits", promising(16, &[1_000_000, 1_000_000])),
        ("exa.fits", promising(-64, &[4_000_000_000, 4_000_000_000])),
        ("overflow.fits", promising(-64, &[4_000_000_000_000_000, 4_000_000_000_000_000])),
        ("tera.fits.gz", gzip(&promising(16, &[1_000_000, 1_000_000]))),
        ("cube.fits", promising(16, &[1_000_000, 1_000_000, 3])),
    ]);
    for name in ["tera.fits", "exa.fits", "overflow.fits", "cube.fits"] {
        left_out(&report, name, "unreadable", "promise");
    }
    left_out(&report, "tera.fits.gz", "unreadable", "promised");
}

#[test]
fn what_lies_behind_the_image_is_no_concern_but_an_endless_header_is() {
    let whole = light(2, &[]);
    let mut nul_padded = whole.clone();
    let end = whole.windows(8).position(|w| w == b"END     ").unwrap();
    nul_padded[end + 3..2880].fill(0);
    let mut endless = whole[..end].to_vec();
    endless.resize(50_000_000, b'x');
    let started = std::time::Instant::now();
    let report = report_of([
        ("zeros-20.fits", [whole.clone(), vec![0; 20]].concat()),
        ("zeros-2880.fits", [whole.clone(), vec![0; 2880]].concat()),
        ("garbage.fits", [whole.clone(), b"garbage".to_vec()].concat()),
        ("nul-padded.fits", nul_padded),
        ("no-end.fits", endless.clone()),
        ("no-end.fits.gz", gzip(&endless)),
    ]);
    for name in ["zeros-20.fits", "zeros-2880.fits", "garbage.fits", "nul-padded.fits"] {
        assert_eq!(row(&report, name)["status"], "used", "{:#}", row(&report, name));
        assert!(row(&report, name)["fitted_stars"].as_u64().unwrap() >= 15, "{name}");
    }
    left_out(&report, "no-end.fits", "unreadable", "END");
    left_out(&report, "no-end.fits.gz", "unreadable", "END");
    assert!(started.elapsed().as_secs() < 30, "the search for END must be bounded");
}

// A few formats, more threads than cores, against the serial run.
#[test]
fn many_threads_read_what_one_reads() {
    let dir = tempfile::tempdir().unwrap();
    let plain = small(&[]);
    for i in 0..200usize {
        let image = ndarray::Array2::from_shape_fn((32, 40), |(y, x)| (300 + 7 * i + 3 * y + x * (i % 5)) as u16);
        let mut cards = base_cards(40, 32);
        set(&mut cards, "IMAGETYP= 'DARK'");
        let bytes = file(&cards, &unsigned(image.iter().copied()));
        match i % 3 {
            0 => std::fs::write(dir.path().join(format!("{i}.fits")), bytes).unwrap(),
            1 => std::fs::write(dir.path().join(format!("{i}.fits.gz")), gzip(&bytes)).unwrap(),
            _ => tile_files::write(&dir.path().join(format!("{i}.fz")), RICE, &image, &[], &["IMAGETYP= 'DARK'"], true),
        }
    }
    std::fs::write(dir.path().join("z.fits"), plain).unwrap();
    let mut paths: Vec<_> = std::fs::read_dir(dir.path()).unwrap().map(|e| e.unwrap().path()).collect();
    paths.sort();
    let serial: Vec<_> = paths.iter().map(|p| sum_of(p)).collect();
    for (path, sum) in paths.iter().zip(&serial) {
        let Ok(i) = path.file_name().unwrap().to_str().unwrap().split('.').next().unwrap().parse::<f64>() else {
            continue;
        };
        let want = 1280.0 * (300.0 + 7.0 * i + 3.0 * 15.5 + 19.5 * (i % 5.0));
        assert_eq!(*sum, (want, (40, 32)), "{}", path.display());
    }
    let pool = rayon::ThreadPoolBuilder::new().num_threads(8).build().unwrap();
    use rayon::prelude::*;
    for _ in 0..5 {
        let parallel: Vec<_> = pool.install(|| paths.par_iter().map(|p| sum_of(p)).collect());
        assert!(parallel == serial);
    }
}

#[test]
fn one_file_reached_twice_is_one_frame() {
    let dir = folder_of([("lights/a.fits", light(1, &[])), ("lights/b.fits", light(2, &[]))]);
    #[cfg(unix)]
    std::os::unix::fs::symlink(dir.path().join("lights/a.fits"), dir.path().join("lights/again.fits")).unwrap();
    let rig = skygrain::folder::Rig::default();
    let folders = vec![dir.path().to_owned(), dir.path().join("lights/.."), dir.path().join("lights")];
    let input = skygrain::night::NightInput { folders, out: "no-such-output".into(), rig, stars: false };
    let report = skygrain::night::run(&input, skygrain::night::Scope::Night, &|_, _, _| {}).unwrap();
    let used = |f: &&skygrain::report::FrameRow| f.status == skygrain::report::FrameStatus::Used;
    assert_eq!(report.frames.iter().filter(used).count(), 2, "{:#?}", report.frames);
    #[cfg(unix)]
    {
        let again: Vec<_> = report.frames.iter().filter(|f| Path::new(&f.path).ends_with("again.fits")).collect();
        assert!(again.len() == 1 && again[0].reason().unwrap().contains("same file"), "{again:#?}");
    }
}
