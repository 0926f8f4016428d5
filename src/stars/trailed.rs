//! Stars of a trailed frame: a round Moffat drawn out over a straight line.
//!
//! An elliptical profile has no flat top; fitted to a trail it asks for thin wings and takes the minor axis too wide. Here
//! the profile is averaged over the line, so that its width is that of seeing and focus. The star itself is taken for round.

use crate::facts::Quantity;
use crate::facts::stars::StarsMethod;
use crate::stats::median;

use super::profile::equations::{
    BACKGROUND, Counted, E1, E2, INVERSE_BETA, Matrix, Normal, PARAMETERS, PEAK, Vector, WIDTH, X, Y, hold_beta,
};
use super::profile::moffat::{LANES, LEAST_INVERSE_BETA, Lane, MOST_INVERSE_BETA};
use super::profile::stamp::Stamp;
use super::search::{Choice, Search};
use super::star::{FrameStars, Star};
use super::weighted::{median_error, weighted_median};
use super::{FitNoise, Shape};

/// Stars fitted, brightest first: the mean of so many is limited by what no line describes.
const MOST_STARS: usize = 25;
/// Fits below which nothing is said.
const LEAST_STARS: usize = 5;
/// Steps allowed; well-behaved trails need 8 to 15.
const MOST_STEPS: usize = 60;
/// Gain in chi2 that a step promises below which it is the last.
const LAST_GAIN: f64 = 1e-3;
/// FWHM of a normal law whose spread is that of an even line of length 1: `sqrt(8 ln 2 / 12)`.
const FWHM_PER_LENGTH: f64 = 0.68;
/// Nodes and weights of Gauss and Legendre on [-1, 1], one side (Abramowitz & Stegun 1964, table 25.4, n = 10): exact to a
/// thousandth of the peak for lines of up to 4 FWHM.
const NODES: [(f64, f64); 5] = [
    (0.148_874_338_981_631, 0.295_524_224_714_753),
    (0.433_395_394_129_247, 0.269_266_719_309_996),
    (0.679_409_568_299_024, 0.219_086_362_515_982),
    (0.865_063_366_688_985, 0.149_451_349_150_581),
    (0.973_906_528_517_172, 0.066_671_344_308_688),
];

/// The line from its one end to the other, px: parameters in the places of an ellipse's elongation.
const LINE_X: usize = E1;
const LINE_Y: usize = E2;

/// One star's trail.
#[derive(Clone, Copy)]
struct TrailFit {
    p: Vector,
    sigma: Vector,
    chi2_per_dof: f64,
    /// Change of ln FWHM with 1/beta along the valley of the fit; only where 1/beta is free.
    width_per_inverse_beta: f64,
}

impl TrailFit {
    fn value(&self, i: usize) -> (f64, f64) {
        (self.p[i], self.sigma[i])
    }
}

/// Replaces minor axis and direction of a trailed frame by those of lines where lines describe its stars better, and says
/// their length.
pub(crate) fn follow_lines(summary: &mut FrameStars, search: &Search, choice: Choice) {
    let brightest = &summary.stars[..summary.stars.len().min(MOST_STARS)];
    let Some(start) = start_of(brightest) else { return };
    let stamps: Vec<(Stamp, FitNoise)> = search
        .clean(choice)
        .take(MOST_STARS)
        .filter_map(|i| Some((search.stamp(i, choice.width_px)?, search.noise(i))))
        .collect();
    let fits = |start: Vector, hold: bool| -> Vec<TrailFit> {
        stamps.iter().filter_map(|(stamp, noise)| fit_trail(stamp, *noise, start, hold)).collect()
    };
    let free = fits(start, false);
    let middle = |fits: &[TrailFit], i: usize| {
        let values: Vec<(f64, f64)> = fits.iter().map(|f| f.value(i)).collect();
        let (centre, tau) = weighted_median(&values).filter(|_| values.len() >= LEAST_STARS)?;
        Some((centre, median_error(&values, tau)))
    };
    let Some((inverse_beta, beta_sigma)) = middle(&free, INVERSE_BETA) else { return };
    let mut start = start;
    start[INVERSE_BETA] = inverse_beta.clamp(LEAST_INVERSE_BETA, MOST_INVERSE_BETA);
    let shared = fits(start, true);
    let chi2 = |values: Vec<f64>| median(&values).unwrap_or(f64::INFINITY);
    let of_lines = chi2(shared.iter().map(|f| f.chi2_per_dof).collect());
    // Both models have as many parameters.
    if of_lines >= chi2(brightest.iter().map(|s| s.fit.chi2_per_dof).collect()) {
        return;
    }
    let (Some(width), Some(x), Some(y)) = (middle(&shared, WIDTH), middle(&shared, LINE_X), middle(&shared, LINE_Y))
    else {
        return;
    };
    let per_beta = median(&free.iter().map(|f| f.width_per_inverse_beta).collect::<Vec<_>>()).unwrap_or(0.0);
    let n = shared.len();
    let fwhm = 2.0 * width.0.exp();
    summary.minor_fwhm_px =
        Quantity::measured(fwhm, fwhm * width.1.hypot(per_beta * beta_sigma), StarsMethod::ProfilesOverLine, n);
    let length = x.0.hypot(y.0);
    let across = ((x.0 * y.1).hypot(y.0 * x.1) / length / length).to_degrees();
    summary.position_angle_deg =
        Quantity::measured(y.0.atan2(x.0).to_degrees().rem_euclid(180.0), across, StarsMethod::DirectionOfLine, n);
    let along = (x.0 * x.1).hypot(y.0 * y.1) / length;
    summary.trail_length_px = Quantity::measured(length, along, StarsMethod::ProfilesOverLine, n);
}

