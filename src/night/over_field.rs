//! Star images over the frame, from the lights that a session uses.

use crate::facts::Quantity;
use crate::folder::FrameHeader;
use crate::stars::field::{FieldFrame, FieldOptics, FieldResult, field};
use crate::units::ARCSEC_PER_RADIAN;

use super::lights::MeasuredLight;

/// Variation over the frame; `image_scale` is the session's.
pub fn over_field(used: &[&MeasuredLight], image_scale: &Quantity) -> FieldResult {
    let frames: Vec<FieldFrame> = used
        .iter()
        .map(|l| FieldFrame { stars: &l.stars.stars, size: [l.read.geometry.width, l.read.geometry.height] })
        .collect();
    let header = used.first().map(|l| &l.read.header);
    let focal_mm = header.and_then(|h| h.focal_mm.as_ref()).map(|f| f.value).filter(|f| *f > 0.0);
    let aperture_mm = header.and_then(|h| h.aperture_mm.as_ref()).map(|a| a.value).filter(|a| *a > 0.0);
    // From the scale, so that binning is in it whichever way the header counts the pixel; else from the pixel alone.
    let from_scale = focal_mm.zip(image_scale.value).map(|(f, s)| s / ARCSEC_PER_RADIAN * f * 1e3);
    let um_per_px = from_scale.or_else(|| header.and_then(FrameHeader::recorded_pixel_um));
    let focal_ratio = focal_mm.zip(aperture_mm).map(|(f, a)| f / a);
    field(&frames, FieldOptics { um_per_px, focal_ratio })
}
