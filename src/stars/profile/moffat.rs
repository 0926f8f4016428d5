//! The elliptical Moffat profile, integrated over square pixels, with its derivatives.
//!
//! Source: Moffat 1969, A&A 3, 455 (from memory): `I(r) = I0 (1 + r^2/alpha^2)^-beta`, FWHM `2 alpha sqrt(2^(1/beta) - 1)`.
//! It is written here by the half width at half maximum, `I = (1 + (2^f - 1) rho^2)^(-1/f)` with `f = 1/beta` and rho in
//! half widths, so that the width hardly depends on beta and f = 0 is the Gaussian.

use std::f64::consts::LN_2;

use serde::{Deserialize, Serialize};

use crate::image::RadialTable;
use crate::image::elementary::{exp_negative, ln_above_one};

/// Smallest 1/beta: beyond beta = 500 a Moffat is a Gaussian to 0.05 % of its width after the pixel.
pub(crate) const LEAST_INVERSE_BETA: f64 = 0.002;
/// Largest 1/beta: beta = 1.25; at beta = 1 the flux is infinite.
pub(crate) const MOST_INVERSE_BETA: f64 = 0.8;

/// Shape of a star image before the pixel.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Shape {
    /// Natural logarithm of the half width at half maximum (geometric mean of both axes), px.
    pub ln_half_width: f64,
    /// Elongation along +x (positive) or +y (negative): `sinh` of the logarithm of the axis ratio, times cos 2 theta.
    pub e1: f64,
    /// Elongation along the diagonals: the same times sin 2 theta.
    pub e2: f64,
    /// 1/beta.
    pub inverse_beta: f64,
}

impl Shape {
    /// From FWHM (geometric mean, px), ellipticity `1 - minor/major`, position angle of the major axis (radians from +x
    /// towards +y) and beta.
    pub fn new(fwhm_px: f64, ellipticity: f64, angle_rad: f64, beta: f64) -> Self {
        let ratio = 1.0 - ellipticity;
        let e = 0.5 * (ratio.recip() - ratio);
        let (sin, cos) = (2.0 * angle_rad).sin_cos();
        Self {
            ln_half_width: (0.5 * fwhm_px).ln(),
            e1: e * cos,
            e2: e * sin,
            inverse_beta: beta.recip().clamp(LEAST_INVERSE_BETA, MOST_INVERSE_BETA),
        }
    }

    /// FWHM, geometric mean of both axes, px.
    pub fn fwhm_px(&self) -> f64 {
        2.0 * self.ln_half_width.exp()
    }

    /// Minor over major axis.
    pub fn axis_ratio(&self) -> f64 {
        let e = self.e1.hypot(self.e2);
        (1.0 + e * e).sqrt() - e
    }

    /// 1 - minor/major.
    pub fn ellipticity(&self) -> f64 {
        1.0 - self.axis_ratio()
    }

    /// FWHM along the minor axis, px.
    pub fn minor_fwhm_px(&self) -> f64 {
        self.fwhm_px() * self.axis_ratio().sqrt()
    }

    /// FWHM along the major axis, px.
    pub fn major_fwhm_px(&self) -> f64 {
        self.fwhm_px() / self.axis_ratio().sqrt()
    }

    /// Position angle of the major axis, radians from +x towards +y, in [0, pi).
    pub fn angle_rad(&self) -> f64 {
        (0.5 * self.e2.atan2(self.e1)).rem_euclid(std::f64::consts::PI)
    }

    /// beta.
    pub fn beta(&self) -> f64 {
        self.inverse_beta.recip()
    }

    /// Flux of a profile of peak 1, px: `pi alpha^2 / (beta - 1)`.
    pub fn area_px(&self) -> f64 {
        let f = self.inverse_beta;
        let half_width2 = (2.0 * self.ln_half_width).exp();
        std::f64::consts::PI * half_width2 / ((f * LN_2).exp() - 1.0) * f / (1.0 - f)
    }

