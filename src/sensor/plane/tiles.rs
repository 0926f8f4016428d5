//! The frame cut into cells: tiles, and within a tile the four sites of a colour filter mosaic apart from each other.

use std::ops::Range;

use rayon::prelude::*;

/// Side of a tile, px: 1024 pixels a cell give its variance to 4.4 % (sqrt(2/1023)), and a lens's vignetting changes
/// over such a tile by less than a per cent.
const TILE_SIDE_PX: usize = 32;
/// Side of a tile of a mosaic, px: again 1024 pixels for each of the four sites.
const MOSAIC_TILE_SIDE_PX: usize = 64;
/// Pixels that tell a variance at least: to 0.14 % (sqrt(2/N)), a seventh of what is promised. Tiles of larger frames are
/// looked at in part.
const ENOUGH_PX: usize = 1 << 20;
/// Cells whose variance is further than this from the others are left out, in standard deviations: 1 in 16 000 by chance.
pub(crate) const CELL_CLIP_SIGMAS: f64 = 4.0;

/// Pixels of one site within one tile.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Cell {
    x: [usize; 2],
    y: [usize; 2],
    stride: usize,
}

impl Cell {
    /// Columns and rows of the pixels, row by row.
    pub fn pixels(&self) -> impl Iterator<Item = (usize, usize)> + use<> {
        self.rows_of(1)
    }

    /// Number of its pixels.
    pub fn len(&self) -> usize {
        let Self { x, y, stride } = self;
        (x[1] - x[0]).div_ceil(*stride) * (y[1] - y[0]).div_ceil(*stride)
    }

    /// The pixels of every so many-th of its rows.
    pub fn rows_of(&self, every: usize) -> impl Iterator<Item = (usize, usize)> + use<> {
        let Self { x, y, stride } = *self;
        let row = move |row: usize| (x[0]..x[1]).step_by(stride).map(move |column| (column, row));
        (y[0]..y[1]).step_by(stride * every).flat_map(row)
    }

    /// Columns and rows that it spans, px.
    pub fn span(&self) -> (f64, f64) {
        ((self.x[1] - self.x[0]) as f64, (self.y[1] - self.y[0]) as f64)
    }

    /// Whether it lies wholly on one side of a column and of a row, px.
    pub fn lies(&self, right: bool, column: f64, above: bool, row: f64) -> bool {
        let beside = |ends: [usize; 2], far: bool, edge: f64| {
            if far { ends[0] as f64 >= edge.floor() } else { ends[1] as f64 <= edge.ceil() }
        };
        beside(self.x, right, column) && beside(self.y, above, row)
    }

    /// Column and row of the centre, px.
    pub fn centre(&self) -> (f64, f64) {
        ((self.x[0] + self.x[1]) as f64 / 2.0, (self.y[0] + self.y[1]) as f64 / 2.0)
    }
}

/// All cells of a frame.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct TileGrid {
    pub width: usize,
    pub height: usize,
    pub cells: Vec<Cell>,
    sites: usize,
    tiles: [usize; 2],
}

/// One row of tiles.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct TileRow {
    /// Rows of the frame that it holds.
    pub rows: Range<usize>,
    /// Columns of each of its tiles.
    pub columns: Vec<Range<usize>>,
    /// Index of its first cell; each tile has `sites` cells, one after the other.
    pub first_cell: usize,
}

impl TileGrid {
    /// Whether the four sites of a colour mosaic are kept apart.
    pub fn is_mosaic(&self) -> bool {
        self.sites > 1
    }

    /// Cuts a frame of that size; every pixel belongs to one cell.
    pub fn new(width: usize, height: usize, mosaic: bool) -> Self {
        let (side, stride) = if mosaic { (MOSAIC_TILE_SIDE_PX, 2) } else { (TILE_SIDE_PX, 1) };
        let (nx, ny) = ((width / side).max(1), (height / side).max(1));
        let mut cells = Vec::with_capacity(nx * ny * stride * stride);
        for ty in 0..ny {
            for tx in 0..nx {
                let edge = |i: usize, n: usize, length: usize| i * length / n;
                let (x0, x1) = (edge(tx, nx, width), edge(tx + 1, nx, width));
                let (y0, y1) = (edge(ty, ny, height), edge(ty + 1, ny, height));
                for site in 0..stride * stride {
                    // The first pixel of the cell that lies on this site of the mosaic, counted from the frame's corner.
                    let first = |from: usize, parity: usize| from + (from + parity) % stride;
                    let (px, py) = (site % stride, site / stride);
                    cells.push(Cell { x: [first(x0, px), x1], y: [first(y0, py), y1], stride });
                }
            }
        }
        Self { width, height, cells, sites: stride * stride, tiles: [nx, ny] }
    }