/// Width and line that an elliptical profile as long as these stars' would have.
fn start_of(stars: &[Star]) -> Option<Vector> {
    let of = |pick: &dyn Fn(&Shape) -> f64| median(&stars.iter().map(|s| pick(&s.fit.shape)).collect::<Vec<_>>());
    let (major, minor) = (of(&Shape::major_fwhm_px)?, of(&Shape::minor_fwhm_px)?);
    let angle = 0.5 * of(&|s| s.e2)?.atan2(of(&|s| s.e1)?);
    let length = (major * major - minor * minor).max(0.0).sqrt() / FWHM_PER_LENGTH;
    let mut p = Vector::zeros();
    p[WIDTH] = (0.5 * minor).ln();
    p[INVERSE_BETA] = of(&|s| s.inverse_beta)?.max(0.2);
    (p[LINE_X], p[LINE_Y]) = (length * angle.cos(), length * angle.sin());
    Some(p)
}

/// Levenberg-Marquardt as for single stars; place, peak and background start from the stamp. `hold` keeps 1/beta.
fn fit_trail(stamp: &Stamp, noise: FitNoise, start: Vector, hold: bool) -> Option<TrailFit> {
    let pixels = Counted::of(stamp);
    let mut values = pixels.value.clone();
    if values.len() < 2 * PARAMETERS {
        return None;
    }
    values.sort_by(f64::total_cmp);
    let half = 0.5 * (stamp.width as f64 - 1.0);
    let (x, y) = (stamp.left as f64 + half, stamp.top as f64 + half);
    let mut p = start;
    p[BACKGROUND] = values[values.len() / 4];
    // The top of a trail is lower than the star's by about the share of the line that one width covers.
    let spread = 1.0 + p[LINE_X].hypot(p[LINE_Y]) / (2.0 * p[WIDTH].exp());
    p[PEAK] = (values[values.len() - 1] - p[BACKGROUND]).max(1e-6) * spread;
    (p[X], p[Y]) = (x, y);
    let (mut now, _) = normal_equations(&pixels, &p, noise, &[]);
    let mut damping = 1e-3;
    for _ in 0..MOST_STEPS {
        let (mut damped, mut gradient) = (now.curvature, now.gradient);
        for i in 0..PARAMETERS {
            damped[(i, i)] *= 1.0 + damping;
        }
        if hold {
            hold_beta(&mut damped, &mut gradient);
        }
        let step = damped.cholesky()?.solve(&gradient);
        let most = (0.4 / step[WIDTH].abs()).min(2.0 / step[X].hypot(step[Y])).min(1.0);
        let mut trial = p + step * most;
        trial[INVERSE_BETA] = trial[INVERSE_BETA].clamp(LEAST_INVERSE_BETA, MOST_INVERSE_BETA);
        if (trial[X] - x).hypot(trial[Y] - y) > half || trial[WIDTH].exp() > half || trial[WIDTH] < -2.0 {
            return None;
        }
        // The weights of the point left behind judge the step; then they are renewed.
        let (next, judged) = normal_equations(&pixels, &trial, noise, &now.weights);
        if judged <= now.chi2 * (1.0 + 1e-12) {
            let promised = step.dot(&gradient);
            (p, now) = (trial, next);
            if promised < LAST_GAIN && damping <= 1e-2 {
                return finish(&now, p, hold);
            }
            damping = (damping * 0.2).max(1e-9);
        } else {
            damping *= 8.0;
            if damping > 1e12 {
                return finish(&now, p, hold);
            }
        }
    }
    None
}

