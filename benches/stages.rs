//! One group per stage, on seeded frames. `cargo bench --bench stages`.
//!
//! The large frame has 26 megapixels and 3,000 stars. All groups run on one thread, but for `night`.

use std::cell::Cell;
use std::hint::black_box;
use std::path::{Path, PathBuf};
use std::time::Duration;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use rayon::prelude::*;

use skygrain::fits::{ImageFile, Pixels};
use skygrain::folder::{FrameKind, Rig, find_files, read_header};
use skygrain::frame::{Lattice, noise_correlation, survey, undefine};
use skygrain::night::{NightInput, Scope, run};
use skygrain::sensor::{CalibrationFrame, SensorHints, characterise};
use skygrain::simulate::{Detector, FrameRecipe, bench_frame, render, write_frame, write_night};
use skygrain::stars::{MeasureOptions, detect, map_sky, measure};

const WIDTH: usize = 6248;
const HEIGHT: usize = 4176;
const STARS: usize = 3000;

const OPTIONS: MeasureOptions =
    MeasureOptions { lattice: Lattice::All, e_per_adu: Some(0.8), saturation_adu: Some(65_535.0), diffraction: None };

/// The large frame as a file. `SKYGRAIN_BENCH_FRAME` keeps it at that path for other programs to read.
fn large_frame(dir: &Path) -> PathBuf {
    let path = std::env::var_os("SKYGRAIN_BENCH_FRAME").map_or_else(|| dir.join("large.fits"), PathBuf::from);
    if !path.exists() {
        write_frame(&path, &bench_frame(WIDTH, HEIGHT, STARS, 1), &[]).expect("the frame can be written");
    }
    path
}

fn one_frame(c: &mut Criterion) {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let path = large_frame(dir.path());
    let read = || ImageFile::open(&path).expect("opens").pixels().expect("reads");
    let image = read();
    let plane: &Pixels = &image.planes[0];
    let mut group = c.benchmark_group("frame of 26 megapixels");
    group
        .sample_size(10)
        .measurement_time(Duration::from_secs(8))
        .throughput(Throughput::Elements((WIDTH * HEIGHT) as u64));
    group.bench_function("read with CFITSIO", |b| b.iter(|| black_box(read())));
    // As the night's threads do, each into the memory of its last frame.
    let memory = Cell::new(Vec::new());
    let read_again = || ImageFile::open(&path).expect("opens").pixels_into(memory.take()).expect("reads");
    group.bench_function("read into memory of an earlier frame", |b| {
        b.iter(|| memory.set(black_box(read_again()).into_memory()))
    });
    group.bench_function("first look", |b| {
        b.iter(|| black_box(survey(&mut ImageFile::open(&path).expect("opens")).expect("reads")))
    });
    group.bench_function("sky", |b| b.iter(|| black_box(map_sky(plane, Lattice::All))));
    let sky = map_sky(plane, Lattice::All).expect("a sky");
    group.bench_function("detection", |b| b.iter(|| black_box(detect(plane, Lattice::All, &sky, 3.0, 5.0))));
    group.bench_function("sky, detection and fits", |b| b.iter(|| black_box(measure(plane, &OPTIONS))));
    group.bench_function("correlation of the noise", |b| b.iter(|| black_box(noise_correlation(plane, Lattice::All))));
    let mut defects: Vec<u32> = detect(plane, Lattice::All, &sky, 3.0, 5.0)
        .iter()
        .filter(|p| p.hot)
        .map(|p| (p.y * WIDTH + p.x) as u32)
        .collect();
    defects.sort_unstable();
    group.bench_function("from file to frame values, known defects left out", |b| {
        b.iter(|| {
            let plane = undefine(read_again().planes.remove(0), &defects);
            black_box((measure(&plane, &OPTIONS), noise_correlation(&plane, Lattice::All)));
            memory.set(plane.into_memory());
        })
    });
    group.bench_function("from file to frame values", |b| {
        b.iter(|| {
            let image = read_again();
            black_box((measure(&image.planes[0], &OPTIONS), noise_correlation(&image.planes[0], Lattice::All)));
            memory.set(image.into_memory());
        })
    });
    group.finish();
}

/// Time against the number of pixels, stars in proportion.
fn by_size(c: &mut Criterion) {
    let mut group = c.benchmark_group("sky, detection and fits by size");
    group.sample_size(10).measurement_time(Duration::from_secs(4));
    for side in [1024, 2048, 4096] {
        let plane = Pixels::U16(bench_frame(side, side, STARS * side * side / (WIDTH * HEIGHT), 2));
        group.throughput(Throughput::Elements((side * side) as u64));
        group.bench_function(format!("{side} x {side} px"), |b| b.iter(|| black_box(measure(&plane, &OPTIONS))));
    }
    group.finish();
}

/// Frames side by side: time on one thread over that on two tells what a second core brings.
fn by_threads(c: &mut Criterion) {
    const SIDE: usize = 2048;
    const FRAMES: u64 = 8;
    let dir = tempfile::tempdir().expect("a temporary folder");
    let paths: Vec<PathBuf> = (0..FRAMES)
        .map(|k| {
            let path = dir.path().join(format!("{k}.fits"));
            write_frame(&path, &bench_frame(SIDE, SIDE, 500, 10 + k), &[]).expect("the frame can be written");
            path
        })
        .collect();
    let one = |path: &PathBuf| {
        let image = ImageFile::open(path).expect("opens").pixels().expect("reads");
        measure(&image.planes[0], &OPTIONS)
    };
    let mut group = c.benchmark_group("eight frames of 4 megapixels");
    group.sample_size(10).measurement_time(Duration::from_secs(4));
    for threads in [1, 2] {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("threads");
        group.bench_function(format!("threads: {threads}"), |b| {
            b.iter(|| pool.install(|| paths.par_iter().map(one).collect::<Vec<_>>()))
        });
    }
    group.finish();
}

