//! A night of invention for the tests of this stage: two sessions, one sensor, hostile and foreign names.
//!
//! Its numbers are made up and only need to be plausible and consistent with each other.

use std::collections::BTreeMap;

use jiff::civil::date;

use super::model::*;
use crate::folder::FrameKind;
use crate::quantity::{Quantity, Source};
use crate::sensor::{
    CalibrationCounts, DarkCurrent, DarkPoint, HotPixels, PhotonTransferPoint, PixelDarkRates, RateQuantile, RateStep,
    ReadNoiseTail, SensorResult, TransferFit, Vignetting,
};
use crate::sky::{StarMatch, StatedOptics};
use crate::stars::field::{FieldFrame, FieldOptics, FieldResult, field};
use crate::stars::{Shape, Star, StarFit};
use crate::units::{BOLTZMANN_EV_PER_K, ZERO_CELSIUS_K};
use crate::verdict::{Answer, CoolingRow, DarkMatch, NoiseBudget, Photometry, Question, Sampling, SamplingVerdict};

/// A name that would be a script if it were not escaped.
pub const HOSTILE: &str = "<script>alert('M')</script> & \"Öland\" 星";

const NOW_C: f64 = 11.8;
const DARK_NOW: f64 = 0.31;
const EA_EV: f64 = 0.63;
const SKY: f64 = 0.42;
const READ_E: f64 = 3.1;
const EXPOSURE_S: f64 = 120.0;

/// The report of the invented night.
pub fn report() -> Report {
    let lost = "no flat frames: gain is not measurable, so ADU cannot be turned into electrons";
    let mut short = session("b-Ha-30s", Some("H-alpha"), 30.0);
    short.sensor_id = None;
    short.field = FieldResult::not_measurable(4, 12, "12 fitted stars are too few");
    short.sky_e_per_px_s = Quantity::not_measurable(lost);
    let unknown = || Quantity::not_measurable(lost);
    short.noise_budget = NoiseBudget {
        sky_e2: unknown(),
        dark_e2: unknown(),
        read_e2: unknown(),
        quantisation_e2: unknown(),
        total_e2: unknown(),
        sky_share: unknown(),
        dark_share: unknown(),
        read_share: unknown(),
        exposure_for_5_percent_read_s: unknown(),
        exposure_for_10_percent_read_s: unknown(),
        read_noise_adds: unknown(),
    };
    short.cooling.clear();
    short.cooling_floor_time_ratio = unknown();
    short.frame_counts = FrameCounts { light: 4, used: 4, excluded: 0 };
    Report::new(
        answers(),
        vec![session("a-L-120s", Some("L"), EXPOSURE_S), short],
        vec![sensor()],
        frames(),
        warnings(),
    )
}

fn answers() -> Vec<Answer> {
    let answer = |question, verdict: &str, sentence: &str, confidence: &str| Answer {
        question,
        verdict: verdict.to_owned(),
        sentence: sentence.to_owned(),
        detail: "What stands behind it, in a few sentences.".to_owned(),
        confidence: confidence.to_owned(),
    };
    vec![
        answer(
            Question::Sampling,
            "well-sampled",
            "The pixels suit the stars: 2.61 ± 0.09 px per FWHM before the pixel. Smaller pixels would show no more.",
            "high: 18 frames, 4120 stars, image scale from the header's focal length",
        ),
        answer(
            Question::ThermalNoise,
            "limiting",
            "Yes: the sensor's own heat makes 38.6 ± 1.9 % of the noise power of one exposure at 11.8 °C.",
            "high: dark current from 12 dark frames at four temperatures",
        ),
        answer(
            Question::Cooling,
            "worthwhile",
            "Cooling by 20 °C to -8 °C would need 67 ± 2 % of the present exposure time; no cooling can go below 61 %.",
            "medium: -8 °C lies below the coldest darks, the law was extended there",
        ),
    ]
}

fn dark_at(celsius: f64) -> f64 {
    let inverse = |c: f64| 1.0 / (c + ZERO_CELSIUS_K);
    DARK_NOW * (-EA_EV / BOLTZMANN_EV_PER_K * (inverse(celsius) - inverse(NOW_C))).exp()
}

