//! The image that all stars of a frame share, fitted to its brightest isolated ones together.
//!
//! Every star keeps its own flux, sky, place, width and elongation; the parts of the image (wings, Gaussian share, obstruction)
//! are common. Each star's own parameters are eliminated from its normal equations (Schur's complement), so that a step costs
//! as much as one evaluation of each star.

use multiversion::multiversion;
use nalgebra::{DMatrix, DVector};

use super::equations::{BACKGROUND, Counted, E1, E2, FitNoise, INVERSE_BETA, PEAK, Vector, WIDTH, X, Y, shape_of};
use super::moffat::nodes;
use crate::image::RadialTable;
use crate::image::radial::TableRow;

/// Parameters of one star: peak, background, place, width, elongation.
pub(crate) const OWN: usize = 7;

/// A star of the joint fit.
#[derive(Debug, Clone)]
pub(crate) struct JointStar {
    /// Its pixels.
    pub counted: Counted,
    /// Its parameters.
    pub p: Vector,
    /// Noise of its pixels.
    pub noise: FitNoise,
}

/// A pixel against the image of its star.
#[derive(Debug, Clone, Copy)]
pub(crate) struct PixelResidual {
    /// Offset from the star's place, px.
    pub dx: f64,
    pub dy: f64,
    /// Light of the model, ADU.
    pub light: f64,
    /// What the pixel holds beyond it, ADU.
    pub residual: f64,
}

impl PixelResidual {
    /// Distance from the star's place, px.
    pub fn radius(&self) -> f64 {
        (self.dx * self.dx + self.dy * self.dy).sqrt()
    }
}

impl JointStar {
    /// All its pixels against an image in its own shape.
    pub fn residuals(&self, image: &RadialTable) -> Vec<PixelResidual> {
        let form = shape_of(&self.p).form();
        let (p, pixels) = (&self.p, &self.counted);
        let one = |k: usize| {
            let (dx, dy) = (pixels.x[k] - p[X], pixels.y[k] - p[Y]);
            let value = |(nx, ny, w): &(f64, f64, f64)| w * image.value(form.rho2(dx + nx, dy + ny));
            let light = p[PEAK] * nodes(form.order(dx, dy)).iter().map(value).sum::<f64>();
            PixelResidual { dx, dy, light, residual: pixels.value[k] - p[BACKGROUND] - light }
        };
        (0..pixels.value.len()).map(one).collect()
    }
}

/// Normal equations of one star, its own parameters first, then the shared ones.
pub(crate) struct StarEquations {
    curvature: DMatrix<f64>,
    gradient: DVector<f64>,
}

/// What is left of a star's equations for the shared parameters once its own follow them.
pub(crate) struct Eliminated {
    pub curvature: DMatrix<f64>,
    pub gradient: DVector<f64>,
    /// Step of its own parameters with the shared ones held.
    own_step: DVector<f64>,
    /// Change of its own parameters with each shared one.
    own_slopes: DMatrix<f64>,
    /// Variance of its logarithmic width with the shared ones held.
    pub width_variance: f64,
}

impl Eliminated {
    /// Change of its logarithmic width with each shared parameter.
    pub fn width_slopes(&self) -> DVector<f64> {
        self.own_slopes.row(WIDTH).transpose()
    }

    /// Step of the star's own parameters when the shared ones move by `shared`.
    pub fn own_step(&self, shared: &DVector<f64>) -> DVector<f64> {
        &self.own_step + &self.own_slopes * shared
    }
}

impl StarEquations {
    /// Equations of a star whose image is `image`, and changes with each shared parameter by `slopes`.
    pub fn of(star: &JointStar, image: &RadialTable, slopes: &Slopes) -> Self {
        match slopes {
            Slopes::Few(tables, m) => sums::<FEW, { OWN + FEW }>(star, image, tables, m).equations(m.number),
            Slopes::Many(tables, m) => sums::<MANY, { OWN + MANY }>(star, image, tables, m).equations(m.number),
        }
    }

    /// Eliminates the star's own parameters; `None` where its pixels do not tell them.
    pub fn eliminated(&self) -> Option<Eliminated> {
        let m = self.gradient.len() - OWN;
        let own = self.curvature.view((0, 0), (OWN, OWN)).into_owned().cholesky()?;
        let cross = self.curvature.view((0, OWN), (OWN, m)).into_owned();
        let own_gradient = self.gradient.rows(0, OWN).into_owned();
        let own_slopes = -own.solve(&cross);
        let own_step = own.solve(&own_gradient);
        let curvature = self.curvature.view((OWN, OWN), (m, m)) + cross.transpose() * &own_slopes;
        let gradient = self.gradient.rows(OWN, m) - cross.transpose() * &own_step;
        let width_variance = own.inverse()[(WIDTH, WIDTH)];
        Some(Eliminated { curvature, gradient, own_step, own_slopes, width_variance })
    }
}

/// Slopes of the image with the shared parameters, in one table: a node of a pixel looks all of them up at once.
pub(crate) enum Slopes {
    Few(TableRow<FEW>, Shared),
    Many(TableRow<MANY>, Shared),
}

