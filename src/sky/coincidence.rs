//! From a rough plate to a fitted one with its list of pairs, and how likely chance alone makes as many.

use super::chance::poisson_tail;
use super::plate::Plate;
use super::plate_fit::{Fitted, Pair, fit_plate, pairs_used_up};
use super::region::{Cells, Region};
use super::source::Source;
use super::triangles::distance;
use crate::stats::median;
use crate::units::ARCSEC_PER_RADIAN;

/// Error of a catalogue place along an axis, arcsec: its steps, and what stars have moved since 2000 (10 mas a year).
pub(crate) const CATALOGUE_ARCSEC: f64 = 0.3;
/// Later distances, in robust standard errors of the residuals; three keep 99 % of the pairs of a two-dimensional normal law.
pub(crate) const REACH_SIGMAS: f64 = 3.5;
/// Robust standard error of one axis from the median of distances: `1 / sqrt(2 ln 2)` (Rayleigh's law).
const RAYLEIGH: f64 = 0.849_321_8;
/// Each round shrinks the distance by this at most, so that a few close pairs cannot shut out the rest.
const SHRINK: f64 = 0.5;
/// Rounds of matching and fitting.
const ROUNDS: usize = 8;
/// Pairs below which nothing is claimed.
pub(crate) const LEAST_PAIRS: usize = 6;
/// Brightest stars on either side that decide: enough for certainty, few enough that chance pairs stay rare.
pub(crate) const DECIDING: usize = 60;
/// Numbers of brightest sources over which the coincidences are counted; the most telling one counts.
const DEPTHS: [usize; 3] = [15, 30, DECIDING];
/// Share of the catalogue stars in the frame that must be there: a true match misses few.
const LEAST_SHARE: f64 = 0.3;
/// Shifts of the frame, in distances of a pair, by which the coincidences of crowded places are counted.
const SHIFTS: [f64; 3] = [6.0, 11.0, 17.0];
const SHIFT_DIRECTIONS: usize = 8;
/// Ways in which the probability may have been made small by choice: depths, and radii that follow the residuals (a
/// factor of two each over a range of 64).
pub(crate) const CHOICES: f64 = 3.0 * 6.0;

/// A plate and the stars that it rests on.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Coincidence {
    pub fitted: Fitted,
    /// Places in the lists of sources and of the region's stars.
    pub pairs: Vec<(usize, usize)>,
    /// Catalogue stars in the frame.
    pub in_frame: usize,
    /// Probability that one placement of the frame at random has as many coincidences.
    pub chance: f64,
}

/// Sources of a frame and the catalogue around it.
pub(crate) struct Sides<'a> {
    pub sources: &'a [Source],
    pub region: &'a Region,
    /// Most stars of either side.
    pub most: usize,
}

/// Usual error of a pair along an axis, px, at a scale of so many radians per px.
pub(crate) fn noise_px(sources: &[Source], scale: f64) -> f64 {
    let sigmas: Vec<f64> = sources.iter().map(|s| s.sigma_px).collect();
    median(&sigmas).unwrap_or(0.0).hypot(CATALOGUE_ARCSEC / (scale * ARCSEC_PER_RADIAN))
}

