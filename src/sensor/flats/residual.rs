//! What the difference of frames holds within a cell besides noise: a slope where their light came from other sides, rows that a lamp
//! flickered in, stars that moved. All of it is taken off before the variance is.

use crate::sensor::plane::spread::Spread;
use crate::sensor::plane::tiles::Cell;
use crate::sensor::plane::windowed::spread_of_many;

/// Terms of the surface: a level, slopes and curvatures.
pub(super) const TERMS: usize = 6;
/// Terms of the surface that a mean for each row leaves.
pub(super) const TERMS_BESIDE_ROWS: usize = 3;
/// Rounds in which surface and rows are fitted, and standard deviations at which an outlier is clamped meanwhile.
const ROUNDS: usize = 2;
const CLAMPED_SIGMAS: f64 = 3.0;
/// Pixels that together stand off by so many of their errors are a star's: 3 by 3 or 5 by 5 of them, and all within a reach about them.
/// By chance a pixel in ten thousand goes.
const STAR_SIGMAS: f64 = 4.5;
const STAR_SQUARES: [usize; 2] = [3, 5];
const STAR_REACH_PX: usize = 3;
/// Share of its pixels that a cell must keep.
const LEAST_KEPT: f64 = 0.5;

/// The places of a cell's pixels, and smooth terms that are orthogonal over them.
pub(super) struct Surface {
    basis: Vec<[f64; TERMS]>,
    squares: [f64; TERMS],
    across: usize,
}

/// What is left of a difference.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Cleaned {
    pub variance: f64,
    /// Pixels that the variance is of.
    pub n: usize,
    /// Share of the pixels that stars were found in.
    pub masked: f64,
    /// Products of neighbours, their squares, and how many.
    pub neighbours: [f64; 3],
}

impl Surface {
    pub fn of(cell: &Cell) -> Self {
        let places: Vec<(f64, f64)> = cell.pixels().map(|(x, y)| (x as f64, y as f64)).collect();
        let across = places.iter().take_while(|p| p.1 == places[0].1).count();
        // About the mean place: half a pixel off it, the terms would no longer be orthogonal.
        let n = places.len() as f64;
        let (cx, cy) = places.iter().fold((0.0, 0.0), |(cx, cy), (x, y)| (cx + x / n, cy + y / n));
        let (xx, yy) =
            places.iter().fold((0.0, 0.0), |(xx, yy), (x, y)| (xx + (x - cx).powi(2) / n, yy + (y - cy).powi(2) / n));
        let of = |(x, y): &(f64, f64)| {
            let (x, y) = (x - cx, y - cy);
            [1.0, x, y, x * x - xx, y * y - yy, x * y]
        };
        let basis: Vec<[f64; TERMS]> = places.iter().map(of).collect();
        let squares = std::array::from_fn(|k| basis.iter().map(|b| b[k] * b[k]).sum());
        Self { basis, squares, across }
    }

    /// Strength of each term in values; those that `known` passes over count as 0.
    pub fn strengths(&self, values: impl Iterator<Item = Option<f64>>) -> [f64; TERMS] {
        let mut sums = [0.0; TERMS];
        for (b, value) in self.basis.iter().zip(values) {
            if let Some(v) = value {
                sums.iter_mut().zip(b).for_each(|(sum, b)| *sum += v * b);
            }
        }
        std::array::from_fn(|k| if self.squares[k] > 0.0 { sums[k] / self.squares[k] } else { 0.0 })
    }

    /// Pixels in a row of the cell.
    pub fn across(&self) -> usize {
        self.across
    }

    /// The surface at pixel `i`.
    pub fn at(&self, i: usize, strengths: &[f64; TERMS]) -> f64 {
        self.basis[i].iter().zip(strengths).map(|(b, s)| b * s).sum()
    }
}

/// Variance of a difference of frames without what is no noise; rows by their own means where a lamp banded them.
pub(super) fn cleaned(difference: &[f64], surface: &Surface, rows: bool) -> Option<Cleaned> {
    let mut left = difference.to_vec();
    let look = spread_of_many(&left, 0.0)?;
    let mut sigma = look.variance.sqrt();
    left.iter_mut().for_each(|v| *v -= look.mean);
    for _ in 0..ROUNDS {
        let half = CLAMPED_SIGMAS * sigma;
        let clamped = |v: f64| v.is_finite().then_some(v.clamp(-half, half));
        if rows {
            for row in left.chunks_mut(surface.across) {
                let (sum, n) = row.iter().filter_map(|v| clamped(*v)).fold((0.0, 0.0), |(s, n), v| (s + v, n + 1.0));
                row.iter_mut().for_each(|v| *v -= sum / f64::max(n, 1.0));
            }
        }
        let strengths = surface.strengths(left.iter().map(|v| clamped(*v)));
        left.iter_mut().enumerate().for_each(|(i, v)| *v -= surface.at(i, &strengths));
        sigma = spread_of_many(&left, 0.0)?.variance.sqrt();
    }
    let pixels = left.iter().filter(|v| v.is_finite()).count();
    let star = stars(&left, surface.across, sigma);
    star.iter().zip(&mut left).filter(|(star, _)| **star).for_each(|(_, v)| *v = f64::NAN);
    let known: Vec<f64> = left.iter().copied().filter(|v| v.is_finite()).collect();
    if (known.len() as f64) < LEAST_KEPT * pixels as f64 {
        return None;
    }
    let found = spread_of_many(&known, 0.0)?;
    let terms = if rows { left.len().div_ceil(surface.across) + TERMS_BESIDE_ROWS } else { TERMS };
    let n = pixels as f64;
    Some(Cleaned {
        variance: found.variance * (n - 1.0) / (n - terms as f64),
        n: found.n,
        masked: 1.0 - known.len() as f64 / n,
        neighbours: neighbours(&left, surface.across, &found),
    })
}

