//! A night of invention for the tests of this stage: two sessions, one sensor, hostile and foreign names.
//!
//! Its numbers are made up and only need to be plausible and consistent with each other.

use std::collections::BTreeMap;

use jiff::civil::date;

use super::answers::{AnswerEntry, ConfidenceEntry, OverSessions, SessionVerdict, Verdicts};
use super::model::*;
use super::sample_sensor::sensor;
use super::words::{self, WithSentence, Worded};
use crate::facts::left_out::{CloudSign, FitsFault};
use crate::facts::stars::StarsMissing;
use crate::facts::{Caution, FrameKind, KindSource, LeftOut, Quantity, Source};
use crate::image::{Aperture, ImageParts};
use crate::sky::{NoMatch, StarMatch, StatedOptics};
use crate::stars::field::{FieldFrame, FieldOptics, FieldResult, field};
use crate::stars::{CommonImage, ImageRing};
use crate::stars::{Shape, Star, StarFit};
use crate::units::{BOLTZMANN_EV_PER_K, ZERO_CELSIUS_K};
use crate::verdict::KnownImage;
use crate::verdict::over_sessions::SessionWidth;
use crate::verdict::{
    ConfidenceCode, CoolingRow, CoolingVerdict, DarkMatch, FilterSampling, HotCost, Level, LightStars, NoiseBudget,
    NoiseCheck, NoiseFinding, NoiseVerdict, Photometry, Sampling, SamplingVerdict, SaturationInput, SubLengthInput,
    SuitedInput, ThermalVerdict, WidthInput, advice, ranked, sampling_by_filter, saturation, sub_length, suited,
    width_budget,
};

/// A name that would be a script if it were not escaped.
pub const HOSTILE: &str = "<script>alert('M')</script> & \"Öland\" 星";

pub(crate) const NOW_C: f64 = 11.8;
pub(crate) const DARK_NOW: f64 = 0.31;
pub(crate) const EA_EV: f64 = 0.63;
const SKY: f64 = 0.42;
pub(crate) const READ_E: f64 = 3.1;
const EXPOSURE_S: f64 = 120.0;

/// The report of the invented night.
pub fn report() -> Report {
    let lost = "no flat frames: gain is not measurable, so ADU cannot be turned into electrons";
    let mut short = session("b-Ha-30s", Some("H-alpha"), 30.0);
    short.sensor_id = None;
    short.field =
        FieldResult::not_measurable(4, 12, StarsMissing::TooFewStarsOverFrame { fitted: 12, frames: 4, needed: 30 })
            .into();
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
    let sessions = vec![session("a-L-120s", Some("L"), EXPOSURE_S), short];
    Report::new(Parts {
        answers: answers(),
        advice: ranked(sessions.iter().flat_map(|s| advice(&s.advice_input())).collect()),
        filters: filters(&sessions),
        sessions,
        sensors: vec![sensor()],
        frames: frames(),
        warnings: warnings(),
    })
}

/// Sampling by filter of sessions of invention.
pub fn filters(sessions: &[Session]) -> Vec<FilterSampling> {
    let widths = sessions.iter().map(|s| SessionWidth {
        id: &s.id,
        filter: s.settings.filter.as_deref(),
        camera: s.settings.camera.as_deref(),
        binning: s.settings.binning,
        px_per_fwhm: &s.sampling.px_per_fwhm,
        lights: s.frame_counts.used,
    });
    sampling_by_filter(&widths.collect::<Vec<_>>())
}

fn told<T>(facts: T, words: impl Fn(&T) -> String) -> WithSentence<T> {
    WithSentence { sentence: words(&facts), facts }
}

