//! Local sky level and noise on a mesh of tiles.
//!
//! Each tile gives a clipped mode and a standard deviation that is safe on integers; a 3x3 median over the mesh throws out
//! tiles that a bright star or galaxy fills; between tile centres both are linear. What a nebula leaves within a tile is
//! taken out again around each star by the detection's ring and the fit's own background.

use std::ops::Range;

use multiversion::multiversion;
use ndarray::Array2;

use super::star::{SKY_BLOCKS, SKY_BLOCKS_A_SIDE};
use crate::fits::{Grid, Pixels};
use crate::frame::Lattice;
use crate::stats::{converged_truncation_factor, mean_and_std, median_and_mad_sigma, median_mut, mode_of};

/// Side of a tile, px: wide against any star image, narrow against vignetting and most nebulae.
const TILE_PX: usize = 64;
/// Smallest side of a tile for small frames, px.
const LEAST_TILE_PX: usize = 16;
/// Samples wanted in a tile: the level is then good to a tenth of the noise before smoothing.
const SAMPLES: usize = 110;
/// Clipping limit in sigma: low enough to lose faint stars, with its truncation corrected.
const CLIP_SIGMA: f64 = 2.5;

/// Sky level and noise over a frame.
#[derive(Debug, Clone, PartialEq)]
pub struct SkyMap {
    tile_px: usize,
    level: Array2<f32>,
    sigma: Array2<f32>,
    /// Level of the frame, ADU: mean over the central half of the tiles, so that neither a nebula nor dark corners move it.
    pub level_adu: f64,
    /// Its error by the noise of the tiles, ADU, one sigma.
    pub level_error_adu: f64,
    /// Median noise of one pixel over the tiles, ADU.
    pub median_sigma_adu: f64,
}

impl SkyMap {
    /// Mean level of the tiles in each block of the frame, ADU.
    pub(crate) fn blocks(&self) -> [f64; SKY_BLOCKS] {
        let (rows, columns) = self.level.dim();
        let part = |k: usize, of: usize| {
            let start = k * of / SKY_BLOCKS_A_SIDE;
            start..((k + 1) * of / SKY_BLOCKS_A_SIDE).max(start + 1).min(of.max(1))
        };
        std::array::from_fn(|k| {
            let (j, i) = (k / SKY_BLOCKS_A_SIDE, k % SKY_BLOCKS_A_SIDE);
            let block = self.level.slice(ndarray::s![part(j, rows), part(i, columns)]);
            block.mapv(f64::from).mean().unwrap_or(self.level_adu)
        })
    }
}

/// Maps sky and noise of a plane. `None` when no tile has enough finite pixels.
pub fn map_sky(plane: &Pixels, lattice: Lattice) -> Option<SkyMap> {
    match plane {
        Pixels::U16(a) => map_values(Grid::whole(a), lattice),
        Pixels::Holed(a, holes) => map_values(Grid::holed(a, holes), lattice),
        Pixels::F32(a) => map_values(Grid::whole(a), lattice),
    }
}

