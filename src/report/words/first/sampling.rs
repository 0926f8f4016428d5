//! Whether the pixels suit the stars.

use super::names::Name;
use super::say::{not_known, three, two};
use super::stars::join;
use crate::report::InWords;
use crate::report::model::{Report, Session};
use crate::verdict::SamplingVerdict;
use crate::verdict::sampling::straddled;

/// Sessions that are told one by one.
const MOST_NAMED: usize = 3;

pub fn answer(report: &Report, names: &[Name]) -> String {
    let mut known: Vec<(&Session, &Name, f64)> = report
        .sessions
        .iter()
        .zip(names)
        .filter_map(|(s, name)| Some((s, name, s.sampling.px_per_fwhm.value?)))
        .collect();
    known.sort_by(|a, b| a.2.total_cmp(&b.2));
    let (Some(first), Some(last)) = (known.first(), known.last()) else {
        let why = report.sessions.first().map(|s| s.sampling.px_per_fwhm.why()).unwrap_or_default();
        return not_known(&why);
    };
    let verdict = |s: &Session| s.sampling.verdict;
    let one_word = known.iter().all(|(s, ..)| verdict(s) == verdict(first.0));
    let numbers = match (one_word, known.len()) {
        (true, 1) => format!("{}: {} px per FWHM", word(verdict(first.0)), two(first.2)),
        (true, _) if two(first.2) == two(last.2) => format!("{}: {} px per FWHM", word(verdict(first.0)), two(first.2)),
        (true, _) => format!("{}: {} to {} px per FWHM", word(verdict(first.0)), two(first.2), two(last.2)),
        (false, _) => {
            let told = |(at, (s, name, px)): (usize, &(&Session, &Name, f64))| {
                let name = if at == 0 { &name.first } else { &name.within };
                format!("{name}: {}, {} px per FWHM", word(verdict(s)).to_lowercase(), two(*px))
            };
            let mut parts: Vec<String> = known.iter().take(MOST_NAMED).enumerate().map(told).collect();
            if known.len() > MOST_NAMED {
                parts.push(format!("and {} more", known.len() - MOST_NAMED));
            }
            parts.join("; ")
        }
    };
    // The session with the sharpest stars, or, where all are over-sampled, the one that is the least.
    join([remedy(first.0, first.2, &numbers), near(first.0), mosaic(first.0)])
}

fn word(verdict: SamplingVerdict) -> &'static str {
    match verdict {
        SamplingVerdict::UnderSampled => "Under-sampled",
        SamplingVerdict::Marginal => "Marginal",
        SamplingVerdict::WellSampled => "Well sampled",
        SamplingVerdict::OverSampled => "Over-sampled",
        SamplingVerdict::Undetermined => "Not known",
    }
}

fn remedy(s: &Session, px: f64, numbers: &str) -> String {
    let after = if s.settings.cfa.is_some() { " after debayering" } else { "" };
    match s.sampling.verdict {
        SamplingVerdict::UnderSampled => {
            let suited = s.suited.iter().min_by(|a, b| a.px_per_fwhm.total_cmp(&b.px_per_fwhm));
            let focal = suited.and_then(|row| Some((row.focal_length_mm.value?, row.focal_factor.value?)));
            let pixel = suited.and_then(|row| row.pixel_um.value);
            let cure = match (focal, pixel) {
                (Some((mm, k)), Some(um)) => {
                    format!(" {} mm of focal length (x {}) or {} µm pixels would cure it.", three(mm), two(k), two(um))
                }
                _ => format!(" {} times the focal length, or pixels as much smaller, would cure it.", two(2.0 / px)),
            };
            format!("{numbers}. Each sub loses fine detail: dither by several pixels and stack on a finer grid.{cure}")
        }
        SamplingVerdict::Marginal => format!("{numbers}; 2 lose nothing. Dither; not worth money."),
        SamplingVerdict::OverSampled => match s.sampling.best_binning.filter(|b| *b > 1) {
            Some(b) => format!("{numbers} where 2 to 4 do. Bin {b}x{b}{after}: no detail lost."),
            None => format!("{numbers} where 2 to 4 do."),
        },
        SamplingVerdict::WellSampled => format!("{numbers}. Keep pixels and focal length."),
        SamplingVerdict::Undetermined => format!("{numbers}."),
    }
}

fn near(s: &Session) -> String {
    let Some((px, sigma)) = s.sampling.px_per_fwhm.pair() else { return String::new() };
    straddled(px, sigma).next().map_or_else(String::new, |(limit, other)| {
        let other = word(other).to_lowercase();
        format!("The limit of {limit} px lies within the error: it may be {other}.")
    })
}

fn mosaic(s: &Session) -> String {
    match (&s.settings.cfa, s.sampling.verdict) {
        (None, _) | (_, SamplingVerdict::OverSampled | SamplingVerdict::Undetermined) => String::new(),
        _ => "Each colour is sampled more coarsely; dither, and the stack fills the gaps.".to_owned(),
    }
}