/// Lights that are as noisy as the budget says, at 0.8 e-/ADU.
fn expected_noise(total_e2: f64) -> WithSentence<NoiseCheck> {
    let noise = total_e2.sqrt() / 0.8;
    let check = NoiseCheck {
        pairs: 4,
        pairs_off: 0,
        lights: 18,
        lights_off: 0,
        measured_adu: Quantity::measured(1.01 * noise, 0.003 * noise, "differences of lights", 32),
        predicted_adu: Quantity::measured(noise, 0.008 * noise, "gain, level, read noise", 1),
        ratio: Quantity::measured(1.01, 0.009, "one over the other", 32),
        gain_of_sky_e_per_adu: Quantity::not_measurable("the sky is even"),
        verdict: NoiseVerdict::Explained,
        looks_like: None,
    };
    let found = NoiseFinding { check, looks_like: None, lights: Vec::new() };
    WithSentence { sentence: words::noise_check::noise_check(&found), facts: found.check }
}

fn answers() -> Vec<AnswerEntry> {
    let answer = |verdicts, sentence: &str, (level, because, reason): (Level, ConfidenceCode, &str)| AnswerEntry {
        verdicts,
        sentence: sentence.to_owned(),
        detail: "What stands behind it, in a few sentences.".to_owned(),
        confidence: ConfidenceEntry { level, because, sentence: reason.to_owned() },
    };
    vec![
        answer(
            Verdicts::Sampling(alike(SamplingVerdict::WellSampled)),
            "The pixels suit the stars: 2.61 ± 0.09 px per FWHM before the pixel. Smaller pixels would show no more.",
            (
                Level::High,
                ConfidenceCode::Measured,
                "18 frames, 4120 stars, image scale from the header's focal length",
            ),
        ),
        answer(
            Verdicts::ThermalNoise(alike(ThermalVerdict::Noticeable)),
            "Yes: thermal noise of the sensor makes 38.6 ± 1.9 % of the noise power of one exposure at 11.8 °C.",
            (Level::High, ConfidenceCode::Measured, "dark current from 12 dark frames at four temperatures"),
        ),
        answer(
            Verdicts::Cooling(alike(CoolingVerdict::LargeGain)),
            "Cooling by 20 °C to -8 °C would need 67 ± 2 % of the present exposure time; no cooling can go below 61 %.",
            (
                Level::Medium,
                ConfidenceCode::MeasuredRoughly,
                "-8 °C lies below the coldest darks, the law was extended there",
            ),
        ),
    ]
}

fn alike<V: Copy>(verdict: V) -> OverSessions<V> {
    let verdicts = ["a-L-120s", "b-Ha-30s"].map(|id| SessionVerdict { session_id: id.to_owned(), verdict });
    OverSessions { verdict, verdicts: verdicts.into() }
}

pub(crate) fn dark_at(celsius: f64) -> f64 {
    let inverse = |c: f64| 1.0 / (c + ZERO_CELSIUS_K);
    DARK_NOW * (-EA_EV / BOLTZMANN_EV_PER_K * (inverse(celsius) - inverse(NOW_C))).exp()
}

