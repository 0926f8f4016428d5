//! Peaks that are a nebula's: a smooth surface, or a ridge as narrow as a star at any angle, shows as much.

use nalgebra::{SMatrix, SVector};

use super::star_image::Moffat;
use crate::stars::Peak;
use crate::stars::detection::view::View;

/// Terms of a cubic surface.
const TERMS: usize = 10;
/// Radius of the pixels looked at in recorded FWHM, and its limits, px: a cubic there follows what is twice as wide as a star.
const REACH_WIDTHS: f64 = 2.0;
const REACH_PX: [f64; 2] = [4.0, 14.0];
/// Angles of a ridge: a star image of a third of the ring's radius changes little over an eighth of a half turn.
const ANGLES: usize = 8;
/// Samples of the ring that tells whether the sky is even, and its radii in recorded FWHM.
const SAMPLES: usize = 16;
const RING_WIDTHS: [f64; 2] = [1.7, 2.4];
/// Sum of their squared deviations in noise variances from which it is not: 15 +- 5.5 by chance, three standard deviations.
const EVEN: f64 = 32.0;
/// Share of the peak's height below which what the ring shows cannot be what the peak is.
const SMALL_SHARE: f64 = 0.05;
/// Distance from another peak within which pixels are its own, recorded FWHM.
const OTHERS_WIDTHS: f64 = 1.2;
/// Free numbers of a star, and of a ridge: height and place; height, distance and angle.
const IMAGE_NUMBERS: f64 = 3.0;

/// Places around a peak that tell whether its sky is even, columns and rows from it.
pub(crate) fn around_an_image(recorded_px: f64) -> [[i64; 2]; SAMPLES] {
    std::array::from_fn(|k| {
        let (sin, cos) = (std::f64::consts::TAU * k as f64 / SAMPLES as f64).sin_cos();
        [cos, sin].map(|part| (RING_WIDTHS[k % 2] * recorded_px * part).round() as i64)
    })
}

/// Whether the sky at these places around a peak is even, so that there is no nebula whose structure it could be.
pub(crate) fn stands_on_even_sky(view: View, peak: &Peak, around: &[[i64; 2]; SAMPLES]) -> bool {
    let (rows, columns) = view.plane.dim();
    let (mut sum, mut squares, mut n) = (0.0, 0.0, 0.0);
    let level = view.sky.level_at(peak.x, peak.y) + peak.ring_adu;
    for [dx, dy] in around {
        let (x, y) = (peak.x as i64 + dx, peak.y as i64 + dy);
        if x < 0 || y < 0 || x + 1 >= columns as i64 || y >= rows as i64 {
            continue;
        }
        let x = x as usize + usize::from(!view.lattice.holds(x as usize, y as usize));
        let value = view.plane.at(x, y as usize) - level;
        if value.is_finite() {
            (sum, squares, n) = (sum + value, squares + value * value, n + 1.0);
        }
    }
    let scatter = squares - sum * sum / f64::max(n, 1.0);
    let sigma2 = view.sky.sigma_at(peak.x, peak.y).powi(2);
    let height = view.brightest(peak).2 - level;
    scatter < EVEN * sigma2 || scatter < n * (SMALL_SHARE * height).powi(2)
}

/// A pixel around a peak: its offset, in units of the reach, and its value, ADU.
struct Pixel {
    x: f64,
    y: f64,
    value: f64,
}

/// Whether a star explains the pixels around a peak better than a surface with or without a ridge does.
///
/// `(dx, dy)` is the star's place against the peak's pixel; `others` are the peaks around, whose pixels do not count.
/// True where too few pixels are left to tell.
pub(crate) fn is_beyond_nebula<'a>(
    view: View,
    peak: &Peak,
    (dx, dy): (f64, f64),
    recorded_px: f64,
    others: impl Iterator<Item = &'a Peak>,
) -> bool {
    let reach = (REACH_WIDTHS * recorded_px).clamp(REACH_PX[0], REACH_PX[1]);
    let pixels = around(view, peak, (reach, OTHERS_WIDTHS * recorded_px), others);
    let n = pixels.len() as f64;
    if pixels.len() < 3 * TERMS {
        return true;
    }
    let Some(surface) = Surface::of(&pixels) else { return true };
    let image = Moffat::new(recorded_px);
    let shown = |distance2: &dyn Fn(f64, f64) -> f64| -> Vec<f64> {
        pixels.iter().map(|p| image.at(distance2(p.x * reach - dx, p.y * reach - dy))).collect()
    };
    let star = shown(&|x, y| x * x + y * y);
    let ridges: [Vec<f64>; ANGLES] = std::array::from_fn(|angle| {
        let (sin, cos) = (std::f64::consts::PI * angle as f64 / ANGLES as f64).sin_cos();
        shown(&|x, y| (y * cos - x * sin).powi(2))
    });
    let with_star = surface.left - surface.gain_of(&pixels, &star);
    let with_ridge = surface.left - ridges.iter().map(|r| surface.gain_of(&pixels, r)).fold(0.0, f64::max);
    let even_with_star = left_by_even(&pixels, &star);
    let even_with_ridge = ridges.iter().map(|r| left_by_even(&pixels, r)).fold(f64::INFINITY, f64::min);
    let sigma2 = view.sky.sigma_at(peak.x, peak.y).powi(2);
    // What no model explains counts as noise.
    let least = with_star.min(with_ridge) / (n - TERMS as f64 - IMAGE_NUMBERS);
    let scale = sigma2.max(least);
    let weighed = |left: f64, numbers: f64| left / scale + numbers * n.ln();
    let terms = TERMS as f64;
    let shows_star = weighed(with_star, terms + IMAGE_NUMBERS).min(weighed(even_with_star, 1.0 + IMAGE_NUMBERS));
    let shows_none = weighed(surface.left, terms)
        .min(weighed(with_ridge, terms + IMAGE_NUMBERS))
        .min(weighed(even_with_ridge, 1.0 + IMAGE_NUMBERS));
    shows_star < shows_none
}

