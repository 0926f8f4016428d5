//! The sensor of the invented night that the tests of this stage use.

use super::model::{SensorEntry, SensorSettings};
use super::sample::{DARK_NOW, EA_EV, HOSTILE, NOW_C, READ_E, dark_at};
use crate::facts::sensor::{DarkModel, DarkRates};
use crate::facts::{Quantity, Source};
use crate::sensor::{
    CalibrationCounts, DarkCurrent, DarkLaw, DarkPoint, HotPixels, PhotonTransferPoint, PixelDarkRates, RateQuantile,
    RateStep, ReadNoiseTail, SensorResult, TransferFit, Vignetting,
};

pub(crate) fn sensor() -> SensorEntry {
    let transfer = [900.0, 4100.0, 9800.0, 17_600.0, 25_900.0, 34_100.0];
    let points = [2.1, 7.4, 12.2, 17.8];
    SensorEntry {
        id: "s1".to_owned(),
        settings: SensorSettings {
            camera: Some("Tarnwhistle 3".to_owned()),
            gain_setting: Some("120".to_owned()),
            offset_setting: Some("20".to_owned()),
            readout_mode: None,
            binning: [1, 1],
        },
        result: SensorResult {
            gain_e_per_adu: Quantity::measured(0.784, 0.006, "photon transfer, flat pairs", 6),
            read_noise_e: Quantity::measured(READ_E, 0.04, "bias pairs times gain", 10),
            sensitivity_threshold_e: Quantity::measured(
                (READ_E * READ_E + 0.3).sqrt() + 0.5,
                0.04,
                "signal equals noise",
                10,
            ),
            read_noise_adu: Quantity::measured(READ_E / 0.784, 0.03, "bias pairs", 10),
            read_noise_correlation_x: Quantity::measured(0.01, 0.004, "neighbours in bias pairs", 9),
            read_noise_correlation_y: Quantity::measured(0.02, 0.004, "neighbours in bias pairs", 9),
            row_noise_adu: Quantity::measured(0.4, 0.1, "rows of bias pairs", 10),
            column_noise_adu: Quantity::measured(0.05, 0.1, "columns of bias pairs", 10),
            fixed_pattern_adu: Quantity::measured(1.1, 0.1, "mean bias", 10),
            level_drift_adu: Quantity::measured(0.2, 0.05, "levels of bias frames", 9),
            read_noise_tail: ReadNoiseTail::not_measurable("too few bias frames"),
            bias_level_adu: Quantity::measured(500.3, 0.4, "mean of bias frames", 10),
            adu_step: Some(1),
            saturation_adu: Quantity::with(Source::Assumed, 65_535.0, None, "largest 16-bit code", 0),
            bias_floor_fraction: Some(0.0),
            photon_transfer: transfer
                .iter()
                .enumerate()
                .map(|(i, mean)| PhotonTransferPoint {
                    mean_adu: *mean,
                    variance_adu2: (mean / 0.784 + 15.6) * [1.004, 0.993, 1.006, 0.997, 1.002, 0.998][i],
                    gain_e_per_adu: Quantity::measured(0.784, 0.01, "one pair", 2),
                    filter: Some(HOSTILE.to_owned()),
                    site: None,
                })
                .collect(),
            photon_transfer_fit: Some(TransferFit {
                system_gain_adu_per_e: Quantity::measured(1.0 / 0.784, 0.0098, "photon transfer, flat pairs", 6),
                intercept_adu2: Quantity::measured(16.1, 0.8, "curve through the flats alone", 6),
                curvature_per_adu: Quantity::not_measurable("the sample's line is straight"),
                full_well_adu: Quantity::not_measurable("brighter flats would show it"),
                full_well_e: Quantity::not_measurable("brighter flats would show it"),
                range_adu: [900.0, 34_100.0],
                chi2_per_degree: 1.02,
                dark_variance_adu2: 15.6,
            }),
            prnu: Vec::new(),
            amplifiers: Vec::new(),
            vignetting: vec![Vignetting {
                filter: Some(HOSTILE.to_owned()),
                flats: 12,
                corner_illumination: Quantity::measured(0.85, 0.003, "mean flat above bias", 300),
                radius_of_90_percent_px: Quantity::measured(326.0, 3.0, "mean flat above bias", 300),
                radius_of_75_percent_px: Quantity::not_measurable("above 75 % out to the corners"),
                half_diagonal_px: 400.0,
                centre_offset_px: [-3.0, 2.0].map(|v| Quantity::measured(v, 4.0, "mean flat above bias", 300)),
            }],
            dark_current: DarkCurrent {
                rate_e_per_px_s: Quantity::measured(DARK_NOW, 0.012, "fitted law", 12),
                reference_celsius: Some(NOW_C),
                doubling_celsius: Quantity::measured(7.68, 0.21, "slope of the fitted law", 4),
                activation_energy_ev: Quantity::measured(EA_EV, 0.017, "weighted fit", 4),
                floor_e_per_px_s: Quantity::measured(0.001, 0.002, "weighted fit", 4),
                thermal_doubling_celsius: Quantity::measured(7.6, 0.2, "fitted law", 4),
                suppressed_in_camera: false,
                law: Some(DarkLaw {
                    reference_celsius: NOW_C,
                    thermal_e_per_px_s: DARK_NOW,
                    activation_energy_ev: EA_EV,
                    floor_e_per_px_s: None,
                    covariance: [[1e-4, 0.0, 0.0], [0.0, 3e-4, 0.0], [0.0; 3]],
                    common_relative_sigma: 0.0077,
                    chi2: 2.4,
                    degrees_of_freedom: 2,
                }),
                glow: None,
                model: DarkModel::ActivatedAndFloor,
                method: DarkRates::MeanLevel,
                range_celsius: Some([2.1, 17.8]),
                points: points
                    .iter()
                    .enumerate()
                    .map(|(i, c)| DarkPoint {
                        celsius: *c,
                        exposure_s: 300.0,
                        rate_e_per_px_s: Quantity::measured(
                            dark_at(*c) * [1.03, 0.98, 1.01, 0.99][i],
                            0.006,
                            "mean",
                            3,
                        ),
                        rate_adu_per_px_s: Quantity::measured(dark_at(*c) / 0.784, 0.006, "mean", 3),
                        offset_adu: Some(0.3),
                        variance_rate_e_per_px_s: Quantity::measured(
                            dark_at(*c) * [1.10, 0.95, 1.06, 1.02][i],
                            0.02,
                            "variance",
                            3,
                        ),
                    })
                    .collect(),
            },
            hot_pixel_fraction: HotPixels {
                fraction: Quantity::measured(0.00042, 0.00002, "pixels above the threshold", 4_000_000),
                threshold_e_per_s: Some(3.1),
                at_celsius: Some(NOW_C),
            },
            hot_pixel_doubling_celsius: Quantity::measured(8.9, 0.3, "fixed set of hot pixels", 1200),
            pixel_dark_rates: vec![pixel_rates()],
            frames: CalibrationCounts { bias: 10, dark: 12, flat: 12 },
        },
        defects: None,
    }
}

