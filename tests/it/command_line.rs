//! The binary: exit status, what goes to which stream, and folders that stay as they are.

use std::path::Path;
use std::process::Command;

use crate::raw_fits::*;

/// What a run of the program left.
pub struct Ran {
    /// Exit status; `None` after a crash.
    pub status: Option<i32>,
    pub stdout: String,
    pub stderr: String,
}

/// Runs the program.
pub fn skygrain(arguments: &[&str]) -> Ran {
    skygrain_in(Path::new("."), arguments)
}

pub fn skygrain_in(folder: &Path, arguments: &[&str]) -> Ran {
    let mut command = Command::new(env!("CARGO_BIN_EXE_skygrain"));
    command.args(arguments).current_dir(folder);
    ran(command)
}

/// Runs a command to its end.
pub fn ran(mut command: Command) -> Ran {
    let run = command.output().unwrap();
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    Ran { status: run.status.code(), stdout: text(&run.stdout), stderr: text(&run.stderr) }
}

fn json(path: &Path) -> serde_json::Value {
    serde_json::from_slice(&std::fs::read(path).unwrap()).unwrap()
}

#[test]
fn exit_status_and_streams_tell_how_it_went() {
    let dir =
        folder_of([("night/a.fits", light(1, &[])), ("night/b.fits", light(2, &[])), ("night/log.txt", b"x".to_vec())]);
    let night = dir.path().join("night");
    let before = snapshot(&night);
    let ran = skygrain_in(dir.path(), &["night", "night", "--out", "report"]);
    assert_eq!(ran.status, Some(0), "{}{}", ran.stdout, ran.stderr);
    assert!(ran.stdout.contains("report.html"), "results go to standard output: {}", ran.stdout);
    assert!(snapshot(&night) == before, "the frames' folder was changed");
    assert!(dir.path().join("report/report.json").is_file() && dir.path().join("report/frames.csv").is_file());

    // A broken frame: the report is written, the status tells.
    std::fs::write(night.join("broken.fits"), &light(3, &[])[..9000]).unwrap();
    let ran = skygrain_in(dir.path(), &["night", "night", "--out", "report"]);
    assert_eq!(ran.status, Some(1), "{}{}", ran.stdout, ran.stderr);
    assert!(ran.stderr.contains("broken.fits") && ran.stderr.contains("incomplete"), "{}", ran.stderr);
    left_out(&json(&dir.path().join("report/report.json")), "broken.fits", "unreadable", "incomplete");

    // Nothing usable: no report, no output, words on standard error.
    let empty = folder_of([("night/x.fits", b"".to_vec())]);
    for arguments in [
        ["night", "night", "--out", "report"].as_slice(),
        &["night", "no such folder"],
        &["night"],
        &["night", "night", "--unheard-of"],
        &["frames", "night"],
    ] {
        let ran = skygrain_in(empty.path(), arguments);
        assert_eq!(ran.status, Some(2), "{arguments:?}: {}{}", ran.stdout, ran.stderr);
        assert!(ran.stdout.is_empty() && !ran.stderr.is_empty(), "{arguments:?}");
    }
    assert!(!empty.path().join("report").exists());
}

#[test]
fn rows_for_scripts_are_alone_on_standard_output() {
    let dir = folder_of([("a.fits", light(1, &[])), ("M31 [Ha].fits", light(2, &[]))]);
    let ran = skygrain_in(dir.path(), &["frames", "a.fits", "M31 [Ha].fits", "--format", "jsonl"]);
    assert_eq!(ran.status, Some(0), "{}", ran.stderr);
    let rows: Vec<serde_json::Value> = ran.stdout.lines().map(|l| serde_json::from_str(l).unwrap()).collect();
    assert_eq!(rows.len(), 2);
    assert!(rows.iter().all(|r| r["status"] == "used"));
}

