//! Image scale of one frame: from its celestial WCS, else from pixel pitch and focal length.

use crate::facts::{Quantity, Source};
use crate::folder::{Carded, FrameHeader, PixelReadings};
use crate::units::ARCSEC_PER_RADIAN;

/// Scales that a deep-sky imager can have, arcsec/px; anything outside is a bogus card (common practice, no source).
///
/// 0.05 is far below the diffraction limit of any portable aperture, 100 is a wide lens on large binned pixels.
pub const SCALE_RANGE_ARCSEC_PER_PX: [f64; 2] = [0.05, 100.0];

/// Disagreement of WCS and optics above which it is said: focal lengths on nameplates are good to about 1 %
/// (common practice, no source), and temperature and field correctors move them by as much again.
const DISAGREEMENT: f64 = 0.02;

/// What supplies a missing scale.
const REMEDY: &str =
    "the cards XPIXSZ and FOCALLEN, the rig keys pixel_um and focal_mm, or frames with a celestial WCS";

/// Image scale, arcsec per recorded pixel.
///
/// Formula: the scale of the WCS where there is one, else `206264.806 * pixel * binning / focal length`. A pixel pitch
/// that may or may not contain the binning gives no value but both readings in the note.
pub fn image_scale(header: &FrameHeader) -> Quantity {
    let optics = from_optics(header);
    let Some(wcs) = header.wcs_arcsec_per_px.as_ref() else {
        return optics.quantity();
    };
    if !plausible(wcs.value) {
        return optics.quantity().noted(format!(
            "the scale of the WCS ({:.4} arcsec/px, {}) lies outside {} to {} arcsec/px and is refused",
            wcs.value, wcs.card, SCALE_RANGE_ARCSEC_PER_PX[0], SCALE_RANGE_ARCSEC_PER_PX[1]
        ));
    }
    let source = if wcs.from_rig { Source::Rig } else { Source::Measured };
    let measured = Quantity::with(source, wcs.value, None, format!("celestial WCS, {}", wcs.card), 1);
    match optics {
        Optics::Scale { value, .. } if (value / wcs.value - 1.0).abs() > DISAGREEMENT => measured.noted(format!(
            "pixel pitch and focal length give {value:.3} arcsec/px, {:+.1} % from the WCS: check focal length and binning",
            100.0 * (value / wcs.value - 1.0)
        )),
        Optics::Ambiguous { physical, binned, ref card } => {
            let close = |v: f64| (v / wcs.value - 1.0).abs() <= DISAGREEMENT;
            match (close(physical), close(binned)) {
                (true, _) => measured.noted(format!("the WCS agrees with {card} as the physical pixel")),
                (_, true) => measured.noted(format!("the WCS agrees with {card} as the binned pixel")),
                _ => measured.noted(format!(
                    "neither reading of {card} ({physical:.3} or {binned:.3} arcsec/px) agrees with the WCS to 2 %"
                )),
            }
        }
        _ => measured,
    }
}

/// What pixel pitch and focal length say.
enum Optics {
    Scale {
        value: f64,
        source: Source,
        method: String,
    },
    /// Scale if the pitch is that of the physical pixel, and if it already contains the binning.
    Ambiguous {
        physical: f64,
        binned: f64,
        card: String,
    },
    Unknown {
        because: String,
    },
}

impl Optics {
    fn quantity(&self) -> Quantity {
        match self {
            Self::Scale { value, source, method } => Quantity::with(*source, *value, None, method.clone(), 1),
            Self::Ambiguous { physical, binned, card } => Quantity::not_measurable(format!(
                "the frame is binned and nothing tells whether {card} contains the binning: {physical:.3} arcsec/px if \
                 {card} is the physical pixel, {binned:.3} if it is the binned one; the rig key \
                 pixel_includes_binning settles it"
            )),
            Self::Unknown { because } => Quantity::not_measurable(because.clone()),
        }
    }
}

