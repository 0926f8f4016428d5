//! Flats as skies and lamps make them: levels that change between the frames of a pair, slopes that turn, stars that move, rows that
//! flicker unlike across the frame, another level than the bias frames'.

use ndarray::Array2;
use rand::{RngExt, SeedableRng};
use rand_distr::StandardNormal;
use rand_xoshiro::Xoshiro256PlusPlus;
use serde_json::Value;
use skygrain::simulate::write_frame;

use crate::explained_noise::cards;
use crate::raw_fits::report;

const SIDE: usize = 768;
const OFFSET: f64 = 500.0;
const READ_NOISE_E: f64 = 3.0;
/// Errors by which a gain may differ from the truth.
const SIGMAS: f64 = 4.0;

/// Frames of one camera with pixels of uneven response, drawn here and not by the product's own simulation.
struct Camera {
    gain: f64,
    response: Array2<f64>,
    rng: Xoshiro256PlusPlus,
}

impl Camera {
    fn new(gain: f64, seed: u64) -> Self {
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed);
        let response = Array2::from_shape_fn((SIDE, SIDE), |_| 1.0 + 0.01 * rng.sample::<f64, _>(StandardNormal));
        Self { gain, response, rng }
    }

    /// A frame of so much light, e-, and this offset.
    fn frame(&mut self, offset: f64, light_e: impl Fn(f64, f64) -> f64) -> Array2<u16> {
        let (gain, rng) = (self.gain, &mut self.rng);
        Array2::from_shape_fn((SIDE, SIDE), |(y, x)| {
            let mean = light_e(x as f64, y as f64) * self.response[[y, x]];
            let charge = mean + mean.max(0.0).sqrt() * rng.sample::<f64, _>(StandardNormal);
            let read = READ_NOISE_E * rng.sample::<f64, _>(StandardNormal);
            (offset + (charge + read) / gain).round().clamp(0.0, 65_535.0) as u16
        })
    }
}

/// Gain told of biases and flats; `light` gives that of flat `n` in ADU at a place, in shares of the frame.
fn gain(
    truth: f64,
    seed: u64,
    flats: u64,
    flat_offset: f64,
    light: impl Fn(u64, f64, f64) -> f64,
) -> (f64, f64, Value) {
    let folder = tempfile::tempdir().unwrap();
    let mut camera = Camera::new(truth, seed);
    for n in 0..4 {
        let image = camera.frame(OFFSET, |_, _| 0.0);
        write_frame(&folder.path().join(format!("bias-{n}.fits")), &image, &cards("bias", 0.0, n)).unwrap();
    }
    for n in 0..flats {
        let side = SIDE as f64;
        let image = camera.frame(flat_offset, |x, y| truth * light(n, x / side, y / side));
        // A ladder of exposures, two flats each.
        write_frame(&folder.path().join(format!("flat-{n:02}.fits")), &image, &cards("flat", 1.0 + (n / 2) as f64, n))
            .unwrap();
    }
    let report = report(folder.path());
    let sensor = &report["sensors"][0];
    let told = &sensor["gain_e_per_adu"];
    let (value, sigma) = (told["value"].as_f64().unwrap_or(f64::NAN), told["sigma"].as_f64().unwrap_or(f64::NAN));
    (value, sigma, told.clone())
}

/// The gain is within its error, which is at most this share of it.
fn holds(name: &str, truth: f64, most_sigma: f64, (value, sigma, told): (f64, f64, Value)) {
    eprintln!(
        "{name}: {value:.4} +- {sigma:.4}, {truth} ({:+.2} %, {:+.1} sigma)",
        100.0 * (value / truth - 1.0),
        (value - truth) / sigma
    );
    assert!((value - truth).abs() < SIGMAS * sigma && sigma < most_sigma * truth, "{name}: {told}");
}

/// Levels of a ladder from 50 000 ADU down, a fifth less each flat.
fn ladder(n: u64) -> f64 {
    50_000.0 * 0.8f64.powi(n as i32)
}

#[test]
fn unequal_levels_and_slopes_that_turn_leave_the_gain_alone() {
    holds("even", 0.45, 0.01, gain(0.45, 1, 8, OFFSET, |n, _, _| ladder(n)));
    let turned = |share: f64| {
        move |n: u64, x: f64, y: f64| {
            let angle = 2.0 * n as f64;
            25_000.0 * (1.0 + share * ((x - 0.5) * angle.cos() + (y - 0.5) * angle.sin()))
        }
    };
    holds("slope of 6 %", 0.45, 0.01, gain(0.45, 2, 6, OFFSET, turned(0.06)));
    holds("slope of 20 %", 0.8, 0.01, gain(0.8, 3, 6, OFFSET, turned(0.2)));
    let bowl = |n: u64, x: f64, y: f64| {
        let (cx, cy) = (0.5 + 0.03 * n as f64, 0.5 - 0.02 * n as f64);
        30_000.0 * (1.0 - 0.5 * ((x - cx).powi(2) + (y - cy).powi(2)))
    };
    holds("vignetting that moves", 1.2, 0.01, gain(1.2, 4, 6, OFFSET, bowl));
}

