//! One session's answer to each of the three questions: its grade, its sentence and how far to trust it.

use super::answers::SessionFindings;
use super::result::{CoolingRow, SamplingVerdict};
use super::sampling::{OVER_SAMPLED_PX, UNDER_SAMPLED_PX, WELL_SAMPLED_PX};
use super::seeing::{QUOTED_WAVELENGTH_NM, airmass_factor, diffraction_fwhm_arcsec};
use crate::quantity::{Quantity, Source};

/// Shares of the variance from which dark current is called minor, noticeable, dominant. A variance up by 2 % costs 2 %
/// of the time; 10 % is the least that a user would see; half is more than all else together (definition, not law).
const THERMAL_GRADES: [(f64, &str); 4] =
    [(0.0, "negligible"), (0.02, "minor"), (0.10, "noticeable"), (0.50, "dominant")];

/// Share of the time that must be saved to speak of a gain, and of a large one (definition, not law).
const SMALL_SAVING: f64 = 0.05;
const LARGE_SAVING: f64 = 0.20;

/// Drop that the cooling answer quotes, C: what a single-stage cooler holds on a mild night (common practice, no source).
const QUOTED_DROP_C: f64 = 20.0;

/// Relative uncertainty up to which a width is trusted, and up to which it still tells the grade.
const WIDTH_TRUST: [f64; 2] = [0.05, 0.15];

/// Absolute uncertainty of a share or time ratio, likewise.
const SHARE_TRUST: [f64; 2] = [0.03, 0.10];

