//! Turbulent star images over pixels, made from their transfer function by Fourier sums.
//!
//! Near the centre a star's pixels come from a two-dimensional FFT of transfer function times the pixel's `sinc(fx) sinc(fy)`, shifted
//! to the star's place on its pixel in Fourier space; frequencies above the pixels' own fold onto lower ones, which sampling
//! demands. Farther out the row of the round image is looked up. Elongation and growth are a linear map of the image, and so
//! of the frequencies: the star's widths over those of the round image.

use std::f64::consts::{PI, TAU};
use std::sync::Arc;

use ndarray::Array2;
use rustfft::num_complex::Complex;

use super::SimStar;
use super::footprint::{Footprint, Reach};
use super::round_image::{RoundImage, plan};
use super::transfer::Table;

/// Half of the square that the two-dimensional sum covers, in FWHM of the major axis.
const NEAR_FWHM: f64 = 4.0;
/// Its period over that half: copies stand five halves from its edge, and their light is taken off again.
const PERIOD_HALVES: usize = 6;

/// A linear map of the round image: factors along both axes of a star, and their directions.
#[derive(Debug, Clone, Copy)]
struct Stretch {
    major: f64,
    minor: f64,
    cos: f64,
    sin: f64,
}

impl Stretch {
    fn of(star: &SimStar, round_fwhm_px: f64) -> Self {
        let (sin, cos) = star.angle_rad.sin_cos();
        Self { major: star.fwhm_major_px / round_fwhm_px, minor: star.fwhm_minor_px / round_fwhm_px, cos, sin }
    }

    /// Distance from the centre in the round image.
    fn distance(&self, dx: f64, dy: f64) -> f64 {
        ((dx * self.cos + dy * self.sin) / self.major).hypot((dy * self.cos - dx * self.sin) / self.minor)
    }

    /// Frequency in the round image.
    fn frequency(&self, fx: f64, fy: f64) -> f64 {
        let (u, v) = ((fx * self.cos + fy * self.sin) * self.major, (fy * self.cos - fx * self.sin) * self.minor);
        (u * u + v * v).sqrt()
    }
}

/// How an image is sampled.
#[derive(Debug, Clone, Copy)]
struct Sampling {
    /// Samples on either side of the middle one, and in a period.
    half: usize,
    period: usize,
    /// Samples per px.
    per_px: usize,
    /// Whether pixels integrate it.
    pixel: bool,
    /// Place of the star's centre from the middle sample, px.
    centre: [f64; 2],
}

impl Sampling {
    /// Of the square around a star, at `per_px` samples per px.
    fn near(fwhm_major_px: f64, per_px: usize, pixel: bool, centre: [f64; 2]) -> Self {
        let half = ((NEAR_FWHM * fwhm_major_px).ceil() as usize + 1) * per_px;
        Self { half, period: whole_product(PERIOD_HALVES * half), per_px, pixel, centre }
    }
}

/// The next number that is a product of 2, 3 and 5, of which transforms are fast.
fn whole_product(least: usize) -> usize {
    let bare = |n: usize| {
        [2, 3, 5].iter().fold(n, |n, p| (0..n.ilog2()).fold(n, |n, _| if n.is_multiple_of(*p) { n / p } else { n }))
    };
    (least..).find(|n| bare(*n) == 1).expect("powers of two have no end")
}