    /// Prepares a Moffat of this shape for evaluation.
    pub(crate) fn prepare(&self) -> Prepared {
        Prepared { form: self.form(), radial: Moffat::new(self.inverse_beta) }
    }

    /// Prepares the image of a table in this shape.
    pub(crate) fn filled_by<'a>(&self, table: &'a RadialTable) -> Prepared<&'a RadialTable> {
        Prepared { form: self.form(), radial: table }
    }

    pub(crate) fn form(&self) -> Form {
        let w = (1.0 + self.e1 * self.e1 + self.e2 * self.e2).sqrt();
        let s = (-2.0 * self.ln_half_width).exp();
        // Largest eigenvalue of the form is the inverse square of the narrower half width.
        let narrow = (s * (w + self.e1.hypot(self.e2))).sqrt().recip();
        let row = ORDER_LIMITS.iter().find(|(least, _)| narrow >= *least).map_or(&ORDER_LIMITS[13].1, |(_, row)| row);
        Form {
            order_limits: row.map(|limit| limit * limit),
            a: s * (w - self.e1),
            b: -s * self.e2,
            c: s * (w + self.e1),
            s,
            w,
            e1: self.e1,
            e2: self.e2,
        }
    }
}

/// The ellipse of a shape as a quadratic form, ready to be evaluated.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Form {
    pub a: f64,
    pub b: f64,
    pub c: f64,
    s: f64,
    w: f64,
    e1: f64,
    e2: f64,
    /// Squared distances from the centre, in half widths, within which 5, 4, 3 and 2 nodes a side are needed.
    order_limits: [f64; 4],
}

/// A round image of peak and half width 1, by the squared distance from its centre.
pub(crate) trait Radial: Copy {
    /// Value, derivative by the squared distance, derivative by 1/beta where that is free.
    fn at(&self, rho2: f64) -> (f64, f64, f64);

    /// Integrals over pixels so far from the core that the fewest nodes are enough.
    #[inline(always)]
    fn far(prepared: &Prepared<Self>, dx: &Lane, dy: &Lane) -> PixelValues {
        prepared.integrals(&FOUR, dx, dy)
    }
}

impl Radial for &RadialTable {
    #[inline(always)]
    fn at(&self, rho2: f64) -> (f64, f64, f64) {
        let (value, slope) = RadialTable::at(self, rho2);
        (value, slope, 0.0)
    }
}

/// The Moffat profile.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Moffat {
    pub f: f64,
    pub k: f64,
    dk_df: f64,
}

impl Moffat {
    fn new(f: f64) -> Self {
        let two_to_f = (f * LN_2).exp();
        Self { f, k: two_to_f - 1.0, dk_df: two_to_f * LN_2 }
    }
}

impl Radial for Moffat {
    #[inline(always)]
    fn at(&self, rho2: f64) -> (f64, f64, f64) {
        let inverse_f = self.f.recip();
        let t = 1.0 + self.k * rho2;
        let ln_t = ln_above_one(t);
        let value = exp_negative(-ln_t * inverse_f);
        let per_t = value * inverse_f / t;
        (value, -self.k * per_t, inverse_f * inverse_f * ln_t * value - self.dk_df * rho2 * per_t)
    }

    #[inline(always)]
    fn far(prepared: &Prepared<Self>, dx: &Lane, dy: &Lane) -> PixelValues {
        prepared.all_curved(dx, dy)
    }
}

/// A shape ready to be integrated over pixels.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Prepared<R = Moffat> {
    pub form: Form,
    pub radial: R,
}

/// Value of a pixel for peak 1, and its derivatives.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct PixelValue {
    pub value: f64,
    pub d_x0: f64,
    pub d_y0: f64,
    pub d_ln_half_width: f64,
    pub d_e1: f64,
    pub d_e2: f64,
    pub d_inverse_beta: f64,
}

