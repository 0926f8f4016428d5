//! What costs nothing, and the hours a year that it would bring.

use serde::Serialize;

use super::compare::Number;
use super::geometry::Told;
use super::measured::MeasuredSession;
use crate::verdict::budget::READ_NOISE_SHARE;

/// Darks in a master after which more hardly count: a twentieth of one dark's variance is left.
const ENOUGH_DARKS: f64 = 20.0;

/// Growth of the width towards the corners below which spacing and tilt are not worth a look: errors are of that order.
const LEVEL_CORNERS: f64 = 1.02;

/// A measure and the hours that it would bring.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FreeMeasure {
    pub measure: &'static str,
    /// Time needed over time needed now.
    pub time_ratio: Number<f64>,
    pub extra_hours_per_year: Number<f64>,
    pub words: String,
}

/// The measures for one session; `hours` are those of the year.
pub fn free_measures(session: &MeasuredSession, hours: Option<f64>) -> Vec<FreeMeasure> {
    let told = |measure, (ratio, words): (Told<f64>, String)| {
        let hours = hours.ok_or_else(|| "the hours per year are not stated".to_owned());
        let extra = ratio.clone().and_then(|r| Ok(hours? * (r.recip() - 1.0)));
        FreeMeasure { measure, time_ratio: ratio.into(), extra_hours_per_year: extra.into(), words }
    };
    vec![
        told("exposure", exposure(session)),
        told("darks", darks(session)),
        told("tracking", tracking(session)),
        told("focus and spacing", spacing(session)),
        told("binning", binning(session)),
    ]
}

/// Longer exposures until read noise adds [`READ_NOISE_SHARE`]; longer ones than that gain next to nothing.
///
/// Formula: with `t5` that exposure, variance over sky and dark is `1 + c t5/t`, `c = (1 + f)^2 - 1` (derived).
fn exposure(session: &MeasuredSession) -> (Told<f64>, String) {
    let best = &session.noise_budget.exposure_for_5_percent_read_s;
    let (Some(best_s), Some(now_s)) = (best.value.filter(|t| *t > 0.0), session.exposure_s()) else {
        return (Err(best.why().to_owned()), "the exposure that drowns the read noise is not known".to_owned());
    };
    let c = (1.0 + READ_NOISE_SHARE).powi(2) - 1.0;
    let variance = |t: f64| 1.0 + c * best_s / t;
    if now_s >= best_s {
        let words = format!(
            "{now_s:.0} s are long enough; exposures of {best_s:.0} s would need {:.1} % more time in all",
            100.0 * (variance(best_s) / variance(now_s) - 1.0)
        );
        return (Ok(1.0), words);
    }
    (Ok(variance(best_s) / variance(now_s)), format!("exposures of {best_s:.0} s instead of {now_s:.0} s"))
}

/// A master of twenty darks: the variance that N darks add falls as 1/N.
fn darks(session: &MeasuredSession) -> (Told<f64>, String) {
    let Some(found) = &session.dark_match else {
        return (Err("the report matched no darks".to_owned()), "no darks were matched".to_owned());
    };
    let added = &found.added_variance_share;
    let Some(share) = added.value.filter(|_| found.darks > 0) else {
        return (Err(added.why().to_owned()), "what the darks add is not known".to_owned());
    };
    let n = found.darks as f64;
    if n >= ENOUGH_DARKS {
        return (Ok(1.0), format!("{} darks are enough", found.darks));
    }
    let ratio = (1.0 + share * n / ENOUGH_DARKS) / (1.0 + share);
    (Ok(ratio), format!("{ENOUGH_DARKS:.0} darks instead of {}; less where lights are dithered", found.darks))
}

/// Round stars as narrow as the short axis: time for a faint star under the sky goes with the area of its image.
fn tracking(session: &MeasuredSession) -> (Told<f64>, String) {
    match session.ellipticity.value {
        Some(e) => (Ok(1.0 - e), "stars as round as their short axis; gains faint stars only".to_owned()),
        None => (Err(session.ellipticity.why().to_owned()), "the elongation is not known".to_owned()),
    }
}

/// One set of frames tells that corners are worse, not what another spacing would make of them.
fn spacing(session: &MeasuredSession) -> (Told<f64>, String) {
    match session.field.corner_fwhm_ratio.value {
        Some(ratio) if ratio < LEVEL_CORNERS => {
            (Ok(1.0), "stars are as narrow in the corners as at the centre".to_owned())
        }
        Some(ratio) => (
            Err("the best width takes frames at several spacings".to_owned()),
            format!("corners are {:.0} % wider than the centre", 100.0 * (ratio - 1.0)),
        ),
        None => (Err(session.field.corner_fwhm_ratio.why().to_owned()), "the field is not measured".to_owned()),
    }
}

fn binning(session: &MeasuredSession) -> (Told<f64>, String) {
    match session.sampling.best_binning {
        Some(n) if n > 1 => (
            Err("whether this camera adds charge before it is read is not in the frames".to_owned()),
            format!("{n}x{n} loses no detail; it brings hours only where charge is added before it is read"),
        ),
        Some(_) => (Ok(1.0), "would lose detail".to_owned()),
        None => (Err("the star width leaves no binning that keeps two pixels per width".to_owned()), "none".to_owned()),
    }
}
