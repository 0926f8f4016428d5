//! One session's answer to each of the three questions: its verdict, what it rests on and how far to trust it.

use super::confidence::{Confidence, Level, RestsOn};
use super::noise_check::NoiseVerdict;
use super::result::{Cooling, CoolingRow, CoolingVerdict, NoiseBudget, Sampling, SamplingVerdict, ThermalVerdict};
use super::sampling::straddled;
use crate::facts::stars::StarsNote;
use crate::facts::{Missing, Note, Quantity, Source};

/// Shares of the variance from which dark current is called minor, noticeable, dominant. A variance up by 2 % costs 2 %
/// of the time; 10 % is the least that a user would see; half is more than all else together (definition, not law).
const THERMAL_GRADES: [(f64, ThermalVerdict); 4] = [
    (0.0, ThermalVerdict::Negligible),
    (0.02, ThermalVerdict::Minor),
    (0.10, ThermalVerdict::Noticeable),
    (0.50, ThermalVerdict::Dominant),
];

/// Share of the time that must be saved to speak of a gain, and of a large one (definition, not law).
pub(crate) const SMALL_SAVING: f64 = 0.05;
pub(crate) const LARGE_SAVING: f64 = 0.20;

/// Drop that the cooling answer quotes, C: what a single-stage cooler holds on a mild night (common practice, no source).
pub(crate) const QUOTED_DROP_C: f64 = 20.0;

/// Distance below the coldest darks up to which the law is held to go on as measured, C: half of what halves the dark current.
const SAFE_BELOW_C: f64 = 3.0;

/// Relative uncertainty up to which a width is trusted, and up to which it still tells the grade.
const WIDTH_TRUST: [f64; 2] = [0.05, 0.15];

/// Absolute uncertainty of a share or time ratio, likewise.
const SHARE_TRUST: [f64; 2] = [0.03, 0.10];

/// What the answers need of one session.
#[derive(Debug, Clone, Copy)]
pub struct SessionFindings<'a> {
    /// The session's id in the report.
    pub id: &'a str,
    /// How the session is called in sentences.
    pub label: &'a str,
    /// Exposure time, s.
    pub exposure_s: Option<f64>,
    /// FWHM before the pixel, arcsec.
    pub fwhm_arcsec: &'a Quantity,
    /// Image scale, arcsec/px.
    pub image_scale: &'a Quantity,
    /// Aperture, mm, for the diffraction limit.
    pub aperture_mm: Option<f64>,
    /// Median airmass, for the width at the zenith.
    pub airmass: Option<f64>,
    pub sampling: &'a Sampling,
    pub noise_budget: &'a NoiseBudget,
    /// Whether the lights' own noise is what the budget says.
    pub noise: NoiseVerdict,
    /// Whether its dark current is that of darks taken for as warm as the lights.
    pub darks_as_warm: bool,
    pub cooling: &'a Cooling,
}

/// What one session says to one question; the reason where it says nothing.
#[derive(Debug, Clone)]
pub struct Finding<'a, V> {
    pub session: SessionFindings<'a>,
    pub judged: Result<Judged<V>, Missing>,
}

/// A verdict on measured numbers.
#[derive(Debug, Clone, PartialEq)]
pub struct Judged<V> {
    pub verdict: V,
    /// The session with the highest is told in full.
    pub stake: f64,
    /// The number by which sessions are compared.
    pub key: Quantity,
    /// A limit within one standard uncertainty of the key number.
    pub near: Option<Near<V>>,
    pub confidence: Confidence,
}

/// A limit between two verdicts, and the one on its other side.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Near<V> {
    pub limit: f64,
    pub verdict: V,
}

/// Sampling of one session; the sharpest stars are most at stake.
pub(crate) fn sampling_finding<'a>(s: &SessionFindings<'a>) -> Finding<'a, SamplingVerdict> {
    let px = &s.sampling.px_per_fwhm;
    let judged = px.pair().ok_or_else(|| px.because()).map(|(value, sigma)| {
        let near = straddled(value, sigma).next().map(|(limit, verdict)| Near { limit, verdict });
        let trust = Confidence::of(px, RestsOn::StarWidth, sigma / value, WIDTH_TRUST);
        let no_model = px.notes.iter().any(|n| matches!(n, Note::Stars(StarsNote::NoModelFits { .. })));
        let confidence = match near {
            _ if no_model && trust.level() == Level::High => Confidence::NoModelFits,
            Some(Near { limit, .. }) if trust.level() == Level::High => {
                Confidence::LimitWithinUncertainty { limit_px: limit }
            }
            _ => trust,
        };
        Judged { verdict: s.sampling.verdict, stake: -value, key: px.clone(), near, confidence }
    });
    Finding { session: *s, judged }
}

