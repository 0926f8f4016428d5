//! An exponential with an optional floor, fitted in linear space.

/// `y = floor + amplitude exp(exponent u)`.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Exponential {
    pub amplitude: f64,
    pub exponent: f64,
    pub floor: f64,
    /// Covariance in the order amplitude, exponent, floor; from the stated errors alone.
    pub covariance: [[f64; 3]; 3],
    pub chi2: f64,
    pub degrees_of_freedom: usize,
}

/// Weighted least squares in linear space. The linear parameters are solved for each exponent, which is searched.
///
/// `None` with fewer points than parameters, equal `u`, or an amplitude that is not positive.
pub(crate) fn fit_exponential(u: &[f64], y: &[f64], sigma: &[f64], with_floor: bool) -> Option<Exponential> {
    let parameters = if with_floor { 3 } else { 2 };
    let (low, high) = u.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(*v), h.max(*v)));
    let span = high - low;
    if u.len() < parameters || span.is_nan() || span <= 0.0 || sigma.iter().any(|s| s.is_nan() || *s <= 0.0) {
        return None;
    }
    let solve = |p: f64| linear_part(u, y, sigma, p, with_floor);
    let chi2 = |p: f64| solve(p).map_or(f64::INFINITY, |s| s.2);
    // From a rise of 2 % over the range to one by e^20; a logarithmic grid finds the valley, the golden section its foot.
    const GRID: usize = 400;
    let at = |i: f64| (0.02f64.ln() + (20f64.ln() - 0.02f64.ln()) * i / GRID as f64).exp() / span;
    let best = (0..=GRID).min_by(|a, b| chi2(at(*a as f64)).total_cmp(&chi2(at(*b as f64))))?;
    let (mut a, mut b) = (at(best as f64 - 1.0), at(best as f64 + 1.0));
    let ratio = 0.5 * (5f64.sqrt() - 1.0);
    for _ in 0..80 {
        let (c, d) = (b - ratio * (b - a), a + ratio * (b - a));
        if chi2(c) < chi2(d) { b = d } else { a = c }
    }
    let exponent = 0.5 * (a + b);
    let (amplitude, floor, chi2) = solve(exponent)?;
    if amplitude.is_nan() || amplitude <= 0.0 {
        return None;
    }
    let covariance = covariance(u, sigma, amplitude, exponent, with_floor)?;
    Some(Exponential { amplitude, exponent, floor, covariance, chi2, degrees_of_freedom: u.len() - parameters })
}

