//! Memory of the sensor stage: bounded by the size of a frame, whatever the number of frames.
//!
//! Alone in its binary, since the operating system counts the most that the whole process ever held. Ignored by default:
//! `cargo test --release --test memory -- --ignored --nocapture`.

use std::io::{Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::time::Instant;

use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;
use skygrain::folder::FrameKind;
use skygrain::sensor::{CalibrationFrame, SensorHints, characterise};

const WIDTH: usize = 6248;
const HEIGHT: usize = 4176;
const DARKS: usize = 60;
const BIASES: usize = 4;
/// Rows with noise; the rest of the file is a hole, which reads as one code throughout.
const NOISY_ROWS: usize = 400;
/// Planes of single-precision numbers that the stage may hold, beside one frame for every thread.
const MOST_PLANES: usize = 6;
/// What the program itself takes: code, stacks, small vectors, CFITSIO's buffers; 20 MB were seen with tiny frames.
const PROGRAM_BYTES: usize = 40 << 20;

fn sparse(path: &Path, seed: u64) {
    let card = |text: &str| format!("{text:<80}");
    let number = |keyword: &str, value: i64| card(&format!("{keyword:<8}= {value:>20}"));
    let mut header = card("SIMPLE  =                    T") + &number("BITPIX", 16) + &number("NAXIS", 2);
    header += &(number("NAXIS1", WIDTH as i64) + &number("NAXIS2", HEIGHT as i64));
    header += &(number("BZERO", 32_768) + &number("BSCALE", 1) + &card("END"));
    let mut file = std::fs::File::create(path).unwrap();
    file.write_all(format!("{header:<2880}").as_bytes()).unwrap();
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed);
    let code = || -> i16 { rng.random_range(-9..=9) };
    let noise: Vec<u8> = std::iter::repeat_with(code).take(WIDTH * NOISY_ROWS).flat_map(i16::to_be_bytes).collect();
    file.write_all(&noise).unwrap();
    let data = WIDTH * HEIGHT * 2;
    file.seek(SeekFrom::Start((2880 + data.div_ceil(2880) * 2880 - 1) as u64)).unwrap();
    file.write_all(&[0]).unwrap();
}

fn frames(folder: &Path) -> Vec<CalibrationFrame> {
    let frame = |i: usize| {
        let path: PathBuf = folder.join(format!("{i:03}.fits"));
        sparse(&path, i as u64);
        let kind = if i < BIASES { FrameKind::Bias } else { FrameKind::Dark };
        let exposure_s = if i < BIASES { 0.0 } else { [60.0, 300.0][i % 2] };
        CalibrationFrame { path, kind, exposure_s: Some(exposure_s), celsius: Some(-10.0), filter: None }
    };
    (0..BIASES + DARKS).map(frame).collect()
}

/// Most memory that this process ever held, bytes.
fn high_water_mark() -> Option<usize> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|l| l.starts_with("VmHWM:"))?;
    Some(line.split_whitespace().nth(1)?.parse::<usize>().ok()? << 10)
}

#[test]
#[ignore = "64 files of 52 MB, mostly holes"]
fn sixty_darks_of_26_megapixels_need_six_planes_and_a_frame_a_thread() {
    let folder = tempfile::tempdir().unwrap();
    let frames = frames(folder.path());
    let start = Instant::now();
    let outcome = characterise(&frames, &SensorHints::default(), &|_| {});
    let seconds = start.elapsed().as_secs_f64();
    assert_eq!(outcome.result.frames.dark, DARKS);
    let Some(most) = high_water_mark() else { return eprintln!("this system does not tell the memory of a process") };
    let (plane, frame) = (WIDTH * HEIGHT * 4, WIDTH * HEIGHT * 2);
    let allowed = MOST_PLANES * plane + rayon::current_num_threads() * frame + PROGRAM_BYTES;
    let per_frame = 1e3 * seconds / frames.len() as f64;
    println!("{} MB held at most, {} MB allowed; {per_frame:.0} ms a frame", most >> 20, allowed >> 20);
    assert!(most <= allowed, "{most} bytes, {allowed} allowed");
}
