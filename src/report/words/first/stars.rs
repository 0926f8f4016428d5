//! How sharp the stars are, and what makes them so.

use super::names::Name;
use super::say::{about, three, two};
use crate::facts::{Quantity, Source};
use crate::report::InWords;
use crate::report::model::{Report, Session};

/// Ratio of widths below which sessions are alike.
const ALIKE: f64 = 1.05;
/// Share of the width, in squares, from which one cause is worth a word beside the seeing.
const WORTH_A_WORD: f64 = 0.15;

pub fn answer(report: &Report, names: &[Name]) -> String {
    let known = |of: fn(&Session) -> &Quantity| -> Vec<(&Session, &str, &Quantity)> {
        let all = report.sessions.iter().zip(names).map(|(s, name)| (s, name.within.as_str(), of(s)));
        all.filter(|(.., q)| q.is_known()).collect()
    };
    let (sky, pixels) = (known(|s| &s.fwhm_arcsec), known(|s| &s.fwhm_px));
    match (sky.first(), pixels.first()) {
        (Some((first, ..)), _) => {
            let scale = scale(first).unwrap_or_default();
            join([across(&sky, "arcsec"), scale, causes(first), snapshot(&sky)])
        }
        (None, Some(_)) => join([
            across(&pixels, "px"),
            "For arcseconds set pixel_um and focal_mm in a rig file, or give --pointing.".to_owned(),
            snapshot(&pixels),
        ]),
        (None, None) => {
            let lights: usize = report.sessions.iter().map(|s| s.frame_counts.light).sum();
            let why = report.sessions.first().map(|s| s.fwhm_px.why()).unwrap_or_default();
            let lights = if lights == 1 { "1 light".to_owned() } else { format!("{lights} lights") };
            let why = if why.is_empty() { String::new() } else { format!(": {}", why.trim_end_matches('.')) };
            format!("No star was measured in {lights}{why}.")
        }
    }
}

/// The width of one session, of all where they are alike, or from one end to the other.
fn across(known: &[(&Session, &str, &Quantity)], unit: &str) -> String {
    let mut ordered = known.to_vec();
    ordered.sort_by(|a, b| a.2.value.unwrap_or(0.0).total_cmp(&b.2.value.unwrap_or(0.0)));
    match &ordered[..] {
        [] => String::new(),
        [(.., only)] => format!("Stars are {} across (FWHM).", about(only, unit).unwrap_or_default()),
        [(_, low_name, low), .., (_, high_name, high)] => {
            let (a, b) = (low.value.unwrap_or(0.0), high.value.unwrap_or(0.0));
            if b < ALIKE * a {
                let width = about(high, unit).unwrap_or_default();
                let all = if ordered.len() == 2 { "both".to_owned() } else { format!("all {}", ordered.len()) };
                return format!("Stars are {width} across (FWHM) in {all} sessions.");
            }
            format!("Stars are {} ({low_name}) to {} {unit} ({high_name}) across (FWHM).", two(a), two(b))
        }
    }
}

fn scale(s: &Session) -> Option<String> {
    let scale = &s.image_scale_arcsec_per_px;
    let value = three(scale.value?);
    Some(match scale.source {
        Source::Measured if s.star_match.image_scale_arcsec_per_px.is_known() => {
            let focal = s.star_match.focal_length_mm.value;
            let focal = focal.map_or_else(String::new, |mm| format!(": focal length {} mm", three(mm)));
            format!("At {value} arcsec/px, measured from {} catalogue stars{focal}.", s.star_match.matched_stars)
        }
        Source::Measured => format!("At {value} arcsec/px, by the plate solution in the headers."),
        Source::Rig => format!("At {value} arcsec/px from the rig file, unchecked."),
        Source::Header => format!("At {value} arcsec/px from the headers, unchecked."),
        Source::Assumed => format!("At {value} arcsec/px, assumed."),
    })
}

/// What blurs them beside seeing and focus, where it is a part worth a word.
fn causes(s: &Session) -> String {
    let Some(whole) = s.fwhm_arcsec.value else { return String::new() };
    let b = &s.width_budget;
    let parts = [
        ("guiding", &b.elongation_arcsec),
        ("the optics off the axis", &b.field_arcsec),
        ("diffraction", &b.diffraction_arcsec),
    ];
    let share = |q: &Quantity| q.value.map(|v| (v / whole).powi(2));
    let told: Vec<String> = parts
        .iter()
        .filter_map(|(name, q)| Some((name, q.value?, share(q)?)))
        .filter(|(.., share)| *share > WORTH_A_WORD)
        .map(|(name, value, _)| format!("{name} {} arcsec", two(value)))
        .collect();
    match (told.is_empty(), b.rest_arcsec.is_known()) {
        (true, true) => "Seeing and focus make nearly all of it.".to_owned(),
        (true, false) => String::new(),
        (false, _) => format!("Beside seeing and focus: {} of it (adding as squares).", told.join(", ")),
    }
}

fn snapshot(known: &[(&Session, &str, &Quantity)]) -> String {
    match known {
        [(s, ..)] if s.frame_counts.used == 1 => "From one light only: a snapshot of the seeing.".to_owned(),
        _ => String::new(),
    }
}

pub fn join<const N: usize>(parts: [String; N]) -> String {
    parts.into_iter().filter(|p| !p.is_empty()).collect::<Vec<_>>().join(" ")
}