fn map_values<T: Copy + Into<f32>>(plane: Grid<T>, lattice: Lattice) -> Option<SkyMap> {
    let (rows, columns) = plane.dim();
    let tile_px = (rows.min(columns) / 6).clamp(LEAST_TILE_PX, TILE_PX);
    let (ny, nx) = (rows.div_ceil(tile_px), columns.div_ceil(tile_px));
    // An odd step visits every site of a mosaic's 2x2 cell; there only half of the sites count.
    let wanted = if lattice == Lattice::All { SAMPLES } else { 2 * SAMPLES };
    let step = (tile_px as f64 / (wanted as f64).sqrt()) as usize | 1;
    let truncation = converged_truncation_factor(CLIP_SIGMA);
    let mut level = Array2::from_elem((ny, nx), f32::NAN);
    let mut sigma = Array2::from_elem((ny, nx), f32::NAN);
    let most = tile_px.div_ceil(step).pow(2);
    // Sample k of tile i stands in lane i % LANES of line k of its group; lines without a sample sort to the end.
    let mut groups = vec![vec![[f32::INFINITY; LANES]; most]; nx.div_ceil(LANES)];
    let mut counts = vec![0; nx];
    for j in 0..ny {
        groups.iter_mut().for_each(|group| group.fill([f32::INFINITY; LANES]));
        counts.fill(0);
        // Row by row through a whole row of tiles: memory is read in its order.
        for y in (j * tile_px..((j + 1) * tile_px).min(rows)).step_by(step) {
            for (i, count) in counts.iter_mut().enumerate() {
                for x in (i * tile_px..((i + 1) * tile_px).min(columns)).step_by(step) {
                    let value = plane.at(x, y);
                    if lattice.holds(x, y) && value.is_finite() {
                        groups[i / LANES][*count][i % LANES] = value;
                        *count += 1;
                    }
                }
            }
        }
        groups.iter_mut().for_each(|group| sort_lanes(group));
        for (i, count) in counts.iter().enumerate() {
            let sorted: Vec<f32> = groups[i / LANES][..*count].iter().map(|line| line[i % LANES]).collect();
            if let Some((l, s)) = tile_sky(&sorted, truncation) {
                level[[j, i]] = l as f32;
                sigma[[j, i]] = s as f32;
            }
        }
    }
    let (level_adu, level_error_adu) = level_of(&level)?;
    let (level, sigma) = (smoothed(&level), smoothed(&sigma));
    let middle = |a: &Array2<f32>| {
        let mut v: Vec<f64> = a.iter().filter(|v| v.is_finite()).map(|v| f64::from(*v)).collect();
        median_mut(&mut v)
    };
    let median_sigma_adu = middle(&sigma)?;
    let fill = |a: Array2<f32>, with: f64| a.mapv(|v| if v.is_finite() { v } else { with as f32 });
    Some(SkyMap {
        tile_px,
        level: fill(level, level_adu),
        sigma: fill(sigma, median_sigma_adu),
        level_adu,
        level_error_adu,
        median_sigma_adu,
    })
}

/// Tiles whose samples are sorted together, so that each comparison is one instruction for several of them.
const LANES: usize = 16;

/// Sorts each lane upwards: Batcher's odd-even merge, whose comparisons do not depend on the values (Batcher 1968, AFIPS
/// 32, 307; from memory).
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512dq+avx512vl", "x86_64+avx2", "x86_64+sse4.2"))]
fn sort_lanes(lines: &mut [[f32; LANES]]) {
    let n = lines.len();
    let halvings = |from: usize| std::iter::successors(Some(from), |k| (*k > 1).then_some(k / 2));
    let mut merged = 1;
    while merged < n {
        for apart in halvings(merged) {
            for start in (apart % merged..n.saturating_sub(apart)).step_by(2 * apart) {
                for low in start..(start + apart).min(n - apart) {
                    if low / (2 * merged) == (low + apart) / (2 * merged) {
                        exchange(lines, low, low + apart);
                    }
                }
            }
        }
        merged *= 2;
    }
}

#[inline(always)]
fn exchange(lines: &mut [[f32; LANES]], low: usize, high: usize) {
    let (a, b) = (lines[low], lines[high]);
    for lane in 0..LANES {
        let swapped = b[lane] < a[lane];
        lines[low][lane] = if swapped { b[lane] } else { a[lane] };
        lines[high][lane] = if swapped { a[lane] } else { b[lane] };
    }
}

