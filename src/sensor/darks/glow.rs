//! Light from the sensor's own electronics: where it is, and whether it grows with the exposure or comes with the readout.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::facts::Quantity;
use crate::facts::sensor::{GlowBehaviour, GlowPlace, SensorMethod, SensorMissing, Side};
use crate::stats;

use super::criteria::{EXPOSURE_LEVER, SEEN_SIGMAS};
use super::dark_mask::Mask;
use crate::sensor::plane::tiles::TileGrid;
use crate::sensor::plane::windowed::Moments;

/// Share of the frame's width or height from a side that still counts as being at it.
const NEAR_THE_SIDE: f64 = 0.15;
/// Relative error of one frame's glow beside its noise: lamps and amplifiers warm up (common practice, no source).
const UNSTEADY: f64 = 0.02;

/// Light from the sensor's own electronics, in the set whose longest dark shows it longest.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Glow {
    /// Share of the frame that glows.
    #[schemars(extend("unit" = "1"))]
    pub area_fraction: f64,
    /// Column where it is brightest.
    #[schemars(extend("unit" = "px"))]
    pub x_px: f64,
    /// Row where it is brightest.
    #[schemars(extend("unit" = "px"))]
    pub y_px: f64,
    /// The same in words.
    #[schemars(with = "String")]
    pub place: GlowPlace,
    /// Excess over the rest of the frame there.
    #[schemars(extend("unit" = "ADU"))]
    pub excess_adu: f64,
    /// Exposure of that frame.
    #[schemars(extend("unit" = "s"))]
    pub exposure_s: f64,
    /// Mean over the glowing area of what grows with the exposure.
    #[schemars(extend("unit" = "ADU/px/s"))]
    pub growth_adu_per_px_s: Quantity,
    /// Mean over that area of what comes with every readout.
    #[schemars(extend("unit" = "ADU/px"))]
    pub fixed_adu: Quantity,
    /// What both say.
    #[schemars(with = "String")]
    pub behaviour: GlowBehaviour,
}

/// Excess of the glowing area in one frame, ADU, with its error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct GlowLevel {
    pub exposure_s: f64,
    pub excess_adu: f64,
    pub sigma: f64,
}

impl GlowLevel {
    /// From the moments of all cells about a first look at the level; `level` is that of the cells that do not glow.
    pub fn of(cells: &[Moments], mask: &Mask, level: f64, exposure_s: f64) -> Option<Self> {
        let mut area = Moments::default();
        cells.iter().zip(&mask.glows).filter(|(_, g)| **g).for_each(|(m, _)| area.add(*m));
        let sigma = (area.variance()? / area.n).sqrt();
        Some(Self { exposure_s, excess_adu: area.mean()? - level, sigma })
    }
}

/// What the frames of one temperature say about the glow that the mask found.
pub(crate) fn glow(mask: &Mask, grid: &TileGrid, levels: &[GlowLevel]) -> Option<Glow> {
    let (cell, excess_adu) = mask.peak?;
    let (x_px, y_px) = grid.cells[cell].centre();
    let area_fraction = mask.glows.iter().filter(|g| **g).count() as f64 / mask.glows.len() as f64;
    let (growth_adu_per_px_s, fixed_adu) = parts(levels);
    let behaviour = behaviour(&growth_adu_per_px_s, &fixed_adu);
    Some(Glow {
        area_fraction,
        x_px,
        y_px,
        place: place(x_px / grid.width as f64, y_px / grid.height as f64),
        excess_adu,
        exposure_s: mask.longest_s,
        growth_adu_per_px_s,
        fixed_adu,
        behaviour,
    })
}

/// The side or corner for a place in shares of the frame, rows counted from the first of the file.
fn place(x: f64, y: f64) -> GlowPlace {
    let at = |v: f64| match v {
        v if v < NEAR_THE_SIDE => Some(Side::First),
        v if v > 1.0 - NEAR_THE_SIDE => Some(Side::Last),
        _ => None,
    };
    GlowPlace::At { rows: at(y), columns: at(x) }
}

/// Slope and intercept of the excess against exposure.
fn parts(levels: &[GlowLevel]) -> (Quantity, Quantity) {
    let of = |f: fn(&GlowLevel) -> f64| levels.iter().map(f).collect::<Vec<f64>>();
    let (x, y) = (of(|l| l.exposure_s), of(|l| l.excess_adu));
    let (low, high) = x.iter().fold((f64::INFINITY, 0.0f64), |(l, h), v| (l.min(*v), h.max(*v)));
    let unknown = || Quantity::not_measurable(SensorMissing::NoSecondExposureForGlow);
    let sigma: Vec<f64> =
        levels.iter().map(|l| l.sigma.hypot(UNSTEADY * l.excess_adu).max(f64::MIN_POSITIVE)).collect();
    match stats::weighted_line(&x, &y, &sigma).filter(|_| high >= EXPOSURE_LEVER * low) {
        None => (unknown(), unknown()),
        Some(line) => (
            Quantity::measured(line.slope, line.slope_sigma, SensorMethod::SlopeOfGlow, line.n),
            Quantity::measured(line.intercept, line.intercept_sigma, SensorMethod::GlowWithoutExposure, line.n),
        ),
    }
}

fn behaviour(growth: &Quantity, fixed: &Quantity) -> GlowBehaviour {
    let seen = |q: &Quantity| q.pair().map(|(v, s)| v > SEEN_SIGMAS * s);
    match (seen(growth), seen(fixed)) {
        (Some(true), Some(true)) => GlowBehaviour::GrowsAndComesWithReadout,
        (Some(true), _) => GlowBehaviour::Grows,
        (Some(false), Some(true)) => GlowBehaviour::ComesWithReadout,
        _ => GlowBehaviour::Unknown,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn levels(growth: f64, fixed: f64) -> Vec<GlowLevel> {
        let at = |t: f64| GlowLevel { exposure_s: t, excess_adu: growth * t + fixed, sigma: 0.2 };
        [30.0, 60.0, 300.0].map(at).to_vec()
    }

    #[test]
    fn what_grows_is_told_from_what_is_fixed() {
        let told = |growth, fixed| {
            let (g, f) = parts(&levels(growth, fixed));
            behaviour(&g, &f)
        };
        assert_eq!(told(0.5, 0.0), GlowBehaviour::Grows);
        assert_eq!(told(0.0, 40.0), GlowBehaviour::ComesWithReadout);
        assert_eq!(told(0.5, 40.0), GlowBehaviour::GrowsAndComesWithReadout);
        let (growth, fixed) = parts(&levels(0.5, 0.0)[2..]);
        assert_eq!(growth.because(), SensorMissing::NoSecondExposureForGlow.into());
        assert_eq!(behaviour(&growth, &fixed), GlowBehaviour::Unknown);
    }

    #[test]
    fn the_place_is_named() {
        let at = |rows, columns| GlowPlace::At { rows, columns };
        assert_eq!(place(0.02, 0.99), at(Some(Side::Last), Some(Side::First)));
        assert_eq!(place(0.5, 0.01), at(Some(Side::First), None));
        assert_eq!(place(0.5, 0.5), at(None, None));
    }
}
