//! One session's answer to each of the three questions: its grade, its words and how far to trust it.

use super::answers::SessionFindings;
use super::percent::percent;
use super::result::{Cooling, CoolingRow, SamplingVerdict};
use super::sampling::{OVER_SAMPLED_PX, UNDER_SAMPLED_PX, WELL_SAMPLED_PX};
use super::seeing::{QUOTED_WAVELENGTH_NM, airmass_factor, diffraction_fwhm_arcsec};
use crate::facts::{Quantity, Source};
use crate::format::capped;
use crate::report::InWords;

/// Shares of the variance from which dark current is called minor, noticeable, dominant. A variance up by 2 % costs 2 %
/// of the time; 10 % is the least that a user would see; half is more than all else together (definition, not law).
const THERMAL_GRADES: [(f64, &str, &str); 4] =
    [(0.0, "negligible", "No"), (0.02, "minor", "Hardly"), (0.10, "noticeable", "In part"), (0.50, "dominant", "Yes")];

/// Share of the time that must be saved to speak of a gain, and of a large one (definition, not law).
const SMALL_SAVING: f64 = 0.05;
const LARGE_SAVING: f64 = 0.20;

/// Drop that the cooling answer quotes, C: what a single-stage cooler holds on a mild night (common practice, no source).
const QUOTED_DROP_C: f64 = 20.0;

/// Digits of a ratio near 1.
const RATIO_DIGITS: i32 = 3;

/// Digits of a star width in a reply.
const WIDTH_DIGITS: i32 = 4;

/// Relative uncertainty up to which a width is trusted, and up to which it still tells the grade.
const WIDTH_TRUST: [f64; 2] = [0.05, 0.15];

/// Absolute uncertainty of a share or time ratio, likewise.
const SHARE_TRUST: [f64; 2] = [0.03, 0.10];

