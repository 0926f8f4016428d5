//! What the page says about star images over the frame and about the fall-off of the light.

use crate::report::InWords;
use serde::Serialize;

use crate::facts::Quantity;
use crate::report::plots::{self, Figure, PlotError};
use crate::report::words::WordedField;
use crate::report::words::numbers::{typographic, with_unit};
use crate::report::words::origins::{GOOD_RADIUS, of_field};
use crate::sensor::Vignetting;

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
pub fn field_part(field: &WordedField) -> Result<FieldPart, PlotError> {
    let at_least = field.corrected_to_the_corner == Some(true);
    let lines = of_field(field)
        .into_iter()
        .filter(|v| v.quantity.is_known())
        .map(|v| {
            let limit = if at_least && v.label == GOOD_RADIUS { "at least " } else { "" };
            [v.label.to_owned(), typographic(&format!("{limit}{}", with_unit(&v.quantity, v.unit)))]
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
