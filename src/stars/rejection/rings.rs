//! Stars far out of focus: a disc with the shadow of the telescope's own obstruction in it.

use crate::stars::Peak;
use crate::stars::detection::view::View;

/// Brightest peaks looked at.
const MOST: usize = 20;
/// Rings from which, and share of the peaks looked at above which, the frame is out of focus.
const LEAST_RINGS: usize = 3;
const LEAST_SHARE: f64 = 0.5;
/// Radii of the window in which the image's centre is sought, px: rings of up to these radii.
const WINDOWS_PX: [i32; 3] = [9, 13, 20];
/// Step of the centre from which it has settled, px: far below the width of an annulus; and most rounds.
const SETTLED_PX: f64 = 0.02;
const ROUNDS: usize = 5;
/// Share of the ring's light that the centre may keep.
const HOLE: f64 = 0.7;
/// Share of the ring's mean that each eighth of it must have: two stars side by side are no ring.
const LEAST_SECTOR: f64 = 0.4;
/// Standard deviations that hole and ring must lie apart.
const HOLE_SIGMAS: f64 = 5.0;
/// Distance from the centre within which the hole is looked for, px.
const HOLE_PX: f64 = 1.6;
/// Half width of the annulus whose mean is the light at a radius, px.
const RING_HALF_PX: f64 = 0.75;
/// Half width of the annulus that is cut into eighths, px.
const SECTOR_HALF_PX: f64 = 1.25;
/// Radii looked at end below this, px: the largest window.
const MOST_RADIUS_PX: usize = WINDOWS_PX[2] as usize;

/// Whether the stars of a frame, brightest first, are rings.
pub(crate) fn are_rings<'a>(view: View, stars: impl Iterator<Item = &'a Peak>) -> bool {
    let (mut tested, mut rings) = (0, 0);
    for star in stars.take(MOST) {
        tested += 1;
        rings += usize::from(WINDOWS_PX.iter().any(|w| is_ring(view, star, *w).unwrap_or(false)));
        if (tested - rings) as f64 >= LEAST_SHARE * MOST as f64 {
            return false;
        }
    }
    rings >= LEAST_RINGS && rings as f64 > LEAST_SHARE * tested as f64
}

/// `None` where the window leaves the frame or holds no light.
fn is_ring(view: View, peak: &Peak, window: i32) -> Option<bool> {
    let View { plane, lattice, sky } = view;
    let (rows, columns) = plane.dim();
    let (level, sigma) = (sky.level_at(peak.x, peak.y), sky.sigma_at(peak.x, peak.y));
    let (mut cx, mut cy) = (peak.x as f64, peak.y as f64);
    // Hands on the light above the sky at the sites around a centre that count, with their offsets from it.
    let around = |cx: f64, cy: f64, each: &mut dyn FnMut(f64, f64, f64)| {
        let (x, y) = (cx.round() as i32, cy.round() as i32);
        let inside = x >= window && y >= window && x + window < columns as i32 && y + window < rows as i32;
        for (b, a) in (y - window..=y + window).flat_map(|b| (x - window..=x + window).map(move |a| (b, a))) {
            let (dx, dy) = (f64::from(a) - cx, f64::from(b) - cy);
            if !inside || dx * dx + dy * dy > f64::from(window * window) || !lattice.holds(a as usize, b as usize) {
                continue;
            }
            let light = plane.at(a as usize, b as usize) - level;
            if light.is_finite() {
                each(dx, dy, light);
            }
        }
        inside.then_some(())
    };
    for _ in 0..ROUNDS {
        let (mut sum, mut sx, mut sy) = (0.0, 0.0, 0.0);
        around(cx, cy, &mut |dx, dy, light| {
            let light = (light - 3.0 * sigma).max(0.0);
            (sum, sx, sy) = (sum + light, sx + light * dx, sy + light * dy);
        })?;
        if sum <= 0.0 {
            return None;
        }
        (cx, cy) = (cx + sx / sum, cy + sy / sum);
        if (sx * sx + sy * sy).sqrt() < SETTLED_PX * sum {
            break;
        }
    }
    let mut hole = Mean::default();
    let mut by_radius = [Mean::default(); MOST_RADIUS_PX];
    around(cx, cy, &mut |dx, dy, light| {
        let r = (dx * dx + dy * dy).sqrt();
        if r <= HOLE_PX {
            hole.add(light);
        }
        let radii = (r - RING_HALF_PX).ceil().max(0.0) as usize..=(r + RING_HALF_PX).floor() as usize;
        radii.filter(|k| *k < MOST_RADIUS_PX).for_each(|k| by_radius[k].add(light));
    })?;
    let radii = (3..window as usize).filter_map(|r| Some((r as f64, by_radius[r].value()?)));
    let (radius, ring) = radii.max_by(|a, b| a.1.total_cmp(&b.1))?;
    let hole = hole.value()?;
    if hole >= HOLE * ring || ring - hole < HOLE_SIGMAS * sigma / 2.0 {
        return Some(false);
    }
    let mut eighths = [Mean::default(); 8];
    around(cx, cy, &mut |dx, dy, light| {
        if (dx.hypot(dy) - radius).abs() <= SECTOR_HALF_PX {
            let angle = dy.atan2(dx).rem_euclid(std::f64::consts::TAU);
            eighths[(angle / std::f64::consts::FRAC_PI_4) as usize % 8].add(light);
        }
    })?;
    Some(eighths.iter().all(|m| m.value().is_some_and(|m| m >= LEAST_SECTOR * ring)))
}

/// A mean as it gathers.
#[derive(Debug, Clone, Copy, Default)]
struct Mean {
    sum: f64,
    n: f64,
}

impl Mean {
    fn add(&mut self, value: f64) {
        self.sum += value;
        self.n += 1.0;
    }

    fn value(&self) -> Option<f64> {
        (self.n > 0.0).then(|| self.sum / self.n)
    }
}
