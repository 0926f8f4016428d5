//! Image scale of one frame: from its celestial WCS, else from pixel pitch and focal length.

use crate::facts::verdict::{PitchReading, RefusedOptics, VerdictMethod, VerdictMissing, VerdictNote};
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

/// Image scale, arcsec per recorded pixel.
///
/// Formula: the scale of the WCS where there is one, else `206264.806 * pixel * binning / focal length`. A pixel pitch
/// that may or may not contain the binning gives no value but both readings in the reason.
pub fn image_scale(header: &FrameHeader) -> Quantity {
    let optics = from_optics(header);
    let Some(wcs) = header.wcs_arcsec_per_px.as_ref() else {
        return optics.quantity();
    };
    if !plausible(wcs.value) {
        let refused = VerdictNote::WcsRefused { card: wcs.card.clone(), arcsec_per_px: wcs.value };
        return optics.quantity().noted(refused);
    }
    let source = if wcs.from_rig { Source::Rig } else { Source::Measured };
    let measured = Quantity::with(source, wcs.value, None, VerdictMethod::CelestialWcs { card: wcs.card.clone() }, 1);
    match optics {
        Optics::Scale { value, .. } if (value / wcs.value - 1.0).abs() > DISAGREEMENT => {
            let percent = 100.0 * (value / wcs.value - 1.0);
            measured.noted(VerdictNote::OpticsDisagree { arcsec_per_px: value, percent })
        }
        Optics::Ambiguous { physical, binned, card } => {
            let close = |v: f64| (v / wcs.value - 1.0).abs() <= DISAGREEMENT;
            measured.noted(match (close(physical), close(binned)) {
                (true, _) => VerdictNote::WcsAgreesWithPhysicalPixel { card },
                (_, true) => VerdictNote::WcsAgreesWithBinnedPixel { card },
                _ => VerdictNote::NeitherPixelAgreesWithWcs {
                    card,
                    physical_arcsec_per_px: physical,
                    binned_arcsec_per_px: binned,
                },
            })
        }
        _ => measured,
    }
}

/// What pixel pitch and focal length say.
enum Optics {
    Scale {
        value: f64,
        source: Source,
        method: VerdictMethod,
    },
    /// Scale if the pitch is that of the physical pixel, and if it already contains the binning.
    Ambiguous {
        physical: f64,
        binned: f64,
        card: String,
    },
    Unknown {
        because: VerdictMissing,
    },
}

impl Optics {
    fn quantity(&self) -> Quantity {
        match self {
            Self::Scale { value, source, method } => Quantity::with(*source, *value, None, method.clone(), 1),
            Self::Ambiguous { physical, binned, card } => Quantity::not_measurable(VerdictMissing::AmbiguousPitch {
                card: card.clone(),
                physical_arcsec_per_px: *physical,
                binned_arcsec_per_px: *binned,
            }),
            Self::Unknown { because } => Quantity::not_measurable(because.clone()),
        }
    }
}

fn from_optics(header: &FrameHeader) -> Optics {
    let (pixel, focal) = match (usable(header.pixel_um.as_ref()), usable(header.focal_mm.as_ref())) {
        (Some(pixel), Some(focal)) => (pixel, focal),
        (pixel, focal) => {
            let because = match (pixel, focal) {
                (None, None) => VerdictMissing::NeitherPitchNorFocalLength,
                (None, _) => VerdictMissing::NoPixelPitch,
                _ => VerdictMissing::NoFocalLength,
            };
            return Optics::Unknown { because };
        }
    };
    let scale = |um: f64| ARCSEC_PER_RADIAN * um * 1e-3 / focal.value;
    let (value, reading) = match header.pixel_readings() {
        Some(PixelReadings::One { um, reading }) => (scale(um), reading),
        Some(PixelReadings::Two { as_binned_um, as_physical_um }) => {
            let (binned, physical) = (scale(as_binned_um), scale(as_physical_um));
            if plausible(binned) || plausible(physical) {
                return Optics::Ambiguous { physical, binned, card: pixel.card.clone() };
            }
            (binned, PitchReading::Binned)
        }
        None => (scale(pixel.value), PitchReading::Unbinned),
    };
    if !plausible(value) {
        return Optics::Unknown { because: refusal(value, pixel, focal) };
    }
    let source = if pixel.from_rig || focal.from_rig { Source::Rig } else { Source::Header };
    let (pitch_card, focal_card) = (pixel.card.clone(), focal.card.clone());
    Optics::Scale { value, source, method: VerdictMethod::PitchOverFocalLength { pitch_card, focal_card, reading } }
}

