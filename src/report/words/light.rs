//! Words for the light of stars and sky: magnitudes, steadiness, and where stars saturate.

use super::percent;
use super::verdict::OTHER_BAND;
use crate::report::InWords;
use crate::verdict::{Bound, Photometry, Saturation, SubLength};

/// Brightness of stars and sky, and how steadily the stars' light came; empty where nothing is known.
pub(crate) fn photometry(p: &Photometry) -> String {
    let mut told = Vec::new();
    if let (Some(_), Some(scatter)) = (p.zero_point_vt_mag.value, p.star_scatter_mag) {
        told.push(format!(
            "A star of VT magnitude {} gives one electron a second ({OTHER_BAND}; single stars scatter by {scatter:.2} mag).",
            p.zero_point_vt_mag.text("")
        ));
    }
    if p.sky_vt_mag_per_arcsec2.is_known() {
        told.push(format!("The sky is at {}.", p.sky_vt_mag_per_arcsec2.text("mag/arcsec²")));
    }
    if let Some([low, high]) = p.transparency_range {
        told.push(format!(
            "From frame to frame the same stars gave {:.0} to {:.0} % of the median frame's light.",
            100.0 * low,
            100.0 * high
        ));
    }
    told.join(" ")
}

/// How many stars clip, and in which exposure more would.
/// The recommended exposure, what sets it, and what half and twice of it cost.
pub(crate) fn sub_length(s: &SubLength) -> String {
    let (Some(seconds), Some(bound)) = (s.seconds.value, s.bound) else {
        return format!("The best sub length is not measurable, because {}.", s.seconds.why());
    };
    let why = match bound {
        Bound::ReadNoise => "read noise then adds 5 % to the noise",
        Bound::Clipping => "longer ones would clip a tenth of the brighter stars",
        Bound::Tracking => "longer ones would draw the stars out visibly, if what all of them share is drift",
    };
    let about = format!("{:.*e}", 1, seconds).parse::<f64>().unwrap_or(seconds);
    format!(
        "Subs of about {about} s: {why}. Half as long needs {:.0} % more integration for the same depth, twice as long {:.0} % less.",
        s.half_costs_percent.unwrap_or(0.0),
        s.double_saves_percent.unwrap_or(0.0)
    )
}

pub(crate) fn saturation(s: &Saturation) -> String {
    let exposure = &s.exposure_for_tenth_clipped_s;
    let limit = match exposure.is_known() {
        true => format!("a tenth of the stars bright enough for a fit would clip in {}", exposure.text("s")),
        false => format!(
            "the exposure in which a tenth of the brighter stars clip is not measurable, because {}",
            exposure.why()
        ),
    };
    match s.clipped_share.is_known() {
        true => format!("Of all stars {} clip in this exposure; {limit}.", percent(&s.clipped_share)),
        false => format!("Whether stars clip is not measurable, because {}.", s.clipped_share.why()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::facts::Quantity;
    use crate::facts::verdict::{VerdictMethod, VerdictMissing};

    #[test]
    fn without_magnitudes_transparency_alone_is_told() {
        let mut found = Photometry::none(VerdictMissing::NoStarsMeasured);
        assert_eq!(photometry(&found), "");
        found.transparency_range = Some([0.8, 1.0]);
        assert_eq!(
            photometry(&found),
            "From frame to frame the same stars gave 80 to 100 % of the median frame's light."
        );
        found.zero_point_vt_mag = Quantity::measured(20.75, 0.05, VerdictMethod::ZeroPointOfMatchedStars, 30);
        found.star_scatter_mag = Some(0.25);
        let told = photometry(&found);
        assert!(
            told.starts_with("A star of VT magnitude 20.750 ± 0.050 gives") && told.contains("by 0.25 mag"),
            "{told}"
        );
    }

    #[test]
    fn clipping_stars_are_told_with_the_reason_for_no_exposure() {
        let told = saturation(&Saturation {
            clipped_share: Quantity::measured(0.125, 0.052, VerdictMethod::ClippedOverAllStars, 40),
            exposure_for_tenth_clipped_s: Quantity::not_measurable(VerdictMissing::TenthClipsAlready),
        });
        assert!(told.starts_with("Of all stars 12.5 ± 5.2 % clip in this exposure; the exposure in which"), "{told}");
        assert!(told.ends_with("because more than a tenth of them clip in the present exposure already."), "{told}");
    }
}