/// The pixels within the reach that are no other peak's.
fn around<'a>(view: View, peak: &Peak, (reach, own): (f64, f64), others: impl Iterator<Item = &'a Peak>) -> Vec<Pixel> {
    let (rows, columns) = view.plane.dim();
    let level = view.sky.level_at(peak.x, peak.y) + peak.ring_adu;
    let near: Vec<(f64, f64)> = others.map(|p| (p.x as f64 - peak.x as f64, p.y as f64 - peak.y as f64)).collect();
    let half = reach as usize;
    let mut pixels = Vec::with_capacity((2 * half + 1).pow(2));
    for b in peak.y.saturating_sub(half)..(peak.y + half + 1).min(rows) {
        for a in peak.x.saturating_sub(half)..(peak.x + half + 1).min(columns) {
            let (x, y) = (a as f64 - peak.x as f64, b as f64 - peak.y as f64);
            let r2 = x * x + y * y;
            if r2 > reach * reach || !view.lattice.holds(a, b) {
                continue;
            }
            let others = near.iter().any(|(u, v)| {
                let d2 = (u - x).powi(2) + (v - y).powi(2);
                d2 < own * own && d2 < r2
            });
            let value = view.plane.at(a, b) - level;
            if !others && value.is_finite() {
                pixels.push(Pixel { x: x / reach, y: y / reach, value });
            }
        }
    }
    pixels
}

fn terms(p: &Pixel) -> SVector<f64, TERMS> {
    let (x, y) = (p.x, p.y);
    SVector::from([1.0, x, y, x * x, x * y, y * y, x * x * x, x * x * y, x * y * y, y * y * y])
}

/// A cubic surface through pixels.
struct Surface {
    inverse: SMatrix<f64, TERMS, TERMS>,
    /// Terms against values.
    with_values: SVector<f64, TERMS>,
    /// Sum of squares that it leaves, ADU^2.
    left: f64,
}

impl Surface {
    fn of(pixels: &[Pixel]) -> Option<Self> {
        let mut matrix = SMatrix::<f64, TERMS, TERMS>::zeros();
        let mut with_values = SVector::zeros();
        let mut squares = 0.0;
        for p in pixels {
            let t = terms(p);
            matrix.ger(1.0, &t, &t, 1.0);
            with_values += t * p.value;
            squares += p.value * p.value;
        }
        let inverse = matrix.cholesky()?.inverse();
        let left = squares - with_values.dot(&(inverse * with_values));
        Some(Self { inverse, with_values, left })
    }

    /// How much of what it leaves an image with a free, positive height takes up, ADU^2.
    fn gain_of(&self, pixels: &[Pixel], image: &[f64]) -> f64 {
        let mut with_terms = SVector::<f64, TERMS>::zeros();
        let (mut square, mut with_value) = (0.0, 0.0);
        for (p, value) in pixels.iter().zip(image) {
            with_terms += terms(p) * *value;
            square += value * value;
            with_value += value * p.value;
        }
        let projected = self.inverse * with_terms;
        let (own, shared) = (square - with_terms.dot(&projected), with_value - projected.dot(&self.with_values));
        if own > 1e-6 * square && shared > 0.0 { shared * shared / own } else { 0.0 }
    }
}

/// Sum of squares that an even background with an image leaves, ADU^2.
fn left_by_even(pixels: &[Pixel], image: &[f64]) -> f64 {
    let n = pixels.len() as f64;
    let (mut s, mut ss, mut v, mut vv, mut sv) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (p, image) in pixels.iter().zip(image) {
        (s, ss) = (s + image, ss + image * image);
        (v, vv, sv) = (v + p.value, vv + p.value * p.value, sv + image * p.value);
    }
    let (own, shared) = (ss - s * s / n, sv - s * v / n);
    let left = vv - v * v / n;
    if own > 0.0 && shared > 0.0 { left - shared * shared / own } else { left }
}
