//! Words for the numbers of the answers: sampling, cooling and gear that would suit.

use crate::facts::answers::{AnswersMethod, AnswersMissing, AnswersNote, ThermalStep};
use crate::format::with_sigma;

/// How a value came to be.
pub(crate) fn method(method: &AnswersMethod) -> String {
    use AnswersMethod::*;
    let words = match method {
        SuitedTo { px_per_fwhm } => return format!("{px_per_fwhm} px per FWHM, stars as wide on the sky as measured"),
        DarkRateByLaw { step } => {
            return format!("present dark rate times the fall of its thermal part, {}", law(*step));
        }
        PixelsPerFwhm => "FWHM before the pixel over the pixel",
        UnfittedExponent => "between 2.5 and 4.765, no fit",
        AliasedPower => "power outside the square Nyquist band, Moffat image times pixel",
        WidthLost => "FWHM of the Moffat image after the pixel over that before, minus 1",
        MatchedFilter => "matched filter on a faint star, against a noiseless sensor with tiny pixels",
        BestPixel => "fourth root of sensor over sky variance, noise of a pixel kept",
        MatchedFilterAtBestPixel => "the same at the best pixel",
        FieldOfView => "pixels in a row times the scale, tangent projection",
        TimeRatioWhenColder => "variance rate then over now, faint target",
        SnrGainWhenColder => "inverse square root of the time ratio",
        TimeRatioWithoutDarkCurrent => "variance rate without dark current over now, faint target",
        DropForDarkShare => "drop at which dark current adds 5 % to the noise",
        LastGain => "temperature at which the part of the dark current that cools makes 1 % of the variance",
        DarkRateOfClass => "law of the dark current",
        TimeRatioOfClass => "variance rate cooled over now, faint target",
        TimeRatioOfYear => "hours over hours worth as many of now",
        ExtraHours => "sum of hours over their time ratios, less the hours",
        SavedHours => "hours less the sum of hours times their time ratios",
    };
    words.to_owned()
}

/// Why a value is missing: a clause that goes on from "because".
pub(crate) fn missing(missing: &AnswersMissing) -> String {
    use AnswersMissing::*;
    match missing {
        NoModelFitsTheStars => "no model of a star image fits these stars".to_owned(),
        StarsTooNarrow { least_px } => format!("the stars are narrower than {least_px} px before the pixel"),
        StarsNoWiderThanThePixel => "the stars are no wider than the pixel alone makes them".to_owned(),
        SkyNotAboveZero => "the sky was not measured above 0".to_owned(),
        NoNoiseAtAll => {
            "sky, read noise and dark current are all 0: those are not the values of a real sensor".to_owned()
        }
        DarkCurrentThatDoesNotCool => {
            "the part of the dark current that does not cool already adds more than 5 % to the noise".to_owned()
        }
        CoolerDropNotStated => "the rig key cooler_drop_c is not stated".to_owned(),
        SensorAboveAirNotStated => "the rig key sensor_above_ambient_c is not stated".to_owned(),
        NoHoursStated => "the rig file states no hours ([[ambient]])".to_owned(),
    }
}

/// How steeply the thermal part of a dark current falls.
pub(crate) fn law(step: ThermalStep) -> String {
    match step {
        ThermalStep::ActivationEnergy { ev, sigma_ev } => {
            format!("activation energy {} eV", with_sigma(ev, Some(sigma_ev)))
        }
        ThermalStep::Doubling { celsius, sigma_c } => {
            format!("halving every {} °C", with_sigma(celsius, Some(sigma_c)))
        }
    }
}

/// What goes with a value.
pub(crate) fn note(note: &AnswersNote) -> String {
    match note {
        AnswersNote::ColderThanMeasured { low_celsius, high_celsius } => format!(
            "below the measured range of {low_celsius:.1} to {high_celsius:.1} °C: sensors tend to fall more slowly when colder"
        ),
        AnswersNote::BelowTheMeasuredRange { low_celsius } => {
            format!("below the measured range, which ends at {low_celsius:.1} °C")
        }
        AnswersNote::DarkCurrentAlreadyLow => "dark current already adds less than 5 % to the noise".to_owned(),
        AnswersNote::NothingMoreToGain => "more cooling already saves less than 1 %".to_owned(),
    }
}