fn session(id: &str, filter: Option<&str>, exposure_s: f64) -> Session {
    let read_rate = READ_E * READ_E / exposure_s;
    let total = SKY + DARK_NOW + read_rate;
    let budget = |rate: f64, relative: f64| {
        Quantity::measured(rate * exposure_s, rate * exposure_s * relative, "rate times exposure", 18)
    };
    let share = |rate: f64, s: f64| Quantity::measured(rate / total, s, "part over total", 18);
    let row = |below: f64| {
        let dark = dark_at(NOW_C - below);
        let ratio = (SKY + dark + read_rate) / total;
        CoolingRow {
            sensor_celsius: NOW_C - below,
            below_now_c: below,
            dark_e_per_px_s: Quantity::measured(dark, 0.04 * dark, "fitted law", 4),
            time_ratio: Quantity::measured(ratio, 0.02 * (1.0 - ratio) + 0.0008 * below, "rho", 4),
            snr_gain: Quantity::measured(ratio.powf(-0.5), 0.012, "1/sqrt(rho)", 4),
        }
    };
    Session {
        id: id.to_owned(),
        night: Some("2026-02-11".to_owned()),
        settings: SessionSettings {
            camera: Some("Kestrel One".to_owned()),
            filter: filter.map(str::to_owned),
            gain_setting: Some("120".to_owned()),
            offset_setting: Some("20".to_owned()),
            binning: [1, 1],
            exposure_s: Some(exposure_s),
            cfa: None,
        },
        frame_counts: FrameCounts { light: 21, used: 18, excluded: 3 },
        sensor_id: Some("s1".to_owned()),
        sensor_temperature_c: Temperature {
            median: Quantity::header(NOW_C, "CCD-TEMP"),
            min: Some(10.9),
            max: Some(13.4),
        },
        image_scale_arcsec_per_px: Quantity::header(1.2893, "XPIXSZ, FOCALLEN"),
        fwhm_px: Quantity::measured(2.61, 0.09, "Moffat fit, pixel removed, median", 18),
        fwhm_arcsec: Quantity::measured(3.37, 0.12, "FWHM times image scale", 18),
        recorded_fwhm_px: Quantity::measured(2.69, 0.09, "Moffat fit, median", 18),
        ellipticity: Quantity::measured(0.083, 0.011, "1 - minor/major, median", 18),
        position_angle_deg: Quantity::measured(41.0, 8.0, "axial mean", 18),
        moffat_beta: Quantity::measured(3.4, 0.3, "Moffat fit, median", 18),
        star_count: Quantity::measured(231.0, 12.0, "median per frame", 18),
        field: over_field(),
        sky_e_per_px_s: Quantity::measured(SKY, 0.011, "sky level times gain over exposure", 18)
            .noted("no matching darks at -10 °C; the dark level was scaled"),
        sampling: Sampling {
            px_per_fwhm: Quantity::measured(2.61, 0.09, "FWHM before the pixel over the pixel", 18),
            verdict: SamplingVerdict::WellSampled,
            aliased_power_fraction: Quantity::measured(1.2e-5, 0.6e-5, "power beyond Nyquist", 18),
            resolution_lost_fraction: Quantity::measured(0.033, 0.002, "recorded over true", 18),
            snr_efficiency: Quantity::measured(0.81, 0.02, "matched filter", 18),
            best_pixel_factor: Quantity::measured(0.9, 0.1, "noise model", 20),
            best_snr_efficiency: Quantity::measured(0.92, 0.01, "noise model", 20),
            best_binning: Some(1),
            sentence: "2.61 ± 0.09 px per FWHM: the stars are well sampled.".to_owned(),
            detail: "The pixel widens a recorded star by 3.3 ± 0.2 %.".to_owned(),
        },
        noise_budget: NoiseBudget {
            sky_e2: budget(SKY, 0.026),
            dark_e2: budget(DARK_NOW, 0.04),
            read_e2: budget(read_rate, 0.03),
            quantisation_e2: Quantity::measured(0.06, 0.001, "step squared over 12", 1),
            total_e2: budget(total, 0.02),
            sky_share: share(SKY, 0.016),
            dark_share: share(DARK_NOW, 0.019),
            read_share: share(read_rate, 0.005),
            exposure_for_5_percent_read_s: Quantity::measured(128.4, 6.2, "read noise adds 5 %", 18),
            exposure_for_10_percent_read_s: Quantity::measured(62.7, 3.0, "read noise adds 10 %", 18),
            read_noise_adds: Quantity::measured(0.053, 0.002, "read noise over sky and dark", 18),
        },
        cooling: [0.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0].map(row).into(),
        cooling_floor_time_ratio: Quantity::measured(1.0 - DARK_NOW / total, 0.019, "no dark current", 4),
        dark_match: DarkMatch::not_measurable("there are no darks of these settings"),
        star_match: StarMatch::none("nothing tells where the telescope pointed", 3, &StatedOptics::default()),
        photometry: Photometry::none("its stars were not matched with the catalogue"),
        cooling_basis: "Rests on darks from 2.1 to 17.8 °C; rows below 2 °C extend the fitted law.".to_owned(),
    }
}