impl Sides<'_> {
    /// Improves a plate, with stars within `reach` px at first, until its pairs no longer change. `None` where too few
    /// stars coincide.
    pub fn settle(&self, rough: &Plate, reach: f64) -> Option<Coincidence> {
        let sources = &self.sources[..self.sources.len().min(self.most)];
        let places: Vec<[f64; 2]> = sources.iter().map(|s| [s.x_px, s.y_px]).collect();
        let mut reach = reach;
        let cells = Cells::of(&places, reach);
        let mut plate = *rough;
        let mut before = Vec::new();
        let mut result = None;
        for _ in 0..ROUNDS {
            let (pairs, predicted) = self.pairs(&plate, &cells, reach);
            if pairs.len() < LEAST_PAIRS {
                return None;
            }
            let fitted = fit_plate(&self.for_fit(&pairs, &plate), &plate)?;
            plate = fitted.plate;
            let settled = pairs == before;
            let off: Vec<f64> = pairs
                .iter()
                .filter_map(|(s, c)| Some(distance(plate.pixel(self.region.stars[*c].direction)?, places[*s])))
                .collect();
            let noise = noise_px(self.sources, plate.scale());
            let sigma = (RAYLEIGH * median(&off)?).max(noise);
            let next = (REACH_SIGMAS * sigma).clamp(SHRINK * reach, reach);
            let stays = next > 0.999 * reach;
            let chance = self.chance(&pairs, &predicted, &cells, &plate, reach);
            result = Some(Coincidence { fitted, in_frame: predicted.len(), chance, pairs: pairs.clone() });
            if settled && stays {
                break;
            }
            (before, reach) = (pairs, next);
        }
        result.filter(|r| r.pairs.len() as f64 >= LEAST_SHARE * r.in_frame.min(sources.len()) as f64)
    }

    /// Pairs within `reach`, each star in one only, and where all catalogue stars of the frame should be.
    fn pairs(&self, plate: &Plate, cells: &Cells, reach: f64) -> (Vec<(usize, usize)>, Vec<[f64; 2]>) {
        // A little more than the frame, for what distortion does in the corners.
        let widest = (1.1 * plate.half_diagonal_px() * plate.scale()).atan().cos();
        let mut predicted = Vec::new();
        // For each source the nearest star so far.
        let mut claims: Vec<(usize, usize, f64)> = Vec::new();
        for (c, star) in self.region.stars.iter().enumerate() {
            if star.direction.dot(plate.centre()) < widest {
                continue;
            }
            let Some(pixel) = plate.pixel(star.direction).filter(|p| plate.holds(*p)) else { continue };
            predicted.push(pixel);
            if let Some((source, off)) = cells.nearest(pixel, reach) {
                claims.push((source, c, off));
            }
            if predicted.len() == self.most {
                break;
            }
        }
        claims.sort_by(|a, b| a.0.cmp(&b.0).then(a.2.total_cmp(&b.2)));
        claims.dedup_by_key(|claim| claim.0);
        (claims.into_iter().map(|(s, c, _)| (s, c)).collect(), predicted)
    }

    fn for_fit(&self, pairs: &[(usize, usize)], plate: &Plate) -> Vec<Pair> {
        let catalogue_px = CATALOGUE_ARCSEC / (plate.scale() * ARCSEC_PER_RADIAN);
        let pair = |(s, c): &(usize, usize)| {
            let source = &self.sources[*s];
            Pair {
                pixel: [source.x_px, source.y_px],
                sigma_px: source.sigma_px.hypot(catalogue_px),
                direction: self.region.stars[*c].direction,
            }
        };
        pairs.iter().map(pair).collect()
    }

    /// Probability that chance gives as many pairs as were found beyond those that the plate itself was made from.
    ///
    /// Pairs by chance follow Poisson's law; their expected number is that of even densities, or what shifted copies of the
    /// frame have where that is more, as in clusters.
    fn chance(
        &self,
        pairs: &[(usize, usize)],
        predicted: &[[f64; 2]],
        cells: &Cells,
        plate: &Plate,
        reach: f64,
    ) -> f64 {
        let disc = std::f64::consts::PI * reach * reach / (plate.size_px[0] * plate.size_px[1]);
        let made_from = pairs_used_up(pairs.len());
        let mut shifted = 0;
        for length in SHIFTS {
            for k in 0..SHIFT_DIRECTIONS {
                let (sin, cos) = (std::f64::consts::TAU * k as f64 / SHIFT_DIRECTIONS as f64 + length).sin_cos();
                let moved = |p: &[f64; 2]| [p[0] + length * reach * cos, p[1] + length * reach * sin];
                shifted += predicted.iter().filter(|p| cells.nearest(moved(p), reach).is_some()).count();
            }
        }
        let by_shift = shifted as f64 / (SHIFTS.len() * SHIFT_DIRECTIONS) as f64;
        let all = self.sources.len().min(self.most);
        let of_depth = |depth: usize| {
            let sources = depth.min(all);
            let even = predicted.len() as f64 * sources as f64 * disc;
            let expected = even.max(by_shift * sources as f64 / all as f64);
            let found = pairs.iter().filter(|(s, _)| *s < sources).count();
            poisson_tail(expected, found.saturating_sub(made_from))
        };
        DEPTHS.into_iter().map(of_depth).fold(1.0, f64::min)
    }
}