/// Mode and noise of one tile from its sorted samples. `None` with fewer than 16.
///
/// Clipping only moves the ends of a range, and running sums give its moments. A floor that clips the noise shows as many
/// samples at the lowest value; the upper half then tells the noise.
fn tile_sky(sorted: &[f32], truncation: f64) -> Option<(f64, f64)> {
    const LEAST_SAMPLES: usize = 16;
    /// Share at the lowest value above which the lower half of the noise is taken for clipped.
    const FLOORED_SHARE: f64 = 0.05;
    if sorted.len() < LEAST_SAMPLES {
        return None;
    }
    let at_lowest = sorted.partition_point(|v| *v <= sorted[0]);
    let floored = at_lowest as f64 > FLOORED_SHARE * sorted.len() as f64 && at_lowest < sorted.len();
    let sums = RunningSums::new(sorted);
    let (mut low, mut high) = (0, sorted.len());
    let mut mean = 0.0;
    let mut std = f64::INFINITY;
    for _ in 0..12 {
        let centre = middle_of(&sorted[low..high]);
        // About the mean: on coarse integers the median sits on a code and may be half a step off.
        (mean, std) = if floored {
            let upper = sorted[low..high].partition_point(|v| f64::from(*v) < centre) + low;
            (centre, sums.spread(upper..high, centre))
        } else {
            let mean = sums.mean(low..high);
            (mean, sums.spread(low..high, mean))
        };
        let within = |limit: f64| sorted[low..high].partition_point(|v| f64::from(*v) < limit) + low;
        // Values at the upper limit itself stay.
        let next = (within(centre - CLIP_SIGMA * std), within((centre + CLIP_SIGMA * std).next_up()));
        if next == (low, high) || next.1 <= next.0 {
            break;
        }
        (low, high) = next;
    }
    let centre = middle_of(&sorted[low..high]);
    let mode = if floored { centre } else { mode_of(centre, mean, std) };
    Some((mode, std / truncation))
}

/// Sums of the first values and of their squares, about the middle one so that no digits are lost.
struct RunningSums {
    origin: f64,
    sums: Vec<(f64, f64)>,
}

impl RunningSums {
    fn new(values: &[f32]) -> Self {
        let origin = f64::from(values[values.len() / 2]);
        let mut sums = Vec::with_capacity(values.len() + 1);
        let (mut first, mut second) = (0.0, 0.0);
        sums.push((first, second));
        for v in values {
            let d = f64::from(*v) - origin;
            (first, second) = (first + d, second + d * d);
            sums.push((first, second));
        }
        Self { origin, sums }
    }

    fn mean(&self, range: Range<usize>) -> f64 {
        self.origin + (self.sums[range.end].0 - self.sums[range.start].0) / range.len() as f64
    }

    /// Root mean square deviation from `centre`.
    fn spread(&self, range: Range<usize>, centre: f64) -> f64 {
        let ((first, second), (f, s)) = (self.sums[range.start], self.sums[range.end]);
        let (n, c) = (range.len().max(1) as f64, centre - self.origin);
        (((s - second) - 2.0 * c * (f - first)) / n + c * c).max(0.0).sqrt()
    }
}

/// Median of sorted values. Where many share its code, the median of a law that is even over the code: codes are coarse then, and the
/// code itself may be half a step off.
fn middle_of(sorted: &[f32]) -> f64 {
    /// Values on one code from which it is coarse: of a hundred, noise of four codes puts ten on the middle one.
    const COARSE: usize = 8;
    let n = sorted.len();
    let code = sorted[n / 2];
    let (first, end) = (sorted.partition_point(|v| *v < code), sorted.partition_point(|v| *v <= code));
    if end - first < COARSE || first == 0 || end == n {
        return 0.5 * (f64::from(sorted[(n - 1) / 2]) + f64::from(code));
    }
    let [before, code, next] = [sorted[first - 1], code, sorted[end]].map(f64::from);
    let (low, high) = (0.5 * (before + code), 0.5 * (code + next));
    low + (high - low) * (0.5 * n as f64 - first as f64) / (end - first) as f64
}