/// (amplitude, floor, chi2) for a given exponent.
fn linear_part(u: &[f64], y: &[f64], sigma: &[f64], p: f64, with_floor: bool) -> Option<(f64, f64, f64)> {
    let (mut sff, mut sf, mut s, mut sfy, mut sy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for i in 0..u.len() {
        let (f, w) = ((p * u[i]).exp(), sigma[i].powi(-2));
        sff += w * f * f;
        sf += w * f;
        s += w;
        sfy += w * f * y[i];
        sy += w * y[i];
    }
    let (amplitude, floor) = if with_floor {
        let determinant = sff * s - sf * sf;
        ((s * sfy - sf * sy) / determinant, (sff * sy - sf * sfy) / determinant)
    } else {
        (sfy / sff, 0.0)
    };
    let chi2 = (0..u.len()).map(|i| ((y[i] - floor - amplitude * (p * u[i]).exp()) / sigma[i]).powi(2)).sum::<f64>();
    chi2.is_finite().then_some((amplitude, floor, chi2))
}

fn covariance(u: &[f64], sigma: &[f64], amplitude: f64, p: f64, with_floor: bool) -> Option<[[f64; 3]; 3]> {
    let mut normal = nalgebra::Matrix3::zeros();
    for (u, sigma) in u.iter().zip(sigma) {
        let f = (p * u).exp();
        let row = nalgebra::Vector3::new(f, amplitude * u * f, f64::from(u8::from(with_floor))) / *sigma;
        normal += row * row.transpose();
    }
    if !with_floor {
        normal[(2, 2)] = 1.0;
    }
    let mut inverse = normal.try_inverse()?;
    if !with_floor {
        inverse[(2, 2)] = 0.0;
    }
    Some(std::array::from_fn(|i| std::array::from_fn(|j| inverse[(i, j)])))
}

#[cfg(test)]
mod tests {
    use super::super::law::arrhenius_coordinate;
    use super::*;
    use crate::stats::weighted_line;

    /// Relative tolerance: the check values are printed with five to seven digits.
    const PRINTED_DIGITS: f64 = 2e-5;

    fn near(got: f64, want: f64) {
        assert!((got / want - 1.0).abs() < PRINTED_DIGITS, "got {got}, want {want}");
    }

    fn doubling_of(exponent: f64) -> f64 {
        std::f64::consts::LN_2 / exponent
    }

    // "Temp vs Dark Current" of a University of Washington CCD course: 120 s darks less bias, C and ADU.
    const COURSE: [(f64, f64); 15] = [
        (-15.0, 13.0),
        (-10.0, 15.0),
        (-8.0, 16.0),
        (-6.0, 17.0),
        (-4.2, 19.0),
        (-2.3, 22.0),
        (0.0, 24.0),
        (2.0, 28.0),
        (3.6, 32.0),
        (5.8, 37.0),
        (8.2, 43.0),
        (10.0, 50.0),
        (12.8, 62.0),
        (16.2, 89.0),
        (20.0, 139.0),
    ];

    fn course() -> (Vec<f64>, Vec<f64>) {
        COURSE.into_iter().unzip()
    }

    fn log_line(t: &[f64], d: &[f64], sigma: &[f64]) -> crate::stats::Line {
        let y: Vec<f64> = d.iter().map(|d| d.ln()).collect();
        weighted_line(t, &y, sigma).unwrap()
    }

    // C5.7: DESI-3358 slide 9, commissioning cameras; the published fit prints D(0) = 0.0957 and Td = 6.774.
    #[test]
    fn c5_7_published_doubling_of_commissioning_cameras() {
        let (t, d) = ([0.0, 5.0, 10.0, 20.0], [0.08, 0.16, 0.38, 0.62]);
        let line = log_line(&t, &d, &[1.0; 4]);
        near(doubling_of(line.slope), 6.7736);
        assert_eq!(format!("{:.4} {:.3}", line.intercept.exp(), doubling_of(line.slope)), "0.0957 6.774");
        assert!((line.slope_sigma * (line.chi2 / 2.0).sqrt() - 0.020_857).abs() < 1e-6);
        let u: Vec<f64> = t.iter().map(|t| arrhenius_coordinate(*t, 0.0)).collect();
        let line = log_line(&u, &d, &[1.0; 4]);
        near(line.slope, 0.711_63);
        assert!((line.slope_sigma * (line.chi2 / 2.0).sqrt() - 0.134_50).abs() < 1e-5);
    }

    // C5.8: scipy curve_fit outside this project. An offset that is left out doubles the doubling step.
    #[test]
    fn c5_8_an_offset_left_out_spoils_the_doubling_step() {
        let (t, d) = course();
        let ones = [1.0; 15];
        let with = fit_exponential(&t, &d, &ones, true).unwrap();
        near(with.floor, 12.620_3);
        near(with.amplitude, 11.045_3);
        near(doubling_of(with.exponent), 5.718_0);
        let grown = (with.chi2 / with.degrees_of_freedom as f64).sqrt();
        assert!((with.covariance[2][2].sqrt() * grown - 0.983).abs() < 1e-3);
        let error = doubling_of(with.exponent) / with.exponent * with.covariance[1][1].sqrt() * grown;
        assert!((error - 0.176_9).abs() < 1e-4, "{error}");
        near(doubling_of(fit_exponential(&t, &d, &ones, false).unwrap().exponent), 7.876_4);
        near(doubling_of(log_line(&t, &d, &ones).slope), 10.253_2);
    }

    // C5.9: scipy curve_fit outside this project.
    #[test]
    fn c5_9_activated_part_and_floor() {
        let (t, d) = course();
        let u: Vec<f64> = t.iter().map(|t| arrhenius_coordinate(*t, 0.0)).collect();
        let fit = fit_exponential(&u, &d, &[1.0; 15], true).unwrap();
        near(fit.floor, 13.812_2);
        near(fit.amplitude, 9.609_1);
        near(fit.exponent, 0.880_24);
        let grown = (fit.chi2 / fit.degrees_of_freedom as f64).sqrt();
        assert!((fit.covariance[1][1].sqrt() * grown - 0.030_66).abs() < 1e-5);
    }

    // C5.10: the course's own fit of `alpha exp(-Eg / 2 k T)` to 2.3 e-/ADU over 120 s, without a floor; its notebooks
    // print Eg = 1.22052 eV and alpha = 7.70989e10, with k = 8.6175e-5 eV/K.
    #[test]
    fn c5_10_published_band_gap_of_the_course() {
        const K: f64 = 8.617_5e-5;
        let (t, d) = course();
        let rates: Vec<f64> = d.iter().map(|d| 2.3 * d / 120.0).collect();
        let u: Vec<f64> = t.iter().map(|t| arrhenius_coordinate(*t, 0.0)).collect();
        let fit = fit_exponential(&u, &rates, &[1.0; 15], false).unwrap();
        let gap = 2.0 * fit.exponent * K / crate::units::BOLTZMANN_EV_PER_K;
        near(gap, 1.220_52);
        // alpha is the exponential of some 26: five digits of the gap give three of it.
        let alpha = fit.amplitude * (gap / (2.0 * K * 273.15)).exp();
        assert!((alpha / 7.709_89e10 - 1.0).abs() < 1e-3, "{alpha}");
    }

    // C5.11 and C5.12: numpy and scipy outside this project.
    #[test]
    fn c5_11_and_c5_12_log_line_and_linear_space() {
        let t = [-10.0, 0.0, 10.0, 20.0, 30.0];
        let d = [0.012, 0.036, 0.105, 0.280, 0.740];
        let s = [0.002, 0.003, 0.006, 0.012, 0.025];
        let relative: Vec<f64> = s.iter().zip(&d).map(|(s, d)| s / d).collect();
        let line = log_line(&t, &d, &relative);
        near(line.slope, 0.100_160_0);
        near(line.slope_sigma, 0.002_199_8);
        near(doubling_of(line.slope), 6.920_40);
        near(line.intercept.exp(), 0.037_147_3);
        let u: Vec<f64> = t.iter().map(|t| arrhenius_coordinate(*t, 0.0)).collect();
        let line = log_line(&u, &d, &relative);
        near(line.slope, 0.717_773);
        near(line.slope_sigma, 0.015_761);
        near(line.chi2, 0.569_28);
        near(doubling_of(fit_exponential(&t, &d, &s, false).unwrap().exponent), 6.908_208);
    }

    // C5.13: scipy curve_fit outside this project; a negative rate takes part.
    #[test]
    fn c5_13_a_negative_rate_keeps_its_weight() {
        let t = [-20.0, -10.0, 0.0, 10.0, 20.0];
        let d = [-0.001, 0.011, 0.030, 0.098, 0.300];
        let s = [0.004, 0.004, 0.004, 0.005, 0.008];
        let fit = fit_exponential(&t, &d, &s, false).unwrap();
        near(fit.amplitude, 0.031_030_2);
        near(doubling_of(fit.exponent), 6.104_03);
        let error = doubling_of(fit.exponent) / fit.exponent * fit.covariance[1][1].sqrt();
        assert!((error - 0.231_95).abs() < 2e-4, "{error}");
    }
}