/// Why a scale from optics is refused, with the metres that it may have been meant in.
fn refusal(value: f64, pixel: &Carded<f64>, focal: &Carded<f64>) -> VerdictMissing {
    VerdictMissing::ImplausibleOptics(RefusedOptics {
        pitch_card: pixel.card.clone(),
        pitch_um: pixel.value,
        focal_card: focal.card.clone(),
        focal_mm: focal.value,
        arcsec_per_px: value,
        if_metres_arcsec_per_px: Some(value * 1e-3).filter(|scale| plausible(*scale)),
    })
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
    use crate::facts::{Help, Missing, Note};
    use crate::folder::FrameKind;

    fn header(pixel_um: Option<f64>, focal_mm: Option<f64>, binning: u32) -> FrameHeader {
        FrameHeader {
            kind: Carded::new(FrameKind::Light, "IMAGETYP"),
            exposure_s: None,
            dark_time_s: None,
            obstruction: None,
            sensor_celsius: None,
            set_point_celsius: None,
            air_celsius: None,
            shielded_adu: None,
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
            site_latitude_deg: None,
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
            corner_px: None,
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
        let Missing::Verdict(VerdictMissing::AmbiguousPitch { card, physical_arcsec_per_px, binned_arcsec_per_px }) =
            got.because()
        else {
            panic!("{got:?}")
        };
        assert_eq!(card, "XPIXSZ");
        assert!((physical_arcsec_per_px - 2.926_626).abs() < 1e-6 && (binned_arcsec_per_px - 1.463_313).abs() < 1e-6);
        assert_eq!(got.because().would_help(), [Help::RigKey("pixel_includes_binning")]);
    }

    #[test]
    fn the_reading_can_be_forced_and_is_said() {
        let mut binned = header(Some(7.52), Some(530.0), 2);
        for (includes, want, reading) in
            [(true, 2.926_626, PitchReading::Binned), (false, 5.853_252, PitchReading::PhysicalTimesBinning)]
        {
            binned.pixel_includes_binning = Some(includes);
            let got = image_scale(&binned);
            assert!((got.value.unwrap() - want).abs() < 1e-5);
            let (pitch_card, focal_card) = ("XPIXSZ".to_owned(), "FOCALLEN".to_owned());
            let method = VerdictMethod::PitchOverFocalLength { pitch_card, focal_card, reading };
            assert_eq!(got.method, method.into());
        }
    }

    #[test]
    fn a_wcs_settles_the_binning() {
        let mut h = header(Some(3.76), Some(530.0), 2);
        h.wcs_arcsec_per_px = Some(Carded::new(8.1295e-4 * 3600.0, "CDELT2"));
        let got = image_scale(&h);
        assert!((got.value.unwrap() - 2.926_62).abs() < 1e-5);
        assert_eq!(got.source, Source::Measured);
        assert_eq!(got.notes, [VerdictNote::WcsAgreesWithPhysicalPixel { card: "XPIXSZ".to_owned() }.into()]);
    }

    #[test]
    fn a_wcs_that_disagrees_with_the_optics_is_noted() {
        let mut h = header(Some(3.76), Some(530.0), 1);
        h.wcs_arcsec_per_px = Some(Carded::new(1.40, "CD1_1"));
        let notes = image_scale(&h).notes;
        let [Note::Verdict(VerdictNote::OpticsDisagree { arcsec_per_px, percent })] = notes[..] else {
            panic!("{notes:?}")
        };
        // By hand: 1.463313 over 1.40.
        assert!((arcsec_per_px - 1.463_313).abs() < 1e-6 && (percent - 4.5223).abs() < 1e-3, "{percent}");
        h.wcs_arcsec_per_px = Some(Carded::new(1.45, "CD1_1"));
        let agreeing = image_scale(&h);
        assert!(agreeing.is_known() && agreeing.notes.is_empty());
    }

    #[test]
    fn a_bogus_wcs_is_refused_and_the_optics_stand_in() {
        let mut h = header(Some(3.76), Some(530.0), 1);
        h.wcs_arcsec_per_px = Some(Carded::new(3600.0, "CD1_1"));
        let got = image_scale(&h);
        assert!((got.value.unwrap() - 1.463_313).abs() < 1e-6);
        let refused = VerdictNote::WcsRefused { card: "CD1_1".to_owned(), arcsec_per_px: 3600.0 };
        assert_eq!(got.notes, [refused.into()]);
    }

    #[test]
    fn a_focal_length_that_cannot_be_one_gives_no_scale() {
        for focal in [0.0, -1.0, f64::NAN] {
            let got = scale(3.76, focal);
            assert_eq!(got.value, None);
            assert_eq!(got.because(), VerdictMissing::NoFocalLength.into());
            let help = got.because().would_help();
            assert!(help.contains(&Help::Card("FOCALLEN")) && help.contains(&Help::RigKey("focal_mm")));
        }
        assert_eq!(image_scale(&header(None, Some(530.0), 1)).value, None);
        assert_eq!(image_scale(&header(None, None, 1)).because(), VerdictMissing::NeitherPitchNorFocalLength.into());
    }

    #[test]
    fn metres_are_suggested_and_not_taken() {
        let got = scale(3.76, 0.53);
        assert_eq!(got.value, None);
        let Missing::Verdict(VerdictMissing::ImplausibleOptics(refused)) = got.because() else { panic!("{got:?}") };
        assert!((refused.if_metres_arcsec_per_px.unwrap() - 1.463_313).abs() < 1e-6, "{refused:?}");
    }

    #[test]
    fn the_rig_file_is_named_as_the_source() {
        let mut h = header(Some(3.76), None, 1);
        h.focal_mm = Some(Carded::from_rig(530.0, "focal_mm"));
        assert_eq!(image_scale(&h).source, Source::Rig);
    }
}