/// A grid of stars that widen to the right and outwards and are drawn out alike.
fn over_field() -> FieldResult {
    let star = |i: usize, frame: usize| {
        let (x, y) = (20.0 + 40.0 * (i % 16) as f64, 20.0 + 40.0 * (i / 16) as f64);
        let (u, v) = ((x - 319.5) / 400.0, (y - 239.5) / 400.0);
        let wobble = 0.004 * ((i * 7 + frame * 3) % 11) as f64 - 0.02;
        let width = (2.5 + 0.1 * frame as f64) * (1.0 + 0.06 * u + 0.12 * (u * u + v * v) + wobble);
        let fit = StarFit {
            x,
            y,
            sigma_x: 0.02,
            sigma_y: 0.02,
            peak_adu: 9000.0,
            background_adu: 600.0,
            shape: Shape::new(width, 0.06 + wobble, 0.7 + 3.0 * wobble, 3.4),
            sigma_ln_width: 0.012,
            sigma_e1: 0.012,
            sigma_e2: 0.012,
            sigma_inverse_beta: 0.02,
            flux_adu: 80_000.0,
            chi2_per_dof: 1.0,
            ln_width_per_inverse_beta: 0.0,
            own_inverse_beta: None,
        };
        Star { significance: 60.0, fit }
    };
    let frames: Vec<Vec<Star>> = (0..5).map(|f| (0..192).map(|i| star(i, f)).collect()).collect();
    let frames: Vec<FieldFrame> = frames.iter().map(|s| FieldFrame { stars: s, size: [640, 480] }).collect();
    field(&frames, FieldOptics { um_per_px: Some(3.8), focal_ratio: Some(6.0) })
}

