//! Least squares for the plate constants, with their errors from the residuals.

use nalgebra::{DMatrix, DVector};

use super::plate::Plate;
use super::sphere::{Direction, TangentPlane};

/// Stars from which scale along x and y are told apart; below, pixels count as square.
const ENOUGH_FOR_ALL: usize = 10;
/// What is believed of the distortion in the corner before any star is seen, for a degree of the frame's diagonal, and its
/// limits: that of corrected optics (common practice, no source). It keeps few stars from trading scale for distortion.
const PRIOR_DISTORTION_PER_DEG: f64 = 0.001;
const PRIOR_DISTORTION: [f64; 2] = [0.0005, 0.003];
/// Rounds until the plane touches the sky at the frame's centre; each gains as many digits as the offset is small.
const ROUNDS: usize = 4;
/// Degrees of freedom from which the residuals alone tell the stars' errors.
const ENOUGH_FREEDOM: f64 = 8.0;
/// Step of the numerical derivatives relative to the parameters.
const DERIVATIVE_STEP: f64 = 1e-5;

/// A detected star and the catalogue star that it is taken for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Pair {
    /// Place in the file, px.
    pub pixel: [f64; 2],
    /// One standard error of both places together along an axis, px.
    pub sigma_px: f64,
    pub direction: Direction,
}

/// A plate and how well it is known; relative errors are of the value itself.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Fitted {
    pub plate: Plate,
    /// Root mean square of the residuals along one axis, px.
    pub rms_px: f64,
    /// Relative errors of the geometric-mean scale, of x and of y.
    pub scale_errors: [f64; 3],
    /// Error of the ratio of y to x; `None` where one scale was fitted.
    pub aspect_error: Option<f64>,
    pub distortion_error: f64,
    /// Error of the position angle, radians.
    pub angle_error: f64,
    /// Error of the centre, px along one axis.
    pub centre_error_px: f64,
}

/// How many pairs a fit to so many could make coincide by itself: two numbers each, the distortion being held by what is
/// believed of it; and never less than the three of the triangle that it began with.
pub(crate) fn pairs_used_up(pairs: usize) -> usize {
    if pairs >= ENOUGH_FOR_ALL { 4 } else { 3 }
}

/// Relative displacement in the corner of a frame of some diagonal that nobody would wonder at.
pub(crate) fn believed_distortion(diagonal_deg: f64) -> f64 {
    (PRIOR_DISTORTION_PER_DEG * diagonal_deg).clamp(PRIOR_DISTORTION[0], PRIOR_DISTORTION[1])
}

/// What the parameters mean: scaled so that all are of the order of the frame.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Model {
    /// `a, b, t1, t2, c`: one scale and angle, the parity kept (1 or -1).
    Similar(f64),
    /// `m11, m12, m21, m22, t1, t2, c`.
    Full,
}

impl Model {
    /// Matrix, shift of the centre and distortion, lengths in half diagonals.
    fn unfold(self, p: &[f64]) -> ([[f64; 2]; 2], [f64; 2], f64) {
        match self {
            Self::Similar(parity) => ([[p[0], -parity * p[1]], [p[1], parity * p[0]]], [p[2], p[3]], p[4]),
            Self::Full => ([[p[0], p[1]], [p[2], p[3]]], [p[4], p[5]], p[6]),
        }
    }

    /// Derivatives of both places in the plane; `bent` is that by the distortion.
    fn rows(self, [x, y]: [f64; 2], [bx, by]: [f64; 2]) -> [Vec<f64>; 2] {
        match self {
            Self::Similar(parity) => [vec![x, -parity * y, 1.0, 0.0, bx], vec![parity * y, x, 0.0, 1.0, by]],
            Self::Full => [vec![x, y, 0.0, 0.0, 1.0, 0.0, bx], vec![0.0, 0.0, x, y, 0.0, 1.0, by]],
        }
    }

    /// Number of parameters.
    fn len(self) -> usize {
        match self {
            Self::Similar(_) => 5,
            Self::Full => 7,
        }
    }
}

/// Fits the plate constants to pairs, beginning from a plate that is about right.
///
/// Linear in all but the distortion's product with the matrix, for which the plate before stands; residuals are in px.
/// `None` where the pairs do not determine them.
pub(crate) fn fit_plate(pairs: &[Pair], start: &Plate) -> Option<Fitted> {
    let model = if pairs.len() >= ENOUGH_FOR_ALL { Model::Full } else { Model::Similar(start.determinant().signum()) };
    let mut plate = *start;
    let mut last = None;
    for _ in 0..ROUNDS {
        let solved = solve(pairs, &plate, model)?;
        let (matrix, shift, distortion) = model.unfold(solved.parameters.as_slice());
        let half = plate.half_diagonal_px();
        let scale = plate.scale();
        let centre = plate.plane.direction(shift.map(|t| t * scale * half));
        let matrix = matrix.map(|row| row.map(|m| m * scale));
        plate = Plate { distortion, ..retouched(&plate, centre, matrix) };
        last = Some(solved);
    }
    Some(last?.judged(plate, model))
}

