//! Vignetting from flats: how the light falls off from the centre of the frame.
//!
//! Only the mean of every cell is kept of a flat. A surface of low order, `level (1 + a u + b v + ... )`, is fitted to the
//! logarithm of these means, each colour of a mosaic with its own level; dust and spots are left out or, where they are large, widen the errors.

use nalgebra::SVector;
use rayon::prelude::*;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::facts::Quantity;
use crate::facts::sensor::{SensorMethod, SensorMissing, SensorNote};
use crate::fits::Pixels;
use crate::stats::grouped::{GroupedFit, Row, fit_grouped};

use crate::sensor::plane::tile_sums::TileSums;
use crate::sensor::plane::tiles::TileGrid;

/// Terms beside the level: u, v, u^2, uv, v^2, r^4, r^6 with u and v in half diagonals from the centre. The last two let
/// the light fall faster towards the corners, as it does behind a stop.
const TERMS: usize = 7;
/// Linear steps towards the surface; a fall-off to a half settles in four.
const STEPS: usize = 6;
/// Least light against the centre's that a step may reach.
const LEAST_LIGHT: f64 = 0.02;
/// Parts of the frame along either axis whose cells may share a flaw: more than the surface can follow.
const PLACES: usize = 8;
/// Fewest cells: three a term.
const FEWEST_CELLS: usize = 21;
/// Illumination below which radii are stated.
const NINE_TENTHS: f64 = 0.9;
const THREE_QUARTERS: f64 = 0.75;
/// Steps from the centre to the corner.
const RADII: usize = 1000;
/// Errors of the fall-off below which a centre of the light can be told.
const CENTRE_SIGMAS: f64 = 5.0;

/// Fall-off of the light through one filter.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Vignetting {
    /// Filter of the flats.
    pub filter: Option<String>,
    /// Flats whose mean was taken.
    #[schemars(extend("unit" = "frames"))]
    pub flats: usize,
    /// Light in the corners over that at the centre, mean of four.
    #[schemars(extend("unit" = "1"))]
    pub corner_illumination: Quantity,
    /// Distance from the centre at which the light falls to 90 %.
    #[schemars(extend("unit" = "px"))]
    pub radius_of_90_percent_px: Quantity,
    /// Distance from the centre at which the light falls to 75 %.
    #[schemars(extend("unit" = "px"))]
    pub radius_of_75_percent_px: Quantity,
    /// Half of the frame's diagonal.
    #[schemars(extend("unit" = "px"))]
    pub half_diagonal_px: f64,
    /// Place of the brightest light from the frame's centre along x and y.
    #[schemars(extend("unit" = "px"))]
    pub centre_offset_px: [Quantity; 2],
}

/// Sums of the cells of one filter's flats.
#[derive(Debug, Default)]
pub(crate) struct FlatCells {
    sums: Vec<f64>,
    flats: usize,
}

impl FlatCells {
    /// Adds the cell means of one flat.
    pub fn add(&mut self, flat: &Pixels, grid: &TileGrid) {
        let (good, tiles) = (vec![1u8; grid.width], grid.tile_rows());
        let rows = tiles.par_iter().map_init(
            || vec![0f32; grid.width],
            |row, tile| {
                let mut sums = TileSums::new(tile, grid.sites());
                for y in tile.rows.clone() {
                    flat.copy_row(y, row);
                    sums.add(y, row, &good, |_| [f32::MIN, f32::MAX]);
                }
                sums.cells
            },
        );
        let cells = rows.collect::<Vec<_>>().concat();
        self.sums.resize(cells.len(), 0.0);
        self.sums.iter_mut().zip(cells).for_each(|(s, m)| *s += m.mean().unwrap_or(f64::NAN));
        self.flats += 1;
    }

    /// The fall-off, from cell means above `bias`.
    pub fn derive(&self, filter: Option<&String>, bias: Option<&[f64]>, grid: &TileGrid) -> Option<Vignetting> {
        let half = (grid.width as f64).hypot(grid.height as f64) / 2.0;
        if self.flats == 0 {
            return None;
        }
        let unknown = |why: SensorMissing| {
            let q = || Quantity::not_measurable(why.clone());
            Vignetting {
                filter: filter.cloned(),
                flats: self.flats,
                corner_illumination: q(),
                radius_of_90_percent_px: q(),
                radius_of_75_percent_px: q(),
                half_diagonal_px: half,
                centre_offset_px: [q(), q()],
            }
        };
        let Some(bias) = bias.filter(|b| b.len() == self.sums.len()) else {
            return Some(unknown(SensorMissing::NoBiasLevelForFlats));
        };
        let Some(fit) = self.surface(bias, grid) else {
            return Some(unknown(SensorMissing::FrameTooSmallForSurface));
        };
        Some(self.stated(&fit, filter, grid, half))
    }

