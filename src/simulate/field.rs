//! A random field of stars, and how the optics draw it on the detector.

use rand::RngExt;

use super::{SimStar, StarImage, stream};

/// A star on the sky, in the pixels of an undithered frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PointSource {
    /// Column, px.
    pub x: f64,
    /// Row, px.
    pub y: f64,
    /// Charge rate, e- per s.
    pub rate_e_per_s: f64,
}

/// What decides a field.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FieldRecipe {
    /// Columns of the frame, px.
    pub width: usize,
    /// Rows of the frame, px.
    pub height: usize,
    /// Border around the frame that also holds stars, so that a dither brings some in, px.
    pub border_px: f64,
    /// Stars over frame and border.
    pub count: usize,
    /// Faintest star, e- per s.
    pub least_e_per_s: f64,
    /// Brightest star, e- per s.
    pub most_e_per_s: f64,
    /// Slope s of the numbers, dN/dF ~ F^-s.
    pub slope: f64,
    /// No two stars stand closer than this, px; 0 to let them fall anywhere.
    pub least_separation_px: f64,
}

/// Slope of star counts per flux. 2.5 in a uniform Euclidean space, flatter near the galactic plane; own choice.
pub const USUAL_SLOPE: f64 = 1.8;
/// Tries per star before a crowded field is given up.
const TRIES: usize = 200;

/// Places stars at random. Fewer than asked for come back where the separation leaves no more room.
pub fn scatter(recipe: &FieldRecipe, seed: u64) -> Vec<PointSource> {
    let mut rng = stream(seed, 0);
    let b = recipe.border_px;
    let (w, h) = (recipe.width as f64 + 2.0 * b, recipe.height as f64 + 2.0 * b);
    let mut stars: Vec<PointSource> = Vec::with_capacity(recipe.count);
    let mut tries = recipe.count * TRIES;
    let closest = recipe.least_separation_px.powi(2);
    while stars.len() < recipe.count && tries > 0 {
        tries -= 1;
        let (x, y) = (rng.random::<f64>() * w - b - 0.5, rng.random::<f64>() * h - b - 0.5);
        let share = rng.random::<f64>();
        if closest == 0.0 || stars.iter().all(|s| (s.x - x).powi(2) + (s.y - y).powi(2) >= closest) {
            stars.push(PointSource { x, y, rate_e_per_s: power_law(recipe, share) });
        }
    }
    stars
}

/// The flux below which the share `share` of the stars lies: inverse of the cumulative power law.
fn power_law(recipe: &FieldRecipe, share: f64) -> f64 {
    let (least, most) = (recipe.least_e_per_s, recipe.most_e_per_s);
    let power = 1.0 - recipe.slope;
    if power.abs() < 1e-9 {
        return least * (most / least).powf(share);
    }
    let (low, high) = (least.powf(power), most.powf(power));
    (low + share * (high - low)).powf(1.0 / power)
}

/// How star images vary over the frame. `u` and `v` are the distances from its centre along x and y in units of half
/// its diagonal, so that a corner has `u^2 + v^2 = 1`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FieldShape {
    /// Geometric mean of both widths at the centre, px.
    pub fwhm_px: f64,
    /// Relative growth along u and v.
    pub tilt: [f64; 2],
    /// Relative growth from the centre to a corner.
    pub curvature: f64,
    /// Radial ellipticity at a corner, growing with the square of the distance.
    pub radial_ellipticity: f64,
    /// Ellipticity that is the same everywhere, from guiding.
    pub guiding_ellipticity: f64,
    /// Angle of that elongation from +x towards +y, radians.
    pub guiding_angle_rad: f64,
    /// Kind of the images.
    pub image: StarImage,
}

/// Ellipticity above which an image is a streak; sums are held below it.
const MOST_ELLIPTICITY: f64 = 0.9;

impl FieldShape {
    /// A star at a place of the frame: `fwhm (1 + tilt . (u, v) + curvature r^2)`; the two ellipticities add as vectors
    /// of twice their angles.
    pub fn star(&self, width: usize, height: usize, x: f64, y: f64, flux_e: f64) -> SimStar {
        let (w, h) = (width as f64, height as f64);
        let half_diagonal = w.hypot(h) / 2.0;
        let (u, v) = ((x - (w - 1.0) / 2.0) / half_diagonal, (y - (h - 1.0) / 2.0) / half_diagonal);
        let growth = 1.0 + self.tilt[0] * u + self.tilt[1] * v + self.curvature * (u * u + v * v);
        let (s, c) = (2.0 * self.guiding_angle_rad).sin_cos();
        let (g, r) = (self.guiding_ellipticity, self.radial_ellipticity);
        // r^2 cos 2 phi = u^2 - v^2 and r^2 sin 2 phi = 2 u v.
        let (e1, e2) = (g * c + r * (u * u - v * v), g * s + r * 2.0 * u * v);
        let stretch = 1.0 - e1.hypot(e2).min(MOST_ELLIPTICITY);
        let fwhm = self.fwhm_px * growth;
        SimStar {
            x,
            y,
            flux_e,
            fwhm_major_px: fwhm / stretch.sqrt(),
            fwhm_minor_px: fwhm * stretch.sqrt(),
            angle_rad: e2.atan2(e1) / 2.0,
            image: self.image,
        }
    }
}

