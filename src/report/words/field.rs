//! Words for star images over the frame: what leads, what it points to, and how far from the centre stars are good.

use std::ops::Deref;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::InWords;
use super::quantity::missing;
use crate::facts::Quantity;
use crate::stars::field::{
    Cause, FieldResult, Finding, LEAST_ELLIPTICITY, LEAST_WIDTH_PERCENT, MOST_ELLIPTICITY, MOST_GROWTH,
};

/// The field of a session as `report.json` has it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "Field")]
pub struct WordedField {
    #[serde(flatten)]
    pub facts: FieldResult,
    /// What leads, in one clause; empty where nothing is measurable.
    pub finding: String,
    /// The finding in full.
    pub sentence: String,
}

impl Deref for WordedField {
    type Target = FieldResult;

    fn deref(&self) -> &FieldResult {
        &self.facts
    }
}

impl From<FieldResult> for WordedField {
    fn from(facts: FieldResult) -> Self {
        Self { finding: finding(&facts), sentence: sentence(&facts), facts }
    }
}

fn finding(r: &FieldResult) -> String {
    match r.finding {
        Finding::NotMeasurable => String::new(),
        Finding::Nothing => "Nothing significant varies over the frame".to_owned(),
        Finding::Little => "Star images hardly vary over the frame".to_owned(),
        Finding::Led(cause) => effect(r, cause),
    }
}

fn sentence(r: &FieldResult) -> String {
    let mut sentences: Vec<String> = r.causes.iter().map(|c| explained(r, *c)).collect();
    match r.finding {
        Finding::NotMeasurable => {
            let because = missing(&r.corrected_radius_px.because());
            return format!("Star images over the frame are not measurable, because {because}.");
        }
        Finding::Nothing => sentences
            .push("Neither width nor elongation of the stars varies over the frame by more than its error.".to_owned()),
        Finding::Little => sentences.push(format!(
            "What varies over the frame is small: below {LEAST_WIDTH_PERCENT} % in width and {LEAST_ELLIPTICITY} in \
             ellipticity."
        )),
        Finding::Led(_) => {}
    }
    if !r.causes.iter().all(Cause::is_shared_by_all_stars) {
        sentences.push(
            "The sign of tilt and spacing cannot be told from one in-focus set: frames on both sides of focus would \
             show it."
                .to_owned(),
        );
    }
    sentences.push(good(r));
    sentences.join(" ")
}

/// What is seen.
fn effect(r: &FieldResult, cause: Cause) -> String {
    let degrees = |q: &Quantity| q.value.map_or_else(String::new, |d| format!("{d:.0}°"));
    match cause {
        Cause::Tilt => format!(
            "Stars widen towards one side, by {} % on a half diagonal along {}",
            brief(&r.widening_one_side_percent),
            degrees(&r.tilt_direction_deg)
        ),
        Cause::Curvature => {
            let sense = if r.widening_corner_percent.value < Some(0.0) { "narrow" } else { "widen" };
            format!("Stars {sense} from the centre to the corners by {} %", brief(&r.widening_corner_percent))
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

/// What is seen, and what it points to.
fn explained(r: &FieldResult, cause: Cause) -> String {
    let what = effect(r, cause);
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
    let growth = 100.0 * MOST_GROWTH;
    let limits = format!("FWHM within {growth:.0} % of the best and radial ellipticity below {MOST_ELLIPTICITY}");
    // The limit is on what the optics do from the centre outwards; a trail is not undone by it.
    let shared = r.causes.iter().any(Cause::is_shared_by_all_stars);
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
