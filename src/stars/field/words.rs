//! What the variation over the frame points to, in words.

use crate::report::InWords;
use serde::{Deserialize, Serialize};

use super::{FieldResult, SIGNIFICANT_CHANCE};
use crate::facts::Quantity;

/// Width change below which an effect is left out of the findings: five times less than what limits the good field, and
/// less than seeing changes from frame to frame.
pub const LEAST_WIDTH_PERCENT: f64 = 3.0;
/// The same for ellipticity: a fifth of what the eye sees.
pub const LEAST_ELLIPTICITY: f64 = 0.02;

/// What an effect points to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Cause {
    /// Stars widen towards one side: the sensor is tilted against the focal surface, or the axis is off the centre.
    Tilt,
    /// Stars widen towards the edges: curved focal surface or wrong spacing of a corrector.
    Curvature,
    /// All stars are drawn out alike: guiding, drift, wind, or astigmatism that is the same everywhere.
    Guiding,
    /// That elongation differs from frame to frame: tracking, wind.
    ChangingGuiding,
    /// Elongation grows along one line: optics out of line with each other.
    Misalignment,
    /// Elongation points away from the centre: spacing or curvature.
    Radial,
    /// Elongation runs around the centre: spacing or curvature, or a field that turns.
    Tangential,
}

/// Fills causes, finding and sentence from the numbers.
pub(crate) fn conclude(result: &mut FieldResult) {
    let Some(chances) = result.surface.as_ref().map(|s| s.chances) else { return };
    let value = |q: &Quantity| q.value.unwrap_or(0.0);
    let changes = chances.change_between_frames.is_some_and(|c| c < SIGNIFICANT_CHANCE);
    let change = value(&result.change_between_frames);
    let radial = value(&result.radial_ellipticity);
    // Cause, chance, and size over the least that is told.
    let effects = [
        (Cause::Tilt, chances.tilt, value(&result.tilt_percent) / LEAST_WIDTH_PERCENT),
        (Cause::Curvature, chances.curvature, value(&result.curvature_percent).abs() / LEAST_WIDTH_PERCENT),
        (Cause::Guiding, chances.constant_elongation, value(&result.constant_ellipticity) / LEAST_ELLIPTICITY),
        (Cause::ChangingGuiding, if changes { 0.0 } else { 1.0 }, change / LEAST_ELLIPTICITY),
        (Cause::Misalignment, chances.linear_elongation, value(&result.linear_ellipticity) / LEAST_ELLIPTICITY),
        (
            if radial > 0.0 { Cause::Radial } else { Cause::Tangential },
            chances.radial_elongation,
            radial.abs() / LEAST_ELLIPTICITY,
        ),
    ];
    let mut seen: Vec<(Cause, f64)> =
        effects.iter().filter(|(_, p, size)| *p < SIGNIFICANT_CHANCE && *size >= 1.0).map(|e| (e.0, e.2)).collect();
    seen.sort_by(|a, b| b.1.total_cmp(&a.1));
    result.causes = seen.into_iter().map(|s| s.0).collect();
    let small = effects.iter().any(|(_, p, size)| *p < SIGNIFICANT_CHANCE && *size < 1.0);
    result.finding = result.causes.first().map_or_else(
        || {
            if small { "Star images hardly vary over the frame" } else { "Nothing significant varies over the frame" }
                .into()
        },
        |c| finding(result, *c),
    );
    let mut sentences: Vec<String> = result.causes.iter().map(|c| said(result, *c)).collect();
    if sentences.is_empty() {
        sentences.push(if small {
            format!(
                "What varies over the frame is small: below {LEAST_WIDTH_PERCENT} % in width and {LEAST_ELLIPTICITY} in \
                 ellipticity."
            )
        } else {
            "Neither width nor elongation of the stars varies over the frame by more than its error.".to_owned()
        });
    }
    let signless = |c: &Cause| !matches!(c, Cause::Guiding | Cause::ChangingGuiding);
    if result.causes.iter().any(signless) {
        sentences.push(
            "The sign of tilt and spacing cannot be told from one in-focus set: frames on both sides of focus would \
             show it."
                .to_owned(),
        );
    }
    sentences.push(good(result));
    result.sentence = sentences.join(" ");
}