fn whole_folder(c: &mut Criterion) {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let folder = dir.path().join("night");
    write_night(&folder, 1, &|_, _| {}).expect("the night can be written");
    let out = dir.path().join("report");
    let files = find_files(std::slice::from_ref(&folder), &out).expect("the folder can be listed");
    let mut group = c.benchmark_group("night of 62 small frames");
    group.sample_size(10).measurement_time(Duration::from_secs(8));
    group.bench_function("headers", |b| {
        b.iter(|| {
            for file in &files {
                black_box(read_header(&ImageFile::open(&file.path).expect("opens").cards().expect("reads")));
            }
        })
    });
    let calibration = calibration(&files);
    group.bench_function("sensor", |b| {
        b.iter(|| black_box(characterise(&calibration, &SensorHints::default(), &|_| {})))
    });
    let input = NightInput { folders: vec![folder], out, rig: Rig::default(), stars: false };
    group.bench_function("night", |b| b.iter(|| black_box(run(&input, Scope::Night, &|_, _, _| {}))));
    let report = run(&input, Scope::Night, &|_, _, _| {}).expect("a report");
    group.bench_function("report as a page", |b| b.iter(|| black_box(skygrain::report::html(&report))));
    group.finish();
}

/// A calibration frame in a file.
fn written(path: PathBuf, kind: FrameKind, recipe: &FrameRecipe) -> CalibrationFrame {
    write_frame(&path, &render(recipe).0, &[]).expect("the frame can be written");
    CalibrationFrame { path, kind, exposure_s: Some(recipe.exposure_s), celsius: Some(-10.0), filter: None }
}

/// Darks of 26 megapixels against the time that CFITSIO takes to read one of them; all threads.
fn darks(c: &mut Criterion) {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let frame = |i: u64, kind, exposure_s: f64| {
        let detector = Detector::even(WIDTH, HEIGHT).with_hot_pixels(0.001, 20.0, 2000.0);
        let recipe = FrameRecipe { exposure_s, dark_e_per_px_s: 0.02, ..FrameRecipe::unlit(detector, i) };
        written(dir.path().join(format!("{i:02}.fits")), kind, &recipe)
    };
    let biases: Vec<CalibrationFrame> = (0..2).map(|i| frame(i, FrameKind::Bias, 0.0)).collect();
    let exposures = [300.0, 300.0, 300.0, 300.0, 300.0, 60.0, 60.0, 60.0];
    let darks = (2..).zip(exposures).map(|(i, s)| frame(i, FrameKind::Dark, s));
    let all: Vec<CalibrationFrame> = biases.iter().cloned().chain(darks).collect();
    let mut group = c.benchmark_group("8 darks of 26 megapixels");
    group.sample_size(10).measurement_time(Duration::from_secs(10));
    group.bench_function("read 8 with CFITSIO", |b| {
        b.iter(|| {
            for dark in &all[2..] {
                black_box(ImageFile::open(&dark.path).expect("opens").pixels().expect("reads"));
            }
        })
    });
    let sensor = |frames: &[CalibrationFrame]| characterise(frames, &SensorHints::default(), &|_| {});
    group.bench_function("sensor from 2 biases", |b| b.iter(|| black_box(sensor(&biases))));
    group.bench_function("sensor from 2 biases and 8 darks", |b| b.iter(|| black_box(sensor(&all))));
    group.finish();
}

/// Biases and flats of 26 megapixels; compare with the time of reading in the group of the darks.
fn biases_and_flats(c: &mut Criterion) {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let frame = |i: u64, kind, sky_e_per_px_s: f64| {
        let unlit = FrameRecipe::unlit(Detector::even(WIDTH, HEIGHT), i);
        let recipe = FrameRecipe { exposure_s: 1.0, sky_e_per_px_s, ..unlit };
        written(dir.path().join(format!("{i:02}.fits")), kind, &recipe)
    };
    let biases: Vec<CalibrationFrame> = (0..7).map(|i| frame(i, FrameKind::Bias, 0.0)).collect();
    let flats: Vec<CalibrationFrame> = (7..13).map(|i| frame(i, FrameKind::Flat, 20_000.0)).collect();
    let mut group = c.benchmark_group("biases and flats of 26 megapixels");
    group.sample_size(10).measurement_time(Duration::from_secs(10));
    for (n, m) in [(2, 0), (7, 0), (2, 2), (2, 6)] {
        let frames = [&biases[..n], &flats[..m]].concat();
        let sensor = || characterise(&frames, &SensorHints::default(), &|_| {});
        group.bench_function(format!("sensor from {n} biases and {m} flats"), |b| b.iter(|| black_box(sensor())));
    }
    group.finish();
}

fn calibration(files: &[skygrain::folder::FoundFile]) -> Vec<CalibrationFrame> {
    let frame = |f: &skygrain::folder::FoundFile| {
        let header = read_header(&ImageFile::open(&f.path).expect("opens").cards().expect("reads"));
        let kind = header.kind.value;
        matches!(kind, FrameKind::Bias | FrameKind::Dark | FrameKind::Flat).then(|| CalibrationFrame {
            path: f.path.clone(),
            kind,
            exposure_s: header.dark_seconds(),
            celsius: header.celsius().map(|(c, _)| c),
            filter: header.filter.map(|f| f.value),
        })
    };
    files.iter().filter_map(frame).collect()
}

criterion_group!(stages, one_frame, by_size, by_threads, darks, biases_and_flats, whole_folder);
criterion_main!(stages);
