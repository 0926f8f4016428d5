//! The round image of turbulent air and aperture along a row, by one Fourier sum: its FWHM and its wings.

use std::cell::RefCell;
use std::f64::consts::{PI, TAU};
use std::sync::Arc;

use rustfft::num_complex::Complex;
use rustfft::{Fft, FftPlannerScalar};

use super::footprint::Reach;
use super::transfer::{Table, Turbulence};

/// Period of the row of the round image in its rough widths, and samples per width. Its copies lie beyond three quarters of that.
const PERIOD_WIDTHS: usize = 256;
const PER_WIDTH: usize = 12;
/// The period where the FWHM alone is asked for: copies 63 widths away raise its half by 1e-7 of the maximum.
const FWHM_PERIOD_WIDTHS: f64 = 64.0;
/// How far the row is used, in rough widths: air has 1e-4 of its light farther out, a clear aperture of D/r0 = 3 has 1e-3.
const LAST_WIDTHS: usize = 64;
/// Second moment of a pixel along each axis, px^2: what it does to wings that change slowly.
const PIXEL_VARIANCE: f64 = 1.0 / 12.0;

/// The round image of a kind, before the pixel, and its wings as pixels see them; stars of one kind share it.
#[derive(Debug)]
pub struct RoundImage {
    pub table: Table,
    /// FWHM, px.
    pub fwhm_px: f64,
    /// Brightness per unit of charge at steps of the distance from the centre, behind a round pixel, and charge inside.
    wings: Vec<f64>,
    inside: Vec<f64>,
    per_px: f64,
}

impl Turbulence {
    /// FWHM of the round image before the pixel: where it has fallen to half of its maximum, px.
    pub fn fwhm_px(&self) -> f64 {
        round_fwhm_px(&Table::new(self), self.rough_fwhm_px())
    }
}

impl RoundImage {
    /// Of a kind of image.
    pub fn new(image: &Turbulence) -> Self {
        let width = image.rough_fwhm_px();
        let (table, step) = (Table::new(image), 1.0 / (width * PERIOD_WIDTHS as f64));
        let behind_pixel = table.behind(|f| (-2.0 * PI * PI * PIXEL_VARIANCE * f * f).exp());
        let fwhm_px = round_fwhm_px(&table, width);
        let wings = row(&slice(&behind_pixel, step), step);
        let spacing = width / PER_WIDTH as f64;
        // Trapezoids of 2 pi r b; Euler and Maclaurin's first term (Abramowitz & Stegun 1964, 23.1.30) for its slope at 0.
        let ring = |i: usize| TAU * i as f64 * spacing * spacing * wings[i];
        let mut sum = TAU * wings[0] * spacing * spacing / 12.0;
        let mut inside = vec![0.0];
        for i in 1..wings.len() {
            sum += 0.5 * (ring(i - 1) + ring(i));
            inside.push(sum);
        }
        Self { table, fwhm_px, wings, inside, per_px: spacing.recip() }
    }

    /// Brightness of a far pixel at a distance from the centre, per unit of charge, 1/px^2; 0 beyond the last step.
    pub fn wing(&self, r: f64) -> f64 {
        let place = r * self.per_px;
        let i = place as usize;
        match self.wings.get(i..i + 2) {
            Some(pair) => pair[0] + (place - i as f64) * (pair[1] - pair[0]),
            None => 0.0,
        }
    }

    /// Distance at which the first limit is met, for a star of `charge_e` on as many px as the round image, px.
    pub fn cut(&self, reach: Reach, charge_e: f64) -> f64 {
        let by_share = self.inside.partition_point(|e| *e < 1.0 - reach.missing_share);
        let bright = self.wings.iter().rposition(|b| b * charge_e >= reach.wing_e_per_px).map_or(0, |i| i + 1);
        by_share.min(bright).min(self.wings.len() - 1) as f64 / self.per_px
    }
}

/// FWHM of the image of a transfer function, from a row of it; `width` is near it.
fn round_fwhm_px(table: &Table, width: f64) -> f64 {
    let step = 1.0 / (width * FWHM_PERIOD_WIDTHS);
    2.0 * half_maximum(&slice(table, step), step, width)
}

