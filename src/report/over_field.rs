//! What the page says about star images over the frame and about the fall-off of the light.

use serde::Serialize;

use super::numbers::{typographic, with_unit};
use super::plots::{self, Figure, PlotError};
use crate::quantity::Quantity;
use crate::sensor::Vignetting;
use crate::stars::field::FieldResult;

/// One session's star images over the frame.
#[derive(Debug, Serialize)]
pub struct FieldPart {
    pub sentence: String,
    pub figure: Option<Figure>,
    /// Name and value.
    pub lines: Vec<[String; 2]>,
}

/// Words, numbers and map of a session's field.
///
/// # Errors
///
/// The map could not be drawn.
pub fn field_part(field: &FieldResult) -> Result<FieldPart, PlotError> {
    let values = [
        ("gradient of the width, on a half diagonal", "%", &field.tilt_percent),
        ("direction in which stars widen", "°", &field.tilt_direction_deg),
        ("growth of the width from centre to corner", "%", &field.curvature_percent),
        ("ellipticity that all stars share", "", &field.constant_ellipticity),
        ("its direction", "°", &field.constant_direction_deg),
        ("ellipticity at the corners, linear part", "", &field.linear_ellipticity),
        ("ellipticity at the corners, radial part", "", &field.radial_ellipticity),
        ("radius of good stars", "px", &field.corrected_radius_px),
        ("defocus that would widen the corners as much", "µm", &field.corner_defocus_um),
    ];
    let at_least = field.corrected_to_the_corner == Some(true);
    let lines = values
        .iter()
        .filter(|(_, _, q)| q.is_known())
        .map(|(name, unit, q)| {
            let limit = if at_least && std::ptr::eq(*q, &field.corrected_radius_px) { "at least " } else { "" };
            [(*name).to_owned(), typographic(&format!("{limit}{}", with_unit(q, unit)))]
        })
        .collect();
    let figure = plots::star_field(field)?.map(|f| Figure {
        title: typographic(&f.title),
        caption: typographic(&f.caption),
        ..f
    });
    Ok(FieldPart { sentence: typographic(&field.sentence), figure, lines })
}

/// A sentence on the fall-off of the light through one filter.
pub fn vignetting_words(v: &Vignetting) -> String {
    let through = v.filter.as_deref().map_or_else(String::new, |f| format!(" through {f}"));
    if !v.corner_illumination.is_known() {
        let why = v.corner_illumination.why();
        return typographic(&format!("The fall-off of the light{through} is not measurable, because {why}."));
    }
    let radius = |q: &Quantity, share: &str| {
        if q.is_known() {
            format!("{share} at {} from the centre", with_unit(q, "px"))
        } else {
            format!("{share} beyond the corners")
        }
    };
    typographic(&format!(
        "The corners{through} get {} of the light of the centre; it falls to {} and to {} (the corners lie at {:.0} px).",
        with_unit(&v.corner_illumination.scaled(100.0), "%"),
        radius(&v.radius_of_90_percent_px, "90 %"),
        radius(&v.radius_of_75_percent_px, "75 %"),
        v.half_diagonal_px
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample;

    #[test]
    fn a_lower_limit_is_said_and_a_reason_too() {
        let report = sample::report();
        let part = field_part(&report.sessions[0].field).unwrap();
        assert!(part.lines.iter().any(|[_, v]| v.contains("%")) && part.figure.is_some());
        let none = field_part(&report.sessions[1].field).unwrap();
        assert!(none.sentence.contains("not measurable, because") && none.lines.is_empty());
        let words = vignetting_words(&report.sensors[0].result.vignetting[0]);
        assert!(words.contains("85.00\u{A0}±\u{A0}0.30\u{A0}%") && words.contains("75\u{A0}% beyond"), "{words}");
    }
}