fn sensor() -> SensorEntry {
    let transfer = [900.0, 4100.0, 9800.0, 17_600.0, 25_900.0, 34_100.0];
    let points = [2.1, 7.4, 12.2, 17.8];
    SensorEntry {
        id: "s1".to_owned(),
        settings: SensorSettings {
            camera: Some("Kestrel One".to_owned()),
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
                law: None,
                glow: None,
                model: "thermal term and floor".to_owned(),
                method: "slope of the mean level against exposure".to_owned(),
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
        hot_pixels: Some(1_900),
        warm_pixels: Some(3_000),
        not_linear_pixels: Some(120),
        full_pixels: 3,
        hot_above_e_per_s: Some(1.24),
        warm_above_e_per_s: Some(0.31),
    }
}

fn frames() -> Vec<FrameRow> {
    let mut rows: Vec<FrameRow> = (0..21).map(light).collect();
    for i in 0..4 {
        let mut row = light(i);
        row.path = format!("Ha/short_{i:02}.fits");
        row.session_id = Some("b-Ha-30s".to_owned());
        (row.filter, row.exposure_s, row.sensor_id) = (Some("H-alpha".to_owned()), Some(30.0), None);
        (row.status, row.reason) = (FrameStatus::Used, None);
        rows.push(row);
    }
    for i in 0..6 {
        let mut row = FrameRow::bare(format!("cal/dark_{i}.fits"), FrameKind::Dark, FrameStatus::Used);
        row.kind_source = "card IMAGETYP".to_owned();
        (row.exposure_s, row.sensor_celsius, row.level_adu) = (Some(300.0), Some(-2.1 + i as f64), Some(612.0));
        rows.push(row);
    }
    let mut broken = FrameRow::bare(format!("cal/{HOSTILE}.fits"), FrameKind::Unknown, FrameStatus::Unreadable);
    broken.reason = Some("the file ends early: 1 048 576 of 8 297 280 bytes".to_owned());
    rows.push(broken);
    rows
}

fn light(i: usize) -> FrameRow {
    let wobble = [0.05, -0.08, 0.02, 0.09, -0.04, -0.01, 0.07][i % 7];
    let fwhm = 2.42 + 0.018 * i as f64 + wobble;
    let mut row = FrameRow::bare(format!("L/{HOSTILE}_{i:04}.fits"), FrameKind::Light, FrameStatus::Used);
    row.kind_source = "card IMAGETYP".to_owned();
    row.night = Some("2026-02-11".to_owned());
    row.session_id = Some("a-L-120s".to_owned());
    row.sensor_id = Some("s1".to_owned());
    (row.exposure_s, row.sensor_celsius) = (Some(EXPOSURE_S), Some(13.4 - 0.12 * i as f64));
    (row.filter, row.camera) = (Some("L".to_owned()), Some("Kestrel One".to_owned()));
    (row.width, row.height) = (Some(640), Some(480));
    (row.level_adu, row.sky_adu, row.sky_sigma_adu) = (Some(612.0), Some(64.3), Some(11.2));
    (row.star_count, row.fitted_stars) = (Some(231 - i), Some(180));
    row.fwhm_px = Some(Quantity::measured(fwhm, 0.05, "Moffat fit", 180));
    row.recorded_fwhm_px = Some(Quantity::measured(fwhm.hypot(0.68), 0.05, "Moffat fit", 180));
    row.ellipticity = Some(Quantity::measured(0.083, 0.011, "1 - minor/major", 180));
    row.position_angle_deg = Some(Quantity::measured(41.0, 8.0, "axial mean", 180));
    row.moffat_beta = Some(Quantity::measured(3.4, 0.3, "Moffat fit", 180));
    row.star_flags = BTreeMap::from([("saturated".to_owned(), 9), ("near the edge".to_owned(), 14)]);
    // 19:40 UTC on, past midnight, one frame every fifteen minutes.
    let minutes = 19 * 60 + 40 + 15 * i as i64;
    let midnight = date(2026, 2, 11).at(0, 0, 0, 0);
    row.start_utc = Some(midnight.checked_add(jiff::Span::new().minutes(minutes)).unwrap());
    if matches!(i, 9 | 14) {
        row.status = FrameStatus::Excluded;
        row.reason = Some("trailed: ellipticity 0.41, far above the session's 0.083".to_owned());
        row.fwhm_px = Some(Quantity::measured(3.4 + 0.02 * i as f64, 0.11, "Moffat fit", 180));
    }
    if i == 17 {
        row.status = FrameStatus::Excluded;
        row.reason = Some("too few stars: cloud or a closed shutter".to_owned());
        (row.fwhm_px, row.star_count, row.fitted_stars) = (None, Some(2), Some(0));
    }
    row
}

fn warnings() -> Vec<Warning> {
    let warning = |severity, code: &str, message: &str, paths: Vec<String>| Warning {
        code: code.to_owned(),
        severity,
        message: message.to_owned(),
        paths,
    };
    vec![
        warning(
            Severity::Problem,
            "file-incomplete",
            "One file ends early. Copy it again from the capture computer.",
            vec![format!("cal/{HOSTILE}.fits")],
        ),
        warning(
            Severity::Caution,
            "temperature-drift",
            "The sensor cooled by 2.5 °C over the night; darks of one temperature do not fit all frames. Take darks at \
             11 °C and at 13 °C.",
            vec![],
        ),
        warning(Severity::Note, "no-wcs", "No WCS in the headers: the image scale is the header's word.", vec![]),
    ]
}
