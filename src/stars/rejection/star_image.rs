//! Whether a peak is the image of a star: against single pixels, and against what a nebula shows.
//!
//! A few lit pixels have no image of the optics around them; a nebula is as well told by a smooth surface, or by a ridge
//! that is as narrow as a star. Whichever explains the pixels best, its free numbers counted (Schwarz 1978, Ann. Stat. 6,
//! 461; from memory), is taken for what is there.

use crate::stars::Peak;
use crate::stars::detection::view::View;

/// Relative error of the star image that is assumed here: it varies over the frame, and these wings are a model's.
const MODEL_ERROR: f64 = 0.1;
/// Places of the star within its pixel that are tried along each axis, px.
const PHASES_PX: [f64; 5] = [-0.6, -0.3, 0.0, 0.3, 0.6];
/// Half side of the stamp in recorded FWHM: beyond it a star leaves a pixel less than a tenth of its peak.
const HALF_WIDTHS: f64 = 1.0;
/// Its limits, px.
const HALF_PX: [f64; 2] = [2.0, 7.0];
/// Single pixels that may stand together: of 1 % hot pixels, three in a 3x3 are one peak in three hundred.
const MOST_SINGLES: usize = 3;
/// Neighbours of the brightest pixel, and their share of it, from which it is an image whatever its shape: no three single
/// pixels and no track light so many.
const LIT_NEIGHBOURS: usize = 6;
const LIT_SHARE: f64 = 0.1;
/// Standard deviations of a sky pixel that a lit neighbour has.
const LIT_SIGMAS: f64 = 4.0;

/// The image of a frame's stars as recorded, at several places within the pixel.
pub(crate) struct StarImage {
    half: usize,
    /// One image for each place, row by row, peak 1.
    images: Vec<Vec<f32>>,
    recorded_px: f64,
}

/// What stands at a peak.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Seen {
    /// A star, with its place against the peak's pixel, px.
    Star { dx: f64, dy: f64 },
    /// One to three lit pixels.
    SinglePixels,
}

impl StarImage {
    /// `recorded_px` is the FWHM after the pixel.
    pub fn new(recorded_px: f64) -> Self {
        let half = (HALF_WIDTHS * recorded_px).ceil().clamp(HALF_PX[0], HALF_PX[1]) as usize;
        let side = 2 * half + 1;
        let image = Moffat::new(recorded_px);
        let of = |(dx, dy): (f64, f64)| {
            let pixel = |k: usize| {
                let (x, y) = ((k % side) as f64 - half as f64 - dx, (k / side) as f64 - half as f64 - dy);
                image.at(x * x + y * y) as f32
            };
            (0..side * side).map(pixel).collect()
        };
        Self { half, images: places().map(of).collect(), recorded_px }
    }

    /// FWHM after the pixel, px.
    pub fn recorded_px(&self) -> f64 {
        self.recorded_px
    }

    /// What the pixels of a peak show best.
    pub fn seen_at(&self, view: View, peak: &Peak, e_per_adu: Option<f64>) -> Seen {
        if self.is_plainly_lit(view, peak) {
            return Seen::Star { dx: 0.0, dy: 0.0 };
        }
        let pixels = self.pixels(view, peak, e_per_adu);
        // Undefined pixels and those of other colours have no weight.
        let counted = pixels.iter().filter(|p| p.1 > 0.0).count();
        let price = (counted as f64).ln();
        let star = |image: &[f32], but: Option<usize>| {
            let (mut with, mut of) = (0f32, 0f32);
            for (k, ((value, weight), image)) in pixels.iter().zip(image).enumerate() {
                let weight = if Some(k) == but { 0.0 } else { *weight };
                with += weight * value * image;
                of += weight * image * image;
            }
            if with > 0.0 { f64::from(with * with / of) } else { 0.0 }
        };
        let mut singles: Vec<(usize, f64)> = Vec::with_capacity(pixels.len());
        singles
            .extend(pixels.iter().enumerate().filter(|(_, p)| p.0 > 0.0).map(|(k, p)| (k, f64::from(p.1 * p.0 * p.0))));
        singles.sort_unstable_by(|a, b| b.1.total_cmp(&a.1));
        // Along one axis, then along the other: the image is smooth, and all places cost three times as much.
        let across = PHASES_PX.len();
        let gain_at = |k: usize| (k, star(&self.images[k], None));
        let best_of = |places: &mut dyn Iterator<Item = usize>| {
            places.map(gain_at).max_by(|a, b| a.1.total_cmp(&b.1)).unwrap_or((0, 0.0))
        };
        let (along, _) = best_of(&mut (across * (across / 2)..across * (across / 2 + 1)));
        let (best, gain) = best_of(&mut (along % across..across * across).step_by(across));
        // A value and a place; a star beside a hot pixel is one all the same.
        let alone = gain - 3.0 * price;
        let beside =
            singles.first().map_or(0.0, |(k, single)| single + star(&self.images[best], Some(*k)) - 6.0 * price);
        // The place of the first pixel is the peak's own, those of others are free.
        let mut sum = 0.0;
        let few = singles.iter().take(MOST_SINGLES).enumerate().map(|(n, (_, single))| {
            sum += single;
            sum - (1.0 + 3.0 * n as f64) * price
        });
        let few = few.fold(0.0, f64::max);
        let (dx, dy) = places().nth(best).unwrap_or_default();
        if alone.max(beside) > few { Seen::Star { dx, dy } } else { Seen::SinglePixels }
    }