/// Pixels worked on together, so that each operation is one instruction for several of them.
pub(crate) const LANES: usize = 8;
/// One number of each of them.
pub(crate) type Lane = [f64; LANES];

/// [`PixelValue`] of several pixels.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct PixelValues {
    pub value: Lane,
    pub d_x0: Lane,
    pub d_y0: Lane,
    pub d_ln_half_width: Lane,
    pub d_e1: Lane,
    pub d_e2: Lane,
    pub d_inverse_beta: Lane,
}

impl PixelValues {
    #[inline(always)]
    fn set(&mut self, lane: usize, pixel: PixelValue) {
        self.value[lane] = pixel.value;
        self.d_x0[lane] = pixel.d_x0;
        self.d_y0[lane] = pixel.d_y0;
        self.d_ln_half_width[lane] = pixel.d_ln_half_width;
        self.d_e1[lane] = pixel.d_e1;
        self.d_e2[lane] = pixel.d_e2;
        self.d_inverse_beta[lane] = pixel.d_inverse_beta;
    }
}

/// Nodes a side of a pixel, from 1 to this.
pub(crate) const ORDERS: usize = 5;

/// Gauss-Legendre nodes and weights on [-1/2, 1/2] (Abramowitz & Stegun 1964, table 25.4, halved).
pub(crate) const GAUSS_LEGENDRE: [&[(f64, f64)]; 4] = [
    &[(-0.288_675_134_594_812_9, 0.5), (0.288_675_134_594_812_9, 0.5)],
    &[
        (-0.387_298_334_620_741_7, 0.277_777_777_777_777_8),
        (0.0, 0.444_444_444_444_444_4),
        (0.387_298_334_620_741_7, 0.277_777_777_777_777_8),
    ],
    &[
        (-0.430_568_155_797_026_3, 0.173_927_422_568_727),
        (-0.169_990_521_792_428_1, 0.326_072_577_431_273),
        (0.169_990_521_792_428_1, 0.326_072_577_431_273),
        (0.430_568_155_797_026_3, 0.173_927_422_568_727),
    ],
    &[
        (-0.453_089_922_969_332, 0.118_463_442_528_094_54),
        (-0.269_234_655_052_841_6, 0.239_314_335_249_683_2),
        (0.0, 0.284_444_444_444_444_4),
        (0.269_234_655_052_841_6, 0.239_314_335_249_683_2),
        (0.453_089_922_969_332, 0.118_463_442_528_094_54),
    ],
];

/// Distance from the centre, in half widths, within which 5, 4, 3 and 2 nodes a side are needed, for profiles at least as
/// wide as the first number (narrower half width, px); beyond the last one node and the curvature there are enough. Found by
/// trial over beta 1.6 to 300 and ellipticity to 0.5 such that the pixel integral stays within 1e-4 of the peak; half widths
/// below 0.45 px are less exact.
const ORDER_LIMITS: [(f64, [f64; 4]); 14] = [
    (5.0, [0.0, 0.0, 0.0, 0.0]),
    (3.5, [0.0, 0.0, 0.0, 0.5]),
    (2.6, [0.0, 0.0, 0.5, 1.0]),
    (2.0, [0.0, 0.0, 0.5, 2.0]),
    (1.7, [0.0, 0.0, 1.5, 2.0]),
    (1.4, [0.0, 0.0, 2.0, 3.0]),
    (1.2, [0.0, 0.0, 2.5, 3.0]),
    (1.0, [0.0, 0.5, 3.0, 3.5]),
    (0.8, [0.0, 1.5, 3.5, 4.0]),
    (0.7, [0.0, 2.0, 4.0, 4.0]),
    (0.6, [1.0, 2.5, 4.0, 5.0]),
    (0.5, [1.5, 3.0, 5.0, 6.0]),
    (0.45, [2.0, 3.5, 5.0, 6.0]),
    (0.0, [3.0, 5.0, 7.0, 10.0]),
];

/// Nodes of a pixel for each order, as offsets and weights.
struct Nodes<const N: usize> {
    each: [(f64, f64, f64); N],
}

