//! What is known of star images over the frame.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::surface::FieldSurface;
use crate::facts::Quantity;
use crate::facts::stars::StarsMissing;

/// What an effect points to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
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

impl Cause {
    /// Whether all stars show it alike, wherever they are in the frame.
    pub fn is_shared_by_all_stars(&self) -> bool {
        matches!(self, Self::Guiding | Self::ChangingGuiding)
    }
}

/// What leads of all that was looked for.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Finding {
    #[default]
    NotMeasurable,
    /// No effect is significant.
    Nothing,
    /// Some effect is significant, but none is large enough to see.
    Little,
    /// The largest effect.
    Led(Cause),
}

/// An elongation with what it points to.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SeenElongation {
    /// Its cause; null where no elongation is both significant and large enough to see.
    pub cause: Option<Cause>,
    /// Ellipticity; at a corner where it grows from the centre outwards.
    #[schemars(extend("unit" = "%"))]
    pub percent: Quantity,
    /// Direction of the long axis where all stars share one, from +x towards +y of the file.
    #[schemars(extend("unit" = "degrees"))]
    pub angle_deg: Quantity,
}

/// Star images over the frame: the `field` of a session.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FieldResult {
    /// Light frames that went in.
    #[schemars(extend("unit" = "frames"))]
    pub frames: usize,
    /// Stars that went in.
    #[schemars(extend("unit" = "stars"))]
    pub stars: usize,
    /// Half of the frame's diagonal: places are given in this unit from the centre.
    #[schemars(extend("unit" = "px"))]
    pub half_diagonal_px: Option<f64>,
    /// The same on the sensor.
    #[schemars(extend("unit" = "mm"))]
    pub half_diagonal_mm: Quantity,
    /// Size of the width's gradient at the centre.
    #[schemars(extend("unit" = "% per half diagonal"))]
    pub widening_one_side_percent: Quantity,
    /// The same per length on the sensor.
    #[schemars(extend("unit" = "%/mm"))]
    pub tilt_percent_per_mm: Quantity,
    /// Direction in which stars widen, from +x towards +y of the file.
    #[schemars(extend("unit" = "degrees"))]
    pub tilt_direction_deg: Quantity,
    /// Growth of the width from the centre to a corner, mean over directions, tilt left out.
    #[schemars(extend("unit" = "%"))]
    pub widening_corner_percent: Quantity,
    /// The same as a share of the width at the centre.
    #[schemars(extend("unit" = "1"))]
    pub curvature: Quantity,
    /// Width at the corners, mean of the four, over that at the centre.
    #[schemars(extend("unit" = "1"))]
    pub corner_fwhm_ratio: Quantity,
    /// The largest elongation told.
    pub elongation: SeenElongation,
    /// Ellipticity that all stars share.
    #[schemars(extend("unit" = "1"))]
    pub constant_ellipticity: Quantity,
    /// Direction of that part.
    #[schemars(extend("unit" = "degrees"))]
    pub constant_direction_deg: Quantity,
    /// Standard deviation of that part from frame to frame, errors taken off.
    #[schemars(extend("unit" = "1"))]
    pub change_between_frames: Quantity,
    /// Ellipticity at a corner of the part that is linear in position.
    #[schemars(extend("unit" = "1"))]
    pub linear_ellipticity: Quantity,
    /// Ellipticity at a corner of the part that points to the centre (positive) or runs around it (negative).
    #[schemars(extend("unit" = "1"))]
    pub radial_ellipticity: Quantity,
    /// Distance from the centre within which stars are good.
    #[schemars(extend("unit" = "px"))]
    pub corrected_radius_px: Quantity,
    /// The same on the sensor.
    #[schemars(extend("unit" = "mm"))]
    pub corrected_radius_mm: Quantity,
    /// The same in half diagonals.
    #[schemars(extend("unit" = "half diagonals"))]
    pub corrected_radius_fraction: Quantity,
    /// Whether stars are good as far as the corners.
    pub corrected_to_the_corner: Option<bool>,
    /// Defocus at a corner that would widen the stars as seen.
    #[schemars(extend("unit" = "um"))]
    pub corner_defocus_um: Quantity,
    /// What the numbers point to: tilt, curvature, guiding, changing-guiding, misalignment, radial, tangential.
    pub causes: Vec<Cause>,
    /// What was found, in one clause.
    #[serde(skip)]
    pub finding: Finding,
    /// The fitted surfaces; null where the stars are too few.
    pub surface: Option<FieldSurface>,
}

impl FieldResult {
    /// Nothing known, for the reason given.
    pub(crate) fn not_measurable(frames: usize, stars: usize, because: StarsMissing) -> Self {
        let unknown = || Quantity::not_measurable(because.clone());
        Self {
            frames,
            stars,
            half_diagonal_px: None,
            half_diagonal_mm: unknown(),
            widening_one_side_percent: unknown(),
            tilt_percent_per_mm: unknown(),
            tilt_direction_deg: unknown(),
            widening_corner_percent: unknown(),
            curvature: unknown(),
            corner_fwhm_ratio: unknown(),
            elongation: SeenElongation { cause: None, percent: unknown(), angle_deg: unknown() },
            constant_ellipticity: unknown(),
            constant_direction_deg: unknown(),
            change_between_frames: unknown(),
            linear_ellipticity: unknown(),
            radial_ellipticity: unknown(),
            corrected_radius_px: unknown(),
            corrected_radius_mm: unknown(),
            corrected_radius_fraction: unknown(),
            corrected_to_the_corner: None,
            corner_defocus_um: unknown(),
            causes: Vec::new(),
            finding: Finding::NotMeasurable,
            surface: None,
        }
    }
}