/// What one session says to one question.
#[derive(Debug, Clone)]
pub(crate) struct Finding {
    pub label: String,
    /// Rank and word; `None` when not measurable.
    pub grade: Option<(usize, &'static str)>,
    /// The session with the highest is told in full.
    pub stake: f64,
    /// Key number with its uncertainty and unit, as sessions are compared.
    pub shown: String,
    /// The answer in a word or two: "Yes", "In part".
    pub opening: &'static str,
    /// The answer after the opening, where this is the only session; why not, when not measurable.
    pub statement: String,
    /// What would be said as a caution right behind the statement, or an empty text.
    pub caution: String,
    /// All the rest.
    pub detail: String,
    pub confidence: String,
}

impl Finding {
    fn unknown(label: &str, because: &str, detail: String) -> Self {
        Self {
            label: label.to_owned(),
            grade: None,
            stake: 0.0,
            shown: String::new(),
            opening: "Not measurable",
            statement: because.to_owned(),
            caution: String::new(),
            detail,
            confidence: "none: not measurable".to_owned(),
        }
    }
}

/// Sampling of one session; the sharpest stars are most at stake.
pub(crate) fn sampling_finding(s: &SessionFindings) -> Finding {
    let px = &s.sampling.px_per_fwhm;
    let (rank, opening, remark) = match s.sampling.verdict {
        SamplingVerdict::Undetermined => (None, "", ""),
        SamplingVerdict::UnderSampled => (Some(0), "No, they are too coarse", ""),
        SamplingVerdict::Marginal => (Some(1), "Almost", "; 2 px would hold all its detail"),
        SamplingVerdict::WellSampled => (Some(2), "Yes", ", enough to hold all its detail"),
        SamplingVerdict::OverSampled => (Some(3), "They are finer than the stars need", "; 2 px would do"),
    };
    let (Some(rank), Some((value, sigma))) = (rank, px.pair()) else {
        return Finding::unknown(s.label, &px.why(), String::new());
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
    let width = format!("{} px", capped(value, sigma, WIDTH_DIGITS));
    Finding {
        label: s.label.to_owned(),
        grade: Some((rank, s.sampling.verdict.word())),
        stake: -value,
        shown: width.clone(),
        opening,
        statement: format!("a star is {width} wide before the pixel blurs it (FWHM){remark}"),
        caution: close.map_or_else(String::new, |limit| {
            format!("Within its error the width may also lie beyond the limit of {limit} px.")
        }),
        detail: format!("{} {}", s.sampling.detail, angle_sentence(s)).trim().to_owned(),
        confidence,
    }
}

/// The width on the sky beside its two limits; why not, when the scale is unknown.
fn angle_sentence(s: &SessionFindings) -> String {
    let Some(width) = s.fwhm_arcsec.value else {
        return format!("The width on the sky is not measurable, because {}.", reason(s.fwhm_arcsec, s.image_scale));
    };
    let mut text =
        format!("On the sky a star is {} wide, at {}", s.fwhm_arcsec.text("arcsec"), s.image_scale.text("arcsec/px"));
    if let Some(airmass) = s.airmass.filter(|x| *x >= 1.0) {
        let zenith = s.fwhm_arcsec.scaled(airmass_factor(airmass).recip()).text("arcsec");
        text.push_str(&format!("; were it all seeing, {zenith} at the zenith (airmass {airmass:.2})"));
    }
    text.push('.');
    if let Some(aperture) = s.aperture_mm.filter(|a| *a > 0.0) {
        let limit = diffraction_fwhm_arcsec(aperture, QUOTED_WAVELENGTH_NM);
        let caution = if width < limit { ", which no star image can undercut: check the image scale" } else { "" };
        text.push_str(&format!(
            " Diffraction alone gives {limit:.2} arcsec for a clear aperture of {aperture:.0} mm at \
             {QUOTED_WAVELENGTH_NM:.0} nm{caution}."
        ));
    }
    text
}

fn reason(first: &Quantity, second: &Quantity) -> String {
    match (second.is_known(), first.why().as_str()) {
        (false, _) if !second.why().is_empty() => second.why(),
        (_, "") => "the image scale is not known".to_owned(),
        (_, why) => why.to_owned(),
    }
}

/// Share of thermal noise in one session; the largest is most at stake.
pub(crate) fn thermal_finding(s: &SessionFindings) -> Finding {
    let b = s.noise_budget;
    let Some((share, sigma)) = b.dark_share.pair() else {
        return Finding::unknown(s.label, &b.dark_share.why(), String::new());
    };
    let grade_of = |x: f64| THERMAL_GRADES.iter().rposition(|(from, ..)| x >= *from).unwrap_or(0);
    let rank = grade_of(share);
    let (_, word, opening) = THERMAL_GRADES[rank];
    let exposure = s.exposure_s.map_or_else(|| "an exposure".to_owned(), |t| format!("an exposure of {t} s"));
    let mut detail = format!(
        "Of the noise variance of a background pixel in {exposure}, {} comes from the sky, {} from dark current and {} \
         from reading out.",
        percent(&b.sky_share),
        percent(&b.dark_share),
        percent(&b.read_share)
    );
    if b.read_noise_adds.is_known() {
        detail.push_str(&format!(
            " Read noise adds {} to the noise of sky and dark current in this exposure; it would add 5 % at {}, 10 % at {}.",
            percent(&b.read_noise_adds),
            b.exposure_for_5_percent_read_s.text("s"),
            b.exposure_for_10_percent_read_s.text("s")
        ));
    }
    if let Some(note) = b.dark_share.remark() {
        detail.push_str(&format!(" Caution: {note}."));
    }
    let reach = [grade_of((share - sigma).max(0.0)), grade_of(share + sigma)];
    let caution = reach.into_iter().find(|g| *g != rank).map_or_else(String::new, |other| {
        format!("Within its error the share may be called {} as well as {word}.", THERMAL_GRADES[other].1)
    });
    Finding {
        label: s.label.to_owned(),
        grade: Some((rank, word)),
        stake: share,
        shown: percent(&b.dark_share),
        opening,
        statement: format!(
            "dark current makes {} of the noise variance of {exposure}, the sky {}",
            percent(&b.dark_share),
            percent(&b.sky_share)
        ),
        caution,
        detail,
        confidence: confidence(&b.dark_share, "the noise budget", sigma, SHARE_TRUST),
    }
}

/// Gain from cooling in one session; the lowest limit is most at stake.
pub(crate) fn cooling_finding(s: &SessionFindings) -> Finding {
    let c = s.cooling;
    let Some((limit, limit_sigma)) = c.floor_time_ratio.pair() else {
        return Finding::unknown(s.label, &c.floor_time_ratio.why(), String::new());
    };
    let quoted = c.rows.iter().find(|r| r.below_now_c == QUOTED_DROP_C).filter(|r| r.time_ratio.is_known());
    let saved = quoted.and_then(|r| r.time_ratio.pair()).map(|(rho, sigma)| (1.0 - rho, sigma));
    let assumed = c.law_source == Source::Assumed;
    let (rank, word) = match saved {
        // The limit needs no law: when even it saves little, no assumption matters.
        _ if 1.0 - limit < SMALL_SAVING => (0, "no-gain"),
        Some((saved, _)) if !assumed && saved < SMALL_SAVING => (0, "no-gain"),
        Some((saved, _)) if !assumed && saved < LARGE_SAVING => (2, "small-gain"),
        Some(_) if !assumed => (3, "large-gain"),
        _ => (1, "possible-gain"),
    };
    let confidence = match word {
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
        grade: Some((rank, word)),
        stake: -limit,
        shown: percent(&saving(quoted.map_or(&c.floor_time_ratio, |r| &r.time_ratio))),
        opening: ["Nothing worth having", "Not known for sure", "A little", "A lot"][rank],
        statement: cooling_statement(c, quoted, 1.0 - limit < SMALL_SAVING),
        caution: String::new(),
        detail: cooling_detail(c, quoted),
        confidence,
    }
}

/// Time saved, from the time still needed.
fn saving(ratio: &Quantity) -> Quantity {
    Quantity { value: ratio.value.map(|v| 1.0 - v), ..ratio.clone() }
}

fn cooling_statement(c: &Cooling, quoted: Option<&CoolingRow>, never: bool) -> String {
    let most = percent(&saving(&c.floor_time_ratio));
    let bound = match most.strip_prefix("less than ") {
        Some(limit) => format!("no cooling can save even {limit}"),
        None => format!("no cooling can save more than {most}"),
    };
    let Some(row) = quoted.filter(|_| !never) else {
        return format!("{bound} of the exposure time on a faint target");
    };
    let (place, condition) = match c.law_source {
        Source::Assumed => (String::new(), " if the dark current falls as is usual, which is an assumption"),
        _ => (format!(", to {:.1} °C,", row.sensor_celsius), ""),
    };
    format!(
        "cooling by {QUOTED_DROP_C:.0} °C{place} would save {} of the exposure time on a faint target{condition}; {bound}",
        percent(&saving(&row.time_ratio))
    )
}

fn cooling_detail(c: &Cooling, quoted: Option<&CoolingRow>) -> String {
    let mut parts = Vec::new();
    if let Some(row) = quoted {
        parts.push(format!(
            "In the same exposure time, {QUOTED_DROP_C:.0} °C colder would bring {} times the present signal-to-noise.",
            row.snr_gain.pair().map_or_else(String::new, |(v, sigma)| capped(v, sigma, RATIO_DIGITS))
        ));
    }
    match c.drop_for_5_percent_dark_c.value {
        Some(drop) if drop > 0.0 => parts.push(format!(
            "Once {} colder, dark current adds no more than 5 % to the other noise and further cooling hardly pays.",
            c.drop_for_5_percent_dark_c.text("°C")
        )),
        Some(_) => parts.push("Dark current already adds less than 5 % to the other noise.".to_owned()),
        None => {}
    }
    parts.push(c.basis.clone());
    parts.join(" ")
}

/// A word and its reason, from the origin of a number and its spread against two limits of trust.
fn confidence(q: &Quantity, what: &str, spread: f64, trust: [f64; 2]) -> String {
    let spread_words = if spread < 0.001 { "better than 0.1 %".to_owned() } else { format!("{:.1} %", 100.0 * spread) };
    match (q.source, q.sigma) {
        (Source::Assumed, _) => format!("low: {what} rests on an assumption ({})", q.how()),
        (_, None) => format!("medium: the uncertainty of {what} is not known"),
        (Source::Measured, Some(_)) if spread <= trust[0] => {
            format!("high: {what} is measured from these frames to {spread_words}")
        }
        (_, Some(_)) if spread > trust[1] => format!("low: {what} is uncertain by {spread_words}"),
        (Source::Measured, Some(_)) => {
            format!("medium: {what} is measured from these frames, but only to {spread_words}")
        }
        (Source::Header, Some(_)) => format!("medium: {what} rests on values that the headers state"),
        (Source::Rig, Some(_)) => format!("medium: {what} rests on values of the rig file"),
    }
}