impl<const N: usize> Nodes<N> {
    const fn new(side: &[(f64, f64)]) -> Self {
        let mut each = [(0.0, 0.0, 0.0); N];
        let mut i = 0;
        while i < N {
            let (across, up) = (side[i % side.len()], side[i / side.len()]);
            each[i] = (across.0, up.0, across.1 * up.1);
            i += 1;
        }
        Self { each }
    }
}

static FOUR: Nodes<4> = Nodes::new(GAUSS_LEGENDRE[0]);
static NINE: Nodes<9> = Nodes::new(GAUSS_LEGENDRE[1]);
static SIXTEEN: Nodes<16> = Nodes::new(GAUSS_LEGENDRE[2]);
static TWENTY_FIVE: Nodes<25> = Nodes::new(GAUSS_LEGENDRE[3]);

/// Nodes of a pixel of one order, as offsets and weights; at least four.
#[inline(always)]
pub(crate) fn nodes(order: usize) -> &'static [(f64, f64, f64)] {
    match order {
        1 | 2 => &FOUR.each,
        3 => &NINE.each,
        4 => &SIXTEEN.each,
        _ => &TWENTY_FIVE.each,
    }
}

impl Form {
    /// Squared distance from the centre, in half widths.
    #[inline(always)]
    pub fn rho2(&self, x: f64, y: f64) -> f64 {
        self.a * x * x + 2.0 * self.b * x * y + self.c * y * y
    }

    /// Number of nodes a side at a distance from the centre, 1 to [`ORDERS`].
    #[inline(always)]
    pub fn order(&self, dx: f64, dy: f64) -> usize {
        let rho2 = self.rho2(dx, dy);
        ORDERS - self.order_limits.iter().filter(|limit| rho2 >= **limit).count()
    }

    /// Derivatives by width and elongation from those by the three elements of the form.
    #[inline(always)]
    pub fn shape_slopes(&self, by_a: f64, by_b: f64, by_c: f64) -> PixelValue {
        let (g1, g2) = (self.e1 / self.w, self.e2 / self.w);
        PixelValue {
            d_ln_half_width: -2.0 * (self.a * by_a + self.b * by_b + self.c * by_c),
            d_e1: self.s * ((g1 - 1.0) * by_a + (g1 + 1.0) * by_c),
            d_e2: self.s * (g2 * (by_a + by_c) - by_b),
            ..PixelValue::default()
        }
    }
}

impl<R: Radial> Prepared<R> {
    /// Integrals over pixels of one order, centred at (dx, dy) from the star, for peak 1, with their derivatives.
    #[inline(always)]
    pub fn pixels(&self, order: usize, dx: &Lane, dy: &Lane) -> PixelValues {
        match order {
            1 => R::far(self, dx, dy),
            2 => self.integrals(&FOUR, dx, dy),
            3 => self.integrals(&NINE, dx, dy),
            4 => self.integrals(&SIXTEEN, dx, dy),
            _ => self.integrals(&TWENTY_FIVE, dx, dy),
        }
    }

    #[inline(always)]
    fn integrals<const N: usize>(&self, nodes: &Nodes<N>, dx: &Lane, dy: &Lane) -> PixelValues {
        // Sums of I, dI/d(rho^2) times the products of the offsets, and dI/df.
        let [mut v, mut sx, mut sy, mut sxx, mut sxy, mut syy, mut sf] = [[0.0; LANES]; 7];
        for (nx, ny, weight) in &nodes.each {
            // For a Moffat one logarithm, one exponential and two divisions a node, in a loop without branches.
            for lane in 0..LANES {
                let (x, y) = (dx[lane] + nx, dy[lane] + ny);
                let (value, slope, by_f) = self.radial.at(self.form.rho2(x, y));
                let slope = weight * slope;
                v[lane] += weight * value;
                sf[lane] += weight * by_f;
                sx[lane] += slope * x;
                sy[lane] += slope * y;
                sxx[lane] += slope * x * x;
                sxy[lane] += slope * x * y;
                syy[lane] += slope * y * y;
            }
        }
        let form = &self.form;
        let mut all = PixelValues::default();
        for lane in 0..LANES {
            let pixel = PixelValue {
                value: v[lane],
                d_x0: -2.0 * (form.a * sx[lane] + form.b * sy[lane]),
                d_y0: -2.0 * (form.b * sx[lane] + form.c * sy[lane]),
                d_inverse_beta: sf[lane],
                ..form.shape_slopes(sxx[lane], 2.0 * sxy[lane], syy[lane])
            };
            all.set(lane, pixel);
        }
        all
    }
}

