//! One pass over the pixels of a dark: level, noise against the frame before it, and the charge of every pixel.
//!
//! Rows are taken as they lie in memory, each pixel once; tiles of rows run in parallel and are put together in order.

use rayon::prelude::*;

use crate::fits::Pixels;

use super::charge::Add;
use crate::sensor::plane::tile_sums::TileSums;
use crate::sensor::plane::tiles::{TileGrid, TileRow};
use crate::sensor::plane::windowed::{Moments, Window};

/// What is done with a frame.
pub(crate) struct Pass<'a> {
    pub frame: &'a Pixels,
    /// Mean bias, row by row, ADU.
    pub pattern: Option<&'a [f32]>,
    /// 1 for pixels that count for level and noise, 0 for the others.
    pub good: &'a [u8],
    /// First look at the level above the pattern, ADU.
    pub level_adu: f64,
    /// Most that a pixel may stand above that level, ADU; a cell that glows has no limit.
    pub limit_adu: f64,
    pub glows: &'a [bool],
    /// The frame before, what is taken off the difference, and the window of its noise.
    pub before: Option<(&'a Pixels, f64, Window)>,
    /// How the charge is added.
    pub add: Option<Add>,
}

/// Moments of every cell.
pub(crate) struct Passed {
    /// Of the pixels above the first look at the level.
    pub level: Vec<Moments>,
    /// Of the differences from the frame before, inside their window.
    pub difference: Vec<Moments>,
}

impl Pass<'_> {
    /// Goes over the frame; `sum` is the plane of charges that [`Pass::add`] is about.
    pub fn run(&self, grid: &TileGrid, sum: &mut [f32]) -> Passed {
        let tiles = grid.tile_rows();
        let mut planes = Vec::with_capacity(tiles.len());
        let mut rest = sum;
        for tile in &tiles {
            let length = if rest.is_empty() { 0 } else { tile.rows.len() * grid.width };
            let (part, after) = rest.split_at_mut(length);
            planes.push(part);
            rest = after;
        }
        let rows: Vec<(Vec<Moments>, Vec<Moments>)> =
            tiles.par_iter().zip(planes).map(|(tile, plane)| self.tiles(grid, tile, plane)).collect();
        let (level, difference) = rows.into_iter().unzip::<_, _, Vec<_>, Vec<_>>();
        Passed { level: level.concat(), difference: difference.concat() }
    }

    fn tiles(&self, grid: &TileGrid, tile: &TileRow, plane: &mut [f32]) -> (Vec<Moments>, Vec<Moments>) {
        let width = grid.width;
        let mut level = TileSums::new(tile, grid.sites());
        let mut difference = TileSums::new(tile, grid.sites());
        let (mut now, mut above, mut apart) = (vec![0f32; width], vec![0f32; width], vec![0f32; width]);
        for (k, y) in tile.rows.clone().enumerate() {
            let good = &self.good[y * width..(y + 1) * width];
            self.frame.copy_row(y, &mut now);
            let pattern = self.pattern.map(|p| &p[y * width..(y + 1) * width]);
            take_off(&now, pattern, self.level_adu as f32, &mut above);
            if let (Some(add), false) = (self.add, plane.is_empty()) {
                add.row(&mut plane[k * width..(k + 1) * width], &above);
            }
            // A tile glows on all of its sites or on none.
            let limit = |cell: usize| if self.glows[cell] { f32::MAX } else { self.limit_adu as f32 };
            level.add(y, &above, good, |cell| [f32::MIN, limit(cell)]);
            let Some((before, centre, window)) = &self.before else { continue };
            before.copy_row(y, &mut apart);
            subtract(&now, *centre as f32, &mut apart);
            difference.add(y, &apart, good, |_| [window.low, window.high]);
        }
        (level.cells, difference.cells)
    }
}

fn take_off(now: &[f32], pattern: Option<&[f32]>, level: f32, above: &mut [f32]) {
    match pattern {
        Some(pattern) => {
            for ((to, v), p) in above.iter_mut().zip(now).zip(pattern) {
                *to = v - p - level;
            }
        }
        None => {
            for (to, v) in above.iter_mut().zip(now) {
                *to = v - level;
            }
        }
    }
}

/// `now - before - centre` in place of `before`.
fn subtract(now: &[f32], centre: f32, before: &mut [f32]) {
    for (to, v) in before.iter_mut().zip(now) {
        *to = v - *to - centre;
    }
}

#[cfg(test)]
mod tests {
    use ndarray::Array2;

    use super::super::charge::Charge;
    use super::*;
    use crate::sensor::plane::spread::Spread;

    // Sums over cells by the plain way, pixel by pixel, are the reference.
    #[test]
    fn one_pass_gives_the_sums_of_every_cell() {
        let (w, h) = (131, 77);
        let code = |x: usize, y: usize, k: usize| (500 + (x * 7 + y * 13 + k * 5 + x * y % 11) % 40) as u16;
        let frame = |k: usize| Pixels::U16(Array2::from_shape_fn((h, w), |(y, x)| code(x, y, k)));
        let (now, then) = (frame(1), frame(0));
        let pattern: Vec<f32> = (0..w * h).map(|i| 490.0 + (i % 5) as f32).collect();
        let mut good = vec![1u8; w * h];
        good.iter_mut().step_by(17).for_each(|g| *g = 0);
        for mosaic in [false, true] {
            let grid = TileGrid::new(w, h, mosaic);
            let mut glows = vec![false; grid.cells.len()];
            glows[..grid.sites()].fill(true);
            let window = Window::about(&Spread { mean: 0.0, variance: 30.0, n: 9 }, 1.0, 0.0);
            let mut charge = Charge::default();
            let add = charge.begin(w * h, 60.0, 5.0);
            let (level_adu, limit_adu) = (20.0, 15.0);
            let pass = Pass {
                frame: &now,
                pattern: Some(&pattern),
                good: &good,
                level_adu,
                limit_adu,
                glows: &glows,
                before: Some((&then, 1.0, window)),
                add: Some(add),
            };
            let got = pass.run(&grid, &mut charge.sum);
            for (i, cell) in grid.cells.iter().enumerate() {
                let (mut level, mut difference) = (Moments::default(), Moments::default());
                let one = |v: f64| Moments { n: 1.0, sum: v, squares: v * v };
                for (x, y) in cell.pixels().filter(|(x, y)| good[y * w + x] != 0) {
                    let above = now.at(x, y) - f64::from(pattern[y * w + x]) - level_adu;
                    let apart = now.at(x, y) - then.at(x, y) - 1.0;
                    if above <= limit_adu || glows[i] {
                        level.add(one(above));
                    }
                    if apart >= f64::from(window.low) && apart <= f64::from(window.high) {
                        difference.add(one(apart));
                    }
                }
                assert_eq!((got.level[i], got.difference[i]), (level, difference), "{mosaic} {i}");
            }
            assert_eq!(f64::from(charge.sum[w + 2]), now.at(2, 1) - f64::from(pattern[w + 2]) - level_adu);
        }
    }
}