fn from_optics(header: &FrameHeader) -> Optics {
    let (pixel, focal) = match (usable(header.pixel_um.as_ref()), usable(header.focal_mm.as_ref())) {
        (Some(pixel), Some(focal)) => (pixel, focal),
        (pixel, focal) => {
            let lacking = match (pixel, focal) {
                (None, None) => "neither pixel pitch nor focal length is known",
                (None, _) => "the pixel pitch is not known",
                _ => "the focal length is not known",
            };
            return Optics::Unknown { because: format!("{lacking}; {REMEDY} would supply it") };
        }
    };
    let scale = |um: f64| ARCSEC_PER_RADIAN * um * 1e-3 / focal.value;
    let (value, words) = match header.pixel_readings() {
        Some(PixelReadings::One { um, words }) => (scale(um), words),
        Some(PixelReadings::Two { as_binned_um, as_physical_um }) => {
            let (binned, physical) = (scale(as_binned_um), scale(as_physical_um));
            if plausible(binned) || plausible(physical) {
                return Optics::Ambiguous { physical, binned, card: pixel.card.clone() };
            }
            (binned, "")
        }
        None => (scale(pixel.value), ""),
    };
    if !plausible(value) {
        return Optics::Unknown { because: refusal(value, pixel, focal) };
    }
    let source = if pixel.from_rig || focal.from_rig { Source::Rig } else { Source::Header };
    Optics::Scale {
        value,
        source,
        method: format!("pixel pitch {} over focal length {}{words}", pixel.card, focal.card),
    }
}

/// Why a scale from optics is refused, with the metres that it may have been meant in.
fn refusal(value: f64, pixel: &Carded<f64>, focal: &Carded<f64>) -> String {
    let [low, high] = SCALE_RANGE_ARCSEC_PER_PX;
    let guess = if plausible(value * 1e-3) {
        format!(" (if {} is in metres the scale would be {:.3} arcsec/px)", focal.card, value * 1e-3)
    } else {
        String::new()
    };
    format!(
        "{} = {} um and {} = {} mm give {value:.4} arcsec/px, outside {low} to {high}, which is refused{guess}; {REMEDY} \
         would supply it",
        pixel.card, pixel.value, focal.card, focal.value
    )
}

fn plausible(scale: f64) -> bool {
    (SCALE_RANGE_ARCSEC_PER_PX[0]..=SCALE_RANGE_ARCSEC_PER_PX[1]).contains(&scale)
}

