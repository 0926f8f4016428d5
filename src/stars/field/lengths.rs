//! What the surfaces mean in millimetres on the sensor.

use super::result::FieldResult;
use crate::facts::stars::{StarsMethod, StarsMissing};
use crate::facts::{Quantity, Source};

/// Fills in the lengths; `um_per_px` is the size of a recorded pixel.
pub(crate) fn in_mm(result: &mut FieldResult, half_diagonal_px: f64, um_per_px: Option<f64>) {
    let Some(um_per_px) = um_per_px else {
        for unknown in [&mut result.half_diagonal_mm, &mut result.tilt_percent_per_mm, &mut result.corrected_radius_mm]
        {
            *unknown = Quantity::not_measurable(StarsMissing::PixelSizeUnknown);
        }
        return;
    };
    let mm = um_per_px * 1e-3;
    result.half_diagonal_mm =
        Quantity::with(Source::Header, half_diagonal_px * mm, None, StarsMethod::DiagonalTimesPixel, 1);
    result.tilt_percent_per_mm = result.widening_one_side_percent.scaled((half_diagonal_px * mm).recip());
    result.corrected_radius_mm = result.corrected_radius_px.scaled(mm);
}