/// Mean of the central half of the tiles, and its error.
///
/// What a tile differs by from the middle of two neighbours opposite each other has 1.5 times its noise variance e^2, however the sky
/// slopes. Where the tiles differ by noise alone the variance of that mean is 1.19 e^2 / n (that of a mean without a quarter at either
/// end, normal law; computed); where they differ by what is on the sky the same half is always in it, hence 2 e^2 / n.
fn level_of(tiles: &Array2<f32>) -> Option<(f64, f64)> {
    const ALIKE: f64 = 1.19;
    const APART: f64 = 2.0;
    const OF_DIFFERENCE: f64 = 1.5;
    let mut values: Vec<f64> = tiles.iter().filter(|v| v.is_finite()).map(|v| f64::from(*v)).collect();
    let (_, spread) = median_and_mad_sigma(&values)?;
    let (ny, nx) = tiles.dim();
    let at = |j: usize, i: usize| f64::from(tiles[[j, i]]);
    let bend = |[a, b, c]: [f64; 3]| (b - 0.5 * (a + c)) / OF_DIFFERENCE.sqrt();
    let across = (0..ny).flat_map(|j| (2..nx).map(move |i| [at(j, i - 2), at(j, i - 1), at(j, i)]));
    let down = (2..ny).flat_map(|j| (0..nx).map(move |i| [at(j - 2, i), at(j - 1, i), at(j, i)]));
    let bends: Vec<f64> = across.chain(down).map(bend).filter(|d| d.is_finite()).collect();
    // A frame of few tiles has no three in a row.
    let noise = median_and_mad_sigma(&bends).map_or(spread, |(_, noise)| noise);
    values.sort_by(f64::total_cmp);
    let n = values.len();
    let (mean, _) = mean_and_std(&values[n / 4..n - n / 4])?;
    let apart = (1.0 - (noise / spread.max(f64::MIN_POSITIVE)).powi(2)).clamp(0.0, 1.0);
    Some((mean, noise * ((ALIKE + (APART - ALIKE) * apart) / n as f64).sqrt()))
}

/// 3x3 median over the mesh, blind to tiles without a value.
fn smoothed(mesh: &Array2<f32>) -> Array2<f32> {
    let (ny, nx) = mesh.dim();
    Array2::from_shape_fn((ny, nx), |(j, i)| {
        let mut near: Vec<f64> = (j.saturating_sub(1)..(j + 2).min(ny))
            .flat_map(|b| (i.saturating_sub(1)..(i + 2).min(nx)).map(move |a| (b, a)))
            .map(|at| f64::from(mesh[at]))
            .filter(|v| v.is_finite())
            .collect();
        median_mut(&mut near).map_or(f32::NAN, |m| m as f32)
    })
}

impl SkyMap {
    /// Writes pixels less sky of some columns of row `y` into `net`, ADU; undefined pixels become 0.
    #[inline(always)]
    pub fn subtract_row<T: Copy + Into<f32>>(&self, y: usize, columns: Range<usize>, plane: Grid<T>, net: &mut [f32]) {
        let first = columns.start;
        let pixels = plane.numbers(y);
        let holes = plane.holes_in_row(y, columns.clone());
        self.for_runs(&self.level, y, columns, |run, start, slope| {
            let to = &mut net[run.start - first..run.end - first];
            // A 32-bit counter turns into a float in one vector instruction, a 64-bit one does not.
            for ((to, from), k) in to.iter_mut().zip(&pixels[run]).zip(0i32..) {
                let value: f32 = (*from).into();
                let over = value - (start + slope * k as f32);
                *to = if over.is_finite() { over } else { 0.0 };
            }
        });
        holes.for_each(|x| net[x - first] = 0.0);
    }

    /// Writes the noise of one pixel over some columns of row `y`, ADU.
    pub fn sigma_row(&self, y: usize, columns: Range<usize>, into: &mut [f32]) {
        self.interpolate_row(&self.sigma, y, columns, into);
    }

    /// Noise of one pixel near column `x`, row `y`, ADU.
    pub fn sigma_at(&self, x: usize, y: usize) -> f64 {
        let (ny, nx) = self.sigma.dim();
        f64::from(self.sigma[[(y / self.tile_px).min(ny - 1), (x / self.tile_px).min(nx - 1)]])
    }

