//! What costs nothing, and the time for the same result that it would leave.

use crate::report::InWords;
use serde::Serialize;

use super::budget::READ_NOISE_SHARE;
use super::propagation::{Parameter, propagate};
use crate::facts::Quantity;

/// Darks in a master after which more hardly count: a twentieth of one dark's variance is left.
const ENOUGH_DARKS: f64 = 20.0;

/// Growth of the width towards the corners below which spacing and tilt are not worth a look: errors are of that order.
const LEVEL_CORNERS: f64 = 1.02;

/// A measure that costs nothing, taken alone.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Advice {
    pub session_id: String,
    /// `exposure`, `darks`, `tracking`, `focus and spacing` or `binning`.
    pub measure: &'static str,
    /// What to do, or why there is nothing to do.
    pub sentence: String,
    /// Time needed for the same signal-to-noise over time needed now.
    pub time_ratio: Quantity,
    /// Hours as exposed now that 100 hours would be worth more, h.
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
    pub ellipticity: &'a Quantity,
    pub corner_fwhm_ratio: &'a Quantity,
    pub best_binning: Option<u32>,
}

/// The measures for one session.
pub fn advice(input: &AdviceInput) -> Vec<Advice> {
    let told = |measure, (time_ratio, sentence): (Quantity, String)| {
        let extra =
            Parameter::of(&time_ratio, f64::MIN_POSITIVE).map(|p| propagate(&[p], |r| 100.0 * (r[0].recip() - 1.0)));
        let extra_hours_per_100_hours = match extra {
            Some((value, sigma)) => {
                Quantity::with(time_ratio.source, value, sigma, "100 h over the time ratio, less 100 h", time_ratio.n)
            }
            None => Quantity::not_measurable(time_ratio.why()),
        };
        Advice { session_id: input.session_id.to_owned(), measure, sentence, time_ratio, extra_hours_per_100_hours }
    };
    vec![
        told("exposure", exposure(input)),
        told("darks", darks(input)),
        told("tracking", tracking(input)),
        told("focus and spacing", spacing(input)),
        told("binning", binning(input)),
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
    Quantity::with(of.source, 1.0, None, "nothing to gain", of.n)
}

/// Longer exposures until read noise adds [`READ_NOISE_SHARE`]; longer ones than that gain next to nothing.
///
/// Formula: with `t5` that exposure, variance over sky and dark is `1 + c t5/t`, `c = (1 + f)^2 - 1` (derived).
fn exposure(input: &AdviceInput) -> (Quantity, String) {
    let best = input.exposure_for_5_percent_read_s;
    let (Some(p), Some(now_s)) = (Parameter::of(best, 0.0).filter(|p| p.value > 0.0), input.exposure_s) else {
        let why = if best.is_known() { "the exposure time is not known (card EXPTIME)".to_owned() } else { best.why() };
        return (Quantity::not_measurable(why), "the exposure that drowns the read noise is not known".to_owned());
    };
    let c = (1.0 + READ_NOISE_SHARE).powi(2) - 1.0;
    let variance = |best_s: f64, t: f64| 1.0 + c * best_s / t;
    let best_s = p.value;
    if now_s >= best_s {
        let more = 100.0 * (variance(best_s, best_s) / variance(best_s, now_s) - 1.0);
        let sentence =
            format!("{now_s:.0} s are long enough; exposures of {best_s:.0} s would need {more:.1} % more time in all");
        return (nothing(best), sentence);
    }
    let (value, sigma) = propagate(&[p], |t| variance(t[0], t[0]) / variance(t[0], now_s));
    let method = "variance of sky, dark current and reading out in exposures that drown the read noise over that now";
    (
        Quantity::with(best.source, value, sigma, method, best.n),
        format!("exposures of {best_s:.0} s instead of {now_s:.0} s"),
    )
}

/// A master of twenty darks: the variance that N darks add falls as 1/N.
fn darks(input: &AdviceInput) -> (Quantity, String) {
    let Some((darks, added)) = input.darks else {
        return (Quantity::not_measurable("no darks were looked for"), "no darks were matched".to_owned());
    };
    let Some(p) = Parameter::of(added, 0.0).filter(|_| darks > 0) else {
        return (Quantity::not_measurable(added.why()), "what the darks add is not known".to_owned());
    };
    let n = darks as f64;
    if n >= ENOUGH_DARKS {
        return (nothing(added), format!("{darks} darks are enough"));
    }
    let (value, sigma) = propagate(&[p], |share| (1.0 + share[0] * n / ENOUGH_DARKS) / (1.0 + share[0]));
    let method = "variance of a light less its master dark, with twenty darks over that now; lights without dither";
    let sentence = format!("{ENOUGH_DARKS:.0} darks instead of {darks}; less where lights are dithered");
    (Quantity::with(added.source, value, sigma, method, added.n), sentence)
}

/// Round stars as narrow as the short axis: time for a faint star under the sky goes with the area of its image.
fn tracking(input: &AdviceInput) -> (Quantity, String) {
    let e = input.ellipticity;
    match Parameter::of(e, 0.0) {
        Some(p) => {
            let (value, sigma) = propagate(&[p], |e| 1.0 - e[0]);
            let ratio = Quantity::with(e.source, value, sigma, "1 - ellipticity, for a faint star under the sky", e.n);
            (ratio, "stars as round as their short axis; gains faint stars only".to_owned())
        }
        None => (Quantity::not_measurable(e.why()), "the elongation is not known".to_owned()),
    }
}

/// One set of frames tells that corners are worse, not what another spacing would make of them.
fn spacing(input: &AdviceInput) -> (Quantity, String) {
    let corners = input.corner_fwhm_ratio;
    match corners.value {
        Some(ratio) if ratio < LEVEL_CORNERS => {
            (nothing(corners), "stars are as narrow in the corners as at the centre".to_owned())
        }
        Some(ratio) => (
            Quantity::not_measurable("the best width takes frames at several spacings"),
            format!("corners are {:.0} % wider than the centre", 100.0 * (ratio - 1.0)),
        ),
        None => (Quantity::not_measurable(corners.why()), "the field is not measured".to_owned()),
    }
}

fn binning(input: &AdviceInput) -> (Quantity, String) {
    match input.best_binning {
        Some(n) if n > 1 => (
            Quantity::not_measurable("whether this camera adds charge before it is read is not in the frames"),
            format!("{n}x{n} loses no detail; it brings hours only where charge is added before it is read"),
        ),
        Some(_) => {
            (Quantity::assumed(1.0, None, "no binning keeps two pixels per width"), "would lose detail".to_owned())
        }
        None => {
            let why = "the star width leaves no binning that keeps two pixels per width";
            (Quantity::not_measurable(why), "none".to_owned())
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn known(value: f64, sigma: f64) -> Quantity {
        Quantity::measured(value, sigma, "test", 10)
    }

    fn of(exposure_s: f64, best: &Quantity, darks: usize, added: &Quantity, e: &Quantity) -> Vec<Advice> {
        advice(&AdviceInput {
            session_id: "one",
            exposure_s: Some(exposure_s),
            exposure_for_5_percent_read_s: best,
            darks: Some((darks, added)),
            ellipticity: e,
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
    }

    #[test]
    fn the_most_hours_stand_first_and_what_is_not_measurable_last() {
        let got = ranked(of(100.0, &known(200.0, 20.0), 2, &known(0.5, 0.05), &known(0.1, 0.02)));
        let order: Vec<&str> = got.iter().map(|a| a.measure).collect();
        assert_eq!(order, ["darks", "tracking", "exposure", "focus and spacing", "binning"]);
        assert!(got[4].extra_hours_per_100_hours.why().contains("before it is read"));
    }
}
