//! Skies that hold what looks like stars and is none: nebulae, hot pixels, cosmic rays, galaxies.

use ndarray::Array2;
use skygrain::simulate::{Detector, FrameRecipe, SimStar, render};

use crate::odd_images::{GAIN_E_PER_ADU, Random};

/// Charge of the sky, e- per px: its noise is 17 e- with that of the reading.
pub const SKY_E: f64 = 300.0;

/// A frame of these stars, some of whose pixels are hot.
pub fn sky(side: usize, stars: Vec<SimStar>, hot_share: f64, seed: u64) -> Array2<u16> {
    // Excess charge of 60 to 60,000 e-, as warm and hot pixels have in minutes: even in its logarithm.
    let detector = Detector { gain_e_per_adu: GAIN_E_PER_ADU, seed, ..Detector::even(side, side) };
    let detector = detector.with_hot_pixels(hot_share, 60.0, 60_000.0);
    let recipe = FrameRecipe {
        exposure_s: 1.0,
        sky_e_per_px_s: SKY_E,
        dark_e_per_px_s: 1.0,
        stars,
        ..FrameRecipe::unlit(detector, seed)
    };
    render(&recipe).0
}

/// Round stars at random places, at least 24 px apart, fluxes even in their logarithm.
pub fn scattered(side: usize, count: usize, fwhm_px: f64, flux_e: [f64; 2], seed: u64) -> Vec<SimStar> {
    let mut random = Random(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15));
    let mut stars: Vec<SimStar> = Vec::new();
    while stars.len() < count {
        let place = |r: f64| 20.0 + r * (side as f64 - 40.0);
        let (x, y) = (place(random.next()), place(random.next()));
        let flux_e = flux_e[0] * (flux_e[1] / flux_e[0]).powf(random.next());
        if stars.iter().all(|s| (s.x - x).hypot(s.y - y) > 24.0) {
            stars.push(SimStar::round(x, y, flux_e, fwhm_px, 3.5));
        }
    }
    stars
}

/// Adds light to a frame, with its photon noise; `light_e` of a pixel.
pub fn add_light(image: &mut Array2<u16>, seed: u64, light_e: impl Fn(f64, f64) -> f64) {
    let mut random = Random(seed.wrapping_mul(0xd134_2543_de82_ef95) | 1);
    for ((y, x), code) in image.indexed_iter_mut() {
        let mean = light_e(x as f64, y as f64);
        // Twelve even numbers less six are nearly normal, which is enough for hundreds of electrons.
        let normal: f64 = (0..12).map(|_| random.next()).sum::<f64>() - 6.0;
        let added = (mean + mean.max(0.0).sqrt() * normal) / GAIN_E_PER_ADU;
        *code = (f64::from(*code) + added).round().clamp(0.0, 65_535.0) as u16;
    }
}

/// Smooth noise in -1..1 whose structure has one scale.
fn smooth(x: f64, y: f64, seed: u64) -> f64 {
    let corner = |i: f64, j: f64| {
        let mut random = Random(
            seed ^ (i as i64 as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15)
                ^ (j as i64 as u64).wrapping_mul(0xc2b2_ae3d_27d4_eb4f),
        );
        for _ in 0..3 {
            random.next();
        }
        2.0 * random.next() - 1.0
    };
    let (i, j) = (x.floor(), y.floor());
    let ease = |t: f64| t * t * t * (t * (6.0 * t - 15.0) + 10.0);
    let (u, v) = (ease(x - i), ease(y - j));
    let row = |j: f64| corner(i, j) * (1.0 - u) + corner(i + 1.0, j) * u;
    row(j) * (1.0 - v) + row(j + 1.0) * v
}

/// A nebula: clouds and filaments down to a few px, `height_e` at its brightest.
pub fn nebula(side: usize, height_e: f64, seed: u64) -> impl Fn(f64, f64) -> f64 {
    move |x, y| {
        let (mut sum, mut ridges) = (0.0, 0.0);
        for octave in 0..4u32 {
            let scale = side as f64 / 4.0 / f64::from(1 << octave);
            let value = smooth(x / scale, y / scale, seed + u64::from(octave));
            sum += value * 0.5f64.powi(octave as i32 + 1);
            ridges += (1.0 - value.abs()).powi(12) * 0.5f64.powi(octave as i32 + 1);
        }
        height_e * (0.5 * (sum + 1.0) + ridges).max(0.0) / 2.0
    }
}

/// Adds tracks of cosmic rays: 1 to 8 px long, at all angles.
pub fn add_cosmic_rays(image: &mut Array2<u16>, count: usize, seed: u64) {
    let mut random = Random(seed.wrapping_mul(0xa24b_aed4_963e_e407));
    let side = image.dim().0 as f64;
    for _ in 0..count {
        let (x, y) = (10.0 + random.next() * (side - 20.0), 10.0 + random.next() * (side - 20.0));
        let (sin, cos) = (std::f64::consts::TAU * random.next()).sin_cos();
        let length = 1.0 + 7.0 * random.next().powi(2);
        let charge_e = 500.0 * 20f64.powf(random.next());
        // Charge spreads a little below the surface: a Gaussian of 0.3 px along the track, by points.
        let steps = (length * 40.0) as usize;
        for step in 0..steps {
            let t = length * step as f64 / steps as f64;
            let mut spread = || (0..12).map(|_| random.next()).sum::<f64>() * 0.3 - 1.8;
            let (a, b) = (x + t * cos + spread(), y + t * sin + spread());
            let at = [b.round() as usize, a.round() as usize];
            let add = charge_e * length.sqrt() / steps as f64 / GAIN_E_PER_ADU;
            image[at] = image[at].saturating_add(add.round() as u16);
        }
    }
}

/// Galaxies: exponential discs convolved with the star image, as sums of Gaussians would be drawn wrongly.
pub fn galaxies(side: usize, count: usize, fwhm_px: f64, flux_e: [f64; 2], seed: u64) -> Vec<SimStar> {
    let mut random = Random(seed.wrapping_mul(0x2545_f491_4f6c_dd1d));
    let mut all = Vec::new();
    for _ in 0..count {
        let place = |r: f64| 20.0 + r * (side as f64 - 40.0);
        let (x, y) = (place(random.next()), place(random.next()));
        let flux_e = flux_e[0] * (flux_e[1] / flux_e[0]).powf(random.next());
        // Scale lengths of 0.3 to 1.2 FWHM; a disc seen at any inclination.
        let scale = fwhm_px * (0.3 + 0.9 * random.next());
        let flat = 0.3 + 0.7 * random.next();
        let (sin, cos) = (std::f64::consts::PI * random.next()).sin_cos();
        const POINTS: usize = 60;
        for _ in 0..POINTS {
            // A disc whose light falls as exp(-r / scale) has r distributed as the sum of two exponentials.
            let r = -scale * (random.next().max(1e-9).ln() + random.next().max(1e-9).ln());
            let (s, c) = (std::f64::consts::TAU * random.next()).sin_cos();
            let (a, b) = (r * c, r * s * flat);
            all.push(SimStar::round(
                x + a * cos - b * sin,
                y + a * sin + b * cos,
                flux_e / POINTS as f64,
                fwhm_px,
                3.5,
            ));
        }
    }
    all
}