/// The plate with its plane touching the sky elsewhere: directions of two points near the centre keep their pixels.
fn retouched(plate: &Plate, centre: Direction, matrix: [[f64; 2]; 2]) -> Plate {
    let (old, new) = (plate.plane, TangentPlane::at(centre));
    let at = old.project(centre).unwrap_or([0.0; 2]);
    let along = |k: usize| {
        let step = [matrix[0][k], matrix[1][k]];
        let side = |sign: f64| new.project(old.direction([at[0] + sign * step[0], at[1] + sign * step[1]]));
        let (ahead, behind) = (side(1.0).unwrap_or(step), side(-1.0).unwrap_or(step.map(|s| -s)));
        [(ahead[0] - behind[0]) / 2.0, (ahead[1] - behind[1]) / 2.0]
    };
    let (x, y) = (along(0), along(1));
    Plate { plane: new, matrix: [[x[0], y[0]], [x[1], y[1]]], ..*plate }
}

/// One linear solution.
struct Solved {
    parameters: DVector<f64>,
    covariance: DMatrix<f64>,
    rms_px: f64,
}

fn solve(pairs: &[Pair], plate: &Plate, model: Model) -> Option<Solved> {
    let n = model.len();
    let (mut normal, mut right) = (DMatrix::<f64>::zeros(n, n), DVector::<f64>::zeros(n));
    let ([cx, cy], half, scale) = (plate.centre_px(), plate.half_diagonal_px(), plate.scale());
    let mut equations = Vec::with_capacity(2 * pairs.len());
    for pair in pairs {
        let u = [(pair.pixel[0] - cx) / half, (pair.pixel[1] - cy) / half];
        let r2 = u[0] * u[0] + u[1] * u[1];
        let bent = plate.matrix.map(|row| r2 * (row[0] * u[0] + row[1] * u[1]) / scale);
        let place = plate.plane.project(pair.direction)?;
        let [first, second] = model.rows(u, bent);
        for (row, place) in [(first, place[0]), (second, place[1])] {
            equations.push((row, place / (scale * half), half / pair.sigma_px));
        }
    }
    for (row, want, root_weight) in &equations {
        let weight = root_weight * root_weight;
        for i in 0..n {
            right[i] += weight * row[i] * want;
            for j in 0..n {
                normal[(i, j)] += weight * row[i] * row[j];
            }
        }
    }
    let diagonal_deg = (2.0 * half * scale).to_degrees();
    let prior = believed_distortion(diagonal_deg);
    normal[(n - 1, n - 1)] += prior.powi(-2);
    let inverse = normal.cholesky()?.inverse();
    let parameters = &inverse * right;
    let (mut chi2, mut squares) = (0.0, 0.0);
    for (row, want, root_weight) in &equations {
        let off = want - row.iter().zip(parameters.iter()).map(|(a, b)| a * b).sum::<f64>();
        chi2 += (off * root_weight).powi(2);
        squares += (off * half).powi(2);
    }
    let freedom = equations.len() as f64 - n as f64;
    let reduced = chi2 / freedom.max(1.0);
    // Few residuals may be small by luck: the stars' own errors then stand.
    let factor = if freedom >= ENOUGH_FREEDOM { reduced } else { reduced.max(1.0) };
    let rms_px = (squares / freedom.max(1.0)).sqrt();
    Some(Solved { parameters, covariance: inverse * factor, rms_px })
}