/// A star image with diffraction, and rings about it.
fn star_image() -> CommonImage {
    let aperture = Some(Aperture { wave: 0.6, obstruction: 0.0 });
    let ring = |k: i32| {
        let radius_px = 0.4 * f64::from(k) + 0.2;
        let model = (1.0 + 0.35 * radius_px * radius_px).powi(-2);
        ImageRing { radius_px, light: model + 0.002, sigma: 0.003, model }
    };
    CommonImage {
        parts: Some(ImageParts { inverse_beta: 0.4, gaussian: 0.3, aperture }),
        misfit_percent: Some(0.1),
        rings: (0..12).map(ring).collect(),
    }
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
            camera: Some("Tarnwhistle 3".to_owned()),
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
        star_image: Some(star_image()),
        star_count: Quantity::measured(231.0, 12.0, "median per frame", 18),
        field: over_field().into(),
        sky_e_per_px_s: Quantity::measured(SKY, 0.011, "sky level times gain over exposure", 18)
            .noted("no matching darks at -10 °C; the dark level was scaled"),
        sampling: Worded {
            facts: Sampling {
                px_per_fwhm: Quantity::measured(2.61, 0.09, "FWHM before the pixel over the pixel", 18),
                verdict: SamplingVerdict::WellSampled,
                aliased_power_fraction: Quantity::measured(1.2e-5, 0.6e-5, "power beyond Nyquist", 18),
                resolution_lost_fraction: Quantity::measured(0.033, 0.002, "recorded over true", 18),
                snr_efficiency: Quantity::measured(0.81, 0.02, "matched filter", 18),
                best_pixel_factor: Quantity::measured(0.9, 0.1, "noise model", 20),
                best_snr_efficiency: Quantity::measured(0.92, 0.01, "noise model", 20),
                best_binning: Some(1),
                colour: false,
            },
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
        happenings: Vec::new(),
        red_fwhm_px: Quantity::not_measurable("the sensor has no colour mosaic"),
        blue_fwhm_px: Quantity::not_measurable("the sensor has no colour mosaic"),
        noise_check: expected_noise(total * exposure_s),
        cooling: [0.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0].map(row).into(),
        cooling_floor_time_ratio: Quantity::measured(1.0 - DARK_NOW / total, 0.019, "no dark current", 4),
        dark_match: told(DarkMatch::not_measurable("there are no darks of these settings"), words::darks::darks),
        hot_pixels: told(HotCost::not_measurable("there are no darks of these settings"), words::darks::hot_pixels),
        star_match: words::star_match::star_match(StarMatch::none(NoMatch::NoPointing, 3, &StatedOptics::default())),
        cooling_gains_under_1_percent_below_celsius: Quantity::measured(-21.0, 1.2, "law of the dark current", 4),
        cooling_year: None,
        suited: suited(&SuitedInput {
            fwhm_px: &Quantity::measured(2.61, 0.09, "Moffat fit", 18),
            image_scale: &Quantity::header(1.2893, "XPIXSZ, FOCALLEN"),
            pixel_um: &Quantity::header(3.8, "XPIXSZ"),
            focal_mm: &Quantity::header(608.0, "FOCALLEN"),
            size_px: [640, 480],
        }),
        width_budget: told(
            width_budget(&WidthInput {
                fwhm_px: &Quantity::measured(2.61, 0.09, "Moffat fit", 18),
                recorded_fwhm_px: &Quantity::measured(2.69, 0.09, "Moffat fit", 18),
                image_scale: &Quantity::header(1.2893, "XPIXSZ, FOCALLEN"),
                shared_ellipticity: &Quantity::measured(0.05, 0.01, "field", 5),
                corner_fwhm_ratio: &Quantity::measured(1.12, 0.01, "field", 5),
                aperture_mm: &Quantity::header(100.0, "APTDIA"),
                image: None,
                airmass: Some(1.2),
            }),
            words::width::width,
        ),
        saturation: told(
            saturation(&SaturationInput {
                lights: &[LightStars { peaks_adu: vec![[9000.0, 600.0]; 180], clipped: 9, stars: 231 }],
                exposure_s: Some(exposure_s),
                saturation_adu: &Quantity::with(Source::Assumed, 65_535.0, None, "largest 16-bit code", 0),
                bias_adu: &Quantity::measured(500.3, 0.4, "mean of bias frames", 10),
                fwhm_px: &Quantity::measured(2.61, 0.09, "Moffat fit", 18),
                beta: &Quantity::measured(3.4, 0.3, "Moffat fit", 18),
                image: KnownImage::Exponent,
            }),
            words::light::saturation,
        ),
        sub_length: told(
            sub_length(&SubLengthInput {
                exposure_s: Some(exposure_s),
                for_5_percent_read_s: &Quantity::measured(128.4, 6.2, "read noise adds 5 %", 18),
                for_tenth_clipped_s: &Quantity::measured(410.0, 40.0, "tenth clips", 18),
                shared_ellipticity: &Quantity::measured(0.05, 0.01, "field", 5),
            }),
            words::light::sub_length,
        ),
        photometry: told(Photometry::none("its stars were not matched with the catalogue"), words::light::photometry),
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
            beta_is_shared: true,
        };
        Star { significance: 60.0, fit }
    };
    let frames: Vec<Vec<Star>> = (0..5).map(|f| (0..192).map(|i| star(i, f)).collect()).collect();
    let frames: Vec<FieldFrame> = frames.iter().map(|s| FieldFrame { stars: s, size: [640, 480] }).collect();
    field(&frames, FieldOptics { um_per_px: Some(3.8), focal_ratio: Some(6.0) })
}

