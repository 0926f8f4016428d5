//! Elongation over the frame: a constant, a part linear in position, and a radial or tangential part.
//!
//! `chi = (a^2 - b^2)/(a^2 + b^2) (cos 2 theta + i sin 2 theta) = c0 + c1 w + c2 w^2` with the place `w = u + iv` in half
//! diagonals from the centre. Astigmatism of a corrector has such a pattern, and one misaligned has the lower terms too
//! (Schechter & Levinson 2011, arXiv 1009.0708; Jarvis, Schechter & Jain 2008, arXiv 0810.0027); drift adds to c0 alone.

use statrs::function::gamma::gamma_ur;

use crate::stars::StarFit;
use crate::stats::grouped::{GroupedFit, Row, fit_grouped};

use super::Placed;

/// Elongation of a fitted star and the error of either component.
///
/// The fit's vector has the length sinh of the logarithm of the axis ratio; this one has tanh of it.
pub fn chi(fit: &StarFit) -> ([f64; 2], [f64; 2]) {
    let (e1, e2) = (fit.shape.e1, fit.shape.e2);
    let w = (1.0 + e1 * e1 + e2 * e2).sqrt();
    ([e1 / w, e2 / w], [fit.sigma_e1 / w, fit.sigma_e2 / w])
}

/// 1 - minor/major of a length of chi.
pub fn ellipticity(chi: f64) -> f64 {
    let c = chi.abs().min(1.0);
    1.0 - ((1.0 - c) / (1.0 + c)).sqrt()
}

/// Part of chi along the direction `angle_rad` from the centre: positive radial, negative tangential.
pub fn radial_part(chi: [f64; 2], angle_rad: f64) -> f64 {
    let (s, c) = (2.0 * angle_rad).sin_cos();
    chi[0] * c + chi[1] * s
}

/// The fitted pattern.
pub(crate) struct Elongation {
    /// Common terms: both parts of c1, both parts of c2.
    pub fit: GroupedFit<4>,
    /// c0, mean over the frames.
    pub constant: [f64; 2],
    /// Error of either part of c0.
    pub constant_sigma: f64,
    /// Chance that the frames' constants differ by errors alone; `None` with one frame.
    pub change_chance: Option<f64>,
    /// Standard deviation of either part of c0 from frame to frame, beyond its errors.
    pub change: f64,
}

/// Fits the pattern to the stars of `frames` frames.
pub(crate) fn fit(stars: &[Placed], frames: usize) -> Option<Elongation> {
    let rows: Vec<Row<4>> = stars
        .iter()
        .flat_map(|s| {
            let (u, v) = (s.u, s.v);
            let (c, d) = (u * u - v * v, 2.0 * u * v);
            let row = |part: usize, basis| Row {
                group: 2 * s.frame + part,
                frame: s.frame,
                place: s.place,
                y: s.chi[part],
                sigma: s.chi_sigma[part],
                basis,
            };
            [row(0, [u, -v, c, -d]), row(1, [v, u, d, c])]
        })
        .collect();
    let fit = fit_grouped(&rows)?;
    let part = |k: usize| (0..frames).map(move |f| 2 * f + k);
    let (first, second) = (fit.mean_level(part(0))?, fit.mean_level(part(1))?);
    let constant = [first.0, second.0];
    // Scatter of two parts about their weighted means, against what their errors explain.
    let (mut chi2, mut freedom, mut excess) = (0.0, 0usize, 0.0);
    for k in 0..2 {
        let levels: Vec<_> = part(k).filter_map(|g| fit.levels[g].as_ref()).collect();
        let weight: f64 = levels.iter().map(|l| l.sigma.powi(-2)).sum();
        let mean = levels.iter().map(|l| l.value * l.sigma.powi(-2)).sum::<f64>() / weight;
        chi2 += levels.iter().map(|l| ((l.value - mean) / l.sigma).powi(2)).sum::<f64>();
        freedom += levels.len().saturating_sub(1);
        let n = levels.len().max(2) as f64;
        let scatter = levels.iter().map(|l| (l.value - mean).powi(2)).sum::<f64>() / (n - 1.0);
        excess += 0.5 * (scatter - levels.iter().map(|l| l.sigma * l.sigma).sum::<f64>() / n);
    }
    let change_chance = (freedom > 0).then(|| gamma_ur(freedom as f64 / 2.0, (chi2 / 2.0).max(1e-300)));
    let constant_sigma = (0.5 * (first.1.powi(2) + second.1.powi(2))).sqrt();
    Some(Elongation { fit, constant, constant_sigma, change_chance, change: excess.max(0.0).sqrt() })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stars::Shape;

    /// The table's values have six digits.
    const DIGITS: f64 = 1e-6;

    // C8.6: a trail of 3 px through a star of sigma 1.5 px; evaluated outside this project.
    #[test]
    fn c8_6_a_trail_draws_a_star_out() {
        let major = (1.5f64.powi(2) + 9.0 / 12.0).sqrt();
        let ratio = 1.5 / major;
        let chi = (major * major - 2.25) / (major * major + 2.25);
        assert!((chi - 0.142_857).abs() < DIGITS && (ellipticity(chi) - 0.133_975).abs() < DIGITS);
        assert!((1.0 - ratio - ellipticity(chi)).abs() < 1e-12);
        // The same star as the fit describes it.
        let shape = Shape::new(3.0, 1.0 - ratio, 0.0, 3.0);
        let w = (1.0 + shape.e1 * shape.e1).sqrt();
        assert!((shape.e1 / w - 0.142_857).abs() < DIGITS);
    }

    // C8.7 and C8.8: astigmatism at f/5 with 3.76 um pixels, fans 60 and 20 um from focus, at 30 degrees.
    #[test]
    fn c8_7_and_c8_8_astigmatism_is_radial_or_tangential() {
        let moments = |radial_um: f64, tangential_um: f64| {
            let blur = |dz: f64| super::super::defocus::blur_variance_px2(dz, 5.0, 3.76);
            let (r, t) = (2.25 + blur(radial_um), 2.25 + blur(tangential_um));
            let (s, c) = 30f64.to_radians().sin_cos();
            [r * c * c + t * s * s, r * s * s + t * c * c, (r - t) * s * c]
        };
        let chi = |[xx, yy, xy]: [f64; 3]| [(xx - yy) / (xx + yy), 2.0 * xy / (xx + yy)];
        let m = moments(60.0, 20.0);
        for (got, want) in m.iter().zip([2.745_13, 2.462_20, 0.245_03]) {
            assert!((got - want).abs() < 1e-5, "{m:?}");
        }
        let c = chi(m);
        assert!((c[0] - 0.054_334).abs() < DIGITS && (c[1] - 0.094_109).abs() < DIGITS);
        let along = |m| radial_part(chi(m), 30f64.to_radians());
        assert!((along(m) - 0.108_667).abs() < DIGITS);
        assert!((along(moments(20.0, 60.0)) + 0.108_667).abs() < DIGITS);
        assert!(along(moments(40.0, 40.0)).abs() < 1e-12 && along(moments(40.0, -40.0)).abs() < 1e-12);
    }
}