impl Prepared {
    #[inline(always)]
    fn all_curved(&self, dx: &Lane, dy: &Lane) -> PixelValues {
        let mut all = PixelValues::default();
        for lane in 0..LANES {
            all.set(lane, self.curved(dx[lane], dy[lane]));
        }
        all
    }

    /// Where the profile bends little within a pixel: its value at the centre plus a 24th of its Laplacian, the mean of a
    /// quadratic over the pixel.
    ///
    /// With q = rho^2, `I = t^(-1/f)`, `p = k/(f t)`: `dI/dq = -p I` and the Laplacian is
    /// `I L = I p (p (1 + f) S - 2 T)`, where S is the squared gradient of q and T the trace of its form.
    #[inline(always)]
    fn curved(&self, x: f64, y: f64) -> PixelValue {
        let (form, Moffat { f, k, dk_df }) = (&self.form, self.radial);
        let (a, b, c) = (form.a, form.b, form.c);
        let (gx, gy) = (a * x + b * y, b * x + c * y);
        let rho2 = gx * x + gy * y;
        let t = 1.0 + k * rho2;
        let ln_t = ln_above_one(t);
        let centre = exp_negative(-ln_t / f);
        let p = k / (f * t);
        let (s, trace) = (4.0 * (gx * gx + gy * gy), a + c);
        let bend = p * (1.0 + f) * s;
        let l = p * (bend - 2.0 * trace);
        // dL = along_p dp + p^2 (1 + f) dS - 2 p dT, and dp/dq = -p k/t.
        let along_p = 2.0 * (bend - trace);
        let (by_s, by_q) = (p * p * (1.0 + f), -along_p * p * k / t);
        let whole = centre * (1.0 + l / 24.0);
        let small = centre / 24.0;
        let slope = |dq: f64, ds: f64, dt: f64| -p * whole * dq + small * (by_q * dq + by_s * ds - 2.0 * p * dt);
        let by_a = slope(x * x, 8.0 * gx * x, 1.0);
        let by_b = slope(2.0 * x * y, 8.0 * (gx * y + gy * x), 0.0);
        let by_c = slope(y * y, 8.0 * gy * y, 1.0);
        let dp_df = p * (dk_df / k - 1.0 / f - dk_df * rho2 / t);
        PixelValue {
            value: whole,
            d_x0: -slope(2.0 * gx, 8.0 * (gx * a + gy * b), 0.0),
            d_y0: -slope(2.0 * gy, 8.0 * (gx * b + gy * c), 0.0),
            d_inverse_beta: whole * (ln_t / (f * f) - dk_df * rho2 / (f * t)) + small * (along_p * dp_df + p * p * s),
            ..form.shape_slopes(by_a, by_b, by_c)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Integral over one pixel and its derivatives.
    fn pixel(shape: &Prepared, dx: f64, dy: f64) -> PixelValue {
        let all = shape.pixels(shape.form.order(dx, dy), &[dx; LANES], &[dy; LANES]);
        PixelValue {
            value: all.value[0],
            d_x0: all.d_x0[0],
            d_y0: all.d_y0[0],
            d_ln_half_width: all.d_ln_half_width[0],
            d_e1: all.d_e1[0],
            d_e2: all.d_e2[0],
            d_inverse_beta: all.d_inverse_beta[0],
        }
    }

    #[test]
    fn shape_parameters_return_what_went_in() {
        let shape = Shape::new(3.4, 0.25, 0.7, 3.5);
        assert!((shape.fwhm_px() - 3.4).abs() < 1e-12);
        assert!((shape.ellipticity() - 0.25).abs() < 1e-12);
        assert!((shape.angle_rad() - 0.7).abs() < 1e-12);
        assert!((shape.major_fwhm_px() * shape.minor_fwhm_px() - 3.4 * 3.4).abs() < 1e-9);
    }

    // C1.6: peak 0.1193662 for flux 1, alpha 2, beta 2.5, whose FWHM is 2.261001 (C1.4).
    #[test]
    fn c1_6_area_is_the_inverse_of_the_peak_of_unit_flux() {
        let shape = Shape::new(2.261_001, 0.0, 0.0, 2.5);
        assert!((shape.area_px() * 0.119_366_2 - 1.0).abs() < 1e-5);
    }

    /// Stated accuracy of the pixel integral, of the peak.
    const PIXEL_INTEGRAL: f64 = 1e-4;

    #[test]
    fn the_chosen_order_keeps_the_pixel_integral() {
        for fwhm in [0.9, 1.1, 1.2, 1.6, 1.9, 2.5, 3.1, 5.0] {
            for (ellipticity, beta) in [(0.0, 2.5), (0.3, 4.0), (0.1, 10.0)] {
                let p = Shape::new(fwhm, ellipticity, 0.4, beta).prepare();
                for i in -40..=40 {
                    let (dx, dy) = (0.17 * f64::from(i), 0.11 * f64::from(i) + 0.2);
                    let (got, want) = (pixel(&p, dx, dy).value, p.fine(dx, dy));
                    assert!((got - want).abs() < PIXEL_INTEGRAL * p.fine(0.0, 0.0), "{fwhm} {beta} {dx}: {got} {want}");
                }
            }
        }
    }

    #[test]
    fn derivatives_match_differences() {
        let shape = Shape::new(2.6, 0.2, 0.5, 3.0);
        let at = |s: Shape, dx: f64, dy: f64| pixel(&s.prepare(), dx, dy).value;
        let h = 1e-6;
        // The last two lie where one node and the curvature stand for the pixel.
        for (dx, dy) in [(0.3, -0.2), (1.4, 0.9), (-2.1, 1.0), (4.5, -3.0), (-7.0, 2.0)] {
            let d = pixel(&shape.prepare(), dx, dy);
            let moved = |up: Shape, down: Shape| (at(up, dx, dy) - at(down, dx, dy)) / (2.0 * h);
            let wide = moved(
                Shape { ln_half_width: shape.ln_half_width + h, ..shape },
                Shape { ln_half_width: shape.ln_half_width - h, ..shape },
            );
            let e1 = moved(Shape { e1: shape.e1 + h, ..shape }, Shape { e1: shape.e1 - h, ..shape });
            let e2 = moved(Shape { e2: shape.e2 + h, ..shape }, Shape { e2: shape.e2 - h, ..shape });
            let f = moved(
                Shape { inverse_beta: shape.inverse_beta + h, ..shape },
                Shape { inverse_beta: shape.inverse_beta - h, ..shape },
            );
            let x0 = (at(shape, dx - h, dy) - at(shape, dx + h, dy)) / (2.0 * h);
            let y0 = (at(shape, dx, dy - h) - at(shape, dx, dy + h)) / (2.0 * h);
            for (got, want) in [
                (d.d_ln_half_width, wide),
                (d.d_e1, e1),
                (d.d_e2, e2),
                (d.d_inverse_beta, f),
                (d.d_x0, x0),
                (d.d_y0, y0),
            ] {
                assert!((got - want).abs() < 1e-7, "{got} {want}");
            }
        }
    }
}
