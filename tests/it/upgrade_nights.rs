//! Both cameras' nights simulated exposure by exposure, stacked and measured, against the time ratio that is predicted.

use rand::SeedableRng;
use rand_distr::{Distribution, Normal, Poisson};
use rand_xoshiro::Xoshiro256PlusPlus;
use skygrain::upgrade::Detector;

/// Nights of each camera: the ratio of two variances from so many has a standard error of sqrt(4/40000), 1 %.
const NIGHTS: usize = 40_000;
/// Three standard errors of that, and what the prediction is asked for.
const AGREEMENT: f64 = 0.03;
/// Sky of the patch, in the unit of a detector's area.
const PATCH: f64 = 36.0;
const EXPOSURE_S: f64 = 120.0;
const EXPOSURES: usize = 4;

/// Sum over the patch's pixels of a stack, dark level taken off, one a night.
fn nights(camera: &Detector, flux: f64, rng: &mut Xoshiro256PlusPlus) -> Vec<f64> {
    let pixels = (PATCH / camera.area * camera.lit).round() as usize;
    let dark_e = camera.dark * EXPOSURE_S;
    let photons = camera.efficiency * camera.filter * camera.transmission * flux * camera.area * EXPOSURE_S;
    let charge = Poisson::new(photons + dark_e).unwrap();
    let read = Normal::new(0.0, camera.read_e).unwrap();
    let exposure = |rng: &mut Xoshiro256PlusPlus| -> f64 {
        (0..pixels).map(|_| charge.sample(rng) + read.sample(rng) - dark_e).sum()
    };
    (0..NIGHTS).map(|_| (0..EXPOSURES).map(|_| exposure(rng)).sum()).collect()
}

fn mean_and_variance(values: &[f64]) -> (f64, f64) {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    (mean, values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0))
}

/// Squared signal-to-noise of the target that a night's stack reaches.
fn reached(camera: &Detector, sky: f64, target: f64, rng: &mut Xoshiro256PlusPlus) -> f64 {
    let (with, variance) = mean_and_variance(&nights(camera, sky + target, rng));
    let (without, _) = mean_and_variance(&nights(camera, sky, rng));
    (with - without).powi(2) / variance
}

#[test]
fn the_predicted_time_ratio_is_that_of_simulated_nights() {
    let present =
        Detector { efficiency: 0.5, filter: 1.0, transmission: 1.0, lit: 1.0, area: 2.25, read_e: 3.0, dark: 0.5 };
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(20_311_004);
    for (name, sky, target, new) in [
        ("better in all", 1.0, 0.1, Detector { efficiency: 0.8, read_e: 1.5, dark: 0.01, ..present }),
        ("larger pixels behind a filter", 0.05, 0.02, Detector { area: 9.0, filter: 0.6, dark: 0.2, ..present }),
        ("a mosaic", 0.3, 0.1, Detector { area: 1.0, lit: 0.25, efficiency: 0.7, dark: 0.02, ..present }),
    ] {
        // As long on the sky with both: the time that a camera needs goes with the inverse of what it reaches.
        let measured = reached(&present, sky, target, &mut rng) / reached(&new, sky, target, &mut rng);
        let predicted = new.time_ratio(&present, sky + target, EXPOSURE_S);
        assert!((measured / predicted - 1.0).abs() < AGREEMENT, "{name}: measured {measured}, predicted {predicted}");
    }
}