#[test]
fn a_folder_named_like_an_option_or_a_pattern_is_a_folder() {
    let dir = folder_of([("-5C [rig] *?/a.fits", light(1, &[]))]);
    let ran = skygrain_in(dir.path(), &["night", "--out", "o", "--", "-5C [rig] *?"]);
    assert_eq!(ran.status, Some(0), "{}", ran.stderr);
    assert_eq!(json(&dir.path().join("o/report.json"))["frames"].as_array().unwrap().len(), 1);
}

// Decimal commas of the machine's locale change nothing.
#[test]
fn the_locale_changes_nothing() {
    let dir = folder_of([("n/a.fits", light(1, &["XPIXSZ  = 3,76", "FOCALLEN= 530"]))]);
    let bytes = |locale: &str| {
        let run = Command::new(env!("CARGO_BIN_EXE_skygrain"))
            .args(["night", "n", "--out", locale])
            .env("LC_ALL", locale)
            .current_dir(dir.path())
            .output()
            .unwrap();
        assert_eq!(run.status.code(), Some(0));
        std::fs::read(dir.path().join(locale).join("report.json")).unwrap()
    };
    assert!(bytes("it_IT.UTF-8") == bytes("C"));
}

#[test]
fn the_rig_file_overrides_headers_and_the_report_says_so() {
    let dir = folder_of([
        ("n/a.fits", light(1, &["XPIXSZ  = 9.0", "FOCALLEN= 1000", "CCD-TEMP= 'broken'"])),
        ("rig.toml", b"pixel_um = 3.76\nfocal_mm = 530\nsensor_celsius = 12.5\ngain_e_per_adu = 0.8\n".to_vec()),
    ]);
    let ran = skygrain_in(dir.path(), &["night", "n", "--rig", "rig.toml", "--out", "o"]);
    assert_eq!(ran.status, Some(0), "{}", ran.stderr);
    let report = json(&dir.path().join("o/report.json"));
    let session = &report["sessions"][0];
    let scale = &session["image_scale_arcsec_per_px"];
    // 206264.806 * 3.76e-3 / 530
    assert!((scale["value"].as_f64().unwrap() - 1.46328).abs() < 1e-4 && scale["source"] == "rig", "{scale:#}");
    assert_eq!(
        (&session["sensor_temperature_c"]["value"], &session["sensor_temperature_c"]["source"]),
        (&12.5.into(), &"rig".into())
    );
    let gain = &report["sensors"][0]["gain_e_per_adu"];
    assert_eq!((&gain["value"], &gain["source"]), (&0.8.into(), &"rig".into()));
}

#[test]
fn an_unknown_rig_key_is_refused_and_its_near_miss_named() {
    let dir = folder_of([("n/a.fits", light(1, &[])), ("rig.toml", b"pixel_size = 3.76\n".to_vec())]);
    let ran = skygrain_in(dir.path(), &["night", "n", "--rig", "rig.toml", "--out", "o"]);
    assert_eq!(ran.status, Some(2));
    assert!(ran.stderr.contains("`pixel_size`") && ran.stderr.contains("`pixel_um`"), "{}", ran.stderr);
    assert!(!dir.path().join("o").exists());
}

#[test]
fn the_output_folder_inside_the_frames_folder_is_not_searched() {
    let dir = folder_of([("a.fits", light(1, &[]))]);
    for _ in 0..2 {
        let ran = skygrain_in(dir.path(), &["night", ".", "--out", "./out"]);
        assert_eq!(ran.status, Some(0), "{}", ran.stderr);
        let report = json(&dir.path().join("out/report.json"));
        assert_eq!(report["frames"].as_array().unwrap().len(), 1, "its own report is no frame");
    }
}

#[test]
fn an_output_folder_that_holds_frames_is_refused() {
    let dir =
        folder_of([("n/a.fits", light(1, &[])), ("n/sub/deep/b.fits", light(2, &[])), ("other/c.fits", light(3, &[]))]);
    let before = snapshot(dir.path());
    // The frames' folder, one above it, one below it with frames further down (they would vanish), a foreign one.
    for out in ["n", ".", "n/sub", "n/sub/deep", "other"] {
        let ran = skygrain_in(dir.path(), &["night", "n", "--out", out]);
        assert_eq!(ran.status, Some(2), "{out}: {}", ran.stdout);
        assert!(ran.stderr.contains("--out"), "{out}: {}", ran.stderr);
    }
    assert!(snapshot(dir.path()) == before);
}

