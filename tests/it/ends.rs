//! Runs that end badly: no folder to write to, no room, and an end in the midst of it.

use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use crate::command_line::{Ran, ran, skygrain_in};
use crate::raw_fits::*;

use skygrain::simulate::{Detector, FrameRecipe, SimStar, render, write_night};

/// Time after which a child that should have done something is taken for stuck: a hundred times what it needs.
const STUCK: Duration = Duration::from_secs(120);

/// The names in a folder, those of unfinished files too.
fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> =
        std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().file_name().to_string_lossy().into_owned()).collect();
    names.sort();
    names
}

/// Number of measurements that are kept.
fn entries(out: &Path) -> usize {
    names(&out.join("cache")).iter().filter(|n| n.ends_with(".kept")).count()
}

fn unfinished(folder: &Path) -> Vec<String> {
    let all = walkdir::WalkDir::new(folder).into_iter().flatten();
    all.map(|e| e.path().display().to_string()).filter(|p| p.contains(".part") || p.contains(".skygrain-")).collect()
}

/// A folder with a report of one frame, and a second frame that it does not have yet.
fn one_report() -> tempfile::TempDir {
    let dir = folder_of([("n/a.fits", light(1, &[]))]);
    assert_eq!(skygrain_in(dir.path(), &["night", "n", "--out", "o", "--stars"]).status, Some(0));
    std::fs::write(dir.path().join("n/b.fits"), light(2, &[])).unwrap();
    dir
}

fn refused(ran: &Ran, words: &[&str]) {
    assert_eq!(ran.status, Some(2), "{}{}", ran.stdout, ran.stderr);
    assert!(ran.stdout.is_empty(), "{}", ran.stdout);
    for word in words {
        assert!(ran.stderr.contains(word), "no {word:?} in: {}", ran.stderr);
    }
}

/// Runs as a user whom permissions bind, which they do not the superuser.
#[cfg(unix)]
fn as_a_plain_user(folder: &Path, arguments: &[&str]) -> Ran {
    use std::os::unix::fs::MetadataExt as _;
    use std::os::unix::process::CommandExt as _;
    let mut command = Command::new(env!("CARGO_BIN_EXE_skygrain"));
    command.args(arguments).current_dir(folder);
    // Files that this process makes belong to its user; 65534 is "nobody" on most systems.
    if std::fs::metadata(folder).unwrap().uid() == 0 {
        command.uid(65_534).gid(65_534);
    }
    ran(command)
}

#[cfg(unix)]
#[test]
fn a_folder_that_may_not_be_written_to_is_told_before_anything_is_measured() {
    use std::os::unix::fs::PermissionsExt as _;
    let dir = one_report();
    let out = dir.path().join("o");
    let before = snapshot(&out);
    let set_mode = |path: &Path, mode| std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode)).unwrap();
    set_mode(dir.path(), 0o555);
    set_mode(&out, 0o555);
    for (given, told) in [("o", "the folder o:"), ("new", "the folder new:")] {
        let ran = as_a_plain_user(dir.path(), &["night", "n", "--out", given, "-v"]);
        refused(&ran, &[told, "choose a folder that you may write to with --out"]);
        assert!(!ran.stderr.contains("measur"), "nothing was measured in vain: {}", ran.stderr);
    }
    set_mode(&out, 0o755);
    set_mode(dir.path(), 0o755);
    assert!(snapshot(&out) == before, "the earlier report is whole");
}

/// Runs with a limit to the size of a file, in blocks of 512 bytes, as a full disk sets one.
#[cfg(unix)]
fn with_little_room(folder: &Path, blocks: usize, arguments: &str) -> Ran {
    let program = env!("CARGO_BIN_EXE_skygrain");
    // Unless ignored, the signal of that limit would end the program; a full disk sends none.
    let script = format!("trap '' XFSZ; ulimit -f {blocks}; exec '{program}' {arguments}");
    let mut shell = Command::new("sh");
    shell.args(["-c", &script]).current_dir(folder);
    ran(shell)
}

#[cfg(unix)]
#[test]
fn without_room_for_the_report_the_earlier_one_stays_and_nothing_else() {
    let dir = one_report();
    let out = dir.path().join("o");
    std::fs::remove_dir_all(out.join("cache")).unwrap();
    let before = snapshot(&out);
    // 4 kB: a page has hundreds.
    let ran = with_little_room(dir.path(), 8, "night n --out o");
    refused(&ran, &["o/report.", "make room there", "--out", "measurements cannot be kept"]);
    assert_eq!(unfinished(&out), Vec::<String>::new());
    let _ = std::fs::remove_dir_all(out.join("cache"));
    assert!(snapshot(&out) == before, "the earlier report is whole");
}

#[cfg(unix)]
#[test]
fn without_room_for_the_table_of_stars_the_earlier_one_stays() {
    let dir = folder_of([]);
    write_night(&dir.path().join("n"), 1, &|_, _| {}).unwrap();
    assert!(matches!(skygrain_in(dir.path(), &["night", "n", "--out", "o", "--stars"]).status, Some(0 | 1)));
    let stars = dir.path().join("o/stars.fits");
    let (before, size) = (std::fs::read(&stars).unwrap(), std::fs::metadata(&stars).unwrap().len());
    let largest = ["report.html", "report.json", "frames.csv"]
        .map(|f| std::fs::metadata(dir.path().join("o").join(f)).unwrap().len())
        .into_iter()
        .max()
        .unwrap();
    assert!(size > largest + 1024, "the table is the largest file: {size} against {largest} bytes");
    let ran = with_little_room(dir.path(), (largest / 512 + 1) as usize, "night n --out o --stars");
    assert_eq!(ran.status, Some(2), "{}{}", ran.stdout, ran.stderr);
    assert!(ran.stderr.contains("o/stars.fits"), "{}", ran.stderr);
    assert_eq!(std::fs::read(&stars).unwrap(), before);
    assert_eq!(unfinished(&dir.path().join("o")), Vec::<String>::new());
}