/// Share of thermal noise in one session; the largest is most at stake.
pub(crate) fn thermal_finding<'a>(s: &SessionFindings<'a>) -> Finding<'a, ThermalVerdict> {
    let dark = &s.noise_budget.dark_share;
    let judged = dark.pair().ok_or_else(|| dark.because()).map(|(share, sigma)| {
        let grade_of = |x: f64| THERMAL_GRADES.iter().rposition(|(from, _)| x >= *from).unwrap_or(0);
        let rank = grade_of(share);
        let reach = [grade_of((share - sigma).max(0.0)), grade_of(share + sigma)];
        let near = reach.into_iter().find(|other| *other != rank);
        let near = near.map(|g| Near { limit: THERMAL_GRADES[g.max(rank)].0, verdict: THERMAL_GRADES[g].1 });
        let trust = Confidence::of(dark, RestsOn::NoiseBudget, sigma, SHARE_TRUST);
        let confidence = held_back(by_darks(trust, s.darks_as_warm), s.noise);
        Judged { verdict: THERMAL_GRADES[rank].1, stake: share, key: dark.clone(), near, confidence }
    });
    Finding { session: *s, judged }
}

/// Gain from cooling in one session; the lowest limit is most at stake.
pub(crate) fn cooling_finding<'a>(s: &SessionFindings<'a>) -> Finding<'a, CoolingVerdict> {
    let c = s.cooling;
    let limit = &c.floor_time_ratio;
    let judged = limit.pair().ok_or_else(|| limit.because()).map(|(floor, sigma)| {
        let quoted = quoted_row(c);
        let saved = quoted.and_then(|row| Some((row, row.time_ratio.pair()?)));
        let (verdict, confidence) = match saved {
            _ if hardly_limits(limit) => {
                let trust = Confidence::of(limit, RestsOn::LimitWithoutDarkCurrent, sigma, SHARE_TRUST);
                (CoolingVerdict::NoGain, by_darks(trust, s.darks_as_warm))
            }
            None => (CoolingVerdict::PossibleGain, Confidence::OnlyTheLimit),
            Some(_) if c.law.source == Source::Assumed => (CoolingVerdict::PossibleGain, Confidence::LawAssumed),
            Some((row, (ratio, sigma))) => {
                let trust = Confidence::of(&row.time_ratio, RestsOn::TimeRatio, sigma, SHARE_TRUST);
                (gain_of(1.0 - ratio), beyond_darks(trust, row, c.law.range_celsius))
            }
        };
        let key = saving(quoted.map_or(limit, |row| &row.time_ratio));
        Judged { verdict, stake: -floor, key, near: None, confidence: held_back(confidence, s.noise) }
    });
    Finding { session: *s, judged }
}

/// High confidence only where darks reach the temperature, or nearly so.
fn beyond_darks(confidence: Confidence, row: &CoolingRow, range_celsius: Option<[f64; 2]>) -> Confidence {
    let coldest = range_celsius.map(|[low, _]| low).filter(|low| row.sensor_celsius < low - SAFE_BELOW_C);
    match coldest {
        Some(coldest_celsius) if confidence.level() == Level::High => {
            Confidence::ColderThanDarks { celsius: row.sensor_celsius, coldest_celsius }
        }
        _ => confidence,
    }
}

/// What is assumed, by name, where it is that darks are as warm as the lights.
fn by_darks(confidence: Confidence, as_warm: bool) -> Confidence {
    match confidence {
        Confidence::Assumed { .. } if as_warm => Confidence::DarksAsWarm,
        other => other,
    }
}

/// High confidence only where the lights' noise is what the budget says.
fn held_back(confidence: Confidence, noise: NoiseVerdict) -> Confidence {
    let differs = noise == NoiseVerdict::Differs && confidence.level() == Level::High;
    if differs { Confidence::NoiseDiffers } else { confidence }
}

fn gain_of(saved: f64) -> CoolingVerdict {
    match saved {
        saved if saved < SMALL_SAVING => CoolingVerdict::NoGain,
        saved if saved < LARGE_SAVING => CoolingVerdict::SmallGain,
        _ => CoolingVerdict::LargeGain,
    }
}

/// The row of the drop that the answer quotes, where it has a time ratio.
pub(crate) fn quoted_row(c: &Cooling) -> Option<&CoolingRow> {
    c.rows.iter().find(|r| r.below_now_c == QUOTED_DROP_C).filter(|r| r.time_ratio.is_known())
}

/// Whether even no dark current at all saves little; the limit needs no law, so no assumption matters then.
pub(crate) fn hardly_limits(floor_time_ratio: &Quantity) -> bool {
    floor_time_ratio.value.is_some_and(|limit| 1.0 - limit < SMALL_SAVING)
}

/// Time saved, from the time still needed.
pub(crate) fn saving(ratio: &Quantity) -> Quantity {
    Quantity { value: ratio.value.map(|v| 1.0 - v), ..ratio.clone() }
}