    /// Level at column `x`, row `y`, ADU: what [`SkyMap::subtract_row`] takes off there.
    pub fn level_at(&self, x: usize, y: usize) -> f64 {
        let (ny, nx) = self.level.dim();
        let (j0, j1, v) = self.between(y, ny);
        let (i0, i1, u) = self.between(x, nx);
        let node = |i: usize| self.level[[j0, i]] + v * (self.level[[j1, i]] - self.level[[j0, i]]);
        f64::from(node(i0) + u * (node(i1) - node(i0)))
    }

    fn interpolate_row(&self, mesh: &Array2<f32>, y: usize, columns: Range<usize>, into: &mut [f32]) {
        let first = columns.start;
        self.for_runs(mesh, y, columns, |run, start, slope| {
            for (to, k) in into[run.start - first..run.end - first].iter_mut().zip(0i32..) {
                *to = start + slope * k as f32;
            }
        });
    }

    /// Between two tile centres the sky is a straight line: hands on each run of pixels with its first value and slope.
    #[inline(always)]
    fn for_runs(
        &self,
        mesh: &Array2<f32>,
        y: usize,
        columns: Range<usize>,
        mut each: impl FnMut(Range<usize>, f32, f32),
    ) {
        let (ny, nx) = mesh.dim();
        let (j0, j1, v) = self.between(y, ny);
        let node = |i: usize| mesh[[j0, i]] + v * (mesh[[j1, i]] - mesh[[j0, i]]);
        let tile = self.tile_px;
        // Run k lies between the centres of tiles k - 1 and k; the first and the last lie outside and are level.
        let run_of = |x: usize| ((x + tile - tile / 2) / tile).min(nx);
        let mut start = columns.start;
        while start < columns.end {
            let k = run_of(start);
            let end = if k == nx { columns.end } else { (k * tile + tile / 2).min(columns.end) };
            let (left, right) = (node(k.saturating_sub(1)), node(k.min(nx - 1)));
            let slope = (right - left) / tile as f32;
            let from_centre = start as f32 + 0.5 - (k as f32 - 0.5) * tile as f32;
            each(start..end, left + slope * from_centre, slope);
            start = end;
        }
    }