fn frames() -> Vec<FrameRow> {
    let mut rows: Vec<FrameRow> = (0..21).map(light).collect();
    for i in 0..4 {
        let mut row = light(i);
        row.path = format!("Ha/short_{i:02}.fits");
        row.session_id = Some("b-Ha-30s".to_owned());
        (row.filter, row.exposure_s, row.sensor_id) = (Some("H-alpha".to_owned()), Some(30.0), None);
        (row.status, row.left_out) = (FrameStatus::Used, None);
        rows.push(row);
    }
    for i in 0..6 {
        let mut row = FrameRow::bare(format!("cal/dark_{i}.fits"), FrameKind::Dark, FrameStatus::Used);
        row.kind_source = KindSource::Card("IMAGETYP".to_owned());
        (row.exposure_s, row.sensor_celsius, row.level_adu) = (Some(300.0), Some(-2.1 + i as f64), Some(612.0));
        rows.push(row);
    }
    let mut broken = FrameRow::bare(format!("cal/{HOSTILE}.fits"), FrameKind::Unknown, FrameStatus::Unreadable);
    let words = "the file ends early: 1 048 576 of 8 297 280 bytes".to_owned();
    broken.left_out = Some(LeftOut::Unreadable { fault: FitsFault::Incomplete, words });
    rows.push(broken);
    rows
}

fn light(i: usize) -> FrameRow {
    let wobble = [0.05, -0.08, 0.02, 0.09, -0.04, -0.01, 0.07][i % 7];
    let fwhm = 2.42 + 0.018 * i as f64 + wobble;
    let mut row = FrameRow::bare(format!("L/{HOSTILE}_{i:04}.fits"), FrameKind::Light, FrameStatus::Used);
    row.kind_source = KindSource::Card("IMAGETYP".to_owned());
    row.night = Some("2026-02-11".to_owned());
    row.session_id = Some("a-L-120s".to_owned());
    row.sensor_id = Some("s1".to_owned());
    (row.exposure_s, row.sensor_celsius) = (Some(EXPOSURE_S), Some(13.4 - 0.12 * i as f64));
    (row.filter, row.camera) = (Some("L".to_owned()), Some("Tarnwhistle 3".to_owned()));
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
        row.left_out = Some(LeftOut::Defocused);
        row.fwhm_px = Some(Quantity::measured(3.4 + 0.02 * i as f64, 0.11, "Moffat fit", 180));
    }
    if i == 17 {
        row.status = FrameStatus::Excluded;
        row.left_out = Some(LeftOut::Clouded(CloudSign::FewStars { stars: 2, session_stars: 221.0 }));
        (row.fwhm_px, row.star_count, row.fitted_stars) = (None, Some(2), Some(0));
    }
    row
}

fn warnings() -> Vec<Warning> {
    let light = |i: usize| format!("L/{HOSTILE}_{i:04}.fits");
    let found = "The nearest darks are 12.1 °C colder.".to_owned();
    vec![
        Warning {
            caution: Caution::DarkMismatch { session_id: "a-L-120s".to_owned(), finding: found },
            paths: Vec::new(),
        },
        Warning {
            caution: Caution::OffSetPoint { first: light(3), lights: 2, limit_celsius: 1.0 },
            paths: vec![light(3), light(4)],
        },
        Warning { caution: Caution::NightByUtc, paths: vec![light(0)] },
    ]
}