#[test]
fn a_table_of_stars_is_written_again_but_a_frame_of_that_name_is_not() {
    let dir = folder_of([("n/a.fits", light(1, &[]))]);
    for _ in 0..2 {
        let ran = skygrain_in(dir.path(), &["night", "n", "--out", "o", "--stars"]);
        assert_eq!(ran.status, Some(0), "{}", ran.stderr);
    }
    std::fs::create_dir(dir.path().join("p")).unwrap();
    std::fs::copy(dir.path().join("n/a.fits"), dir.path().join("p/stars.fits")).unwrap();
    let ran = skygrain_in(dir.path(), &["night", "n", "--out", "p", "--stars"]);
    assert_eq!(ran.status, Some(2), "{}", ran.stdout);
    assert!(ran.stderr.contains("where frames lie"), "{}", ran.stderr);
}

#[test]
fn the_demo_runs_again_on_its_own_night_and_leaves_any_other_folder_alone() {
    let dir = tempfile::tempdir().unwrap();
    let first = skygrain_in(dir.path(), &["demo"]);
    let again = skygrain_in(dir.path(), &["demo"]);
    assert_eq!((first.status, again.status), (Some(0), Some(0)), "{}", again.stderr);
    assert_eq!(first.stdout, again.stdout, "the same night, the same words");
    let own = dir.path().join("skygrain-demo/mine.txt");
    std::fs::write(&own, "mine").unwrap();
    let refused = skygrain_in(dir.path(), &["demo"]);
    assert_eq!(refused.status, Some(2));
    assert!(refused.stderr.contains("not empty"), "{}", refused.stderr);
    assert_eq!(std::fs::read_to_string(own).unwrap(), "mine");
}

#[test]
fn help_fits_eighty_columns() {
    for arguments in [["--help"].as_slice(), &["night", "--help"], &["sensor", "--help"], &["schema", "--help"]] {
        let ran = skygrain(arguments);
        assert_eq!(ran.status, Some(0));
        let long: Vec<&str> = ran.stdout.lines().filter(|l| l.chars().count() > 80).collect();
        assert!(long.is_empty(), "{arguments:?}: {long:#?}");
    }
}

#[test]
fn no_colour_is_written_where_none_is_wanted() {
    let run = |variables: &[(&str, &str)], arguments: &[&str]| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_skygrain"));
        command.args(arguments).env_remove("NO_COLOR").envs(variables.iter().copied());
        let ran = command.output().unwrap();
        [ran.stdout, ran.stderr].concat().contains(&0x1B)
    };
    // What a terminal would get: colour is forced, for this is none.
    for arguments in [["--help"].as_slice(), &["nihgt"]] {
        assert!(run(&[("CLICOLOR_FORCE", "1")], arguments), "{arguments:?} has colours to switch off");
        assert!(!run(&[("CLICOLOR_FORCE", "1"), ("NO_COLOR", "1")], arguments), "{arguments:?}");
    }
    let dir = folder_of([("n/a.fits", light(1, &[])), ("n/torn.fits", light(2, &[])[..9000].to_vec())]);
    let (night, out) = (dir.path().join("n"), dir.path().join("o"));
    let arguments = ["night", night.to_str().unwrap(), "--out", out.to_str().unwrap()];
    assert!(!run(&[("CLICOLOR_FORCE", "1"), ("NO_COLOR", "1")], &arguments));
}