    /// The rows of tiles from top to bottom: every pixel of the frame is in one of them.
    pub fn tile_rows(&self) -> Vec<TileRow> {
        let [nx, ny] = self.tiles;
        let edges = |i: usize, n: usize, length: usize| i * length / n..(i + 1) * length / n;
        let row = |ty: usize| TileRow {
            rows: edges(ty, ny, self.height),
            columns: (0..nx).map(|tx| edges(tx, nx, self.width)).collect(),
            first_cell: ty * nx * self.sites,
        };
        (0..ny).map(row).collect()
    }

    /// Of so many columns and of so many rows of tiles one is looked at where all pixels are more than enough.
    pub fn thinning(&self) -> usize {
        (self.width * self.height / ENOUGH_PX).isqrt().max(1)
    }

    /// Whether cell `i` is one of those that variances are taken from: whole tiles, evenly over the frame.
    pub fn tells_variance(&self, i: usize) -> bool {
        let tile = i / self.sites;
        self.chosen(tile % self.tiles[0]) && self.chosen(tile / self.tiles[0])
    }

    /// Rows of the frame that hold those cells.
    pub fn telling_rows(&self) -> Vec<usize> {
        let tiles = self.tile_rows().into_iter().enumerate().filter(|(ty, _)| self.chosen(*ty));
        tiles.flat_map(|(_, tile)| tile.rows).collect()
    }

    /// Whether column or row `at` of the tiles is looked at.
    fn chosen(&self, at: usize) -> bool {
        let every = self.thinning();
        at % every == every / 2
    }

    /// Tiles along a row and along a column; each has `sites()` cells.
    pub fn tiles(&self) -> [usize; 2] {
        self.tiles
    }

    /// Sites of the mosaic: cell `i` lies on site `i % sites()`.
    pub fn sites(&self) -> usize {
        self.sites
    }

    /// Applies `f` to every cell in parallel; results are in the order of the cells.
    pub fn map<T: Send>(&self, f: impl Fn(&Cell) -> T + Sync + Send) -> Vec<T> {
        self.cells.par_iter().map(f).collect()
    }

    /// As [`TileGrid::map`], with the index of the cell.
    pub fn map_indexed<T: Send>(&self, f: impl Fn(usize, &Cell) -> T + Sync + Send) -> Vec<T> {
        self.cells.par_iter().enumerate().map(|(i, cell)| f(i, cell)).collect()
    }

    /// A number for each of the cells that variances are taken from; NaN for the others.
    pub fn map_telling(&self, f: impl Fn(usize, &Cell) -> f64 + Sync + Send) -> Vec<f64> {
        self.map_indexed(|i, cell| if self.tells_variance(i) { f(i, cell) } else { f64::NAN })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_pixel_belongs_to_one_cell_and_sites_are_kept_apart() {
        for mosaic in [false, true] {
            let grid = TileGrid::new(131, 77, mosaic);
            let mut seen = vec![0; 131 * 77];
            for cell in &grid.cells {
                let mut site = None;
                assert_eq!(cell.pixels().count(), cell.len());
                for (x, y) in cell.pixels() {
                    seen[y * 131 + x] += 1;
                    if mosaic {
                        assert_eq!(*site.get_or_insert((x % 2, y % 2)), (x % 2, y % 2));
                    }
                }
            }
            assert!(seen.iter().all(|n| *n == 1));
        }
    }

    #[test]
    fn of_large_frames_enough_pixels_tell_variances_and_of_small_ones_all() {
        for (width, height, mosaic) in
            [(2048, 2048, false), (6248, 4176, false), (6248, 4176, true), (9600, 6400, true)]
        {
            let grid = TileGrid::new(width, height, mosaic);
            let looked = (0..grid.cells.len()).filter(|i| grid.tells_variance(*i));
            let pixels: usize = looked.map(|i| grid.cells[i].len()).sum();
            // Tiles at the border may leave a tenth.
            assert!(pixels * 10 > ENOUGH_PX * 9 && pixels <= 4 * ENOUGH_PX, "{width} {pixels}");
        }
        let small = TileGrid::new(1500, 1000, true);
        assert!((0..small.cells.len()).all(|i| small.tells_variance(i)));
    }

    #[test]
    fn rows_of_tiles_hold_the_cells_in_their_order() {
        for mosaic in [false, true] {
            let grid = TileGrid::new(131, 77, mosaic);
            for row in grid.tile_rows() {
                for (i, columns) in row.columns.iter().enumerate() {
                    for (x, y) in columns.clone().flat_map(|x| row.rows.clone().map(move |y| (x, y))) {
                        let site = if mosaic { (y % 2) * 2 + x % 2 } else { 0 };
                        let cell = &grid.cells[row.first_cell + i * grid.sites() + site];
                        assert!(cell.pixels().any(|p| p == (x, y)), "{x} {y}");
                    }
                }
            }
        }
    }
}
