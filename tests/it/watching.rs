//! A report that follows a night while it is recorded.
#![cfg(unix)]

use std::io::{BufRead as _, BufReader, Write as _};
use std::path::Path;
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::time::Duration;

use crate::ends::Running;
use crate::raw_fits::*;

/// A line comes within two looks at the folder, 2 s each, and a measurement; a busy machine may take its time.
const LINE: Duration = Duration::from_secs(60);
/// Two looks and more: what was to come would have.
const NOTHING_COMES: Duration = Duration::from_secs(6);

/// The lines that a child writes, as they come.
fn lines(child: &mut Running) -> Receiver<String> {
    let (to, from) = channel();
    let out = BufReader::new(child.0.stdout.take().unwrap());
    std::thread::spawn(move || out.lines().map_while(Result::ok).try_for_each(|l| to.send(l)));
    from
}

fn report(dir: &Path) -> serde_json::Value {
    serde_json::from_slice(&std::fs::read(dir.join("o/report.json")).unwrap()).unwrap()
}

#[test]
fn frames_are_measured_once_they_are_whole_and_told_in_a_line_each() {
    let dir = folder_of([("n/a.fits", light(1, &[]))]);
    let mut child = Running::start(dir.path(), &["night", "n", "--out", "o", "--watch", "-v"]);
    let told = lines(&mut child);
    let first = told.recv_timeout(LINE).unwrap();
    assert!(first.starts_with("a.fits  light  FWHM "), "{first}");
    // A copy that comes in pieces, and pauses.
    let whole = light(2, &[]);
    let mut copy = std::fs::File::create(dir.path().join("n/b.fits")).unwrap();
    copy.write_all(&whole[..whole.len() / 2]).unwrap();
    assert_eq!(told.recv_timeout(NOTHING_COMES), Err(RecvTimeoutError::Timeout), "half a frame is none");
    assert_eq!(report(dir.path())["frames"].as_array().unwrap().len(), 1);
    copy.write_all(&whole[whole.len() / 2..]).unwrap();
    drop(copy);
    let second = told.recv_timeout(LINE).unwrap();
    assert!(second.starts_with("b.fits  light  FWHM "), "{second}");
    std::fs::write(dir.path().join("n/c.fits"), light(3, &[])).unwrap();
    assert!(told.recv_timeout(LINE).unwrap().starts_with("c.fits  light  FWHM "));
    child.signal("INT");
    let ran = child.end();
    assert_eq!(ran.status, Some(0), "{}", ran.stderr);
    assert_eq!(told.try_iter().count(), 0, "a line a frame");
    assert_eq!(report(dir.path())["frames"].as_array().unwrap().len(), 3);
    // Each round measured what was new.
    let lights: Vec<&str> = ran.stderr.lines().filter(|l| l.contains("lights:")).collect();
    let counts = [(1, 0), (1, 1), (1, 2)]
        .map(|(new, kept)| format!("skygrain: lights: {new} measured, {kept} as kept from earlier"));
    assert_eq!(lights, counts);
    // What a single run writes.
    let followed = std::fs::read(dir.path().join("o/report.json")).unwrap();
    let ran = crate::command_line::skygrain_in(dir.path(), &["night", "n", "--out", "once"]);
    assert_eq!(ran.status, Some(0));
    assert!(std::fs::read(dir.path().join("once/report.json")).unwrap() == followed);
}

#[test]
fn a_night_may_begin_without_a_frame() {
    let dir = folder_of([("n/guide.log", b"clear sky".to_vec())]);
    let mut child = Running::start(dir.path(), &["night", "n", "--out", "o", "--watch"]);
    let told = lines(&mut child);
    assert_eq!(told.recv_timeout(NOTHING_COMES), Err(RecvTimeoutError::Timeout));
    std::fs::write(dir.path().join("n/a.fits"), light(1, &[])).unwrap();
    assert!(told.recv_timeout(LINE).unwrap().starts_with("a.fits  light"));
    child.signal("TERM");
    let ran = child.end();
    assert_eq!(ran.status, Some(0), "{}", ran.stderr);
}