    fn surface(&self, bias: &[f64], grid: &TileGrid) -> Option<GroupedFit<TERMS>> {
        let mut terms = SVector::zeros();
        let mut fit = None;
        for _ in 0..STEPS {
            let rows = self.rows(bias, grid, &terms);
            let step = (rows.len() >= FEWEST_CELLS).then(|| fit_grouped(&rows)).flatten()?;
            terms = step.values;
            fit = Some(step);
        }
        fit
    }

    /// The cells, linearised about a surface.
    fn rows(&self, bias: &[f64], grid: &TileGrid, terms: &SVector<f64, TERMS>) -> Vec<Row<TERMS>> {
        let (w, h) = (grid.width as f64, grid.height as f64);
        let half = w.hypot(h) / 2.0;
        let signal = |i: usize| self.sums[i] / self.flats as f64 - bias[i];
        let lit = (0..grid.cells.len()).filter(|i| signal(*i) > 0.0);
        lit.map(|i| {
            // The centre of a cell is half a pixel beyond that of its middle pixel, and so is the frame's.
            let (x, y) = grid.cells[i].centre();
            let mut functions = SVector::from(basis((x - w / 2.0) / half, (y - h / 2.0) / half));
            // A cell's mean of a square exceeds the square at its centre by a twelfth of its span squared.
            let (across, up) = grid.cells[i].span();
            functions[2] += (across / half).powi(2) / 12.0;
            functions[4] += (up / half).powi(2) / 12.0;
            let at = (1.0 + functions.dot(terms)).max(LEAST_LIGHT);
            let slope = functions / at;
            let part = |at: f64, n: f64| ((at / n * PLACES as f64) as usize).min(PLACES - 1);
            Row {
                group: i % grid.sites(),
                frame: 0,
                place: part(y, h) * PLACES + part(x, w),
                y: signal(i).ln() - at.ln() + slope.dot(terms),
                // All cells weigh alike; their scatter tells the error.
                sigma: 1e-6,
                basis: slope.into(),
            }
        })
        .collect()
    }

    fn stated(&self, fit: &GroupedFit<TERMS>, filter: Option<&String>, grid: &TileGrid, half: f64) -> Vignetting {
        let (hu, hv) = (grid.width as f64 / 2.0 / half, grid.height as f64 / 2.0 / half);
        let corners = [(hu, hv), (-hu, hv), (hu, -hv), (-hu, -hv)];
        let of =
            |(value, sigma): (f64, f64)| Quantity::measured(value, sigma, SensorMethod::SurfaceThroughMeanFlat, fit.n);
        let light = |t: &[f64], (u, v): (f64, f64)| 1.0 + basis(u, v).iter().zip(t).map(|(b, t)| b * t).sum::<f64>();
        let corner = fit.propagate(|t| corners.iter().map(|c| light(t.as_slice(), *c)).sum::<f64>() / 4.0);
        let radius = |level: f64| {
            let found = fit.propagate(|t| radius_of(t.as_slice(), level));
            if found.0 >= 1.0 {
                Quantity::not_measurable(SensorMissing::LightStaysAbove { illumination: level })
            } else {
                of(found).scaled(half)
            }
        };
        let bend = fit.propagate(|t| t[2] + t[4]);
        let centre = |axis: usize| {
            if bend.0 > -CENTRE_SIGMAS * bend.1 {
                return Quantity::not_measurable(SensorMissing::LightFallsOffTooLittle);
            }
            of(fit.propagate(|t| brightest(t.as_slice())[axis])).scaled(half)
        };
        Vignetting {
            filter: filter.cloned(),
            flats: self.flats,
            corner_illumination: of(corner).noted(SensorNote::GradientOfLightContained),
            radius_of_90_percent_px: radius(NINE_TENTHS),
            radius_of_75_percent_px: radius(THREE_QUARTERS),
            half_diagonal_px: half,
            centre_offset_px: [centre(0), centre(1)],
        }
    }
}

fn basis(u: f64, v: f64) -> [f64; TERMS] {
    let r2 = u * u + v * v;
    [u, v, u * u, u * v, v * v, r2 * r2, r2.powi(3)]
}