#[test]
fn the_summary_of_a_night_fits_eighty_columns() {
    let dir = folder_of([("n/a.fits", light(1, &[])), ("n/torn.fits", light(2, &[])[..9000].to_vec())]);
    let ran = skygrain_in(dir.path(), &["night", "n", "--out", "o"]);
    assert!(ran.stdout.lines().count() > 10, "{}", ran.stdout);
    let long: Vec<&str> = ran.stdout.lines().filter(|l| l.chars().count() > 80).collect();
    assert!(long.is_empty(), "{long:#?}");
}

#[test]
fn quiet_and_verbose_decide_what_standard_error_says_and_results_stay() {
    let dir = folder_of([("n/a.fits", light(1, &[])), ("n/torn.fits", light(2, &[])[..9000].to_vec())]);
    let quiet = skygrain_in(dir.path(), &["night", "n", "--out", "o", "-q"]);
    let usual = skygrain_in(dir.path(), &["night", "n", "--out", "o"]);
    let verbose = skygrain_in(dir.path(), &["night", "n", "--out", "o", "-v"]);
    assert_eq!((quiet.status, usual.status, verbose.status), (Some(1), Some(1), Some(1)));
    assert_eq!(quiet.stderr, "");
    assert!(usual.stderr.contains("torn.fits") && !usual.stderr.contains("measuring stars"), "{}", usual.stderr);
    assert_eq!(verbose.stderr.matches("measuring stars: 1 frames in").count(), 1, "{}", verbose.stderr);
    assert!(quiet.stdout == usual.stdout && usual.stdout == verbose.stdout);
}

#[test]
fn the_notices_that_go_with_every_copy_are_printed_whole() {
    let ran = skygrain(&["licences"]);
    assert_eq!((ran.status, ran.stderr.as_str()), (Some(0), ""));
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut notices = vec!["LICENSE-MIT", "LICENSE-APACHE", "fixtures/licences/cfitsio.txt"];
    if cfg!(feature = "catalogue") {
        notices.push("fixtures/licences/star-catalogue.txt");
        notices.push("fixtures/licences/object-places.txt");
    }
    for notice in notices {
        let text = std::fs::read_to_string(root.join(notice)).unwrap();
        assert!(ran.stdout.contains(text.trim_matches('\n')), "{notice} is not printed");
    }
    // What the owners of what is built in ask for, whatever the files are called.
    for words in ["Administrator\nof the National Aeronautics and Space Administration", "Copyright 2000 Hog E."] {
        assert!(ran.stdout.contains(words) || !cfg!(feature = "catalogue"), "{words}");
    }
}

#[test]
fn completions_and_manual_know_every_command() {
    let commands = ["night", "sensor", "frames", "upgrade", "demo", "completions", "schema", "licences", "manual"];
    for shell in ["bash", "zsh", "fish", "elvish", "powershell"] {
        let ran = skygrain(&["completions", shell]);
        assert_eq!((ran.status, ran.stderr.as_str()), (Some(0), ""), "{shell}");
        assert!(commands.iter().all(|c| ran.stdout.contains(c)) && ran.stdout.contains("out"), "{shell}");
    }
    assert_eq!(skygrain(&["completions", "abacus"]).status, Some(2));
    let manual = skygrain(&["manual"]);
    assert_eq!((manual.status, manual.stderr.as_str()), (Some(0), ""));
    assert!(manual.stdout.contains(".TH skygrain 1") && manual.stdout.contains("Exit status"), "{}", manual.stdout);
    // Each command has its line in the list of subcommands.
    for command in commands {
        assert!(manual.stdout.contains(&format!("skygrain\\-{command}(1)")), "{}", manual.stdout);
        let page = skygrain(&["manual", command]);
        assert_eq!(page.status, Some(0), "{}", page.stderr);
        assert!(page.stdout.contains(&format!(".TH skygrain-{command} 1")), "{}", page.stdout);
    }
    let unknown = skygrain(&["manual", "mornings"]);
    assert_eq!(unknown.status, Some(2));
    assert!(unknown.stderr.contains("mornings") && unknown.stderr.contains("night"), "{}", unknown.stderr);
}
