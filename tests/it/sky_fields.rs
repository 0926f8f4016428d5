//! Frames of the sky as lists of places, made from the catalogue by formulas of their own.

use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, Normal};
use rand_xoshiro::Xoshiro256PlusPlus;
use skygrain::sky::{Catalogue, CatalogueStar, Direction, Source};

/// Noise of a place along an axis, px, and of a catalogue place, arcsec (proper motions since 2000).
const PLACE_NOISE_PX: f64 = 0.2;
const CATALOGUE_NOISE_ARCSEC: f64 = 0.2;
/// Scatter between the catalogue's magnitudes and those of a filter, mag (a guess of the usual size).
const MAGNITUDE_SCATTER: f64 = 0.4;
/// Share of the catalogue's stars that the frame does not show: clipped, blended, behind a trail.
const MISSING: f64 = 0.1;
/// Stars fainter than the catalogue's faintest, for each of its own, and their faintest magnitude.
const FAINTER: f64 = 8.0;
const FAINTEST: f64 = 14.0;
const MOST_FAINTER: usize = 1500;
/// Detections that are no star (galaxies, defects, trails), as bright as any.
const FALSE_DETECTIONS: usize = 15;
/// Largest distortion in the corner for a degree of width, up to three degrees (corrected optics; common practice).
const DISTORTION_PER_DEG: f64 = 0.001;
/// Places are known to this, px, as far as the matching is told.
const TOLD_SIGMA_PX: f64 = 0.25;

/// How a frame was made.
#[derive(Debug, Clone, Copy)]
pub struct Truth {
    pub ra_deg: f64,
    pub dec_deg: f64,
    pub size_px: [usize; 2],
    /// Scale at the centre along x and y, arcsec/px.
    pub scale: [f64; 2],
    /// From north through east to +y, degrees.
    pub angle_deg: f64,
    pub mirrored: bool,
    /// Relative displacement in the corners, inwards.
    pub distortion: f64,
}

/// A frame with its truth.
pub struct Field {
    pub truth: Truth,
    pub sources: Vec<Source>,
    /// Catalogue stars that lie in it, whether it shows them or not.
    pub catalogue_stars: usize,
    /// Direction that its header tells.
    pub pointing: Direction,
    /// Scale that its header tells.
    pub told_scale: Option<f64>,
}

/// Geometric mean.
pub fn mean_scale(truth: &Truth) -> f64 {
    (truth.scale[0] * truth.scale[1]).sqrt()
}

/// Standard coordinates, radians (Smart, Textbook on Spherical Astronomy, plate constants; from memory).
fn standard(star: Direction, truth: &Truth) -> Option<[f64; 2]> {
    let (a, d) = ((star.ra_deg() - truth.ra_deg).to_radians(), star.dec_deg().to_radians());
    let d0 = truth.dec_deg.to_radians();
    let depth = d.sin() * d0.sin() + d.cos() * d0.cos() * a.cos();
    let north = d.sin() * d0.cos() - d.cos() * d0.sin() * a.cos();
    (depth > 0.0).then(|| [d.cos() * a.sin() / depth, north / depth])
}

/// Where a star falls in the frame, px; `None` outside.
fn place(star: Direction, truth: &Truth) -> Option<[f64; 2]> {
    let [xi, eta] = standard(star, truth)?.map(|v| v.to_degrees() * 3600.0);
    let (sin, cos) = truth.angle_deg.to_radians().sin_cos();
    // Along +y, whose direction is north turned by the angle towards east, and across it.
    let (along, across) = (xi * sin + eta * cos, xi * cos - eta * sin);
    let x = across / truth.scale[0] * if truth.mirrored { 1.0 } else { -1.0 };
    let y = along / truth.scale[1];
    let [w, h] = truth.size_px.map(|n| n as f64);
    let half = w.hypot(h) / 2.0;
    // The distorted place u has u (1 + c u^2 / half^2) = (x, y): Newton's steps for its length.
    let r = x.hypot(y);
    let mut u = r;
    for _ in 0..20 {
        u -= (u * (1.0 + truth.distortion * (u / half).powi(2)) - r)
            / (1.0 + 3.0 * truth.distortion * (u / half).powi(2));
    }
    let shrink = if r > 0.0 { u / r } else { 1.0 };
    let at = [x * shrink + (w - 1.0) / 2.0, y * shrink + (h - 1.0) / 2.0];
    (r < 2.0 * half && (0.0..w).contains(&at[0]) && (0.0..h).contains(&at[1])).then_some(at)
}

/// A random frame; every tenth shows a pole or the zero of right ascension.
pub fn random_truth(seed: u64) -> Truth {
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed);
    let (ra_deg, dec_deg) = match seed % 20 {
        0 => (rng.random_range(0.0..360.0), 90.0 - rng.random_range(0.0..0.5)),
        5 => (rng.random_range(0.0..360.0), -90.0 + rng.random_range(0.0..0.5)),
        10 => (rng.random_range(-0.3f64..0.3).rem_euclid(360.0), rng.random_range(-80.0..80.0)),
        _ => (rng.random_range(0.0..360.0), f64::asin(rng.random_range(-1.0..1.0)).to_degrees()),
    };
    let width_deg = 0.3 * (8.0f64 / 0.3).powf(rng.random_range(0.0..1.0));
    let size_px = [rng.random_range(1200..5000), rng.random_range(1000..4000)];
    let scale = width_deg * 3600.0 / size_px[0].max(size_px[1]) as f64;
    Truth {
        ra_deg,
        dec_deg,
        size_px,
        scale: [scale, scale * rng.random_range(0.9995..1.0005)],
        angle_deg: rng.random_range(0.0..360.0),
        mirrored: rng.random_range(0.0..1.0) < 0.5,
        distortion: DISTORTION_PER_DEG * width_deg.min(3.0) * rng.random_range(-1.0..1.0),
    }
}