/// The transfer function summed along one axis: by the slice theorem (Bracewell 1956, from memory) the transform of a row.
fn slice(table: &Table, step: f64) -> Vec<f64> {
    let count = (table.end / step) as usize + 1;
    let sum = |i: usize| {
        let fx = i as f64 * step;
        let last = ((table.end * table.end - fx * fx).max(0.0).sqrt() / step) as usize;
        let above: f64 = (1..=last).map(|j| table.at((fx * fx + (j as f64 * step).powi(2)).sqrt())).sum();
        (table.at(fx) + 2.0 * above) * step
    };
    (0..count).map(sum).collect()
}

/// Distance from the centre at which the row has fallen to half.
fn half_maximum(slice: &[f64], step: f64, width: f64) -> f64 {
    let at = |r: f64| {
        let wave = |(i, s): (usize, &f64)| s * (TAU * i as f64 * step * r).cos();
        slice[0] + 2.0 * slice.iter().enumerate().skip(1).map(wave).sum::<f64>()
    };
    let (half, mut low, mut high) = (0.5 * at(0.0), 0.0, width);
    for _ in 0..50 {
        let middle = 0.5 * (low + high);
        if at(middle) > half { low = middle } else { high = middle }
    }
    low
}

/// The row itself, from the centre on.
fn row(slice: &[f64], step: f64) -> Vec<f64> {
    let length = PERIOD_WIDTHS * PER_WIDTH;
    let mut waves = vec![Complex::new(0.0, 0.0); length];
    for (i, s) in slice.iter().enumerate() {
        waves[i % length].re += step * if i == 0 { *s } else { 2.0 * s };
    }
    plan(length).process(&mut waves);
    waves.iter().take(LAST_WIDTHS * PER_WIDTH + 1).map(|w| w.re).collect()
}

/// Transforms without the processor's own extensions, so that every machine of one kind gives the same bytes.
pub fn plan(length: usize) -> Arc<dyn Fft<f64>> {
    thread_local! {
        static PLANNER: RefCell<FftPlannerScalar<f64>> = RefCell::new(FftPlannerScalar::new());
    }
    PLANNER.with_borrow_mut(|planner| planner.plan_fft_inverse(length))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 1 px is 1 arcsec: Kolmogorov's 2.0" behind an aperture in m at 550 nm.
    fn behind(diameter_m: f64, obstruction: f64) -> Turbulence {
        let lambda_over_d_px = 550e-9 / diameter_m * 206_264.806;
        Turbulence { lambda_over_d_px, obstruction, ..Turbulence::kolmogorov(2.0) }
    }

    // galsim 2.8.5: Kolmogorov(lam_over_r0=1).fwhm; Airy(lam=550, diam=0.08).fwhm; contours of Convolve(Kolmogorov(fwhm=2.0),
    // Airy(lam=550, diam=0.08)) and (.., Airy(lam=550, diam=0.2, obscuration=0.38)), drawn at 0.005", counted; half of
    // VonKarman(lam=500, r0=0.1, L0=20).xValue, by halving.
    #[test]
    fn widths_before_the_pixel_meet_galsim() {
        const COUNTED: f64 = 2e-4;
        let none = Turbulence { lambda_over_r0_px: 0.0, ..behind(0.08, 0.0) };
        let lambda_over_r0_px = 500e-9 / 0.1 * 206_264.806;
        let outer = Turbulence { lambda_over_r0_px, outer_scale_over_r0: 200.0, ..Turbulence::kolmogorov(1.0) };
        for (image, expected, tolerance) in [
            (Turbulence { lambda_over_r0_px: 1.0, ..Turbulence::kolmogorov(1.0) }, 0.975_863_43, 1e-5),
            (none, 1.459_186, 1e-4),
            (behind(0.08, 0.0), 2.4901, COUNTED),
            (behind(0.2, 0.38), 2.2518, COUNTED),
            (outer, 0.827_806, 1e-5),
        ] {
            let got = image.fwhm_px();
            assert!((got / expected - 1.0).abs() < tolerance, "{image:?}: {got}");
        }
    }
}
