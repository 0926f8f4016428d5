//! Conversion gain: the published sums over one region, and means of several estimates.
//!
//! Sources: Janesick 2001, *Scientific Charge-Coupled Devices* (from memory); EMVA 1288 R3.1 section 6 (definitions).

/// Gain and read noise from the classic sums over one region of two flats and two biases.
///
/// `gain = (F1 + F2 - B1 - B2) / (sF^2 - sB^2)`, `read = gain sB / sqrt 2`, with the standard deviations of the two
/// differences. Returns (e-/ADU, e-). Source: Howell, *Handbook of CCD Astronomy*, section 4.3.
pub fn two_flats_two_biases(flats: [f64; 2], biases: [f64; 2], sigma_flat: f64, sigma_bias: f64) -> (f64, f64) {
    let signal = flats[0] + flats[1] - biases[0] - biases[1];
    let gain = signal / (sigma_flat * sigma_flat - sigma_bias * sigma_bias);
    (gain, gain * sigma_bias / std::f64::consts::SQRT_2)
}

/// Relative error of a gain from one region: `sqrt(2/(n-1)) sqrt(VF^2 + VB^2) / (VF - VB)`.
///
/// `flat` and `bias` are half the variances of the differences, `n` the number of pixels. Derived; Monte Carlo agrees.
pub fn relative_gain_error(flat: f64, bias: f64, n: usize) -> f64 {
    (2.0 / (n as f64 - 1.0)).sqrt() * flat.hypot(bias) / (flat - bias)
}

/// Weighted mean and its error, grown by `sqrt(chi2/dof)` where that is above 1. `None` when empty.
pub(crate) fn weighted_mean(values: &[(f64, f64)]) -> Option<(f64, f64)> {
    let weights: f64 = values.iter().map(|v| v.1.powi(-2)).sum();
    if values.is_empty() || !weights.is_finite() {
        return None;
    }
    let mean = values.iter().map(|v| v.0 * v.1.powi(-2)).sum::<f64>() / weights;
    let chi2: f64 = values.iter().map(|v| ((v.0 - mean) / v.1).powi(2)).sum();
    let grown = if values.len() > 1 { (chi2 / (values.len() - 1) as f64).max(1.0).sqrt() } else { 1.0 };
    Some((mean, grown / weights.sqrt()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats;

    /// Relative tolerance: the values are printed with six to seven digits.
    const PRINTED_DIGITS: f64 = 1e-6;

    fn near(got: f64, want: f64) {
        assert!((got / want - 1.0).abs() < PRINTED_DIGITS, "got {got}, want {want}");
    }

    // C4.1 and C4.2: evaluated outside this project. C4.3: University of Washington course report 2019 prints 0.4478
    // e-/ADU and 16.508 e-. C4.4: a second notebook of the same course, full precision.
    #[test]
    fn c4_1_to_c4_4_two_flats_and_two_biases() {
        for (f, b, sf, sb, gain, read) in [
            ([20530.0, 20410.0], [512.0, 510.0], 220.0, 11.3, 0.826_933_7, 6.607_454),
            ([32750.0, 32690.0], [1024.0, 1024.0], 512.0, 16.970_562_75, 0.242_087_3, 2.905_047),
            ([25295.2335, 25276.5989], [115.3643, 107.0679], 339.3378, 52.1308, 0.447_819, 16.507_52),
            (
                [3973.085, 4111.82],
                [117.3575, 125.485],
                148.829_549_40,
                50.850_479_29,
                0.400_831_972_084,
                14.412_602_478,
            ),
        ] {
            let got = two_flats_two_biases(f, b, sf, sb);
            near(got.0, gain);
            near(got.1, read);
        }
        let published = two_flats_two_biases([25295.2335, 25276.5989], [115.3643, 107.0679], 339.3378, 52.1308);
        assert_eq!(format!("{:.4} {:.3}", published.0, published.1), "0.4478 16.508");
    }

    // C4.5: numpy least squares outside this project; true gain 0.78 e-/ADU and read noise 2.9 e-.
    #[test]
    fn c4_5_photon_transfer_line() {
        let x = [500.0, 1000.0, 2000.0, 5000.0, 1e4, 2e4, 3e4, 4e4];
        let y = [655.497, 1292.146, 2583.481, 6441.253, 12763.594, 25560.442, 38489.357, 51250.075];
        let sigma: Vec<f64> = y.iter().map(|v| v * (2.0_f64 / 250_000.0).sqrt()).collect();
        let line = stats::weighted_line(&x, &y, &sigma).unwrap();
        near(line.slope, 1.280_332_6);
        near(1.0 / line.slope, 0.781_047_0);
        assert!((line.slope_sigma - 0.001_604_2).abs() < 1e-7 && (line.intercept - 15.079_39).abs() < 1e-4);
        assert!(
            ((line.intercept - 1.0 / 12.0).sqrt() / line.slope - 3.024_585).abs() < 1e-5
                && (line.chi2 - 7.143_0).abs() < 1e-3
        );
        // The truth lies within two standard errors.
        assert!((1.0 / line.slope - 0.78).abs() < 2.0 * line.slope_sigma / line.slope.powi(2));
    }

    // C4.6: closed form and 400 Monte Carlo trials (0.01415) outside this project.
    #[test]
    fn c4_6_relative_error_of_a_gain() {
        assert!((relative_gain_error(15_025.0, 25.0, 10_000) - 0.014_166_4).abs() < 1e-6);
    }

    #[test]
    fn pairs_that_disagree_widen_the_error() {
        let (mean, error) = weighted_mean(&[(1.0, 0.1), (2.0, 0.1)]).unwrap();
        assert!((mean - 1.5).abs() < 1e-12 && (error - 0.5).abs() < 1e-12);
    }
}