/// Distance in half diagonals at which the mean over directions first falls to `level`; 1 where it does not.
fn radius_of(terms: &[f64], level: f64) -> f64 {
    let at = |r: f64| 1.0 + 0.5 * (terms[2] + terms[4]) * r * r + terms[5] * r.powi(4) + terms[6] * r.powi(6) - level;
    let step = |i: usize| i as f64 / RADII as f64;
    let Some(i) = (1..=RADII).find(|i| at(step(*i)) <= 0.0) else { return 1.0 };
    let (before, after) = (at(step(i - 1)), at(step(i)));
    step(i - 1) + before / (before - after) / RADII as f64
}

/// Top of the quadratic part.
fn brightest(t: &[f64]) -> [f64; 2] {
    let det = 4.0 * t[2] * t[4] - t[3] * t[3];
    [(t[3] * t[1] - 2.0 * t[4] * t[0]) / det, (t[3] * t[0] - 2.0 * t[2] * t[1]) / det]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulate::{Detector, FrameRecipe, render};

    const SIZE: (usize, usize) = (600, 400);

    fn flats(corner: f64, seed: u64) -> Vignetting {
        let detector = Detector { light_scatter: 0.008, seed, ..Detector::even(SIZE.0, SIZE.1) };
        let bias = detector.offset_adu;
        let grid = TileGrid::new(SIZE.0, SIZE.1, false);
        let mut cells = FlatCells::default();
        for k in 0..3 {
            let recipe = FrameRecipe {
                exposure_s: 1.0,
                sky_e_per_px_s: 25_000.0,
                corner_illumination: corner,
                ..FrameRecipe::unlit(detector.clone(), 10 * seed + k)
            };
            cells.add(&Pixels::U16(render(&recipe).0), &grid);
        }
        cells.derive(None, Some(&vec![bias; grid.cells.len()]), &grid).unwrap()
    }

    // Truth by construction: illumination 1 - (1 - corner) r^2 / half^2.
    #[test]
    fn simulated_fall_off_comes_back_within_its_errors() {
        let half = 600f64.hypot(400.0) / 2.0;
        let (mut pulls, mut radii) = (Vec::new(), Vec::new());
        for seed in 0..6 {
            for corner in [0.85, 0.6] {
                let got = flats(corner, if corner < 0.7 { 100 + seed } else { seed });
                let (v, s) = got.corner_illumination.pair().unwrap();
                assert!((v - corner).abs() < 0.01, "{v} +- {s}, {corner}");
                pulls.push((v - corner) / s);
                let (v, s) = got.radius_of_90_percent_px.pair().unwrap();
                radii.push((v - half * (0.1 / (1.0 - corner)).sqrt()) / s);
                let (v, s) = got.centre_offset_px[0].pair().unwrap();
                assert!(v.abs() < 4.0 * s, "offset {v} +- {s}");
                if corner == 0.85 {
                    assert!(!got.radius_of_75_percent_px.is_known());
                } else {
                    let want = half * (0.25f64 / 0.4).sqrt();
                    let (v, s) = got.radius_of_75_percent_px.pair().unwrap();
                    assert!((v - want).abs() < 5.0 * s.max(0.5), "{v} +- {s}, {want}");
                }
            }
        }
        eprintln!("pulls of the corner {pulls:.2?}, of the radius {radii:.2?}");
        for p in [&pulls, &radii] {
            let rms = (p.iter().map(|p| p * p).sum::<f64>() / p.len() as f64).sqrt();
            // The rms of twelve pulls scatters by 20 % about 1; places give their errors to another 10 %.
            assert!((0.5..1.6).contains(&rms), "{rms}: {p:?}");
        }
    }

    #[test]
    fn an_even_field_has_no_radius_and_no_centre() {
        let got = flats(1.0, 77);
        let (v, s) = got.corner_illumination.pair().unwrap();
        assert!((v - 1.0).abs() < 4.0 * s, "{v} +- {s}");
        assert_eq!(got.radius_of_90_percent_px.because(), SensorMissing::LightStaysAbove { illumination: 0.9 }.into());
        assert_eq!(got.centre_offset_px[1].because(), SensorMissing::LightFallsOffTooLittle.into());
    }

    #[test]
    fn without_bias_the_reason_is_said() {
        let grid = TileGrid::new(64, 64, false);
        let mut cells = FlatCells::default();
        assert!(cells.derive(None, None, &grid).is_none());
        cells.add(&Pixels::U16(ndarray::Array2::from_elem((64, 64), 9000)), &grid);
        let why = cells.derive(None, None, &grid).unwrap().corner_illumination.because();
        assert_eq!(why, SensorMissing::NoBiasLevelForFlats.into());
    }
}
