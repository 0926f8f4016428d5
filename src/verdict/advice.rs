//! What costs nothing, and the time for the same result that it would leave.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::budget::READ_NOISE_SHARE;
use super::propagation::{Parameter, propagate};
use crate::facts::verdict::{VerdictMethod, VerdictMissing};
use crate::facts::{Missing, Quantity};

/// Darks in a master after which more hardly count: a twentieth of one dark's variance is left.
const ENOUGH_DARKS: f64 = 20.0;

/// Growth of the width towards the corners below which spacing and tilt are not worth a look: errors are of that order.
const LEVEL_CORNERS: f64 = 1.02;

/// A measure that costs nothing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Measure {
    Exposure,
    Darks,
    Tracking,
    #[serde(rename = "focus and spacing")]
    FocusAndSpacing,
    Binning,
}

/// What to do, or why there is nothing to do.
#[derive(Debug, Clone, PartialEq)]
pub enum ToDo {
    /// As the report that it was read from words it.
    Quoted(String),
    /// The exposure that drowns the read noise is not known.
    ExposureUnknown,
    /// Exposures are long enough; those that drown the read noise would take more time in all.
    ExposureLongEnough {
        now_s: f64,
        best_s: f64,
        more_percent: f64,
    },
    ExposeLonger {
        now_s: f64,
        best_s: f64,
    },
    NoDarksMatched,
    /// What the darks add is not known.
    DarksUnknown,
    DarksEnough {
        darks: usize,
    },
    /// Hours that 100 hours would gain where the lights were not moved between exposures, so that the darks' noise is in all alike.
    MoreDarks {
        darks: usize,
        enough: f64,
        undithered_hours: f64,
    },
    ElongationUnknown,
    RounderStars,
    FieldUnknown,
    CornersLevel,
    CornersWider {
        percent: f64,
    },
    /// Binning so many pixels loses no detail.
    BinInCharge {
        pixels: u32,
    },
    BinningLosesDetail,
    NoBinning,
}

/// A measure that costs nothing, taken alone.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Advice {
    /// The session that it is for.
    pub session_id: String,
    /// What is changed.
    pub measure: Measure,
    /// What to do, or why there is nothing to do.
    #[serde(rename = "sentence")]
    #[schemars(with = "String")]
    pub to_do: ToDo,
    /// Time needed for the same signal-to-noise over time needed now.
    #[schemars(extend("unit" = "1"))]
    pub time_ratio: Quantity,
    /// Hours as exposed now that 100 hours would be worth more.
    #[schemars(extend("unit" = "h"))]
    pub extra_hours_per_100_hours: Quantity,
}

/// What is known of a session.
#[derive(Debug, Clone, Copy)]
pub struct AdviceInput<'a> {
    pub session_id: &'a str,
    pub exposure_s: Option<f64>,
    /// Exposure at which read noise adds 5 % to the noise, s.
    pub exposure_for_5_percent_read_s: &'a Quantity,
    /// Darks that match, and the share that their noise adds to a light's variance; `None` where none were looked for.
    pub darks: Option<(usize, &'a Quantity)>,
    /// Lights that they would be taken off.
    pub lights: usize,
    /// Elongation that all stars share: what the mount does, not the optics.
    pub shared_ellipticity: &'a Quantity,
    pub corner_fwhm_ratio: &'a Quantity,
    pub best_binning: Option<u32>,
}

/// The measures for one session.
pub fn advice(input: &AdviceInput) -> Vec<Advice> {
    let told = |measure, (time_ratio, to_do): (Quantity, ToDo)| {
        let extra =
            Parameter::of(&time_ratio, f64::MIN_POSITIVE).map(|p| propagate(&[p], |r| 100.0 * (r[0].recip() - 1.0)));
        let extra_hours_per_100_hours = match extra {
            Some((value, sigma)) => {
                Quantity::with(time_ratio.source, value, sigma, VerdictMethod::HoursOfTimeRatio, time_ratio.n)
            }
            None => Quantity::not_measurable(time_ratio.because()),
        };
        Advice { session_id: input.session_id.to_owned(), measure, to_do, time_ratio, extra_hours_per_100_hours }
    };
    vec![
        told(Measure::Exposure, exposure(input)),
        told(Measure::Darks, darks(input)),
        told(Measure::Tracking, tracking(input)),
        told(Measure::FocusAndSpacing, spacing(input)),
        told(Measure::Binning, binning(input)),
    ]
}