/// Which of the slopes are shared parameters.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Shared {
    /// The first ones.
    pub number: usize,
    /// Diffraction in half widths, whose slope follows them: it stays as it is on the sensor when a star's width changes.
    /// 0 where there is none.
    pub diffraction: f64,
}

/// Room for slopes, multiples of what one instruction works on.
const FEW: usize = 4;
const MANY: usize = 12;

impl Slopes {
    /// Slopes with the shared parameters, and with the diffraction (in half widths, and its value) where that is known.
    pub fn of(mut tables: Vec<RadialTable>, diffraction: Option<(RadialTable, f64)>) -> Self {
        let number = tables.len();
        let value = diffraction.as_ref().map_or(0.0, |d| d.1);
        tables.extend(diffraction.map(|d| d.0));
        let shared = Shared { number, diffraction: value };
        match tables.len() {
            n if n <= FEW => Self::Few(TableRow::of(&tables), shared),
            _ => Self::Many(TableRow::of(&tables), shared),
        }
    }

    /// Number of shared parameters.
    pub fn number(&self) -> usize {
        match self {
            Self::Few(_, m) | Self::Many(_, m) => m.number,
        }
    }
}

/// Sums over a star's pixels.
struct Sums<const N: usize> {
    square: [[f64; N]; N],
    slope: [f64; N],
}

impl<const N: usize> Sums<N> {
    fn equations(&self, shared: usize) -> StarEquations {
        let n = OWN + shared;
        let curvature = DMatrix::from_fn(n, n, |i, j| self.square[i.max(j)][i.min(j)]);
        StarEquations { curvature, gradient: DVector::from_fn(n, |i, _| self.slope[i]) }
    }

    #[inline(always)]
    fn add(&mut self, row: &[f64; N], weight: f64, residual: f64) {
        for i in 0..N {
            let weighted = weight * row[i];
            self.slope[i] += weighted * residual;
            for (sum, other) in self.square[i].iter_mut().zip(&row[..=i]) {
                *sum += weighted * other;
            }
        }
    }
}

/// Compiled for wider vectors too and chosen at run time; the operations and their order, and so the bits, are the same.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512dq+avx512vl", "x86_64+avx2", "x86_64+sse4.2"))]
fn sums<const M: usize, const N: usize>(
    star: &JointStar,
    image: &RadialTable,
    slopes: &TableRow<M>,
    parameters: &Shared,
) -> Sums<N> {
    let mut sums = Sums { square: [[0.0; N]; N], slope: [0.0; N] };
    let (p, pixels) = (&star.p, &star.counted);
    let form = shape_of(p).form();
    for k in 0..pixels.value.len() {
        let (dx, dy) = (pixels.x[k] - p[X], pixels.y[k] - p[Y]);
        let [mut v, mut sx, mut sy, mut sxx, mut sxy, mut syy] = [0.0; 6];
        let mut shared = [0.0; M];
        for (nx, ny, weight) in nodes(form.order(dx, dy)) {
            let (x, y) = (dx + nx, dy + ny);
            let place = RadialTable::place(form.rho2(x, y));
            let (value, slope) = image.at_place(place);
            let slope = weight * slope;
            v += weight * value;
            sx += slope * x;
            sy += slope * y;
            sxx += slope * x * x;
            sxy += slope * x * y;
            syy += slope * y * y;
            slopes.add(place, *weight, &mut shared);
        }
        let by = form.shape_slopes(sxx, 2.0 * sxy, syy);
        let mut row = [0.0; N];
        let (x, y) = (-2.0 * (form.a * sx + form.b * sy), -2.0 * (form.b * sx + form.c * sy));
        (row[PEAK], row[BACKGROUND]) = (v, 1.0);
        for (i, d) in [(X, x), (Y, y), (WIDTH, by.d_ln_half_width), (E1, by.d_e1), (E2, by.d_e2)] {
            row[i] = p[PEAK] * d;
        }
        for (own, d) in row[OWN..].iter_mut().zip(shared).take(parameters.number) {
            *own = p[PEAK] * d;
        }
        // Wider by seeing, a star holds less diffraction in its half widths.
        row[WIDTH] -= p[PEAK] * parameters.diffraction * shared.get(parameters.number).unwrap_or(&0.0);
        let light = p[PEAK] * v;
        sums.add(&row, star.noise.weight(light), pixels.value[k] - p[BACKGROUND] - light);
    }
    sums
}

/// Moves a star by a step of its own parameters, shortened where it would leave the region in which the model is nearly linear.
pub(crate) fn moved(p: &Vector, step: &DVector<f64>) -> Vector {
    let mut factor: f64 = 1.0;
    for (i, most) in [(X, 0.7), (Y, 0.7), (WIDTH, 0.3), (E1, 0.4), (E2, 0.4)] {
        factor = factor.min(most / step[i].abs().max(1e-300));
    }
    let mut q = *p;
    for i in 0..OWN {
        q[i] += factor * step[i];
    }
    const { assert!(OWN == INVERSE_BETA) };
    q
}
