//! Which effects are significant and large enough to see, and what they point to.

use super::result::{Cause, FieldResult, Finding, SeenElongation};
use super::surface::SIGNIFICANT_CHANCE;
use crate::facts::Quantity;
use crate::facts::stars::StarsMissing;

/// Width change below which an effect is left out of the findings: five times less than what limits the good field, and
/// less than seeing changes from frame to frame.
pub(crate) const LEAST_WIDTH_PERCENT: f64 = 3.0;
/// The same for ellipticity: a fifth of what the eye sees.
pub(crate) const LEAST_ELLIPTICITY: f64 = 0.02;

/// Fills causes and finding from the numbers.
pub(crate) fn conclude(result: &mut FieldResult) {
    let Some(chances) = result.surface.as_ref().map(|s| s.chances) else { return };
    let value = |q: &Quantity| q.value.unwrap_or(0.0);
    let changes = chances.change_between_frames.is_some_and(|c| c < SIGNIFICANT_CHANCE);
    let change = value(&result.change_between_frames);
    let radial = value(&result.radial_ellipticity);
    // Cause, chance, and size over the least that is told.
    let effects = [
        (Cause::Tilt, chances.tilt, value(&result.widening_one_side_percent) / LEAST_WIDTH_PERCENT),
        (Cause::Curvature, chances.curvature, value(&result.widening_corner_percent).abs() / LEAST_WIDTH_PERCENT),
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
    result.finding = match result.causes.first() {
        Some(cause) => Finding::Led(*cause),
        None if small => Finding::Little,
        None => Finding::Nothing,
    };
}

/// The elongation that is largest against what the eye sees.
pub(crate) fn largest_elongation(result: &FieldResult) -> SeenElongation {
    let shared = &result.constant_ellipticity;
    let turning = |why: StarsMissing| Quantity::not_measurable(why);
    let of = |cause| match cause {
        Cause::Guiding => Some((shared, result.constant_direction_deg.clone())),
        Cause::ChangingGuiding => Some((shared, turning(StarsMissing::DirectionChangesBetweenFrames))),
        Cause::Misalignment => Some((&result.linear_ellipticity, turning(StarsMissing::DirectionTurnsOverFrame))),
        Cause::Radial | Cause::Tangential => {
            Some((&result.radial_ellipticity, turning(StarsMissing::DirectionTurnsAroundCentre)))
        }
        Cause::Tilt | Cause::Curvature => None,
    };
    let seen = result.causes.iter().find_map(|cause| of(*cause).map(|(size, angle)| (Some(*cause), size, angle)));
    let (cause, size, angle_deg) = seen.unwrap_or_else(|| (None, shared, result.constant_direction_deg.clone()));
    let percent = size.scaled(100.0);
    // Radial and tangential are told by their name, not by a sign.
    let percent = Quantity { value: percent.value.map(f64::abs), ..percent };
    SeenElongation { cause, percent, angle_deg }
}
