//! Stars of a trailed frame: a round Moffat drawn out over a straight line.
//!
//! An elliptical profile has no flat top; fitted to a trail it asks for thin wings and takes the minor axis too wide. Here
//! the profile is averaged over the line, so that its width is that of seeing and focus. The star itself is taken for round.

use nalgebra::{SMatrix, SVector};

use crate::quantity::Quantity;
use crate::stats::median;

use super::fit::{FitNoise, Stamp};
use super::measure::FrameStars;
use super::moffat::{LEAST_INVERSE_BETA, MOST_INVERSE_BETA};
use super::search::{Choice, Search};
use super::weighted::{median_error, weighted_median};
use super::{Shape, Star};

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

const PARAMETERS: usize = 8;
type Vector = SVector<f64, PARAMETERS>;
type Matrix = SMatrix<f64, PARAMETERS, PARAMETERS>;
const PEAK: usize = 0;
const BACKGROUND: usize = 1;
const X: usize = 2;
const Y: usize = 3;
const WIDTH: usize = 4;
const INVERSE_BETA: usize = 5;
/// The line from its one end to the other, px.
const LINE_X: usize = 6;
const LINE_Y: usize = 7;

/// One star's trail.
#[derive(Clone, Copy)]
struct TrailFit {
    p: Vector,
    sigma: Vector,
    chi2_per_dof: f64,
}

impl TrailFit {
    fn value(&self, i: usize) -> (f64, f64) {
        (self.p[i], self.sigma[i])
    }
}

/// Replaces minor axis and direction of a trailed frame by those of lines where lines describe its stars better, and says
/// their length.
pub(super) fn follow_lines(summary: &mut FrameStars, search: &Search, choice: Choice) {
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
    // What the shared exponent's error does to the width, from the two ways of fitting.
    let widths = |fits: &[TrailFit]| median(&fits.iter().map(|f| f.p[WIDTH]).collect::<Vec<_>>()).unwrap_or(0.0);
    let betas = median(&free.iter().map(|f| f.p[INVERSE_BETA] - inverse_beta).collect::<Vec<_>>()).unwrap_or(0.0);
    let per_beta = if betas.abs() > beta_sigma { (widths(&free) - widths(&shared)) / betas } else { 0.5 };
    let n = shared.len();
    let method = "median over the stars of round Moffats averaged over a line";
    let fwhm = 2.0 * width.0.exp();
    summary.minor_fwhm_px = Quantity::measured(fwhm, fwhm * width.1.hypot(per_beta * beta_sigma), method, n);
    let length = x.0.hypot(y.0);
    let across = ((x.0 * y.1).hypot(y.0 * x.1) / length / length).to_degrees();
    summary.position_angle_deg = Quantity::measured(
        y.0.atan2(x.0).to_degrees().rem_euclid(180.0),
        across,
        "direction of the stars' line, from +x towards +y",
        n,
    );
    let along = (x.0 * x.1).hypot(y.0 * y.1) / length;
    summary.trail_length_px = Quantity::measured(length, along, method, n);
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
    let place = |k: usize| ((k % stamp.width + stamp.left) as f64, (k / stamp.width + stamp.top) as f64);
    let pixels: Vec<(f64, f64, f64)> = (0..stamp.values.len())
        .filter(|k| stamp.values[*k].is_finite())
        .map(|k| (place(k).0, place(k).1, f64::from(stamp.values[k])))
        .collect();
    let mut values: Vec<f64> = pixels.iter().map(|p| p.2).collect();
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
            drop_beta(&mut damped, &mut gradient);
        }
        let step = damped.cholesky()?.solve(&gradient);
        let most = (0.4 / step[WIDTH].abs()).min(2.0 / step[X].hypot(step[Y])).min(1.0);
        let mut trial = p + step * most;
        trial[INVERSE_BETA] = trial[INVERSE_BETA].clamp(LEAST_INVERSE_BETA, MOST_INVERSE_BETA);
        if (trial[X] - x).hypot(trial[Y] - y) > half || trial[WIDTH].exp() > half || trial[WIDTH] < -2.0 {
            return None;
        }
        // The variances of the point left behind judge the step; then they are renewed.
        let (next, judged) = normal_equations(&pixels, &trial, noise, &now.variances);
        if judged <= now.chi2 * (1.0 + 1e-12) {
            let promised = step.dot(&gradient);
            (p, now) = (trial, next);
            if promised < LAST_GAIN && damping <= 1e-2 {
                return finish(&now, p, pixels.len(), hold);
            }
            damping = (damping * 0.2).max(1e-9);
        } else {
            damping *= 8.0;
            if damping > 1e12 {
                return finish(&now, p, pixels.len(), hold);
            }
        }
    }
    None
}

