//! The seeds of the fuzzers, mutated by a seeded generator: no panic on any compiler, and none in CFITSIO.

use std::path::{Path, PathBuf};

use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;

use skygrain::fits::Cards;
use skygrain::folder::{Rig, SensorKey, SessionKey, read_header};

use crate::raw_fits::light;

/// Mutants of a text and of a file: seconds of work.
const TEXTS: usize = 3000;
const FILES: usize = 300;
/// What headers and rig files are sensitive to.
const MORSELS: [&str; 16] =
    ["'", "=", "/", "\n", ",", "-", "+", ":", "1E308", "-0", "NAN", "99999999999999999999", "\u{e9}", "&", "T", "\""];

fn seeds(kind: &str) -> Vec<Vec<u8>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz/seeds").join(kind);
    let mut paths: Vec<PathBuf> = std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()).collect();
    paths.sort();
    paths.iter().map(|p| std::fs::read(p).unwrap()).collect()
}

/// A few changes: a byte flipped, a morsel put in, a stretch cut out or doubled.
fn mutant(seed: &[u8], random: &mut Xoshiro256PlusPlus) -> Vec<u8> {
    let mut bytes = seed.to_vec();
    for _ in 0..random.random_range(1..6) {
        let at = random.random_range(0..=bytes.len());
        let end = (at + random.random_range(1..20)).min(bytes.len());
        match random.random_range(0..4) {
            0 if at < bytes.len() => bytes[at] ^= 1 << random.random_range(0..8),
            1 => drop(bytes.splice(at..at, MORSELS[random.random_range(0..MORSELS.len())].bytes())),
            2 => drop(bytes.drain(at..end)),
            _ => {
                let stretch = bytes[at..end].to_vec();
                bytes.splice(at..at, stretch);
            }
        }
    }
    bytes
}

#[test]
fn mutated_headers_are_read_without_a_panic_and_give_finite_numbers() {
    let mut random = Xoshiro256PlusPlus::seed_from_u64(1);
    let seeds = seeds("header");
    for i in 0..TEXTS {
        let text = mutant(&seeds[i % seeds.len()], &mut random);
        let text = String::from_utf8_lossy(&text);
        let header = read_header(&Cards::parse(text.lines()));
        SessionKey::of(&header, SensorKey::of(&header, 64, 64, 1));
        let numbers = [&header.exposure_s, &header.sensor_celsius, &header.pixel_um, &header.focal_mm, &header.airmass];
        assert!(numbers.into_iter().flatten().all(|n| n.value.is_finite() && !n.card.is_empty()), "{text}");
    }
}

#[test]
fn mutated_rig_files_are_used_or_refused_by_name() {
    let mut random = Xoshiro256PlusPlus::seed_from_u64(2);
    let seeds = seeds("rig");
    let (mut used, mut refused) = (0, 0);
    for i in 0..TEXTS {
        let text = mutant(&seeds[i % seeds.len()], &mut random);
        match Rig::parse(&String::from_utf8_lossy(&text), Path::new("rig.toml")) {
            Err(error) => {
                assert!(error.to_string().starts_with("rig.toml: "));
                refused += 1;
            }
            Ok(rig) => {
                rig.apply(&mut read_header(&Cards::default()));
                used += 1;
            }
        }
    }
    assert!(used > 0 && refused > 0, "{used} {refused}");
}

// In a process of its own: a crash in CFITSIO is an exit status here.
#[test]
fn mutated_files_are_read_or_refused_and_never_crash() {
    let mut random = Xoshiro256PlusPlus::seed_from_u64(3);
    // Recipes are for the fuzzer alone.
    let seeds: Vec<Vec<u8>> = seeds("pixels").into_iter().filter(|s| !s.starts_with(b"#")).collect();
    let dir = tempfile::tempdir().unwrap();
    for i in 0..FILES {
        let bytes = mutant(&seeds[i % seeds.len()], &mut random);
        std::fs::write(dir.path().join(format!("{i:03}.fits")), bytes).unwrap();
    }
    std::fs::write(dir.path().join("good.fits"), light(1, &[])).unwrap();
    let ran = crate::command_line::skygrain(&["frames", dir.path().to_str().unwrap(), "--format", "jsonl"]);
    assert_eq!(ran.status, Some(1), "{}", ran.stderr);
    let good = ran.stdout.lines().find(|l| l.contains("\"good.fits\"")).expect("a row");
    assert!(good.contains("\"used\"") && ran.stdout.lines().count() == FILES + 1);
}
