//! Words for image scale, noise budget, light, darks and the other numbers that lead to answers.

use crate::facts::verdict::{PitchReading, RefusedOptics, VerdictMethod, VerdictMissing, VerdictNote, WidthPart};
use crate::verdict::scale::SCALE_RANGE_ARCSEC_PER_PX;

/// What supplies a missing scale.
const REMEDY: &str =
    "the cards XPIXSZ and FOCALLEN, the rig keys pixel_um and focal_mm, or frames with a celestial WCS";

/// The caution that stands with every magnitude.
pub(super) const OTHER_BAND: &str = "VT is the catalogue's band, not the filter's";

/// How a value came to be.
pub(crate) fn method(method: &VerdictMethod) -> String {
    use VerdictMethod as M;
    let fixed = match method {
        M::CelestialWcs { card } => return format!("celestial WCS, {card}"),
        M::PitchOverFocalLength { pitch_card, focal_card, reading } => {
            return format!("pixel pitch {pitch_card} over focal length {focal_card}{}", pitch_reading(*reading));
        }
        M::SkyRateTimesExposure { exposure_s } => return format!("sky rate times {exposure_s} s"),
        M::DarkRateTimesExposure { exposure_s } => return format!("dark rate times {exposure_s} s"),
        M::ReadNoiseSquared => "read noise squared",
        M::CodeStepTimesGainSquared { step_adu } => {
            return format!("code step of {step_adu} ADU times gain, squared, over 12");
        }
        M::SumOfNoiseParts => "sum of the parts",
        of @ (M::NoiseOfDifferences
        | M::NoiseOfSingleLights
        | M::NoiseOfLevel
        | M::MeasuredOverPredicted
        | M::NoiseOverSkyLevel) => of_noise(of),
        M::SkyOverTotalVariance => "sky over total variance",
        M::DarkOverTotalVariance => "dark over total variance",
        M::ReadNoiseOverTotalVariance => "read noise over total variance",
        M::NoiseOverThatOfSkyAndDark => {
            "root of the variance of sky, dark and reading over that of sky and dark, less 1"
        }
        M::ReadNoiseSquaredOverRates { factor } => {
            return format!("read noise squared over {factor:.4} times sky and dark rate");
        }
        M::ZeroPointOfMatchedStars => "median over the matched stars of VT + 2.5 log10(e-/s); n counts stars",
        M::LightAtMagnitudeZero => "from the zero point; n counts stars",
        M::SkyAgainstZeroPoint => {
            "sky rate a square arcsec against the zero point; the scatter of single stars is in the error"
        }
        M::DriftSeen => "exposure times the root of 0.2 over the ellipticity that all stars share, if that is drift",
        M::ClippedOverAllStars => "stars with a clipped core over all stars of the lights; n counts stars",
        M::RoomOverBrightestPixel => {
            "exposure times room above the bias over the brightest pixel of the star at that rank, median over lights"
        }
        M::ImageWithoutDiffraction => {
            "width of the star image without the aperture's diffraction, squares of the other parts taken off"
        }
        M::WidthLessParts => "root of the width's square less those of the parts that are told apart",
        M::RestAtZenith { airmass } => {
            return format!("the rest over airmass^0.6, airmass {airmass:.3}; seeing at most");
        }
        M::RecordedOverTrueWidth => "recorded width over that before the pixel",
        M::WidthTimesSharedEllipticity => "width times the root of the shared ellipticity",
        M::WidthOverThatAtCentre => "mean width over the frame beyond that at its centre",
        M::ClearAperture { aperture_mm, wavelength_nm } => {
            return format!("clear aperture of {aperture_mm:.0} mm at {wavelength_nm:.0} nm");
        }
        M::DarkChargeDifference => "dark charge of a light less that of a dark, from the dark law; n counts darks",
        M::LevelTimesSpreadOfRates => "level left times the spread of ordinary pixels' rates",
        M::PatternOverNoise => "pattern left over the noise of one light",
        M::NoiseOfOneLight => "noise of one light",
        M::HotChargeOverVariance | M::HotPixelsLeftOut | M::HotNoiseOverOthers => of_hot_pixels(method),
        M::SpreadOverMeanRate => "spread of the pixels' dark rates over their mean",
        M::MasterOverLightVariance => {
            "noise of the mean of the darks over that of one light, variances; n counts darks"
        }
        M::LightVarianceOverLights => "variance of a light over their number",
        M::DarkenedVarianceOverLights => "variance of a light with its darks over their number",
        M::LightVarianceOverLightsAndDarks => "variance of a light over their number, and that of the darks",
        M::HoursOfTimeRatio => "100 h over the time ratio, less 100 h",
        M::NothingToGain => "nothing to gain",
        M::LongerExposuresOverNow => {
            "variance of sky, dark current and reading out in exposures that drown the read noise over that now"
        }
        M::MoreDarksOverNow => {
            "variance of a light less its master dark, with twenty darks over that now; lights dithered"
        }
        M::RoundStarsOverNow => "1 - ellipticity, for a faint star under the sky",
        M::BinningLosesDetail => "no binning keeps two pixels per width",
        M::MeanOverSessionsByLights => {
            "FWHM before the pixel over the pixel, mean over sessions by their lights; n counts sessions"
        }
    };
    fixed.to_owned()
}