fn pixel_rates() -> PixelDarkRates {
    let step = |i: i32| 10f64.powf(f64::from(i) / 5.0);
    let counts = [900_000, 2_400_000, 690_000, 6_000, 2_100, 900, 600, 300, 90, 10];
    let histogram = counts.iter().enumerate().map(|(i, pixels)| RateStep {
        from_e_per_px_s: (i > 0).then(|| step(i as i32 - 4)),
        to_e_per_px_s: step(i as i32 - 3),
        pixels: *pixels,
    });
    let quantile = |share: f64, e_per_px_s: f64| RateQuantile { share, e_per_px_s };
    PixelDarkRates {
        celsius: Some(NOW_C),
        frames: 3,
        exposure_s: 300.0,
        pixels: 4_000_000,
        noise_e_per_px_s: Some(0.02),
        quantiles: vec![quantile(0.5, 0.31), quantile(0.99, 0.62), quantile(0.9999, 9.1)],
        histogram: histogram.collect(),
        dsnu_e: Quantity::measured(61.0, 0.4, "spatial deviation", 3),
        ordinary_dsnu_e_per_px_s: Quantity::measured(0.031, 0.001, "spatial deviation", 3),
        left_out_share: Quantity::measured(0.004, 0.0001, "pixels left out", 3),
        left_out_e_per_px_s: Quantity::measured(0.011, 0.0004, "mean of all less ordinary", 3),
        hot_pixels: Some(1_900),
        warm_pixels: Some(3_000),
        not_linear_pixels: Some(120),
        full_pixels: 3,
        hot_above_e_per_s: Some(1.24),
        warm_above_e_per_s: Some(0.31),
    }
}