/// Brightness at the samples per unit of charge, 1/px^2, rows along y.
fn sampled(table: &Table, stretch: &Stretch, s: &Sampling) -> Array2<f64> {
    // Period and steps of the frequency in px.
    let step = s.per_px as f64 / s.period as f64;
    let last = (table.end / stretch.minor.min(stretch.major) / step) as usize;
    let along = |axis: usize| -> Vec<Complex<f64>> {
        let factor = |f: f64| {
            let pixel = if s.pixel && f > 0.0 { (PI * f).sin() / (PI * f) } else { 1.0 };
            Complex::from_polar(pixel, -TAU * f * s.centre[axis])
        };
        (0..=last).map(|k| factor(k as f64 * step)).collect()
    };
    let [of_x, of_y] = [along(0), along(1)];
    let none = Complex::new(0.0, 0.0);
    let mut rows = vec![vec![none; s.period]; s.period.min(last + 1)];
    let mut spectrum = vec![none; s.period];
    for (ky, y) in of_y.iter().enumerate() {
        spectrum.fill(none);
        let fy = ky as f64 * step;
        for (kx, x) in of_x.iter().enumerate() {
            let fx = kx as f64 * step;
            spectrum[kx % s.period] += x * table.at(stretch.frequency(fx, fy));
            if kx > 0 {
                spectrum[(s.period - kx % s.period) % s.period] += x.conj() * table.at(stretch.frequency(-fx, fy));
            }
        }
        // The other half of the plane holds the conjugates: the real part counts twice.
        let weight = y * (step * step * if ky == 0 { 1.0 } else { 2.0 });
        rows[ky % s.period].iter_mut().zip(&spectrum).for_each(|(sum, value)| *sum += weight * value);
    }
    let transform = plan(s.period);
    rows.iter_mut().for_each(|r| transform.process(r));
    let side = 2 * s.half + 1;
    let mut image = Array2::zeros((side, side));
    let wrapped = |i: usize| (i + s.period - s.half) % s.period;
    for (i, mut column) in image.columns_mut().into_iter().enumerate() {
        spectrum.fill(none);
        spectrum.iter_mut().zip(&rows).for_each(|(to, row)| *to = row[wrapped(i)]);
        transform.process(&mut spectrum);
        column.iter_mut().enumerate().for_each(|(j, value)| *value = spectrum[wrapped(j)].re);
    }
    image
}

/// A star's image ready to be looked up.
#[derive(Debug, Clone)]
pub struct Turbulent {
    star: SimStar,
    round: Arc<RoundImage>,
    stretch: Stretch,
    /// Pixel in the middle of the square, and the square, e-.
    middle: [i64; 2],
    near: Array2<f64>,
}

impl Turbulent {
    /// Prepares a star of the kind that `round` is.
    pub fn new(star: SimStar, round: &Arc<RoundImage>) -> Self {
        let stretch = Stretch::of(&star, round.fwhm_px);
        let middle = [star.x.round(), star.y.round()];
        let sampling = Sampling::near(star.fwhm_major_px, 1, true, [star.x - middle[0], star.y - middle[1]]);
        let mut near = sampled(&round.table, &stretch, &sampling);
        let unit = 1.0 / (stretch.major * stretch.minor);
        // Light of the eight nearest copies: nearly the same all over the square, and by symmetry even in x and y.
        let copies = |x: f64, y: f64| -> f64 {
            let period = sampling.period as f64;
            let places = (0..9).filter(|i| *i != 4).map(|i| ((i % 3 - 1) as f64 * period, (i / 3 - 1) as f64 * period));
            places.map(|(px, py)| round.wing(stretch.distance(x - px, y - py))).sum::<f64>() * unit
        };
        let half = sampling.half as f64;
        let (level, rise) = (copies(0.0, 0.0), 0.5 * (copies(half, 0.0) + copies(0.0, half)) - copies(0.0, 0.0));
        for ((j, i), value) in near.indexed_iter_mut() {
            let (x, y) = (i as f64 / half - 1.0, j as f64 / half - 1.0);
            *value = star.flux_e * (*value - level - rise * (x * x + y * y));
        }
        Self { star, round: Arc::clone(round), stretch, middle: middle.map(|m| m as i64), near }
    }

    /// Another star of the same kind.
    pub fn moved(&self, star: SimStar) -> Self {
        Self::new(star, &self.round)
    }

    /// Charge in the pixel of column `x` and row `y`, whole numbers, e-.
    pub fn pixel(&self, x: f64, y: f64) -> f64 {
        let half = (self.near.nrows() / 2) as i64;
        let (i, j) = (x.round() as i64 - self.middle[0] + half, y.round() as i64 - self.middle[1] + half);
        let inside = usize::try_from(i).ok().zip(usize::try_from(j).ok()).and_then(|(i, j)| self.near.get((j, i)));
        inside.copied().unwrap_or_else(|| {
            let r = self.stretch.distance(x - self.star.x, y - self.star.y);
            self.star.flux_e / (self.stretch.major * self.stretch.minor) * self.round.wing(r)
        })
    }