fn of_noise(method: &VerdictMethod) -> &'static str {
    use VerdictMethod as M;
    match method {
        M::NoiseOfDifferences => {
            "noise of a pixel in the differences of neighbouring lights, median over their sky levels"
        }
        M::NoiseOfSingleLights => {
            "noise of a pixel within single lights, the pattern of the calibration frames taken off, median over their sky levels"
        }
        M::NoiseOfLevel => "level above bias over gain, with read noise and rounding",
        M::MeasuredOverPredicted => "noise measured over noise predicted, median over the sky levels",
        _ => "how the noise of the lights grows with their own sky level",
    }
}

fn of_hot_pixels(method: &VerdictMethod) -> &'static str {
    match method {
        VerdictMethod::HotChargeOverVariance => {
            "shot noise of the hot pixels' charge, spread over all pixels, over an ordinary pixel's variance"
        }
        VerdictMethod::HotPixelsLeftOut => "values of hot pixels lost from a mean",
        _ => "root mean square noise of the hot pixels over that of the others",
    }
}

/// How the pitch of a recorded pixel was read, as a clause to go on with.
pub(crate) fn pitch_reading(reading: PitchReading) -> &'static str {
    match reading {
        PitchReading::Unbinned => "",
        PitchReading::Binned => ", pitch read as that of the binned pixel",
        PitchReading::PhysicalTimesBinning => ", pitch read as that of the physical pixel, times the binning",
    }
}

/// Why a value is missing: a clause that goes on from "because".
pub(crate) fn missing(missing: &VerdictMissing) -> String {
    use VerdictMissing as M;
    let fixed = match missing {
        M::NeitherPitchNorFocalLength => return remedied("neither pixel pitch nor focal length is known"),
        M::NoPixelPitch => return remedied("the pixel pitch is not known"),
        M::NoFocalLength => return remedied("the focal length is not known"),
        M::AmbiguousPitch { card, physical_arcsec_per_px: physical, binned_arcsec_per_px: binned } => {
            return format!(
                "the frame is binned and nothing tells whether {card} contains the binning: {physical:.3} arcsec/px if \
                 {card} is the physical pixel, {binned:.3} if it is the binned one; the rig key \
                 pixel_includes_binning settles it"
            );
        }
        M::ImplausibleOptics(refused) => return refusal(refused),
        M::NoRecordedPixelSize => {
            "the size of a recorded pixel is not known (cards XPIXSZ, XBINNING, or rig key pixel_um)"
        }
        M::NoStatedFocalLength => "the focal length is not known (card FOCALLEN or rig key focal_mm)",
        M::NoAperture => "the aperture is not known (card APTDIA or rig key aperture_mm)",
        M::NoAirmass => {
            "the airmass is not known (card AIRMASS or OBJCTALT, or the pointing with SITELAT and SITELONG)"
        }
        M::NoBackgroundAboveZero => "neither sky nor dark current gives a signal above 0",
        M::NoSkyNoise => "no light shows enough even sky to tell its noise",
        M::OneSkyLevel => {
            "the sky of the lights is too even, or the error of its noise too large, to tell how noise grows with level"
        }
        M::CodeStepUnknown => "no bias, dark or flat frame of whole numbers tells the step between codes",
        M::NoNoiseAtAll => "no source gives any noise: the inputs are not those of a real sensor",
        M::SkyNotAboveBiasAndDark => "no light of the sky stands out from bias and dark",
        M::NoStarsMeasured => "no stars were measured",
        M::NoStarsFitted => "no stars were fitted",
        M::StarsAsWideAsThePixel => "the stars are no wider than the pixel alone makes them",
        M::TenthClipsAlready => "more than a tenth of them clip in the present exposure already",
        M::FocusDriftNotSeparable => {
            "not separable: a slow change of focus widens stars as a change of the seeing does; frames at several \
             positions of the focuser would tell them apart"
        }
        M::PartsWiderThanStar => {
            "the parts together are wider than the star: check the aperture, the focal length and the pixel size"
        }
        M::LightsWithoutTemperatureOrExposure => "temperature or exposure of the lights is not known",
        M::NoComparableDarks => "there are no darks of this camera, frame size and binning with a temperature",
        M::NoSpreadOfDarkRates => "the spread of the pixels' dark rates needs darks with biases beside them",
        M::LightWithoutNoise => "the light has no noise",
        M::DarksNotSought => "no darks were looked for",
        M::OneSpacingAlone => "the best width takes frames at several spacings",
        M::BinningModeUnknown => "whether this camera adds charge before it is read is not in the frames",
        M::NoBinningLeft => "the star width leaves no binning that keeps two pixels per width",
        M::NoSession => "there is no session",
    };
    fixed.to_owned()
}