fn finding(r: &FieldResult, cause: Cause) -> String {
    let degrees = |q: &Quantity| q.value.map_or_else(String::new, |d| format!("{d:.0}°"));
    match cause {
        Cause::Tilt => format!(
            "Stars widen towards one side, by {} % on a half diagonal along {}",
            brief(&r.tilt_percent),
            degrees(&r.tilt_direction_deg)
        ),
        Cause::Curvature => {
            let sense = if r.curvature_percent.value < Some(0.0) { "narrow" } else { "widen" };
            format!("Stars {sense} from the centre to the corners by {} %", brief(&r.curvature_percent))
        }
        Cause::Guiding => format!(
            "All stars are drawn out alike, with an ellipticity of {} along {}",
            brief(&r.constant_ellipticity),
            degrees(&r.constant_direction_deg)
        ),
        Cause::ChangingGuiding => "The elongation of all stars changes from frame to frame".to_owned(),
        Cause::Misalignment => "Stars are drawn out more towards one side".to_owned(),
        Cause::Radial => {
            format!(
                "Stars point away from the centre, with an ellipticity of {} at the corners",
                brief(&r.radial_ellipticity)
            )
        }
        Cause::Tangential => {
            format!(
                "Stars run around the centre, with an ellipticity of {} at the corners",
                brief(&r.radial_ellipticity)
            )
        }
    }
}

fn said(r: &FieldResult, cause: Cause) -> String {
    let what = finding(r, cause);
    match cause {
        Cause::Tilt => format!("{what}: a tilted sensor, or an optical axis off the frame's centre."),
        Cause::Curvature => format!("{what}: a curved focal surface, or a corrector at the wrong distance."),
        Cause::Guiding => format!("{what}: guiding, drift or wind, or astigmatism that is the same everywhere."),
        Cause::ChangingGuiding => format!(
            "{what}, by {:.3} either way: tracking or wind rather than optics.",
            r.change_between_frames.value.unwrap_or(0.0)
        ),
        Cause::Misalignment => {
            format!("{what}, {} at the corners: optics out of line with each other.", brief(&r.linear_ellipticity))
        }
        Cause::Radial => format!("{what}: a corrector at the wrong distance, or focus that lies off over the field."),
        Cause::Tangential => {
            format!("{what}: a corrector at the wrong distance, or a field that turns about the guide star.")
        }
    }
}

/// Size of a value with the first digit of its uncertainty: prose needs no more, the table has two.
fn brief(q: &Quantity) -> String {
    let (Some(value), Some(sigma)) = (q.value, q.sigma.filter(|s| *s > 0.0)) else { return q.text("") };
    let decimals = (-sigma.log10().floor()).clamp(0.0, 6.0) as usize;
    format!("{:.decimals$} \u{b1} {sigma:.decimals$}", value.abs())
}

fn good(r: &FieldResult) -> String {
    let limits = "FWHM within 15 % of the best and radial ellipticity below 0.1";
    // The limit is on what the optics do from the centre outwards; a trail is not undone by it.
    let shared = r.causes.iter().any(|c| matches!(c, Cause::Guiding | Cause::ChangingGuiding));
    let stars = if shared { "Apart from the elongation that all share, stars" } else { "Stars" };
    match (r.corrected_to_the_corner, r.half_diagonal_px) {
        (Some(true), Some(half)) => {
            format!("{stars} are good ({limits}) out to at least the half diagonal of {half:.0} px.")
        }
        (Some(false), Some(half)) => format!(
            "{stars} are good ({limits}) within {} px of the centre; the corners lie at {half:.0} px.",
            brief(&r.corrected_radius_px)
        ),
        _ => "How far from the centre stars are good is not measurable.".to_owned(),
    }
}