/// A length that can be one: finite and above 0.
fn usable(length: Option<&Carded<f64>>) -> Option<&Carded<f64>> {
    length.filter(|c| c.value.is_finite() && c.value > 0.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::folder::FrameKind;
    use crate::report::InWords;

    fn header(pixel_um: Option<f64>, focal_mm: Option<f64>, binning: u32) -> FrameHeader {
        FrameHeader {
            kind: Carded::new(FrameKind::Light, "IMAGETYP"),
            exposure_s: None,
            dark_time_s: None,
            sensor_celsius: None,
            set_point_celsius: None,
            gain_setting: None,
            offset_setting: None,
            header_gain_e_per_adu: None,
            in_electrons: false,
            binning: [binning; 2],
            binning_card: None,
            filter: None,
            camera: None,
            readout_mode: None,
            object: None,
            start_utc: None,
            site_longitude_deg: None,
            utc_offset_h: None,
            pixel_um: pixel_um.map(|v| Carded::new(v, "XPIXSZ")),
            pixel_includes_binning: None,
            focal_mm: focal_mm.map(|v| Carded::new(v, "FOCALLEN")),
            aperture_mm: None,
            wcs_arcsec_per_px: None,
            wcs: None,
            pointings: Vec::new(),
            airmass: None,
            altitude_deg: None,
            focuser_position: None,
            saturation_adu: None,
            cfa: None,
            notes: Vec::new(),
        }
    }

    fn scale(pixel_um: f64, focal_mm: f64) -> Quantity {
        image_scale(&header(Some(pixel_um), Some(focal_mm), 1))
    }

    #[test]
    fn scale_from_pitch_and_focal_length() {
        // Check value C1.1, printed with six decimals.
        for (p, f, want) in [(3.76, 530.0, 1.463_313), (9.0, 2032.0, 0.913_574), (4.63, 400.0, 2.387_515)] {
            let got = scale(p, f);
            assert!((got.value.unwrap() - want).abs() < 1e-6);
            assert_eq!((got.source, got.sigma), (Source::Header, None));
        }
    }

    #[test]
    fn a_binned_pitch_that_may_contain_the_binning_gives_both_readings() {
        let got = image_scale(&header(Some(3.76), Some(530.0), 2));
        assert_eq!(got.value, None);
        assert!(got.why().contains("2.927 arcsec/px if XPIXSZ is the physical pixel, 1.463 if"), "{}", got.why());
        assert!(got.why().contains("pixel_includes_binning"));
    }

    #[test]
    fn the_reading_can_be_forced_and_is_said() {
        let mut binned = header(Some(7.52), Some(530.0), 2);
        for (includes, want, words) in [(true, 2.926_626, "binned pixel"), (false, 5.853_252, "physical pixel")] {
            binned.pixel_includes_binning = Some(includes);
            let got = image_scale(&binned);
            assert!((got.value.unwrap() - want).abs() < 1e-5);
            assert!(got.how().contains(words), "{}", got.how());
        }
    }

    #[test]
    fn a_wcs_settles_the_binning() {
        let mut h = header(Some(3.76), Some(530.0), 2);
        h.wcs_arcsec_per_px = Some(Carded::new(8.1295e-4 * 3600.0, "CDELT2"));
        let got = image_scale(&h);
        assert!((got.value.unwrap() - 2.926_62).abs() < 1e-5);
        assert_eq!(got.source, Source::Measured);
        assert!(got.why().contains("XPIXSZ as the physical pixel"));
    }

    #[test]
    fn a_wcs_that_disagrees_with_the_optics_is_noted() {
        let mut h = header(Some(3.76), Some(530.0), 1);
        h.wcs_arcsec_per_px = Some(Carded::new(1.40, "CD1_1"));
        assert!(image_scale(&h).why().contains("+4.5 %"), "{}", image_scale(&h).why());
        h.wcs_arcsec_per_px = Some(Carded::new(1.45, "CD1_1"));
        assert_eq!(image_scale(&h).remark(), None);
    }

    #[test]
    fn a_bogus_wcs_is_refused_and_the_optics_stand_in() {
        let mut h = header(Some(3.76), Some(530.0), 1);
        h.wcs_arcsec_per_px = Some(Carded::new(3600.0, "CD1_1"));
        let got = image_scale(&h);
        assert!((got.value.unwrap() - 1.463_313).abs() < 1e-6);
        assert!(got.why().contains("refused"));
    }

    #[test]
    fn a_focal_length_that_cannot_be_one_gives_no_scale() {
        for focal in [0.0, -1.0, f64::NAN] {
            let got = scale(3.76, focal);
            assert_eq!(got.value, None);
            assert!(got.why().contains("FOCALLEN") && got.why().contains("focal_mm"));
        }
        assert_eq!(image_scale(&header(None, Some(530.0), 1)).value, None);
        assert!(image_scale(&header(None, None, 1)).why().contains("neither"));
    }

    #[test]
    fn metres_are_suggested_and_not_taken() {
        let got = scale(3.76, 0.53);
        assert_eq!(got.value, None);
        assert!(got.why().contains("metres the scale would be 1.463"), "{}", got.why());
    }

    #[test]
    fn the_rig_file_is_named_as_the_source() {
        let mut h = header(Some(3.76), None, 1);
        h.focal_mm = Some(Carded::from_rig(530.0, "focal_mm"));
        assert_eq!(image_scale(&h).source, Source::Rig);
    }
}
