//! The image that a frame's stars share: turbulence with blur and diffraction, learned from its brightest isolated stars.

use nalgebra::{DMatrix, DVector};
use serde::Serialize;

use super::equations::{INVERSE_BETA, WIDTH};
use super::joint::{Eliminated, JointStar, Slopes, StarEquations, moved};
use crate::image::transfer::Seeing;
use crate::image::{Aperture, ImageParts, RadialTable};
use crate::stats::{MAD_TO_SIGMA, median};

/// Steps allowed; well-behaved frames need 4 to 7.
const MOST_STEPS: usize = 12;
/// Gain in chi2 that a step promises below which it is the last: what is left after it is the square of that.
const LAST_GAIN: f64 = 0.5;
/// Gain of a step below which each star's own pull on the shared parameters is told.
const NEAR_GAIN: f64 = 30.0;
/// Fewest stars that an image is learned from.
pub(crate) const LEAST_STARS: usize = 3;
/// Squared pull of a star a shared parameter, over the typical one, from which it is none of the frame's.
const MOST_PULL2: f64 = 20.0;
/// Longest step of a shared parameter, in steps of its slope.
const LONGEST_STEP: f64 = 6.0;
/// Largest share of the half width that diffraction can have, as wavelength over aperture: its own FWHM is 1.029 of that, and
/// something is left for the air.
const MOST_WAVE: f64 = 1.85;

/// What is known of the telescope's diffraction.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Diffraction {
    /// Wavelength over aperture, px.
    pub wave_px: f64,
    /// Diameter of the central obstruction over that of the aperture, where it is known.
    pub obstruction: Option<f64>,
}

/// A shared parameter: its range, what is expected before a frame is seen, and the step that tells its slope.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Expected {
    pub range: (f64, f64),
    pub mean: f64,
    pub sigma: f64,
    pub step: f64,
}

/// 1/beta of the Moffat. Kolmogorov's turbulence is met best at 0.43 with a Gaussian of 0.62, single Moffats of real nights lie
/// at 0.2 to 0.4 (common practice, no source): one sigma holds both.
const WINGS: Expected = Expected { range: (0.1, 0.62), mean: 0.42, sigma: 0.12, step: 0.02 };
/// Share of the Gaussian in the squared half widths.
const GAUSSIAN: Expected = Expected { range: (0.0, 0.95), mean: 0.4, sigma: 0.3, step: 0.03 };
/// Obstruction of an aperture whose own is not stated: none of a refractor, up to a half of a reflector.
const OBSTRUCTION: Expected = Expected { range: (0.0, 0.5), mean: 0.2, sigma: 0.2, step: 0.05 };
/// Wavelength over an aperture that is not stated, in half widths: from the largest telescopes to the smallest.
const WAVE: Expected = Expected { range: (0.0, 1.8), mean: 0.4, sigma: 0.4, step: 0.05 };

/// Which parameters are shared, and what the others are.
pub(crate) struct Law {
    diffraction: Option<Diffraction>,
    pub expected: Vec<Expected>,
}

impl Law {
    fn of(diffraction: Option<Diffraction>) -> Self {
        let mut expected = vec![WINGS, GAUSSIAN];
        match diffraction {
            Some(d) if d.obstruction.is_none() => expected.push(OBSTRUCTION),
            None => expected.push(WAVE),
            Some(_) => (),
        }
        Self { diffraction, expected }
    }

    fn parts(&self, theta: &DVector<f64>, half_width_px: f64) -> ImageParts {
        let aperture = match self.diffraction {
            Some(d) => {
                let wave = (d.wave_px / half_width_px).min(MOST_WAVE);
                Aperture { wave, obstruction: d.obstruction.unwrap_or_else(|| theta[2]) }
            }
            None => Aperture { wave: theta[2], obstruction: 0.0 },
        };
        ImageParts { inverse_beta: theta[0], gaussian: theta[1], aperture: Some(aperture) }
    }

    /// Near the Moffats that the stars were fitted with.
    fn start(&self, stars: &[JointStar]) -> DVector<f64> {
        let inverse_beta = median(&stars.iter().map(|s| s.p[INVERSE_BETA]).collect::<Vec<_>>()).unwrap_or(WINGS.mean);
        let mut start = DVector::zeros(self.expected.len());
        start[0] = inverse_beta.clamp(WINGS.range.0, WINGS.range.1);
        if self.diffraction.is_some() && start.len() > 2 {
            start[2] = OBSTRUCTION.mean;
        }
        start
    }