fn remedied(lacking: &str) -> String {
    format!("{lacking}; {REMEDY} would supply it")
}

/// Why a scale from optics is refused, with the metres that it may have been meant in.
fn refusal(refused: &RefusedOptics) -> String {
    let RefusedOptics { pitch_card, pitch_um, focal_card, focal_mm, arcsec_per_px, if_metres_arcsec_per_px } = refused;
    let [low, high] = SCALE_RANGE_ARCSEC_PER_PX;
    let guess = if_metres_arcsec_per_px.map_or_else(String::new, |scale| {
        format!(" (if {focal_card} is in metres the scale would be {scale:.3} arcsec/px)")
    });
    remedied(&format!(
        "{pitch_card} = {pitch_um} um and {focal_card} = {focal_mm} mm give {arcsec_per_px:.4} arcsec/px, outside {low} to \
         {high}, which is refused{guess}"
    ))
}

/// What goes with a value.
pub(crate) fn note(note: &VerdictNote) -> String {
    use VerdictNote as N;
    match note {
        N::WcsRefused { card, arcsec_per_px } => {
            let [low, high] = SCALE_RANGE_ARCSEC_PER_PX;
            format!(
                "the scale of the WCS ({arcsec_per_px:.4} arcsec/px, {card}) lies outside {low} to {high} arcsec/px and is \
                 refused"
            )
        }
        N::OpticsDisagree { arcsec_per_px, percent } => format!(
            "pixel pitch and focal length give {arcsec_per_px:.3} arcsec/px, {percent:+.1} % from the WCS: check focal \
             length and binning"
        ),
        N::WcsAgreesWithPhysicalPixel { card } => format!("the WCS agrees with {card} as the physical pixel"),
        N::WcsAgreesWithBinnedPixel { card } => format!("the WCS agrees with {card} as the binned pixel"),
        N::NeitherPixelAgreesWithWcs { card, physical_arcsec_per_px, binned_arcsec_per_px } => format!(
            "neither reading of {card} ({physical_arcsec_per_px:.3} or {binned_arcsec_per_px:.3} arcsec/px) agrees with the \
             WCS to 2 %"
        ),
        N::WithoutQuantisation => "without the quantisation".to_owned(),
        N::QuantisationInReadNoise => "already inside the read noise, so the total does not count it again".to_owned(),
        N::SkyCountsAsZero => "the sky was measured below 0 and counts as 0".to_owned(),
        N::DarkCurrentCountsAsZero => "the dark current was measured below 0 and counts as 0".to_owned(),
        N::CatalogueBand => OTHER_BAND.to_owned(),
        N::StillContains { parts } => {
            let names: Vec<&str> = parts.iter().map(|p| width_part(*p)).collect();
            format!("still contains what is not measurable: {}", names.join(", "))
        }
        N::WithoutPattern => "without the pattern left, which is not known".to_owned(),
    }
}

fn width_part(part: WidthPart) -> &'static str {
    match part {
        WidthPart::Elongation => "elongation",
        WidthPart::Field => "field",
        WidthPart::Diffraction => "diffraction",
    }
}