/// Most hours first; what is not measurable last. Equal ones keep their order.
pub fn ranked(mut all: Vec<Advice>) -> Vec<Advice> {
    let hours = |a: &Advice| a.extra_hours_per_100_hours.value.unwrap_or(f64::NEG_INFINITY);
    all.sort_by(|a, b| hours(b).total_cmp(&hours(a)));
    all
}

/// Nothing to gain.
fn nothing(of: &Quantity) -> Quantity {
    Quantity::with(of.source, 1.0, None, VerdictMethod::NothingToGain, of.n)
}

/// Longer exposures until read noise adds [`READ_NOISE_SHARE`]; longer ones than that gain next to nothing.
///
/// Formula: with `t5` that exposure, variance over sky and dark is `1 + c t5/t`, `c = (1 + f)^2 - 1` (derived).
fn exposure(input: &AdviceInput) -> (Quantity, ToDo) {
    let best = input.exposure_for_5_percent_read_s;
    let (Some(p), Some(now_s)) = (Parameter::of(best, 0.0).filter(|p| p.value > 0.0), input.exposure_s) else {
        let because = if best.is_known() { Missing::ExposureTime } else { best.because() };
        return (Quantity::not_measurable(because), ToDo::ExposureUnknown);
    };
    let c = (1.0 + READ_NOISE_SHARE).powi(2) - 1.0;
    let variance = |best_s: f64, t: f64| 1.0 + c * best_s / t;
    let best_s = p.value;
    if now_s >= best_s {
        let more_percent = 100.0 * (variance(best_s, best_s) / variance(best_s, now_s) - 1.0);
        return (nothing(best), ToDo::ExposureLongEnough { now_s, best_s, more_percent });
    }
    let (value, sigma) = propagate(&[p], |t| variance(t[0], t[0]) / variance(t[0], now_s));
    let ratio = Quantity::with(best.source, value, sigma, VerdictMethod::LongerExposuresOverNow, best.n);
    (ratio, ToDo::ExposeLonger { now_s, best_s })
}

/// A master of twenty darks: the variance that N darks add falls as 1/N.
///
/// Formula: a share s of a light's variance adds s to each of dithered lights, hence `(1 + s N/20) / (1 + s)`; of M lights that stay
/// the mean has `1/M + s`, hence `(1 + M s N/20) / (1 + M s)` (derived).
fn darks(input: &AdviceInput) -> (Quantity, ToDo) {
    let Some((darks, added)) = input.darks else {
        return (Quantity::not_measurable(VerdictMissing::DarksNotSought), ToDo::NoDarksMatched);
    };
    let Some(p) = Parameter::of(added, 0.0).filter(|_| darks > 0) else {
        return (Quantity::not_measurable(added.because()), ToDo::DarksUnknown);
    };
    let n = darks as f64;
    if n >= ENOUGH_DARKS {
        return (nothing(added), ToDo::DarksEnough { darks });
    }
    let left = |share: f64| (1.0 + share * n / ENOUGH_DARKS) / (1.0 + share);
    let (value, sigma) = propagate(&[p], |share| left(share[0]));
    let ratio = Quantity::with(added.source, value, sigma, VerdictMethod::MoreDarksOverNow, added.n);
    let undithered_hours = 100.0 * (left(p.value * input.lights.max(1) as f64).recip() - 1.0);
    (ratio, ToDo::MoreDarks { darks, enough: ENOUGH_DARKS, undithered_hours })
}

/// Round stars as narrow as the short axis: time for a faint star under the sky goes with the area of its image.
fn tracking(input: &AdviceInput) -> (Quantity, ToDo) {
    let e = input.shared_ellipticity;
    match Parameter::of(e, 0.0) {
        Some(p) => {
            let (value, sigma) = propagate(&[p], |e| 1.0 - e[0]);
            (Quantity::with(e.source, value, sigma, VerdictMethod::RoundStarsOverNow, e.n), ToDo::RounderStars)
        }
        None => (Quantity::not_measurable(e.because()), ToDo::ElongationUnknown),
    }
}