    /// Value above the background and weight of each pixel of the stamp.
    fn pixels(&self, view: View, peak: &Peak, e_per_adu: Option<f64>) -> Vec<(f32, f32)> {
        let (rows, columns) = view.plane.dim();
        let side = 2 * self.half + 1;
        let background = view.sky.level_at(peak.x, peak.y) + peak.ring_adu;
        let sky2 = view.sky.sigma_at(peak.x, peak.y).powi(2).max(1e-12);
        let photons = e_per_adu.map_or(0.0, f64::recip);
        let mut pixels = Vec::with_capacity(side * side);
        for y in (peak.y + rows - self.half..).take(side).map(|y| y.wrapping_sub(rows)) {
            for x in (peak.x + columns - self.half..).take(side).map(|x| x.wrapping_sub(columns)) {
                // Beyond the frame, where the difference wraps, nothing counts.
                let inside = x < columns && y < rows && view.lattice.holds(x, y);
                let value = if inside { view.plane.at(x, y) - background } else { f64::NAN };
                let lit = value.max(0.0);
                let variance = sky2 + photons * lit + (MODEL_ERROR * lit).powi(2);
                pixels.push(if value.is_finite() { (value as f32, variance.recip() as f32) } else { (0.0, 0.0) });
            }
        }
        pixels
    }

    /// Whether nearly all neighbours of the brightest pixel are lit.
    fn is_plainly_lit(&self, view: View, peak: &Peak) -> bool {
        let (x, y, highest) = view.brightest(peak);
        let (rows, columns) = view.plane.dim();
        if x < 1 || y < 1 || x + 1 >= columns || y + 1 >= rows {
            return false;
        }
        let background = view.sky.level_at(x, y) + peak.ring_adu;
        let least = background + (LIT_SIGMAS * view.sky.sigma_at(x, y)).max(LIT_SHARE * (highest - background));
        let lit = (y - 1..y + 2).flat_map(|b| (x - 1..x + 2).map(move |a| (a, b)));
        lit.filter(|(a, b)| view.lattice.holds(*a, *b) && view.plane.at(*a, *b) > least).count() > LIT_NEIGHBOURS
    }
}

/// All places within the pixel.
fn places() -> impl Iterator<Item = (f64, f64)> {
    PHASES_PX.iter().flat_map(|dy| PHASES_PX.iter().map(move |dx| (*dx, *dy)))
}

/// A round Moffat of peak 1 whose wings have the exponent 3.5: only cores count here, and a root and products give it at once.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Moffat {
    /// Inverse square of its radius, px^-2.
    k: f64,
}

impl Moffat {
    pub fn new(fwhm_px: f64) -> Self {
        Self { k: 4.0 * (2f64.powf(1.0 / 3.5) - 1.0) / (fwhm_px * fwhm_px) }
    }

    /// Light at a squared distance, px^2.
    pub fn at(self, r2: f64) -> f64 {
        let base = 1.0 + self.k * r2;
        (base * base * base * base.sqrt()).recip()
    }
}