fn drop_beta(curvature: &mut Matrix, gradient: &mut Vector) {
    curvature.row_mut(INVERSE_BETA).fill(0.0);
    curvature.column_mut(INVERSE_BETA).fill(0.0);
    curvature[(INVERSE_BETA, INVERSE_BETA)] = 1.0;
    gradient[INVERSE_BETA] = 0.0;
}

fn finish(now: &Normal, p: Vector, pixels: usize, hold: bool) -> Option<TrailFit> {
    let (mut curvature, mut gradient) = (now.curvature, now.gradient);
    if hold {
        drop_beta(&mut curvature, &mut gradient);
    }
    let chi2_per_dof = now.chi2 / (pixels - PARAMETERS) as f64;
    let covariance = curvature.cholesky()?.inverse();
    let sigma = covariance.diagonal().map(|v| (v * chi2_per_dof).sqrt());
    (p[PEAK] > 0.0 && sigma.iter().all(|s| s.is_finite())).then_some(TrailFit { p, sigma, chi2_per_dof })
}

struct Normal {
    curvature: Matrix,
    gradient: Vector,
    chi2: f64,
    variances: Vec<f64>,
}

/// Normal equations at `p`, and the sum of squares there under the variances of the point left behind (none at first).
fn normal_equations(pixels: &[(f64, f64, f64)], p: &Vector, noise: FitNoise, left_behind: &[f64]) -> (Normal, f64) {
    let shape = Shape { ln_half_width: p[WIDTH], e1: 0.0, e2: 0.0, inverse_beta: p[INVERSE_BETA] };
    let model = shape.prepare();
    let mut sums = Normal { curvature: Matrix::zeros(), gradient: Vector::zeros(), chi2: 0.0, variances: Vec::new() };
    let mut judged = 0.0;
    for (k, (x, y, value)) in pixels.iter().enumerate() {
        let (mut profile, mut row) = (0.0, Vector::zeros());
        for (node, weight) in NODES.iter().flat_map(|(n, w)| [(0.5 * n, 0.5 * w), (-0.5 * n, 0.5 * w)]) {
            let d = model.pixel_with_derivatives(x - p[X] - node * p[LINE_X], y - p[Y] - node * p[LINE_Y]);
            profile += weight * d.value;
            row[X] += weight * d.d_x0;
            row[Y] += weight * d.d_y0;
            row[WIDTH] += weight * d.d_ln_half_width;
            row[INVERSE_BETA] += weight * d.d_inverse_beta;
            row[LINE_X] += weight * node * d.d_x0;
            row[LINE_Y] += weight * node * d.d_y0;
        }
        row *= p[PEAK];
        (row[PEAK], row[BACKGROUND]) = (profile, 1.0);
        let star = p[PEAK] * profile;
        let variance = noise.sky_adu2 + noise.e_per_adu.map_or(0.0, |g| star.max(0.0) / g);
        let residual = value - p[BACKGROUND] - star;
        sums.curvature += row * row.transpose() / variance;
        sums.gradient += row * (residual / variance);
        sums.chi2 += residual * residual / variance;
        judged += left_behind.get(k).map_or(0.0, |v| residual * residual / v);
        sums.variances.push(variance);
    }
    (sums, judged)
}