/// Light of stars, ADU, at a place of a flat: places drawn once, moved from flat to flat, all of them within a margin.
fn stars(count: usize, brightest: f64, seed: u64) -> impl Fn(u64, f64, f64) -> f64 {
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed);
    let side = SIDE as f64;
    let drawn: Vec<(f64, f64, f64)> = (0..count)
        .map(|_| {
            let peak = 30.0 * (brightest / 30.0).powf(rng.random::<f64>());
            (side * rng.random::<f64>(), side * rng.random::<f64>(), peak)
        })
        .collect();
    // By rows of ten pixels, so that a pixel asks few of them.
    let mut near: Vec<Vec<(f64, f64, f64)>> = vec![Vec::new(); SIDE / 10 + 1];
    for star in drawn {
        near[(star.1 / 10.0) as usize].push(star);
    }
    move |n, x, y| {
        let (x, y) = (side * x - 7.0 * n as f64, (side * y + 11.0 * n as f64).rem_euclid(side));
        let row = (y / 10.0) as usize;
        let rows = row.saturating_sub(1)..(row + 2).min(near.len());
        let of = |(sx, sy, peak): &(f64, f64, f64)| {
            let r2 = (x - sx).powi(2) + (y - sy).powi(2);
            if r2 < 100.0 { peak * (-r2 / (2.0 * 1.4 * 1.4)).exp() } else { 0.0 }
        };
        near[rows].iter().flatten().map(of).sum()
    }
}

#[test]
fn stars_in_flats_of_the_twilight_leave_the_gain_alone() {
    for (name, count, brightest, seed) in
        [("60 stars", 60, 20_000.0, 5), ("170 stars", 170, 200_000.0, 6), ("560 faint stars", 560, 8_000.0, 7)]
    {
        // The dimmer the sky, the longer the exposure: stars grow as it falls.
        let light = stars(count, brightest, seed);
        let sky = |n: u64, x: f64, y: f64| ladder(n) + light(n, x, y) * 1.25f64.powi(n as i32) / 6.0;
        holds(name, 0.45, 0.015, gain(0.45, seed, 10, OFFSET, sky));
    }
}

#[test]
fn rows_that_flicker_unlike_across_the_frame_leave_the_gain_alone() {
    for (name, period, share, seed) in [("slow", 0.3, 0.03, 8), ("fast", 0.06, 0.03, 9), ("weak", 0.1, 0.01, 10)] {
        let lamp = |n: u64, x: f64, y: f64| {
            let level = [20_000.0, 20_000.0, 35_000.0, 35_000.0, 10_000.0, 10_000.0][n as usize % 6];
            level
                * (1.0
                    + 2.0
                        * x
                        * share
                        * (20_000.0 / level)
                        * (std::f64::consts::TAU * y / period + 1.7 * n as f64).sin())
        };
        holds(name, 0.25, 0.02, gain(0.25, seed, 6, OFFSET, lamp));
    }
}

#[test]
fn flats_of_another_offset_than_the_biases_tell_the_gain_and_the_offset() {
    for (off, seed) in [(-250.0, 11), (300.0, 12)] {
        let (value, sigma, told) = gain(0.45, seed, 12, OFFSET + off, |n, _, _| ladder(n / 2 * 2));
        holds("other offset", 0.45, 0.02, (value, sigma, told.clone()));
        let note = told["note"].as_str().unwrap_or_default();
        assert!(note.contains("off the bias frames"), "{off}: {told}");
    }
    let (_, _, told) = gain(0.45, 13, 12, OFFSET, |n, _, _| ladder(n / 2 * 2));
    assert!(!told["note"].as_str().unwrap_or_default().contains("off the bias frames"), "{told}");
}

#[test]
fn a_sky_that_falls_and_a_dark_that_grows_leave_the_gain_from_lights_alone() {
    for (name, sky, dark, seed) in [
        ("steady", [600.0, 0.0], [40.0, 0.0], 14),
        ("falling sky", [600.0, -0.07], [40.0, 0.0], 15),
        ("growing dark", [600.0, 0.0], [40.0, 0.1], 16),
        ("both", [2_000.0, -0.05], [150.0, 0.1], 17),
    ] {
        let folder = tempfile::tempdir().unwrap();
        let mut camera = Camera::new(0.8, seed);
        // Dark current of the pixels as it is: many little, few much.
        let pattern = Array2::from_shape_fn((SIDE, SIDE), |_| (-(1.0 - camera.rng.random::<f64>()).ln()).min(12.0));
        for n in 0..6 {
            let image = camera.frame(OFFSET, |_, _| 0.0);
            write_frame(&folder.path().join(format!("bias-{n}.fits")), &image, &cards("bias", 0.0, n)).unwrap();
        }
        for n in 0..6u64 {
            let level = |[start, growth]: [f64; 2]| start * (1.0 + growth * n as f64);
            let light = |x: f64, y: f64| {
                let own = 0.4 + 0.6 * pattern[[y as usize, x as usize]];
                0.8 * (level(sky) + level(dark) * own)
            };
            let image = camera.frame(OFFSET, light);
            write_frame(&folder.path().join(format!("light-{n}.fits")), &image, &cards("light", 60.0, n)).unwrap();
        }
        let report = report(folder.path());
        let told = &report["sensors"][0]["gain_e_per_adu"];
        let of = |key: &str| told[key].as_f64().unwrap_or(f64::NAN);
        holds(name, 0.8, 0.02, (of("value"), of("sigma"), told.clone()));
    }
}