/// What one session says to one question.
#[derive(Debug, Clone)]
pub(super) struct Finding {
    pub label: String,
    /// Rank and word; `None` when not measurable.
    pub grade: Option<(usize, &'static str)>,
    /// The session with the highest is told in full.
    pub stake: f64,
    /// Key number as shown in an overview, with its unit.
    pub shown: f64,
    pub unit: &'static str,
    pub sentence: String,
    pub confidence: String,
}

impl Finding {
    fn unknown(label: &str, sentence: String) -> Self {
        let confidence = "none: not measurable".to_owned();
        let label = label.to_owned();
        Self { label, grade: None, stake: 0.0, shown: 0.0, unit: "", sentence, confidence }
    }
}

/// Sampling of one session; the sharpest stars are most at stake.
pub(super) fn sampling_finding(s: &SessionFindings) -> Finding {
    let px = &s.sampling.px_per_fwhm;
    let rank = match s.sampling.verdict {
        SamplingVerdict::Undetermined => None,
        SamplingVerdict::UnderSampled => Some(0),
        SamplingVerdict::Marginal => Some(1),
        SamplingVerdict::WellSampled => Some(2),
        SamplingVerdict::OverSampled => Some(3),
    };
    let (Some(rank), Some((value, sigma))) = (rank, px.pair()) else {
        return Finding::unknown(s.label, s.sampling.sentence.clone());
    };
    let limits = [UNDER_SAMPLED_PX, WELL_SAMPLED_PX, OVER_SAMPLED_PX];
    let close = limits.into_iter().find(|limit| (value - limit).abs() <= sigma && sigma > 0.0);
    let trust = confidence(px, "the star width", sigma / value, WIDTH_TRUST);
    let confidence = match close {
        Some(limit) if trust.starts_with("high") => {
            format!("medium: the limit of {limit} px lies within one standard uncertainty of the star width")
        }
        _ => trust,
    };
    Finding {
        label: s.label.to_owned(),
        grade: Some((rank, s.sampling.verdict.word())),
        stake: -value,
        shown: value,
        unit: "px per FWHM",
        sentence: [s.sampling.sentence.clone(), angle_sentence(s)].join(" ").trim_end().to_owned(),
        confidence,
    }
}

/// The width on the sky beside its two limits; why not, when the scale is unknown.
fn angle_sentence(s: &SessionFindings) -> String {
    let Some(width) = s.fwhm_arcsec.value else {
        return format!("The width on the sky is not measurable, because {}.", reason(s.fwhm_arcsec, s.image_scale));
    };
    let mut text =
        format!("On the sky that is {} at {}", s.fwhm_arcsec.text("arcsec"), s.image_scale.text("arcsec/px"));
    if let Some(airmass) = s.airmass.filter(|x| *x >= 1.0) {
        let zenith = s.fwhm_arcsec.scaled(airmass_factor(airmass).recip()).text("arcsec");
        text.push_str(&format!("; were it all seeing, {zenith} at the zenith (airmass {airmass:.2})"));
    }
    if let Some(aperture) = s.aperture_mm.filter(|a| *a > 0.0) {
        let limit = diffraction_fwhm_arcsec(aperture, QUOTED_WAVELENGTH_NM);
        let caution = if width < limit { ", which no star image can undercut: check the image scale" } else { "" };
        text.push_str(&format!(
            "; diffraction alone gives {limit:.2} arcsec for a clear aperture of {aperture:.0} mm at \
             {QUOTED_WAVELENGTH_NM:.0} nm{caution}"
        ));
    }
    text + "."
}

fn reason<'a>(first: &'a Quantity, second: &'a Quantity) -> &'a str {
    match (second.is_known(), first.why()) {
        (false, _) if !second.why().is_empty() => second.why(),
        (_, "") => "the image scale is not known",
        (_, why) => why,
    }
}

/// Share of thermal noise in one session; the largest is most at stake.
pub(super) fn thermal_finding(s: &SessionFindings) -> Finding {
    let b = s.noise_budget;
    let Some((share, sigma)) = b.dark_share.pair() else {
        let because = b.dark_share.why();
        return Finding::unknown(s.label, format!("The share of thermal noise is not measurable, because {because}."));
    };
    let grade_of = |x: f64| THERMAL_GRADES.iter().rposition(|(from, _)| x >= *from).unwrap_or(0);
    let rank = grade_of(share);
    let percent = |q: &Quantity| q.scaled(100.0).text("%");
    let exposure = s.exposure_s.map_or_else(|| "one exposure".to_owned(), |t| format!("one exposure of {t} s"));
    let mut sentence = format!(
        "In {exposure} dark current gives {} of the noise variance of a background pixel, the sky {} and reading out {}.",
        percent(&b.dark_share),
        percent(&b.sky_share),
        percent(&b.read_share)
    );
    let reach = [grade_of((share - sigma).max(0.0)), grade_of(share + sigma)];
    if let Some(other) = reach.into_iter().find(|g| *g != rank) {
        sentence.push_str(&format!(
            " One standard uncertainty reaches across a limit, so {} is possible as well as {}.",
            THERMAL_GRADES[other].1, THERMAL_GRADES[rank].1
        ));
    }
    if let (Some(enough), Some(t)) = (b.exposure_for_5_percent_read_s.value, s.exposure_s) {
        let side = if t >= enough { "this exposure is long enough for that" } else { "this exposure is shorter" };
        sentence.push_str(&format!(
            " Read noise adds 5 % to the noise of sky and dark current at {}; {side}.",
            b.exposure_for_5_percent_read_s.text("s")
        ));
    }
    if let Some(note) = &b.dark_share.note {
        sentence.push_str(&format!(" Caution: {note}."));
    }
    Finding {
        label: s.label.to_owned(),
        grade: Some((rank, THERMAL_GRADES[rank].1)),
        stake: share,
        shown: 100.0 * share,
        unit: "% of the variance",
        sentence,
        confidence: confidence(&b.dark_share, "the noise budget", sigma, SHARE_TRUST),
    }
}

/// Gain from cooling in one session; the lowest limit is most at stake.
pub(super) fn cooling_finding(s: &SessionFindings) -> Finding {
    let c = s.cooling;
    let Some((limit, limit_sigma)) = c.floor_time_ratio.pair() else {
        let because = c.floor_time_ratio.why();
        return Finding::unknown(s.label, format!("The gain from cooling is not measurable, because {because}."));
    };
    let quoted = c.rows.iter().find(|r| r.below_now_c == QUOTED_DROP_C);
    let saved = quoted.and_then(|r| r.time_ratio.pair()).map(|(rho, sigma)| (1.0 - rho, sigma));
    let grade = match saved {
        // The limit needs no law: when even it saves little, no assumption matters.
        _ if 1.0 - limit < SMALL_SAVING => (0, "no-gain"),
        None => (1, "possible-gain"),
        Some(_) if c.law_source == Source::Assumed => (1, "possible-gain"),
        Some((saved, _)) if saved < SMALL_SAVING => (0, "no-gain"),
        Some((saved, _)) if saved < LARGE_SAVING => (2, "small-gain"),
        Some(_) => (3, "large-gain"),
    };
    let mut sentence = format!(
        "Without any dark current the same signal-to-noise on a faint target would take {} of the present exposure \
         time: no cooling can save more than about {:.0} %.",
        c.floor_time_ratio.text(""),
        100.0 * (1.0 - limit)
    );
    if let Some(row) = quoted.filter(|r| r.time_ratio.is_known()) {
        sentence.push_str(&row_sentence(row, c.law_source));
    }
    match c.drop_for_5_percent_dark_c.value {
        Some(drop) if drop > 0.0 => sentence.push_str(&format!(
            " Once cooled by {}, dark current adds no more than 5 % to the other noise and further cooling hardly pays.",
            c.drop_for_5_percent_dark_c.text("C")
        )),
        Some(_) => sentence.push_str(" Dark current already adds less than 5 % to the other noise."),
        None => {}
    }
    sentence.push_str(&format!(" {}", c.basis));
    let confidence = match grade.1 {
        "no-gain" if 1.0 - limit < SMALL_SAVING => {
            confidence(&c.floor_time_ratio, "the limit without dark current", limit_sigma, SHARE_TRUST)
        }
        "possible-gain" if quoted.is_none() => {
            "low: only the limit is known, the sensor temperature is missing".to_owned()
        }
        "possible-gain" => "low: the fall of the dark current with temperature is an assumption; the limit is \
                            measured as well as sky, read noise and dark current are"
            .to_owned(),
        _ => match quoted {
            Some(row) => {
                let spread = saved.map_or(f64::INFINITY, |(_, sigma)| sigma);
                confidence(&row.time_ratio, "the time ratio", spread, SHARE_TRUST)
            }
            None => "low: only the limit is known".to_owned(),
        },
    };
    Finding {
        label: s.label.to_owned(),
        grade: Some(grade),
        stake: -limit,
        shown: limit,
        unit: "of the present time at best",
        sentence,
        confidence,
    }
}

fn row_sentence(row: &CoolingRow, law: Source) -> String {
    let condition = if law == Source::Assumed { " if the assumed fall of the dark current holds" } else { "" };
    format!(
        " Cooling by {:.0} C, to {:.1} C, would bring it to {} of the present time{condition}, or the signal-to-noise in \
         the same time to {} times the present one.",
        row.below_now_c,
        row.sensor_celsius,
        row.time_ratio.text(""),
        row.snr_gain.text("")
    )
}

/// A word and its reason, from the origin of a number and its spread against two limits of trust.
fn confidence(q: &Quantity, what: &str, spread: f64, trust: [f64; 2]) -> String {
    let percent = format!("{:.1} %", 100.0 * spread);
    match (q.source, q.sigma) {
        (Source::Assumed, _) => format!("low: {what} rests on an assumption ({})", q.method),
        (_, None) => format!("medium: the uncertainty of {what} is not known"),
        (Source::Measured, Some(_)) if spread <= trust[0] => {
            format!("high: {what} is measured from these frames to {percent}")
        }
        (_, Some(_)) if spread > trust[1] => format!("low: {what} is uncertain by {percent}"),
        (Source::Measured, Some(_)) => format!("medium: {what} is measured from these frames, but only to {percent}"),
        (Source::Header, Some(_)) => format!("medium: {what} rests on values that the headers state"),
        (Source::Rig, Some(_)) => format!("medium: {what} rests on values of the rig file"),
    }
}
