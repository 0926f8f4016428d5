//! Normal equations of a star's fit at one point of parameter space.

use multiversion::multiversion;
use nalgebra::{SMatrix, SVector};

use super::moffat::{LANES, Lane, ORDERS, PixelValues, Prepared, Radial};
use super::stamp::Stamp;
use crate::image::RadialTable;
use crate::stars::Shape;

pub(crate) const PARAMETERS: usize = 8;
pub(crate) type Vector = SVector<f64, PARAMETERS>;
pub(crate) type Matrix = SMatrix<f64, PARAMETERS, PARAMETERS>;
/// Indices of the parameters.
pub(crate) const PEAK: usize = 0;
pub(crate) const BACKGROUND: usize = 1;
pub(crate) const X: usize = 2;
pub(crate) const Y: usize = 3;
pub(crate) const WIDTH: usize = 4;
pub(crate) const E1: usize = 5;
pub(crate) const E2: usize = 6;
pub(crate) const INVERSE_BETA: usize = 7;

/// Spread that stands for a known 1/beta: moves a width by 1e-5, a tenth of the best star's error.
const KNOWN_BETA_SPREAD: f64 = 1e-5;

/// The radial profile that a star is fitted with.
#[derive(Debug, Clone, Copy)]
pub enum Profile<'a> {
    /// A Moffat whose 1/beta is free, or known.
    Moffat(Option<f64>),
    /// The image that all stars of a frame share; 1/beta, which stands for its wings, is kept.
    Shared(&'a RadialTable, f64),
}

impl<'a> Profile<'a> {
    fn image(self) -> Option<&'a RadialTable> {
        match self {
            Self::Moffat(_) => None,
            Self::Shared(table, _) => Some(table),
        }
    }

    /// 1/beta where it is known beforehand.
    pub(crate) fn known_inverse_beta(self) -> Option<f64> {
        match self {
            Self::Moffat(known) => known,
            Self::Shared(_, inverse_beta) => Some(inverse_beta),
        }
    }

    /// Integral over the plane of the image of peak 1 in this shape, px^2.
    pub(crate) fn area_px(self, shape: &Shape) -> f64 {
        match self {
            Self::Moffat(_) => shape.area_px(),
            Self::Shared(table, _) => table.area * (2.0 * shape.ln_half_width).exp(),
        }
    }
}

/// Noise of the pixels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FitNoise {
    /// Variance of a sky pixel, ADU^2.
    pub sky_adu2: f64,
    /// Conversion gain, e-/ADU, for the photon noise of the star; `None` weighs all pixels alike.
    pub e_per_adu: Option<f64>,
}

impl FitNoise {
    /// Inverse variance of a pixel whose star light is `star_adu`, 1/ADU^2.
    #[inline(always)]
    pub(crate) fn weight(&self, star_adu: f64) -> f64 {
        (self.sky_adu2 + self.e_per_adu.map_or(0.0, |g| star_adu.max(0.0) / g)).recip()
    }
}

/// Pixels that count: places in px of the file, values in ADU.
#[derive(Debug, Clone, Default)]
pub(crate) struct Counted {
    pub x: Vec<f64>,
    pub y: Vec<f64>,
    pub value: Vec<f64>,
}

impl Counted {
    /// The pixels of a stamp that are not NaN.
    pub fn of(stamp: &Stamp) -> Self {
        let room = || Vec::with_capacity(stamp.values.len());
        let mut counted = Self { x: room(), y: room(), value: room() };
        for (row, y) in stamp.values.chunks_exact(stamp.width).zip(stamp.top..) {
            for (v, x) in row.iter().zip(stamp.left..).filter(|(v, _)| v.is_finite()) {
                counted.x.push(x as f64);
                counted.y.push(y as f64);
                counted.value.push(f64::from(*v));
            }
        }
        counted
    }
}

/// Leaves 1/beta where it is: the others must not move as if it could follow.
pub(crate) fn hold_beta(curvature: &mut Matrix, gradient: &mut Vector) {
    curvature.row_mut(INVERSE_BETA).fill(0.0);
    curvature.column_mut(INVERSE_BETA).fill(0.0);
    curvature[(INVERSE_BETA, INVERSE_BETA)] = 1.0;
    gradient[INVERSE_BETA] = 0.0;
}

/// Normal equations at one point of parameter space.
pub(crate) struct Normal {
    pub curvature: Matrix,
    pub gradient: Vector,
    pub chi2: f64,
    pub weights: Vec<f64>,
}

pub(crate) fn shape_of(p: &Vector) -> Shape {
    Shape { ln_half_width: p[WIDTH], e1: p[E1], e2: p[E2], inverse_beta: p[INVERSE_BETA] }
}

/// Pixels of one order, gathered until there are enough to work on together.
#[derive(Clone, Copy)]
struct Group {
    /// Their numbers.
    at: [usize; LANES],
    /// Offsets from the star, px.
    dx: Lane,
    dy: Lane,
    value_adu: Lane,
    left_behind: Lane,
    n: usize,
}

/// Sums over pixels that make the normal equations, each lane for itself.
struct Sums {
    /// Lower triangle of the curvature.
    triangle: [Lane; PARAMETERS * (PARAMETERS + 1) / 2],
    slope: [Lane; PARAMETERS],
    chi2: Lane,
    judged: Lane,
}