fn finish(now: &Normal, p: Vector, hold: bool) -> Option<TrailFit> {
    let (mut curvature, mut gradient) = (now.curvature, now.gradient);
    if hold {
        hold_beta(&mut curvature, &mut gradient);
    }
    let chi2_per_dof = now.chi2 / (now.weights.len() - PARAMETERS) as f64;
    let covariance = curvature.cholesky()?.inverse();
    let sigma = covariance.diagonal().map(|v| (v * chi2_per_dof).sqrt());
    let width_per_inverse_beta = covariance[(WIDTH, INVERSE_BETA)] / covariance[(INVERSE_BETA, INVERSE_BETA)];
    let sound = p[PEAK] > 0.0 && sigma.iter().all(|s| s.is_finite());
    sound.then_some(TrailFit { p, sigma, chi2_per_dof, width_per_inverse_beta })
}

/// Normal equations at `p`, and the sum of squares there under the weights of the point left behind (none at first).
fn normal_equations(pixels: &Counted, p: &Vector, noise: FitNoise, left_behind: &[f64]) -> (Normal, f64) {
    let mut sums = Normal { curvature: Matrix::zeros(), gradient: Vector::zeros(), chi2: 0.0, weights: Vec::new() };
    let mut judged = 0.0;
    for first in (0..pixels.value.len()).step_by(LANES) {
        let (profile, slopes) = averaged(pixels, first, p);
        for k in first..(first + LANES).min(pixels.value.len()) {
            let (lane, mut row) = (k - first, Vector::zeros());
            for i in X..PARAMETERS {
                row[i] = p[PEAK] * slopes[i][lane];
            }
            (row[PEAK], row[BACKGROUND]) = (profile[lane], 1.0);
            let star = p[PEAK] * profile[lane];
            let weight = noise.weight(star);
            let residual = pixels.value[k] - p[BACKGROUND] - star;
            sums.curvature += row * row.transpose() * weight;
            sums.gradient += row * (residual * weight);
            sums.chi2 += weight * residual * residual;
            judged += left_behind.get(k).map_or(0.0, |w| w * residual * residual);
            sums.weights.push(weight);
        }
    }
    (sums, judged)
}

/// The profile of peak 1 averaged over the line, and its derivatives by each parameter, for the pixels from `first` on.
fn averaged(pixels: &Counted, first: usize, p: &Vector) -> (Lane, [Lane; PARAMETERS]) {
    let model = Shape { ln_half_width: p[WIDTH], e1: 0.0, e2: 0.0, inverse_beta: p[INVERSE_BETA] }.prepare();
    let last = pixels.value.len() - 1;
    let (mut profile, mut slopes) = ([0.0; LANES], [[0.0; LANES]; PARAMETERS]);
    for (node, weight) in NODES.iter().flat_map(|(n, w)| [(0.5 * n, 0.5 * w), (-0.5 * n, 0.5 * w)]) {
        let dx: Lane = std::array::from_fn(|l| pixels.x[(first + l).min(last)] - p[X] - node * p[LINE_X]);
        let dy: Lane = std::array::from_fn(|l| pixels.y[(first + l).min(last)] - p[Y] - node * p[LINE_Y]);
        // The pixel nearest to the core decides how finely all are integrated.
        let order = dx.iter().zip(&dy).map(|(x, y)| model.form.order(*x, *y)).max().unwrap_or(1);
        let d = model.pixels(order, &dx, &dy);
        for lane in 0..LANES {
            profile[lane] += weight * d.value[lane];
            slopes[X][lane] += weight * d.d_x0[lane];
            slopes[Y][lane] += weight * d.d_y0[lane];
            slopes[WIDTH][lane] += weight * d.d_ln_half_width[lane];
            slopes[INVERSE_BETA][lane] += weight * d.d_inverse_beta[lane];
            slopes[LINE_X][lane] += weight * node * d.d_x0[lane];
            slopes[LINE_Y][lane] += weight * node * d.d_y0[lane];
        }
    }
    (profile, slopes)
}