/// One set of frames tells that corners are worse, not what another spacing would make of them.
fn spacing(input: &AdviceInput) -> (Quantity, ToDo) {
    let corners = input.corner_fwhm_ratio;
    match corners.value {
        Some(ratio) if ratio < LEVEL_CORNERS => (nothing(corners), ToDo::CornersLevel),
        Some(ratio) => (
            Quantity::not_measurable(VerdictMissing::OneSpacingAlone),
            ToDo::CornersWider { percent: 100.0 * (ratio - 1.0) },
        ),
        None => (Quantity::not_measurable(corners.because()), ToDo::FieldUnknown),
    }
}

fn binning(input: &AdviceInput) -> (Quantity, ToDo) {
    match input.best_binning {
        Some(pixels) if pixels > 1 => {
            (Quantity::not_measurable(VerdictMissing::BinningModeUnknown), ToDo::BinInCharge { pixels })
        }
        Some(_) => (Quantity::assumed(1.0, None, VerdictMethod::BinningLosesDetail), ToDo::BinningLosesDetail),
        None => (Quantity::not_measurable(VerdictMissing::NoBinningLeft), ToDo::NoBinning),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn known(value: f64, sigma: f64) -> Quantity {
        Quantity::measured(value, sigma, VerdictMethod::SumOfNoiseParts, 10)
    }

    fn of(exposure_s: f64, best: &Quantity, darks: usize, added: &Quantity, e: &Quantity) -> Vec<Advice> {
        advice(&AdviceInput {
            session_id: "one",
            exposure_s: Some(exposure_s),
            exposure_for_5_percent_read_s: best,
            darks: Some((darks, added)),
            lights: 30,
            shared_ellipticity: e,
            corner_fwhm_ratio: &known(1.1, 0.01),
            best_binning: Some(2),
        })
    }

    // By hand: read noise that adds 5 % to the noise at 200 s adds 0.1025 to the variance there, 0.205 at 100 s.
    #[test]
    fn longer_exposures_save_what_reading_out_costs() {
        let got = of(100.0, &known(200.0, 20.0), 20, &known(0.01, 0.0), &known(0.1, 0.02));
        let ratio = &got[0].time_ratio;
        assert!((ratio.value.unwrap() - 1.1025 / 1.205).abs() < 1e-12, "{ratio:?}");
        // d(1.1025/(1 + .1025 t5/100))/dt5 = -1.1025 * .001025/1.205^2, times 20 s.
        assert!((ratio.sigma.unwrap() / (1.1025 * 0.001_025 / 1.452_025 * 20.0) - 1.0).abs() < 0.01, "{ratio:?}");
        let hours = got[0].extra_hours_per_100_hours.value.unwrap();
        assert!((hours - 100.0 * (1.205 / 1.1025 - 1.0)).abs() < 1e-9, "{hours}");
        assert_eq!(
            of(300.0, &known(200.0, 20.0), 20, &known(0.01, 0.0), &known(0.1, 0.02))[0].time_ratio.value,
            Some(1.0)
        );
    }

    // By hand: 2 darks add half of their variance V to a light of the same V; 20 add a twentieth: 1.05/1.5.
    #[test]
    fn more_darks_save_what_few_darks_add() {
        let got = of(100.0, &known(50.0, 1.0), 2, &known(0.5, 0.05), &known(0.1, 0.02));
        assert!((got[1].time_ratio.value.unwrap() - 1.05 / 1.5).abs() < 1e-12);
        // Thirty lights that stay: 1/30 of a light's variance V and half of V, then a twentieth of it: 6.4 times.
        let ToDo::MoreDarks { undithered_hours, .. } = got[1].to_do else { panic!("{got:?}") };
        assert!((undithered_hours - 100.0 * ((1.0 / 30.0 + 0.5) / (1.0 / 30.0 + 0.05) - 1.0)).abs() < 1e-9);
    }

    #[test]
    fn the_most_hours_stand_first_and_what_is_not_measurable_last() {
        let got = ranked(of(100.0, &known(200.0, 20.0), 2, &known(0.5, 0.05), &known(0.1, 0.02)));
        let order: Vec<Measure> = got.iter().map(|a| a.measure).collect();
        use Measure::{Binning, Darks, Exposure, FocusAndSpacing, Tracking};
        assert_eq!(order, [Darks, Tracking, Exposure, FocusAndSpacing, Binning]);
        assert_eq!(got[4].extra_hours_per_100_hours.because(), VerdictMissing::BinningModeUnknown.into());
    }
}