/// The pixels that belong to something wider than a pixel.
fn stars(left: &[f64], across: usize, sigma: f64) -> Vec<bool> {
    let down = left.len() / across;
    let mut star = vec![false; left.len()];
    let at = |x: usize, y: usize| Some(left[y * across + x]).filter(|v| v.is_finite()).unwrap_or(0.0);
    for side in STAR_SQUARES.into_iter().filter(|s| *s <= across && *s <= down) {
        let limit = STAR_SIGMAS * sigma * side as f64;
        for y in 0..=down - side {
            for x in 0..=across - side {
                let sum: f64 = (y..y + side).map(|y| (x..x + side).map(|x| at(x, y)).sum::<f64>()).sum();
                if sum.abs() > limit {
                    let reach = |from: usize, most: usize| {
                        from.saturating_sub(STAR_REACH_PX)..(from + side + STAR_REACH_PX).min(most)
                    };
                    for row in reach(y, down) {
                        star[row * across..][reach(x, across)].fill(true);
                    }
                }
            }
        }
    }
    star
}

/// Products of neighbours along rows and columns, their squares, and how many, outliers passed over.
fn neighbours(left: &[f64], across: usize, found: &Spread) -> [f64; 3] {
    let half = CLAMPED_SIGMAS * found.variance.sqrt();
    let value = |i: usize| left.get(i).map(|v| v - found.mean).filter(|v| v.abs() <= half);
    let mut sums = [0.0; 3];
    for i in 0..left.len() {
        let right = if (i + 1) % across == 0 { None } else { value(i + 1) };
        for other in [right, value(i + across)] {
            if let (Some(a), Some(b)) = (value(i), other) {
                sums[0] += a * b;
                sums[1] += 0.5 * (a * a + b * b);
                sums[2] += 1.0;
            }
        }
    }
    sums
}

#[cfg(test)]
mod tests {
    use rand::{RngExt, SeedableRng};
    use rand_distr::StandardNormal;
    use rand_xoshiro::Xoshiro256PlusPlus;

    use super::*;
    use crate::sensor::plane::tiles::TileGrid;

    const SIGMA: f64 = 30.0;

    /// Mean variance over the cells of a frame whose difference is noise and something more, over that of the noise.
    fn ratio(more: impl Fn(f64, f64) -> f64, rows: bool) -> (f64, f64) {
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(4);
        let grid = TileGrid::new(512, 512, false);
        let cells: Vec<Cleaned> = grid
            .cells
            .iter()
            .filter_map(|cell| {
                let of =
                    |(x, y): (usize, usize)| more(x as f64, y as f64) + SIGMA * rng.sample::<f64, _>(StandardNormal);
                let difference: Vec<f64> = cell.pixels().map(of).collect();
                cleaned(&difference, &Surface::of(cell), rows)
            })
            .collect();
        let n = cells.len() as f64;
        (
            cells.iter().map(|c| c.variance).sum::<f64>() / n / (SIGMA * SIGMA),
            cells.iter().map(|c| c.masked).sum::<f64>() / n,
        )
    }

    // 256 cells of 1024 pixels: a variance to 0.28 %; three of these.
    #[test]
    fn slopes_rows_and_stars_leave_the_variance_alone() {
        const THREE_ERRORS: f64 = 0.0085;
        let star = |x: f64, y: f64| {
            let off = |c: f64, at: f64| (c - at).rem_euclid(96.0) - 48.0;
            2_000.0 * (-(off(x, 3.0).powi(2) + off(y, 10.0).powi(2)) / 8.0).exp()
        };
        for (name, found, most_masked) in [
            ("noise", ratio(|_, _| 0.0, false), 0.002),
            ("slope", ratio(|x, y| 4.0 * x - 2.0 * y, false), 0.002),
            ("bowl", ratio(|x, y| 0.02 * (x - 256.0).powi(2) + 0.01 * y * y, false), 0.002),
            ("rows", ratio(|x, y| x * (y / 9.0).sin(), true), 0.01),
            ("stars", ratio(star, false), 0.05),
        ] {
            assert!((found.0 - 1.0).abs() < THREE_ERRORS && found.1 < most_masked, "{name}: {found:?}");
        }
        assert!(ratio(star, false).1 > 0.01);
    }
}