    fn between(&self, at: usize, n: usize) -> (usize, usize, f32) {
        let position = (at as f32 + 0.5) / self.tile_px as f32 - 0.5;
        let low = position.floor().max(0.0) as usize;
        let low = low.min(n - 1);
        (low, (low + 1).min(n - 1), (position - low as f32).clamp(0.0, 1.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};
    use rand_distr::{Distribution, Normal};
    use rand_xoshiro::Xoshiro256PlusPlus;

    fn noise(rows: usize, columns: usize, seed: u64, value: impl Fn(usize, usize) -> f64, sigma: f64) -> Pixels {
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed);
        let normal = Normal::new(0.0, sigma).unwrap();
        Pixels::U16(Array2::from_shape_fn((rows, columns), |(y, x)| {
            (value(x, y) + normal.sample(&mut rng)).round().clamp(0.0, 65535.0) as u16
        }))
    }

    /// Level: 0.1 sigma. 450 samples a tile and a 3x3 median leave about 0.03; the slope within a tile adds some.
    const LEVEL_SIGMAS: f64 = 0.1;

    #[test]
    fn lanes_are_sorted_each_by_itself() {
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(8);
        for n in [1, 2, 7, 64, 100, 170] {
            let mut lines: Vec<[f32; LANES]> =
                (0..n).map(|_| std::array::from_fn(|_| rng.random_range(0.0..9.0))).collect();
            let lane = |lines: &[[f32; LANES]], k: usize| lines.iter().map(|l| l[k]).collect::<Vec<f32>>();
            let mut wanted: Vec<Vec<f32>> = (0..LANES).map(|k| lane(&lines, k)).collect();
            wanted.iter_mut().for_each(|w| w.sort_by(f32::total_cmp));
            sort_lanes(&mut lines);
            for (k, want) in wanted.iter().enumerate() {
                assert_eq!(&lane(&lines, k), want, "{n} lines, lane {k}");
            }
        }
    }

    #[test]
    fn a_sloping_sky_is_followed_and_its_noise_measured() {
        let plane = noise(512, 640, 1, |x, y| 800.0 + 0.5 * x as f64 - 0.2 * y as f64, 12.0);
        let sky = map_sky(&plane, Lattice::All).unwrap();
        let mut level = vec![0f32; 640];
        sky.interpolate_row(&sky.level, 256, 0..640, &mut level);
        for x in [100, 320, 500] {
            let want = 800.0 + 0.5 * x as f64 - 0.2 * 256.0;
            assert!((f64::from(level[x]) - want).abs() < 3.0 * LEVEL_SIGMAS * 12.0, "{x}: {} {want}", level[x]);
        }
        // The slope along a tile (32 ADU over 64 px, std 9) adds to the noise in quadrature.
        assert!((sky.median_sigma_adu / 12.0_f64.hypot(10.0) - 1.0).abs() < 0.1);
    }

    #[test]
    fn stars_and_hot_pixels_do_not_lift_the_sky() {
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(5);
        let mut plane = noise(400, 400, 2, |_, _| 500.0, 8.0);
        let Pixels::U16(a) = &mut plane else { unreachable!() };
        for _ in 0..3000 {
            a[[rng.random_range(0..400), rng.random_range(0..400)]] += 4000;
        }
        let sky = map_sky(&plane, Lattice::All).unwrap();
        assert!((sky.level_adu - 500.0).abs() < LEVEL_SIGMAS * 8.0);
        // Hot pixels at 2 % cost the clipped spread a few per cent.
        assert!((sky.median_sigma_adu / 8.0 - 1.0).abs() < 0.05);
    }

    // A failure from public issue trackers: on integers a median absolute deviation would say 0 or 1.48.
    #[test]
    fn noise_below_one_code_step_is_not_zero() {
        let sky = map_sky(&noise(256, 256, 3, |_, _| 1000.5, 0.8), Lattice::All).unwrap();
        assert!((sky.median_sigma_adu - 0.8_f64.hypot(1.0 / 12f64.sqrt())).abs() < 0.08, "{}", sky.median_sigma_adu);
        let flat = map_sky(&noise(256, 256, 3, |_, _| 1000.0, 1e-9), Lattice::All).unwrap();
        assert_eq!((flat.level_adu, flat.median_sigma_adu), (1000.0, 0.0));
    }

    // A failure from public issue trackers: half of the noise lost below the floor.
    #[test]
    fn a_clipped_floor_does_not_halve_the_noise() {
        let sky = map_sky(&noise(256, 256, 4, |_, _| 3.0, 6.0), Lattice::All).unwrap();
        assert!((sky.median_sigma_adu / 6.0 - 1.0).abs() < 0.15, "{}", sky.median_sigma_adu);
    }

    #[test]
    fn only_green_sites_count_on_a_mosaic() {
        let pattern = crate::folder::CfaPattern::parse("GRBG").unwrap();
        let level = move |x: usize, y: usize| if pattern.is_green(x, y) { 900.0 } else { 300.0 };
        let sky = map_sky(&noise(256, 256, 6, level, 5.0), Lattice::Green(pattern)).unwrap();
        assert!((sky.level_adu - 900.0).abs() < LEVEL_SIGMAS * 5.0);
        assert!((sky.median_sigma_adu / 5.0 - 1.0).abs() < 0.1);
    }

    #[test]
    fn a_plane_without_finite_pixels_has_no_sky() {
        assert!(map_sky(&Pixels::F32(Array2::from_elem((64, 64), f32::NAN)), Lattice::All).is_none());
    }
}
