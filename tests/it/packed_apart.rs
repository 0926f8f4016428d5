//! Packed images without a sum are read by a process of their own: the same values, and a crash in it is one row.

use std::path::Path;

use crate::raw_fits::*;
use crate::tile_files::{self, GZIP, HCOMPRESS, RICE};

const CARDS: [&str; 2] = ["IMAGETYP= 'LIGHT'", "EXPTIME = 60.0"];
/// First bytes of an H-compressed stream; both axes follow, four bytes each, then the scale.
const H_MAGIC: [u8; 2] = [0xdd, 0x99];

fn rows_of(folder: &Path) -> Vec<serde_json::Value> {
    let ran = crate::command_line::skygrain(&["frames", folder.to_str().unwrap(), "--format", "jsonl"]);
    assert!(ran.status.is_some(), "the program crashed: {}", ran.stderr);
    let mut rows: Vec<serde_json::Value> = ran.stdout.lines().map(|l| serde_json::from_str(l).unwrap()).collect();
    rows.sort_by_key(|r| r["path"].as_str().unwrap().to_owned());
    rows
}

#[test]
fn values_do_not_depend_on_who_reads() {
    for coding in [RICE, GZIP, HCOMPRESS] {
        // One of a kind a folder: copies of a frame would be told as such.
        let [with, without] = [true, false].map(|with_sums| {
            let dir = tempfile::tempdir().unwrap();
            tile_files::write(&dir.path().join("a.fz"), coding, &stars(2), &[], &CARDS, with_sums);
            rows_of(dir.path())
        });
        assert_eq!(with[0]["status"], "used", "{:#}", with[0]);
        assert_eq!(with, without);
    }
}

// A stream that states larger axes than its tile makes CFITSIO 3.49 write beyond its buffer.
#[test]
fn a_crash_while_unpacking_is_one_unreadable_frame() {
    let dir = folder_of([("good.fits", light(1, &[]))]);
    let fz = dir.path().join("damaged.fz");
    tile_files::write(&fz, HCOMPRESS, &stars(2), &[], &CARDS, false);
    let mut bytes = std::fs::read(&fz).unwrap();
    let at = bytes.windows(2).position(|w| w == H_MAGIC).expect("an H-compressed stream");
    bytes[at + 2..at + 10].copy_from_slice(&[0, 0, 0x40, 0, 0, 0, 0x40, 0]);
    std::fs::write(&fz, bytes).unwrap();
    let rows = rows_of(dir.path());
    assert_eq!((&rows[0]["path"], &rows[0]["status"]), (&"damaged.fz".into(), &"unreadable".into()));
    assert!(rows[0].to_string().contains("packed pixels cannot be unpacked"), "{:#}", rows[0]);
    assert_eq!(rows[1]["status"], "used", "{:#}", rows[1]);
}