    /// Solves normal equations with what is expected of the parameters, the first ones; one that would leave its range is held.
    /// Gives covariance and step.
    pub fn solved(
        &self,
        theta: &DVector<f64>,
        mut curvature: DMatrix<f64>,
        mut gradient: DVector<f64>,
    ) -> Option<(DMatrix<f64>, DVector<f64>)> {
        for (k, e) in self.expected.iter().enumerate() {
            let w = e.sigma.powi(-2);
            curvature[(k, k)] += w;
            gradient[k] += w * (e.mean - theta[k]);
        }
        loop {
            let covariance = curvature.clone().cholesky()?.inverse();
            let step = &covariance * &gradient;
            let leaves = self.expected.iter().enumerate().position(|(k, e)| {
                let (to, held) = (theta[k] + step[k], curvature[(k, k)] == HELD);
                !held && ((theta[k] <= e.range.0 && to < e.range.0) || (theta[k] >= e.range.1 && to > e.range.1))
            });
            let Some(k) = leaves else { return Some((covariance, step)) };
            curvature.row_mut(k).fill(0.0);
            curvature.column_mut(k).fill(0.0);
            (curvature[(k, k)], gradient[k]) = (HELD, 0.0);
        }
    }
}

/// Weight of a parameter that stays where it is.
const HELD: f64 = 1e20;

/// The image at shared parameters, and its slopes.
pub(crate) struct Here {
    pub parts: ImageParts,
    pub table: RadialTable,
    pub slopes: Vec<RadialTable>,
    /// Slope with the diffraction in half widths, and its value; where it is known.
    pub diffraction: Option<(RadialTable, f64)>,
}

impl Here {
    fn of(law: &Law, theta: &DVector<f64>, half_width_px: f64) -> Self {
        let seeing = Seeing::moffat(theta[0]);
        let parts = law.parts(theta, half_width_px);
        let table = RadialTable::with(&seeing, &parts);
        let slope = |image: RadialTable, step: f64| image.combined(step.recip(), &table, -step.recip());
        let one = |(k, e): (usize, &Expected)| {
            let mut there = theta.clone();
            let step = if theta[k] + e.step > e.range.1 { -e.step } else { e.step };
            there[k] += step;
            let parts = law.parts(&there, half_width_px);
            slope(if k == 0 { RadialTable::image(&parts) } else { RadialTable::with(&seeing, &parts) }, step)
        };
        let slopes = law.expected.iter().enumerate().map(one).collect();
        let diffraction = parts.aperture.filter(|_| law.diffraction.is_some()).map(|a| {
            let step = -0.03 * a.wave;
            let aperture = Some(Aperture { wave: a.wave + step, ..a });
            (slope(RadialTable::with(&seeing, &ImageParts { aperture, ..parts }), step), a.wave)
        });
        Self { parts, table, slopes, diffraction }
    }
}

/// Normal equations of all stars for what they share.
pub(crate) struct Together {
    pub curvature: DMatrix<f64>,
    pub gradient: DVector<f64>,
    /// Each star's own; `None` where its pixels do not tell them.
    pub of_stars: Vec<Option<Eliminated>>,
}

impl Together {
    pub fn of(stars: &[JointStar], table: &RadialTable, slopes: &Slopes) -> Self {
        let m = slopes.number();
        let mut all = Self { curvature: DMatrix::zeros(m, m), gradient: DVector::zeros(m), of_stars: Vec::new() };
        for star in stars {
            let own = StarEquations::of(star, table, slopes).eliminated();
            if let Some(own) = &own {
                all.curvature += &own.curvature;
                all.gradient += &own.gradient;
            }
            all.of_stars.push(own);
        }
        all
    }
}

/// Stars and their image where they agree.
pub(crate) struct Agreed {
    pub law: Law,
    pub theta: DVector<f64>,
    pub stars: Vec<JointStar>,
    pub here: Here,
}