    /// The pixels that it is drawn on.
    pub fn footprint(&self, reach: Reach) -> Footprint {
        let cut = self.round.cut(reach, self.star.flux_e / (self.stretch.major * self.stretch.minor));
        let s = &self.star;
        Footprint::new([s.x, s.y], s.angle_rad, cut * self.stretch.major, cut * self.stretch.minor)
    }

    /// The image around its centre at `per_px` samples per px, e- per px^2, behind the pixel or before it.
    pub fn fine(&self, per_px: usize, pixel: bool) -> Array2<f64> {
        let sampling = Sampling::near(self.star.fwhm_major_px, per_px, pixel, [0.0, 0.0]);
        sampled(&self.round.table, &self.stretch, &sampling) * self.star.flux_e
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulate::footprint::FULL_REACH;
    use crate::simulate::{StarImage, Turbulence};

    /// Promised is 1e-4 of the peak; what the sums reach against galsim, whose own tables are good to 1e-5.
    const PIXEL: f64 = 2e-5;

    fn prepared(image: Turbulence, ratio: f64, centre: [f64; 2]) -> Turbulent {
        let round = Arc::new(RoundImage::new(&image));
        let mut star = SimStar::of(StarImage::Turbulence(image), centre[0], centre[1], 1.0, round.fwhm_px);
        star.fwhm_major_px /= ratio.sqrt();
        star.fwhm_minor_px *= ratio.sqrt();
        star.angle_rad = 0.6;
        Turbulent::new(star, &round)
    }

    // galsim 2.8.5: k = Kolmogorov(fwhm=1); k.xValue(r, 0) / k.xValue(0, 0) at r = 1, 2, 3.
    #[test]
    fn the_wings_of_turbulence_meet_galsim() {
        let fine = prepared(Turbulence::kolmogorov(1.0), 1.0, [0.0; 2]).fine(8, false);
        let middle = fine.nrows() / 2;
        for (r, expected) in [(1, 0.089_071_6), (2, 0.003_827_40), (3, 0.000_694_812)] {
            let got = fine[(middle, middle + 8 * r)] / fine[(middle, middle)];
            assert!((got - expected).abs() < 1e-6, "{r}: {got}");
        }
    }

    // galsim 2.8.5, gsp = GSParams(kvalue_accuracy=1e-7, maxk_threshold=1e-6, folding_threshold=2e-3): Kolmogorov(fwhm=f, gsparams=gsp)
    // and Convolve(Kolmogorov(fwhm=k), Airy(lam_over_diam=l, obscuration=o), Gaussian(sigma=s)).shear(q=q, beta=0.6 rad), each
    // .drawImage(nx=513, ny=513, scale=1, offset=(x, y)).array at columns and rows from the middle.
    #[test]
    fn pixels_meet_galsim() {
        const AT: [(i32, i32); 7] = [(0, 0), (1, 0), (0, -1), (2, 1), (-3, 2), (4, 0), (6, -5)];
        let blurred =
            |l, o, k, s| Turbulence { lambda_over_d_px: l, obstruction: o, sigma_px: s, ..Turbulence::kolmogorov(k) };
        let cases = [
            (
                Turbulence::kolmogorov(0.9),
                1.0,
                [0.0, 0.0],
                [0.55494031, 0.08252743, 0.08252743, 0.00164140, 0.00021573, 0.00014281, 0.00001113],
            ),
            (
                Turbulence::kolmogorov(0.9),
                1.0,
                [0.3, -0.2],
                [0.44001808, 0.20543062, 0.14122796, 0.00232224, 0.00014783, 0.00019318, 0.00001327],
            ),
            (
                Turbulence::kolmogorov(1.5),
                1.0,
                [0.3, -0.2],
                [0.23894908, 0.16190913, 0.13387912, 0.00863775, 0.00040566, 0.00054210, 0.00003265],
            ),
            (
                Turbulence::kolmogorov(2.6),
                1.0,
                [0.3, -0.2],
                [0.09807647, 0.08401660, 0.07783109, 0.02190010, 0.00157278, 0.00218390, 0.00009367],
            ),
            (
                blurred(0.868, 0.0, 2.2, 0.45),
                0.8,
                [0.3, -0.2],
                [0.08768400, 0.07866056, 0.07216115, 0.02790092, 0.00127812, 0.00297895, 0.00010333],
            ),
            (
                blurred(1.5, 0.38, 1.2, 0.3),
                1.0,
                [0.3, -0.2],
                [0.10834294, 0.08505385, 0.07554428, 0.01681223, 0.00179085, 0.00278274, 0.00036431],
            ),
            (
                blurred(1.5, 0.38, 1.2, 0.3),
                0.8,
                [0.3, -0.2],
                [0.10672169, 0.08872975, 0.07703625, 0.02063950, 0.00103176, 0.00352862, 0.00018236],
            ),
        ];
        for (image, ratio, centre, expected) in cases {
            let star = prepared(image, ratio, centre);
            for ((x, y), expected) in AT.into_iter().zip(expected) {
                let got = star.pixel(f64::from(x), f64::from(y));
                assert!(
                    (got - expected).abs() < PIXEL * expected.max(star.pixel(0.0, 0.0)),
                    "{image:?} {x} {y}: {got}"
                );
            }
        }
    }

    // The same call. There the pixels are points of the round image's row, or lie beyond all but a thousandth of the light.
    #[test]
    fn far_pixels_and_the_light_of_a_square_meet_galsim() {
        const RELATIVE: f64 = 0.02;
        // A fifth of what is promised.
        const LIGHT: f64 = 2e-4;
        let image = Turbulence { lambda_over_d_px: 0.868, sigma_px: 0.45, ..Turbulence::kolmogorov(2.2) };
        let star = prepared(image, 0.8, [0.3, -0.2]);
        for (x, y, expected) in [(15.0, -14.0, 3.59e-6), (20.0, 15.0, 3.628e-6), (40.0, 0.0, 6.32e-7)] {
            let got = star.pixel(x, y);
            assert!((got / expected - 1.0).abs() < RELATIVE, "{x} {y}: {got}");
        }
        let place = |i: i32| f64::from(i) - 100.0;
        let sum: f64 = (0..201 * 201).map(|i| star.pixel(place(i % 201), place(i / 201))).sum();
        assert!((sum - 0.998_30).abs() < LIGHT, "{sum}");
    }

    #[test]
    fn a_bright_star_is_drawn_but_for_a_thousandth() {
        for image in [Turbulence::kolmogorov(2.0), Turbulence { sigma_px: 0.5, ..Turbulence::kolmogorov(1.0) }] {
            let mut star = prepared(image, 0.9, [300.2, 299.7]);
            star = star.moved(SimStar { flux_e: 1e6, ..star.star });
            let mut sum = 0.0;
            star.footprint(FULL_REACH).visit(600, 0..600, |x, y| sum += star.pixel(x as f64, y as f64));
            assert!((sum / 1e6 - 1.0).abs() < 1e-3, "{sum}");
        }
    }

    // Both ways where they meet: the pixels just inside the square of the FFT as points of the row.
    #[test]
    fn the_square_and_the_row_meet() {
        let star = prepared(Turbulence { lambda_over_d_px: 0.868, ..Turbulence::kolmogorov(2.0) }, 0.85, [0.4, 0.1]);
        let half = (star.near.nrows() / 2) as f64;
        let peak = star.pixel(0.0, 0.0);
        for along in [-half, 0.0, 0.5 * half, half] {
            for (x, y) in [(half, along), (-half, along), (along, half), (along, -half)] {
                let by_row = star.round.wing(star.stretch.distance(x - 0.4, y - 0.1));
                assert!((star.pixel(x, y) - by_row).abs() < PIXEL * peak, "{x} {y}");
            }
        }
    }
}
