//! Moments of the cells of one row of tiles, added up row by row of the frame.

use std::ops::Range;

use super::tiles::TileRow;
use super::windowed::{Moments, moments};

/// Moments of each cell of a row of tiles, in the order of the cells.
pub(crate) struct TileSums<'a> {
    tiles: &'a TileRow,
    sites: usize,
    pub cells: Vec<Moments>,
}

impl<'a> TileSums<'a> {
    /// Nothing yet; `sites` is that of the grid.
    pub fn new(tiles: &'a TileRow, sites: usize) -> Self {
        Self { tiles, sites, cells: vec![Moments::default(); tiles.columns.len() * sites] }
    }

    /// Adds row `y` of the frame: values whose pixel is `good` within the limits that `limits` has for a tile, which it
    /// is given by the index of the tile's first cell in the grid.
    pub fn add(&mut self, y: usize, values: &[f32], good: &[u8], limits: impl Fn(usize) -> [f32; 2]) {
        for (i, columns) in self.tiles.columns.iter().enumerate() {
            let [low, high] = limits(self.tiles.first_cell + i * self.sites);
            let found = moments(&values[columns.clone()], &good[columns.clone()], low, high);
            put(&mut self.cells[row_cells(i, y, self.sites)], found, columns.start);
        }
    }
}

/// Cells of tile `i` that a row runs through: one, or the two sites of a mosaic's row.
fn row_cells(i: usize, y: usize, sites: usize) -> Range<usize> {
    if sites == 1 { i..i + 1 } else { i * sites + (y % 2) * 2..i * sites + (y % 2) * 2 + 2 }
}

/// Adds the moments of even and odd places of a row that begins at column `first`.
fn put(cells: &mut [Moments], [even, odd]: [Moments; 2], first: usize) {
    match cells {
        [one] => {
            one.add(even);
            one.add(odd);
        }
        [left, right] if first.is_multiple_of(2) => {
            left.add(even);
            right.add(odd);
        }
        [left, right] => {
            left.add(odd);
            right.add(even);
        }
        _ => {}
    }
}