/// Learns the image that stars share; those that pull away from the others are left out. `None` where fewer than
/// [`LEAST_STARS`] stay.
pub(crate) fn agree(mut stars: Vec<JointStar>, diffraction: Option<Diffraction>) -> Option<Agreed> {
    let law = Law::of(diffraction);
    let mut theta = law.start(&stars);
    for round in 0..MOST_STEPS {
        if stars.len() < LEAST_STARS {
            return None;
        }
        let here = Here::of(&law, &theta, half_width(&stars));
        let all = Together::of(&stars, &here.table, &Slopes::of(here.slopes, here.diffraction));
        let (_, mut step) = law.solved(&theta, all.curvature.clone(), all.gradient.clone())?;
        let reach = |(d, e): (&f64, &Expected)| LONGEST_STEP * e.step / d.abs().max(1e-300);
        let factor = step.iter().zip(&law.expected).map(reach).fold(1.0, f64::min);
        for (k, e) in law.expected.iter().enumerate() {
            step[k] = (theta[k] + factor * step[k]).clamp(e.range.0, e.range.1) - theta[k];
        }
        let gain = (&all.curvature * &step).dot(&step);
        let mut of_stars = all.of_stars;
        if round > 1 && gain < NEAR_GAIN {
            leave_out_the_odd(&mut of_stars);
        }
        let mut of_stars = of_stars.iter();
        stars.retain_mut(|star| {
            let own = of_stars.next().and_then(Option::as_ref);
            own.inspect(|own| star.p = moved(&star.p, &own.own_step(&step))).is_some()
        });
        theta += &step;
        if gain < LAST_GAIN && round > 1 && factor == 1.0 {
            break;
        }
    }
    let here = Here::of(&law, &theta, half_width(&stars));
    (stars.len() >= LEAST_STARS && theta.iter().all(|t| t.is_finite())).then_some(Agreed { law, theta, stars, here })
}

/// Takes out the equations of stars that pull much more on the shared parameters than is typical.
fn leave_out_the_odd(of_stars: &mut [Option<Eliminated>]) {
    let pulls: Vec<f64> = of_stars.iter().map(|own| own.as_ref().map_or(f64::INFINITY, pull2)).collect();
    // Where no star obeys the model none is odd.
    let most = MOST_PULL2 * median(&pulls).unwrap_or(1.0).max(1.0);
    for (own, pull) in of_stars.iter_mut().zip(pulls) {
        *own = own.take().filter(|_| pull <= most);
    }
}

/// Squared pull of a star on the shared parameters, a parameter.
fn pull2(own: &Eliminated) -> f64 {
    let inverse = own.curvature.clone().pseudo_inverse(1e-12);
    inverse.map_or(0.0, |i| (i * &own.gradient).dot(&own.gradient) / own.gradient.len() as f64)
}

/// Median half width of stars, px.
pub(crate) fn half_width(stars: &[JointStar]) -> f64 {
    median(&stars.iter().map(|s| s.p[WIDTH].exp()).collect::<Vec<_>>()).unwrap_or(1.0)
}

/// Parameters of a star that its lit pixels tell: peak, place, width and elongation take up as much of their scatter.
const TAKEN_UP: f64 = 6.0;
/// Least share of the scatter that is left by them: below it nothing is told.
const LEAST_LEFT: f64 = 0.2;
/// Halvings of the bracket of the variance by light: to a millionth.
const HALVINGS: usize = 40;

impl Agreed {
    /// Conversion gain, e-/ADU, that the stars' scatter about their image shows: `variance = sky + light / gain`, such that half of
    /// the lit pixels lie within the normal law's quartile. A median, since hot pixels beside stars scatter by far more.
    /// `None` where the scatter does not grow with the light.
    pub fn e_per_adu(&self) -> Option<f64> {
        let of = |star: &JointStar| {
            let sky = star.noise.sky_adu2;
            let lit = star.residuals(&self.here.table).into_iter().filter(move |r| r.light > sky.sqrt());
            lit.map(move |r| (r.light, r.residual * r.residual, sky)).collect::<Vec<_>>()
        };
        let lit: Vec<(f64, f64, f64)> = self.stars.iter().flat_map(of).collect();
        let left = 1.0 - TAKEN_UP * self.stars.len() as f64 / lit.len() as f64;
        // The median of the square of a normal value of variance 1.
        let half = left * MAD_TO_SIGMA.powi(-2);
        let exceeds = |per_light: f64| {
            let pulls: Vec<f64> = lit.iter().map(|(light, square, sky)| square / (sky + per_light * light)).collect();
            median(&pulls).is_some_and(|m| m > half)
        };
        if left < LEAST_LEFT || !exceeds(0.0) {
            return None;
        }
        let mut high = 1.0;
        while exceeds(high) {
            high *= 2.0;
        }
        let mut low = 0.0;
        for _ in 0..HALVINGS {
            let middle = 0.5 * (low + high);
            if exceeds(middle) { low = middle } else { high = middle }
        }
        Some(high.recip())
    }
}