impl Sums {
    /// Adds the first `group.n` pixels and returns the weights of all.
    #[inline(always)]
    fn add(&mut self, group: &Group, values: &PixelValues, p: &Vector, noise: FitNoise) -> Lane {
        let (mut weight, mut counts, mut residual) = ([0.0; LANES], [0.0; LANES], [0.0; LANES]);
        let d = values;
        let mut row = [d.value, [1.0; LANES], d.d_x0, d.d_y0, d.d_ln_half_width, d.d_e1, d.d_e2, d.d_inverse_beta];
        for lane in 0..LANES {
            let star = p[PEAK] * values.value[lane];
            weight[lane] = noise.weight(star);
            residual[lane] = group.value_adu[lane] - p[BACKGROUND] - star;
            counts[lane] = if lane < group.n { weight[lane] } else { 0.0 };
        }
        for derivatives in &mut row[X..] {
            for d in derivatives.iter_mut() {
                *d *= p[PEAK];
            }
        }
        let mut at = 0;
        for i in 0..PARAMETERS {
            let mut weighted = [0.0; LANES];
            for lane in 0..LANES {
                weighted[lane] = counts[lane] * row[i][lane];
                self.slope[i][lane] += weighted[lane] * residual[lane];
            }
            for other in &row[..=i] {
                for lane in 0..LANES {
                    self.triangle[at][lane] += weighted[lane] * other[lane];
                }
                at += 1;
            }
        }
        for lane in 0..LANES {
            let square = residual[lane] * residual[lane];
            self.chi2[lane] += counts[lane] * square;
            self.judged[lane] += if lane < group.n { group.left_behind[lane] * square } else { 0.0 };
        }
        weight
    }
}

impl Sums {
    /// Adds a group, notes the weights of its pixels and empties it.
    #[inline(always)]
    fn emptied<R: Radial>(
        &mut self,
        group: &mut Group,
        order: usize,
        model: &Prepared<R>,
        (p, noise): (&Vector, FitNoise),
        weights: &mut [f64],
    ) {
        let new = self.add(group, &model.pixels(order, &group.dx, &group.dy), p, noise);
        group.at.iter().zip(new).take(group.n).for_each(|(k, w)| weights[*k] = w);
        group.n = 0;
    }
}

/// Sum over the lanes, always in one order.
fn total(lanes: &Lane) -> f64 {
    lanes.iter().sum()
}

/// Normal equations at `p`, and the sum of squares there under the weights of the point left behind (none at first).
///
/// Compiled for wider vectors too and chosen at run time; the operations and their order, and so the bits, are the same.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512dq+avx512vl", "x86_64+avx2", "x86_64+sse4.2"))]
fn pixel_equations(
    counted: &Counted,
    p: &Vector,
    noise: FitNoise,
    image: Option<&RadialTable>,
    left_behind: &[f64],
) -> (Normal, f64) {
    match image {
        None => summed(counted, p, noise, shape_of(p).prepare(), left_behind),
        Some(table) => summed(counted, p, noise, shape_of(p).filled_by(table), left_behind),
    }
}

#[inline(always)]
fn summed<R: Radial>(
    counted: &Counted,
    p: &Vector,
    noise: FitNoise,
    model: Prepared<R>,
    left_behind: &[f64],
) -> (Normal, f64) {
    let zero = [0.0; LANES];
    let triangle = [zero; PARAMETERS * (PARAMETERS + 1) / 2];
    let mut sums = Sums { triangle, slope: [zero; PARAMETERS], chi2: zero, judged: zero };
    let mut weights = vec![0.0; counted.value.len()];
    let empty = Group { at: [0; LANES], dx: zero, dy: zero, value_adu: zero, left_behind: zero, n: 0 };
    let mut groups = [empty; ORDERS];
    for (k, ((x, y), value)) in counted.x.iter().zip(&counted.y).zip(&counted.value).enumerate() {
        let (dx, dy) = (x - p[X], y - p[Y]);
        let order = model.form.order(dx, dy);
        let group = &mut groups[order - 1];
        let lane = group.n;
        group.at[lane] = k;
        (group.dx[lane], group.dy[lane], group.value_adu[lane]) = (dx, dy, *value);
        group.left_behind[lane] = left_behind.get(k).copied().unwrap_or(0.0);
        group.n += 1;
        if group.n == LANES {
            sums.emptied(group, order, &model, (p, noise), &mut weights);
        }
    }
    for (group, order) in groups.iter_mut().zip(1..).filter(|(group, _)| group.n > 0) {
        sums.emptied(group, order, &model, (p, noise), &mut weights);
    }
    let curvature = Matrix::from_fn(|i, j| {
        let (low, high) = (i.min(j), i.max(j));
        total(&sums.triangle[high * (high + 1) / 2 + low])
    });
    let gradient = Vector::from(sums.slope.map(|lanes| total(&lanes)));
    (Normal { curvature, gradient, chi2: total(&sums.chi2), weights }, total(&sums.judged))
}

/// [`pixel_equations`] with what is known of 1/beta beforehand.
pub(crate) fn normal_equations(
    counted: &Counted,
    p: &Vector,
    noise: FitNoise,
    profile: Profile,
    left_behind: &[f64],
) -> (Normal, f64) {
    let (mut normal, judged) = pixel_equations(counted, p, noise, profile.image(), left_behind);
    let Some(known) = profile.known_inverse_beta() else { return (normal, judged) };
    let w = KNOWN_BETA_SPREAD.powi(-2);
    normal.curvature[(INVERSE_BETA, INVERSE_BETA)] += w;
    normal.gradient[INVERSE_BETA] += w * (known - p[INVERSE_BETA]);
    let term = ((p[INVERSE_BETA] - known) / KNOWN_BETA_SPREAD).powi(2);
    normal.chi2 += term;
    (normal, judged + term)
}