/// Draws a field as one exposure records it: moved by `dither_px`, `effective_s` the exposure times the transmission.
///
/// Stars far outside are left out; those within `border_px` still send their wings into the frame.
pub fn expose(
    sources: &[PointSource],
    recipe: &FieldRecipe,
    shape: &FieldShape,
    dither_px: [f64; 2],
    effective_s: f64,
) -> Vec<SimStar> {
    let (w, h, b) = (recipe.width, recipe.height, recipe.border_px);
    let near = |at: f64, n: usize| at >= -b && at <= n as f64 + b;
    let moved = sources.iter().map(|s| (s.x + dither_px[0], s.y + dither_px[1], s.rate_e_per_s));
    let kept = moved.filter(|(x, y, _)| near(*x, w) && near(*y, h));
    kept.map(|(x, y, rate)| shape.star(w, h, x, y, rate * effective_s)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    const FIELD: FieldRecipe = FieldRecipe {
        width: 600,
        height: 400,
        border_px: 20.0,
        count: 300,
        least_e_per_s: 10.0,
        most_e_per_s: 1000.0,
        slope: USUAL_SLOPE,
        least_separation_px: 0.0,
    };
    const SHAPE: FieldShape = FieldShape {
        fwhm_px: 3.0,
        tilt: [0.1, 0.0],
        curvature: 0.2,
        radial_ellipticity: 0.1,
        guiding_ellipticity: 0.0,
        guiding_angle_rad: 0.3,
        image: StarImage::Moffat { beta: 3.0 },
    };

    #[test]
    fn stars_keep_their_distance_and_a_full_field_ends() {
        let apart = FieldRecipe { least_separation_px: 15.0, ..FIELD };
        let stars = scatter(&apart, 1);
        assert_eq!(stars.len(), 300);
        let close = |a: &PointSource, b: &PointSource| (a.x - b.x).hypot(a.y - b.y) < 15.0;
        assert!((0..300).all(|i| (0..i).all(|j| !close(&stars[i], &stars[j]))));
        assert!(scatter(&FieldRecipe { least_separation_px: 100.0, ..FIELD }, 1).len() < 60);
        assert_eq!(scatter(&apart, 1), stars);
        assert_ne!(scatter(&apart, 2), stars);
    }

    // Cumulative of F^-1.8 between 10 and 1000: N(<100)/N = (1 - 10^-0.8) / (1 - 100^-0.8) = 0.86318.
    #[test]
    fn fluxes_follow_the_power_law() {
        const COUNT: usize = 20_000;
        let stars = scatter(&FieldRecipe { count: COUNT, ..FIELD }, 3);
        let below = stars.iter().filter(|s| s.rate_e_per_s < 100.0).count() as f64 / COUNT as f64;
        let error = (0.86318 * (1.0 - 0.86318) / COUNT as f64).sqrt();
        assert!((below - 0.86318).abs() < 5.0 * error, "{below}");
        assert!(stars.iter().all(|s| (10.0..=1000.0).contains(&s.rate_e_per_s)));
    }

    #[test]
    fn widths_and_elongation_vary_over_the_field_as_stated() {
        let at = |x, y| SHAPE.star(601, 401, x, y, 1.0);
        let centre = at(300.0, 200.0);
        assert!((centre.fwhm_px() - 3.0).abs() < 1e-12 && centre.ellipticity() < 1e-12);
        let u = 300.0 / (601f64.hypot(401.0) / 2.0);
        let right = at(600.0, 200.0);
        assert!((right.fwhm_px() - 3.0 * (1.0 + 0.1 * u + 0.2 * u * u)).abs() < 1e-12);
        assert!((right.ellipticity() - 0.1 * u * u).abs() < 1e-12 && right.angle_rad.abs() < 1e-12);
        // Radial: the long axis points away from the centre, straight up on the vertical line.
        assert!((at(300.0, 400.0).angle_rad.abs() - std::f64::consts::FRAC_PI_2).abs() < 1e-12);
        let guided =
            FieldShape { radial_ellipticity: 0.0, guiding_ellipticity: 0.2, ..SHAPE }.star(601, 401, 9.0, 7.0, 1.0);
        assert!((guided.ellipticity() - 0.2).abs() < 1e-12 && (guided.angle_rad - 0.3).abs() < 1e-12);
    }

    #[test]
    fn a_dither_moves_the_stars_and_not_the_optics() {
        let source = PointSource { x: 100.0, y: 50.0, rate_e_per_s: 10.0 };
        let star = expose(&[source], &FIELD, &SHAPE, [3.0, -2.0], 6.0)[0];
        assert_eq!((star.x, star.y, star.flux_e), (103.0, 48.0, 60.0));
        assert_eq!(star, SHAPE.star(600, 400, 103.0, 48.0, 60.0));
        assert!(expose(&[source], &FIELD, &SHAPE, [-130.0, 0.0], 6.0).is_empty());
    }
}
