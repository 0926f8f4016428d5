//! Folders that hold more than one night's raw frames: copies, masters, films, logs, several cameras, thousands of files.

use std::time::Instant;

use crate::raw_fits::*;
use crate::tile_files::{self, RICE};

#[test]
fn copies_of_a_frame_count_once_however_they_are_packed() {
    let date = "DATE-OBS= '2031-03-01T22:00:00'";
    let frame = light(1, &[date]);
    let dir = folder_of([
        ("a.fits", frame.clone()),
        ("b copy.fits", frame.clone()),
        ("c.fits.gz", gzip(&frame)),
        // The same second, but other pixels: two cameras without a name, or a clock that stood still.
        ("d.fits", light(2, &[date])),
    ]);
    let cards = ["IMAGETYP= 'LIGHT'", "EXPTIME = 60.0", date];
    tile_files::write(&dir.path().join("e.fz"), RICE, &stars(1), &[], &cards, true);
    let report = report(dir.path());
    for name in ["b copy.fits", "c.fits.gz", "e.fz"] {
        left_out(&report, name, "excluded", "the same frame as a.fits");
    }
    for name in ["a.fits", "d.fits"] {
        assert_eq!(row(&report, name)["status"], "used", "{:#}", row(&report, name));
    }
    assert_eq!(report["sessions"][0]["frame_counts"]["used"], 2);
}

#[test]
fn films_pictures_logs_and_masters_among_raw_frames_are_named_and_left_alone() {
    let film = [b"SER file without a header of FITS".as_slice(), &[7; 9000]].concat();
    let jpeg = [&[0xff, 0xd8, 0xff, 0xe0], [1u8; 5000].as_slice()].concat();
    let mp4 = [b"\0\0\0\x18ftypmp42".as_slice(), &[0; 4000]].concat();
    let report = report_of([
        ("a.fits", light(1, &[])),
        ("planet.ser", film),
        ("preview.jpg", jpeg),
        ("sky.mp4", mp4),
        ("session.log", b"22:00 focus 12345\n".to_vec()),
        ("empty.txt", Vec::new()),
        ("stack.fits", light(2, &["NCOMBINE= 24"])),
        ("master.fits", light(3, &["IMAGETYP= 'Master Light'"])),
    ]);
    for name in ["planet.ser", "preview.jpg", "sky.mp4", "session.log"] {
        left_out(&report, name, "excluded", "");
    }
    for name in ["stack.fits", "master.fits"] {
        left_out(&report, name, "excluded", "combination");
    }
    assert_eq!(row(&report, "a.fits")["status"], "used");
}

#[test]
fn several_cameras_and_nights_in_one_folder_are_kept_apart() {
    let mut files = Vec::new();
    for (c, camera) in ["Thrush", "Wren"].into_iter().enumerate() {
        for (n, night) in ["2031-03-01", "2031-03-04"].into_iter().enumerate() {
            for k in 0..2 {
                let cards = [
                    format!("INSTRUME= '{camera}'"),
                    format!("DATE-OBS= '{night}T22:0{k}:00'"),
                    "SITELONG= 10".to_owned(),
                ];
                let cards: Vec<&str> = cards.iter().map(String::as_str).collect();
                files.push((format!("{c}{n}{k}.fits"), light((4 * c + 2 * n + k) as u64, &cards)));
            }
        }
    }
    let report = report_of(files.iter().map(|(name, bytes)| (name.as_str(), bytes.clone())));
    let sessions = report["sessions"].as_array().unwrap();
    assert_eq!(sessions.len(), 4, "{sessions:#?}");
    assert!(sessions.iter().all(|s| s["frame_counts"]["used"] == 2));
    assert_eq!(report["sensors"].as_array().unwrap().len(), 2);
}

/// Files of the large folder.
const FILES: usize = 5000;
/// A first look at so many small files takes a few seconds on one core; the limit only catches growth with the square
/// of their number, which would take hours.
const LOOK_S: f64 = 600.0;
/// Files that may be open at once in the test: a run needs a few a thread, and standard streams and libraries some.
#[cfg(unix)]
const OPEN_FILES: usize = 64;

#[cfg(unix)]
#[test]
fn five_thousand_files_are_looked_at_in_linear_time_with_few_of_them_open() {
    let dir = tempfile::tempdir().unwrap();
    let night = dir.path().join("night");
    std::fs::create_dir(&night).unwrap();
    // Frames of no known kind: their headers and rows are read, and nothing else.
    let frame = small(&["IMAGETYP= 'FOCUS'"]);
    for i in 0..FILES {
        std::fs::write(night.join(format!("{i:05}.fits")), &frame).unwrap();
    }
    std::fs::write(night.join("good.fits"), light(1, &[])).unwrap();
    let started = Instant::now();
    let run = std::process::Command::new("sh")
        .args(["-c", &format!("ulimit -n {OPEN_FILES}; exec \"$0\" night night --out out")])
        .arg(env!("CARGO_BIN_EXE_skygrain"))
        .current_dir(dir.path())
        .output()
        .unwrap();
    let took = started.elapsed().as_secs_f64();
    eprintln!("{FILES} files of {} bytes: {took:.1} s", frame.len());
    assert_eq!(run.status.code(), Some(1), "{}", String::from_utf8_lossy(&run.stderr));
    assert!(took < LOOK_S, "{took} s");
    let report: serde_json::Value =
        serde_json::from_slice(&std::fs::read(dir.path().join("out/report.json")).unwrap()).unwrap();
    let rows = report["frames"].as_array().unwrap();
    assert_eq!(rows.len(), FILES + 1);
    // A file that could not be opened would be unreadable.
    assert!(rows.iter().all(|r| r["status"] != "unreadable"));
}

// Permissions bind nobody who may do everything: then there is nothing to see.
#[cfg(unix)]
#[test]
fn what_may_not_be_read_is_a_row_and_the_night_goes_on() {
    use std::os::unix::fs::PermissionsExt;
    let dir = folder_of([("a.fits", light(1, &[])), ("secret.fits", light(2, &[])), ("closed/b.fits", light(3, &[]))]);
    let forbid = |name: &str, mode| {
        std::fs::set_permissions(dir.path().join(name), std::fs::Permissions::from_mode(mode)).unwrap();
    };
    forbid("secret.fits", 0o000);
    forbid("closed", 0o000);
    let binds = std::fs::read(dir.path().join("secret.fits")).is_err();
    let ran = crate::command_line::skygrain(&["frames", dir.path().to_str().unwrap(), "--format", "jsonl"]);
    forbid("closed", 0o755);
    let rows: Vec<serde_json::Value> = ran.stdout.lines().map(|l| serde_json::from_str(l).unwrap()).collect();
    let status = |path: &str| rows.iter().find(|r| r["path"] == path).map(|r| r["status"].as_str().unwrap().to_owned());
    assert_eq!(status("a.fits").as_deref(), Some("used"), "{}", ran.stderr);
    if binds {
        assert_eq!(status("secret.fits").as_deref(), Some("unreadable"));
        assert_eq!(status("closed").as_deref(), Some("unreadable"), "{rows:#?}");
        assert_eq!(ran.status, Some(1));
    } else {
        eprintln!("permissions do not bind this user: only the good frame was checked");
    }
}