impl Solved {
    /// Errors of what the parameters mean, by numerical derivatives.
    fn judged(&self, plate: Plate, model: Model) -> Fitted {
        let derived = |p: &[f64]| {
            let ([[a, b], [c, d]], _, distortion) = model.unfold(p);
            let (x, y) = (a.hypot(c), b.hypot(d));
            [(a * d - b * c).abs().sqrt(), x, y, y / x, distortion, b.atan2(d)]
        };
        let p = self.parameters.as_slice();
        let (at, scale) = (derived(p), p[0].hypot(p[1]));
        let mut gradients = vec![[0.0; 6]; p.len()];
        for (k, gradient) in gradients.iter_mut().enumerate() {
            let moved = |sign: f64| {
                let mut q = p.to_vec();
                q[k] += sign * DERIVATIVE_STEP * scale;
                derived(&q)
            };
            let (up, down) = (moved(1.0), moved(-1.0));
            *gradient = std::array::from_fn(|m| {
                let step = up[m] - down[m];
                // An angle may pass from one end of its range to the other.
                let turn = std::f64::consts::TAU;
                let step = if m == 5 { step - turn * (step / turn).round() } else { step };
                step / (2.0 * DERIVATIVE_STEP * scale)
            });
        }
        let error = |m: usize| {
            let mut variance = 0.0;
            for (i, a) in gradients.iter().enumerate() {
                for (j, b) in gradients.iter().enumerate() {
                    variance += a[m] * self.covariance[(i, j)] * b[m];
                }
            }
            variance.max(0.0).sqrt()
        };
        let full = model == Model::Full;
        let shift = if full { 4 } else { 2 };
        let centre_variance = self.covariance[(shift, shift)] + self.covariance[(shift + 1, shift + 1)];
        Fitted {
            plate,
            rms_px: self.rms_px,
            scale_errors: [error(0) / at[0], error(1) / at[1], error(2) / at[2]],
            aspect_error: full.then(|| error(3)),
            distortion_error: error(4),
            angle_error: error(5),
            centre_error_px: (centre_variance / 2.0).sqrt() * plate.half_diagonal_px(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};
    use rand_distr::{Distribution, Normal};
    use rand_xoshiro::Xoshiro256PlusPlus;

    /// Noise of the places, px.
    const NOISE_PX: f64 = 0.2;
    /// Trials and the range in which the mean square of their pulls must lie: one, within four times the scatter of a mean
    /// of so many squares of normal numbers, `sqrt(2 / n)`, and a tenth for the prior on the distortion.
    const TRIALS: usize = 200;
    const PULL_RANGE: [f64; 2] = [0.6, 1.5];

    fn truth() -> Plate {
        let (sin, cos) = 0.7_f64.sin_cos();
        let (sx, sy) = (6e-6, 6.03e-6);
        let matrix = [[-sx * cos, sy * sin], [sx * sin, sy * cos]];
        Plate { distortion: 0.002, ..Plate::new(Direction::from_degrees(0.2, 89.0), matrix, [3000.0, 2000.0]) }
    }

    fn seen(rng: &mut Xoshiro256PlusPlus, stars: usize, noise: f64) -> Vec<Pair> {
        let normal = Normal::new(0.0, noise).unwrap();
        let star = |_| {
            let at = [rng.random_range(0.0..3000.0), rng.random_range(0.0..2000.0)];
            let direction = truth().direction(at);
            let pixel = at.map(|v| v + normal.sample(rng));
            Pair { pixel, sigma_px: noise.max(0.01), direction }
        };
        (0..stars).map(star).collect()
    }

    /// Right but for the distortion.
    fn guess() -> Plate {
        Plate { distortion: 0.0, ..truth() }
    }

    #[test]
    fn without_noise_the_truth_comes_back() {
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(3);
        let fitted = fit_plate(&seen(&mut rng, 400, 0.0), &guess()).unwrap();
        // The prior pulls the distortion by its weight against that of 400 stars.
        assert!((fitted.plate.distortion / truth().distortion - 1.0).abs() < 1e-3, "{fitted:?}");
        assert!((fitted.plate.scale() / truth().scale() - 1.0).abs() < 1e-6);
        assert!(fitted.plate.centre().separation_arcsec(truth().centre()) < 1e-3);
        assert!(fitted.rms_px < 1e-3);
    }

    #[test]
    fn stated_errors_are_those_that_are_made() {
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(4);
        let mut squares = [0.0; 3];
        for _ in 0..TRIALS {
            let fitted = fit_plate(&seen(&mut rng, 40, NOISE_PX), &guess()).unwrap();
            let aspect = |p: &Plate| p.matrix[0][1].hypot(p.matrix[1][1]) / p.matrix[0][0].hypot(p.matrix[1][0]);
            let pulls = [
                (fitted.plate.scale() / truth().scale() - 1.0) / fitted.scale_errors[0],
                (fitted.plate.distortion - truth().distortion) / fitted.distortion_error,
                (aspect(&fitted.plate) - aspect(&truth())) / fitted.aspect_error.unwrap(),
            ];
            for (sum, pull) in squares.iter_mut().zip(pulls) {
                *sum += pull * pull / TRIALS as f64;
            }
        }
        assert!(squares.iter().all(|s| (PULL_RANGE[0]..PULL_RANGE[1]).contains(s)), "{squares:?}");
    }
}