/// Places and magnitudes of the catalogue's stars in a frame.
pub fn catalogue_stars(catalogue: &Catalogue, truth: &Truth) -> Vec<([f64; 2], f64)> {
    let [w, h] = truth.size_px.map(|n| n as f64);
    let radius_deg = 1.05 * w.hypot(h) / 2.0 * truth.scale[0].max(truth.scale[1]) / 3600.0;
    let stars: Vec<CatalogueStar> = catalogue.within(Direction::from_degrees(truth.ra_deg, truth.dec_deg), radius_deg);
    stars.iter().filter_map(|s| Some((place(s.direction, truth)?, s.vt_mag))).collect()
}

/// What a frame shows, and what its header tells of it.
pub fn field(catalogue: &Catalogue, truth: Truth, seed: u64) -> Field {
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed ^ 0x5EED);
    let normal = Normal::new(0.0, 1.0).expect("a standard deviation above 0");
    let centre = Direction::from_degrees(truth.ra_deg, truth.dec_deg);
    let [w, h] = truth.size_px.map(|n| n as f64);
    let noise = PLACE_NOISE_PX.hypot(CATALOGUE_NOISE_ARCSEC / mean_scale(&truth));
    let mut seen: Vec<(f64, [f64; 2])> = Vec::new();
    let stars = catalogue_stars(catalogue, &truth);
    for (at, vt_mag) in &stars {
        if rng.random_range(0.0..1.0) >= MISSING {
            let at = at.map(|v| v + noise * normal.sample(&mut rng));
            seen.push((vt_mag + MAGNITUDE_SCATTER * normal.sample(&mut rng), at));
        }
    }
    let anywhere = |rng: &mut Xoshiro256PlusPlus| [rng.random_range(0.0..w), rng.random_range(0.0..h)];
    for _ in 0..((FAINTER * stars.len() as f64) as usize).min(MOST_FAINTER) {
        // Star counts grow about threefold a magnitude.
        let mag = FAINTEST + f64::log(rng.random_range(1.0 / 9.0..1.0), 3.0);
        seen.push((mag + MAGNITUDE_SCATTER * normal.sample(&mut rng), anywhere(&mut rng)));
    }
    for _ in 0..FALSE_DETECTIONS {
        seen.push((rng.random_range(9.0..FAINTEST), anywhere(&mut rng)));
    }
    seen.sort_by(|a, b| a.0.total_cmp(&b.0));
    let sources = seen.iter().map(|(_, [x, y])| Source { x_px: *x, y_px: *y, sigma_px: TOLD_SIGMA_PX }).collect();
    Field {
        truth,
        sources,
        catalogue_stars: stars.len(),
        pointing: off_by_up_to_two_degrees(centre, &mut rng),
        told_scale: told(&truth, &mut rng),
    }
}

/// A direction near another, evenly over the circle of 1.99 degrees.
fn off_by_up_to_two_degrees(centre: Direction, rng: &mut Xoshiro256PlusPlus) -> Direction {
    let off = 1.99f64.to_radians() * rng.random_range(0.0f64..1.0).sqrt();
    loop {
        // A random direction's part across the line of sight gives a random angle.
        let random: [f64; 3] = std::array::from_fn(|_| rng.random_range(-1.0..1.0));
        let c = centre.vector();
        let along: f64 = random.iter().zip(c).map(|(a, b)| a * b).sum();
        let across: [f64; 3] = std::array::from_fn(|k| random[k] - along * c[k]);
        let length = across.iter().map(|v| v * v).sum::<f64>().sqrt();
        if length > 0.1 {
            return Direction::along(std::array::from_fn(|k| off.cos() * c[k] + off.sin() * across[k] / length));
        }
    }
}

/// Three headers of four tell a scale, wrong by a factor of up to 1.5 either way.
fn told(truth: &Truth, rng: &mut Xoshiro256PlusPlus) -> Option<f64> {
    let factor = 1.49f64.powf(rng.random_range(-1.0..1.0));
    (rng.random_range(0.0..1.0) < 0.75).then(|| mean_scale(truth) * factor)
}

/// Sources that show no sky: even, clustered, or on a lattice with errors, by turns.
pub fn no_sky(seed: u64) -> (Vec<Source>, [usize; 2]) {
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed);
    let size = [rng.random_range(1000..5000usize), rng.random_range(1000..4000usize)];
    let [w, h] = size.map(|n| n as f64);
    let count = rng.random_range(10..400);
    let normal = Normal::new(0.0, 1.0).expect("a standard deviation above 0");
    let at = |k: usize, rng: &mut Xoshiro256PlusPlus| match seed % 4 {
        0 | 1 => [rng.random_range(0.0..w), rng.random_range(0.0..h)],
        2 => [w / 2.0 + 0.12 * w * normal.sample(rng), h / 2.0 + 0.12 * h * normal.sample(rng)],
        _ => {
            let (column, row) = ((k % 20) as f64, (k / 20) as f64);
            [(column + 0.5) * w / 20.0 + normal.sample(rng), (row + 0.5) * h / 20.0 + normal.sample(rng)]
        }
    };
    let mut sources: Vec<Source> = (0..count)
        .map(|k| at(k, &mut rng))
        .filter(|[x, y]| (0.0..w).contains(x) && (0.0..h).contains(y))
        .map(|[x, y]| Source { x_px: x, y_px: y, sigma_px: TOLD_SIGMA_PX })
        .collect();
    // Any order of brightness.
    for k in (1..sources.len()).rev() {
        sources.swap(k, rng.random_range(0..=k));
    }
    (sources, size)
}