#[test]
fn a_run_that_produces_nothing_leaves_no_folder() {
    let dir = folder_of([("n/x.fits", b"".to_vec())]);
    assert_eq!(skygrain_in(dir.path(), &["night", "n", "--out", "a/b/report"]).status, Some(2));
    assert_eq!(names(dir.path()), ["n"]);
}

/// A child that is stopped when it is dropped, whatever the test does.
pub struct Running(pub Child);

impl Running {
    pub fn start(folder: &Path, arguments: &[&str]) -> Self {
        let child = Command::new(env!("CARGO_BIN_EXE_skygrain"))
            .args(arguments)
            .current_dir(folder)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn();
        Self(child.unwrap())
    }

    /// Sends a signal by its name.
    #[cfg(unix)]
    pub fn signal(&self, name: &str) {
        let sent = Command::new("kill").args(["-s", name, &self.0.id().to_string()]).status().unwrap();
        assert!(sent.success());
    }

    /// What it left, once it has ended.
    pub fn end(mut self) -> Ran {
        let start = Instant::now();
        while self.0.try_wait().unwrap().is_none() {
            assert!(start.elapsed() < STUCK, "it does not end");
            std::thread::sleep(Duration::from_millis(10));
        }
        let mut text = [String::new(), String::new()];
        use std::io::Read as _;
        // A test may have taken the streams to follow them.
        self.0.stdout.take().map(|mut s| s.read_to_string(&mut text[0]).unwrap());
        self.0.stderr.take().map(|mut s| s.read_to_string(&mut text[1]).unwrap());
        let [stdout, stderr] = text;
        Ran { status: self.0.wait().unwrap().code(), stdout, stderr }
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Waits until something holds.
pub fn wait_for(what: &str, mut holds: impl FnMut() -> bool) {
    let start = Instant::now();
    while !holds() {
        assert!(start.elapsed() < STUCK, "waited in vain for {what}");
        std::thread::sleep(Duration::from_millis(5));
    }
}

/// A light of 4 megapixels, so that measuring it takes longer than noticing that it was measured.
fn large_light() -> Vec<u8> {
    const SIDE: usize = 2000;
    let star =
        |i: usize| SimStar::round(50.0 + 100.0 * (i % 20) as f64, 50.0 + 100.0 * (i / 20) as f64, 30_000.0, 2.5, 3.5);
    let recipe = FrameRecipe {
        exposure_s: 60.0,
        sky_e_per_px_s: 3.0,
        stars: (0..400).map(star).collect(),
        ..FrameRecipe::unlit(Detector::even(SIDE, SIDE), 5)
    };
    file(&base_cards(SIDE, SIDE), &unsigned(render(&recipe).0))
}

#[cfg(unix)]
#[test]
fn an_end_in_the_midst_leaves_the_earlier_report_and_the_next_run_goes_on_from_there() {
    let dir = one_report();
    let out = dir.path().join("o");
    let report = || ["report.html", "report.json", "frames.csv"].map(|f| std::fs::read(out.join(f)).unwrap());
    let (before, kept_before) = (report(), entries(&out));
    let large = dir.path().join("large");
    std::fs::write(&large, large_light()).unwrap();
    const MORE: usize = 60;
    for i in 0..MORE {
        std::fs::hard_link(&large, dir.path().join(format!("n/{i:02}.fits"))).unwrap();
    }
    // An entry for the look at each new frame, one for the sensor of the large ones and one for that of the small ones, of
    // which there is now a further light, eight for the bright pixels of large ones, as there are no darks; then one for the stars of each.
    let before_lights = MORE + 1 + 2 + 8;
    for (signal, lights) in [("INT", 3), ("TERM", 10), ("KILL", 17)] {
        let child = Running::start(dir.path(), &["night", "n", "--out", "o"]);
        // The end falls among the lights: those that are left take seconds.
        wait_for("measurements to be kept", || entries(&out) >= kept_before + before_lights + lights);
        child.signal(signal);
        let ran = child.end();
        if signal != "KILL" {
            assert_eq!(ran.status, Some(2), "{signal}: {}{}", ran.stdout, ran.stderr);
            assert!(ran.stderr.contains("ended early") && ran.stdout.is_empty(), "{}{}", ran.stdout, ran.stderr);
            assert_eq!(unfinished(&out), Vec::<String>::new());
        }
        assert!(report() == before, "{signal}: the earlier report is whole");
    }
    let ran = skygrain_in(dir.path(), &["night", "n", "--out", "o", "-v"]);
    assert_eq!(ran.status, Some(0), "{}", ran.stderr);
    let lights = ran.stderr.lines().find(|l| l.contains("lights:")).unwrap();
    let measured: usize = lights.split_whitespace().find_map(|w| w.parse().ok()).unwrap();
    assert!(measured <= MORE + 1 - 17, "it goes on from what was measured: {lights}");
    assert!(report() != before);
}
