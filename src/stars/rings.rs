//! Stars far out of focus: a disc with the shadow of the telescope's own obstruction in it.

use crate::fits::Pixels;
use crate::frame::Lattice;

use super::{Peak, SkyMap};

/// Brightest peaks looked at.
const MOST: usize = 20;
/// Rings from which, and share of the peaks looked at above which, the frame is out of focus.
const LEAST_RINGS: usize = 3;
const LEAST_SHARE: f64 = 0.5;
/// Radii of the window in which the image's centre is sought, px: rings of up to these radii.
const WINDOWS_PX: [i32; 3] = [9, 13, 20];
/// Rounds in which the centre settles.
const ROUNDS: usize = 5;
/// Share of the ring's light that the centre may keep.
const HOLE: f64 = 0.7;
/// Share of the ring's mean that each eighth of it must have: two stars side by side are no ring.
const LEAST_SECTOR: f64 = 0.4;
/// Standard deviations that hole and ring must lie apart.
const HOLE_SIGMAS: f64 = 5.0;
/// Distance from the centre within which the hole is looked for, px.
const HOLE_PX: f64 = 1.6;

/// Whether the stars of a frame are rings.
pub(super) fn are_rings(plane: &Pixels, lattice: Lattice, sky: &SkyMap, peaks: &[Peak], is_star: &[bool]) -> bool {
    let bright = || peaks.iter().zip(is_star).filter(|(_, s)| **s).take(MOST);
    let tested = bright().count();
    let rings = bright()
        .filter(|(p, _)| WINDOWS_PX.iter().any(|w| is_ring(plane, lattice, sky, p, *w).unwrap_or(false)))
        .count();
    rings >= LEAST_RINGS && rings as f64 > LEAST_SHARE * tested as f64
}

/// `None` where the window leaves the frame or holds no light.
fn is_ring(plane: &Pixels, lattice: Lattice, sky: &SkyMap, peak: &Peak, window: i32) -> Option<bool> {
    let (rows, columns) = plane.dim();
    let (level, sigma) = (sky.level_at(peak.x, peak.y), sky.sigma_at(peak.x, peak.y));
    let (mut cx, mut cy) = (peak.x as f64, peak.y as f64);
    // Light above the sky at the sites around the centre that count, with their offsets from it.
    let around = |cx: f64, cy: f64| -> Option<Vec<(f64, f64, f64)>> {
        let (x, y) = (cx.round() as i32, cy.round() as i32);
        let inside = x >= window && y >= window && x + window < columns as i32 && y + window < rows as i32;
        inside.then(|| {
            let places = (-window..=window).flat_map(|dy| (-window..=window).map(move |dx| (x + dx, y + dy)));
            places
                .map(|(a, b)| (a as usize, b as usize))
                .filter(|(a, b)| lattice.holds(*a, *b))
                .map(|(a, b)| (a as f64 - cx, b as f64 - cy, plane.at(a, b) - level))
                .filter(|(dx, dy, v)| v.is_finite() && dx.hypot(*dy) <= f64::from(window))
                .collect()
        })
    };
    for _ in 0..ROUNDS {
        let (mut sum, mut sx, mut sy) = (0.0, 0.0, 0.0);
        for (dx, dy, v) in around(cx, cy)? {
            let light = (v - 3.0 * sigma).max(0.0);
            (sum, sx, sy) = (sum + light, sx + light * dx, sy + light * dy);
        }
        if sum <= 0.0 {
            return None;
        }
        (cx, cy) = (cx + sx / sum, cy + sy / sum);
    }
    let light = around(cx, cy)?;
    let mean = |pick: &dyn Fn(f64, f64) -> bool| {
        let values: Vec<f64> = light.iter().filter(|(dx, dy, _)| pick(*dx, *dy)).map(|l| l.2).collect();
        (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
    };
    let at_radius = |r: f64| mean(&|dx, dy| (dx.hypot(dy) - r).abs() <= 0.75);
    let (radius, ring) = (3..window)
        .filter_map(|r| Some((f64::from(r), at_radius(f64::from(r))?)))
        .max_by(|a, b| a.1.total_cmp(&b.1))?;
    let hole = mean(&|dx, dy| dx.hypot(dy) <= HOLE_PX)?;
    if hole >= HOLE * ring || ring - hole < HOLE_SIGMAS * sigma / 2.0 {
        return Some(false);
    }
    let eighth = |k: usize| {
        let of = |dx: f64, dy: f64| {
            (dy.atan2(dx).rem_euclid(std::f64::consts::TAU) / std::f64::consts::FRAC_PI_4) as usize % 8
        };
        mean(&|dx, dy| (dx.hypot(dy) - radius).abs() <= 1.25 && of(dx, dy) == k)
    };
    Some((0..8).all(|k| eighth(k).is_some_and(|m| m >= LEAST_SECTOR * ring)))
}
