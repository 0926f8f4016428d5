//! What the surfaces mean in millimetres on the sensor, and which elongation is the largest.

use serde::{Deserialize, Serialize};

use super::{Cause, FieldResult};
use crate::facts::Quantity;

/// An elongation with what it points to.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SeenElongation {
    /// `None` where no elongation is both significant and large enough to see.
    pub cause: Option<Cause>,
    /// Ellipticity (1 - minor/major), %: at a corner where it grows from the centre outwards.
    pub percent: Quantity,
    /// Direction of the long axis, degrees from +x towards +y, where all stars share one.
    pub angle_deg: Quantity,
}

/// Fills in the lengths; `um_per_px` is the size of a recorded pixel.
pub(crate) fn in_mm(result: &mut FieldResult, half_diagonal_px: f64, um_per_px: Option<f64>) {
    let Some(um_per_px) = um_per_px else {
        let why = "the size of a pixel is not known; the card XPIXSZ or the rig key pixel_um would tell it";
        for unknown in [&mut result.half_diagonal_mm, &mut result.tilt_percent_per_mm, &mut result.corrected_radius_mm]
        {
            *unknown = Quantity::not_measurable(why);
        }
        return;
    };
    let mm = um_per_px * 1e-3;
    result.half_diagonal_mm = Quantity::with(
        crate::facts::Source::Header,
        half_diagonal_px * mm,
        None,
        "half the diagonal in pixels times their size",
        1,
    );
    result.tilt_percent_per_mm = result.tilt_percent.scaled((half_diagonal_px * mm).recip());
    result.corrected_radius_mm = result.corrected_radius_px.scaled(mm);
}

/// The elongation that is largest against what the eye sees.
pub(crate) fn largest_elongation(result: &FieldResult) -> SeenElongation {
    let shared = &result.constant_ellipticity;
    let turning = |why: &str| Quantity::not_measurable(why);
    let of = |cause| match cause {
        Cause::Guiding => Some((shared, result.constant_direction_deg.clone())),
        Cause::ChangingGuiding => Some((shared, turning("it differs from frame to frame"))),
        Cause::Misalignment => Some((&result.linear_ellipticity, turning("it turns over the frame"))),
        Cause::Radial | Cause::Tangential => Some((&result.radial_ellipticity, turning("it turns around the centre"))),
        Cause::Tilt | Cause::Curvature => None,
    };
    let seen = result.causes.iter().find_map(|cause| of(*cause).map(|(size, angle)| (Some(*cause), size, angle)));
    let (cause, size, angle_deg) = seen.unwrap_or_else(|| (None, shared, result.constant_direction_deg.clone()));
    let percent = size.scaled(100.0);
    // Radial and tangential are told by their name, not by a sign.
    let percent = Quantity { value: percent.value.map(f64::abs), ..percent };
    SeenElongation { cause, percent, angle_deg }
}
