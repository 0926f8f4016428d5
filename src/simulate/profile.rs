//! Stars made ready to be drawn, whatever their kind.

use std::ops::Range;
use std::sync::Arc;

use ndarray::Array2;
use rayon::prelude::*;

use super::footprint::{Footprint, Reach};
use super::moffat::Moffat;
use super::round_image::RoundImage;
use super::transfer::Turbulence;
use super::turbulent::Turbulent;
use super::{SimStar, StarImage};

/// A star made ready for evaluation.
#[derive(Debug, Clone)]
pub enum Profile {
    Moffat(Moffat),
    Turbulent(Turbulent),
}

impl Profile {
    /// Prepares a star.
    ///
    /// # Panics
    ///
    /// A width that is not positive, beta not above 1, or turbulence that nothing blurs.
    pub fn new(star: SimStar) -> Self {
        Self::all(&[star]).remove(0)
    }

    /// Prepares stars; what those of one kind have in common is made once.
    pub fn all(stars: &[SimStar]) -> Vec<Self> {
        let mut kinds: Vec<(Turbulence, Arc<RoundImage>)> = Vec::new();
        for star in stars {
            if let StarImage::Turbulence(kind) = star.image
                && kinds.iter().all(|(k, _)| *k != kind)
            {
                kinds.push((kind, Arc::new(RoundImage::new(&kind))));
            }
        }
        let prepare = |star: &SimStar| match star.image {
            StarImage::Moffat { beta } => Self::Moffat(Moffat::new(*star, beta)),
            StarImage::Turbulence(kind) => {
                let (_, round) = kinds.iter().find(|(k, _)| *k == kind).expect("made above");
                Self::Turbulent(Turbulent::new(*star, round))
            }
        };
        stars.par_iter().map(prepare).collect()
    }

    /// Another star of the same kind, for which nothing is made anew that both share.
    pub fn moved(&self, star: SimStar) -> Self {
        match self {
            Self::Turbulent(turbulent) => Self::Turbulent(turbulent.moved(star)),
            Self::Moffat(_) => Self::new(star),
        }
    }

    /// Charge in the pixel of column `x` and row `y`, whole numbers, e-.
    pub fn pixel(&self, x: f64, y: f64) -> f64 {
        match self {
            Self::Moffat(moffat) => moffat.pixel(x, y),
            Self::Turbulent(turbulent) => turbulent.pixel(x, y),
        }
    }

    /// The image around its centre at `per_px` samples per px, e- per px^2; behind the pixel each sample is the integral over
    /// one px^2 around it.
    pub fn fine(&self, per_px: usize, behind_pixel: bool) -> Array2<f64> {
        match self {
            Self::Moffat(moffat) => moffat.fine(per_px, behind_pixel),
            Self::Turbulent(turbulent) => turbulent.fine(per_px, behind_pixel),
        }
    }

    fn footprint(&self, reach: Reach) -> Footprint {
        match self {
            Self::Moffat(moffat) => moffat.footprint(reach),
            Self::Turbulent(turbulent) => turbulent.footprint(reach),
        }
    }

    /// Rows that the star touches, of a frame of `height` rows.
    pub fn rows(&self, reach: Reach, height: usize) -> Range<usize> {
        self.footprint(reach).rows(height)
    }

    /// Hands (column, row, e-) of every pixel in `rows` that the star touches to `add`, row by row.
    pub fn draw(&self, reach: Reach, width: usize, rows: Range<usize>, mut add: impl FnMut(usize, usize, f64)) {
        self.footprint(reach).visit(width, rows, |x, y| add(x, y, self.pixel(x as f64, y as f64)));
    }
}
