//! Why values of a sensor are missing.

use crate::facts::sensor::SensorMissing;

const FLAT_PAIR: &str = "two flats of one filter at the same level (about half of saturation)";
const BIAS_PAIR: &str = "two bias frames at the same settings";
/// The same for flats, or what may stand for them.
const UNLIT_PAIR: &str = "two bias frames at the same settings, or two darks of the flats' exposure";
const NO_PART: &str = "no part of the flats lies well below saturation; flats at about half of saturation would do";
const TOO_FEW_PARTS: &str =
    "too few parts of the flats lie well below saturation; flats at about half of saturation would do";
const HARDLY_EXCEEDS: &str = "the flats' noise hardly exceeds that of the bias frames; brighter flats, at about half of \
                              saturation, would do";
const SPAN_TOO_LITTLE: &str =
    "the flats' levels span less than a factor of three; flats at a tenth of saturation would supply it";
const NOT_SEEN: &str = "the dark current does not stand out at two temperatures: longer or warmer darks would show it";
const NOT_SEPARABLE: &str = "dark charge and bias cannot be separated with one dark exposure and no bias: bias frames, or \
                             darks of a second exposure at the same temperature, would supply it";
const NO_DARK_PAIRS: &str = "pairs of equal exposure are needed at two exposures, a pair of biases counting as one: a \
                             second dark of the longest exposure and two biases at its temperature would supply them";

/// Why a value is missing: a clause that goes on from "because".
pub(crate) fn missing(missing: &SensorMissing) -> String {
    use SensorMissing as M;
    let words = match missing {
        M::NoBias => "bias frames would supply it",
        M::NoBiasPair => "two bias frames or more would supply it",
        M::NoBiasPairAtOneTemperature => "two bias frames of one temperature or more would supply it",
        M::TooFewBiasesForPixels { fewest } => return too_few_biases(*fewest),
        M::NoBiasPairWithFreeNoise => {
            "two bias frames whose noise is above 0.7 of a step and not clipped would supply it"
        }
        M::TooFewBiasTiles => "the bias frames are too small, or hold too little noise, to compare neighbouring pixels",
        M::TooFewPixelsInQuadrant => "too few pixels",
        M::NoFlatPairNorBiasPair => return would_supply(&[FLAT_PAIR, BIAS_PAIR]),
        M::NoFlatPair => return would_supply(&[FLAT_PAIR]),
        M::NoUsableFlatPair => return would_supply(&["two usable flats of one filter, not clipped"]),
        M::FlatsWithoutBiasPair => return would_supply(&[UNLIT_PAIR]),
        M::NoFlatPairAtOneLevel => "two flats of one filter at the same level would supply it",
        M::NoLightPairUnderEvenSky => "two lights of one filter and exposure under an even sky might too",
        M::FaintStarsInLights { correlation } => return faint_stars(*correlation),
        M::SkyNoiseTooLow => "the lights do not do: the noise of their sky hardly exceeds the read noise",
        M::FlatPairTooBright => NO_PART,
        M::FlatPairLevelsDiffer { ratio } => {
            return format!("the two flats differ in level by a factor of {ratio:.2}");
        }
        M::TooFewCellsOfFlatPair => "too few parts of these flats lie well below saturation",
        M::NoiseOfFlatPairTooLow => "the noise of these flats hardly exceeds that of the bias frames",
        M::TooFewFlatsBelowSaturation => TOO_FEW_PARTS,
        M::FlatVarianceDoesNotGrow => "the flats' variance does not grow with their signal",
        M::FlatNoiseTooLow => HARDLY_EXCEEDS,
        M::FlatLevelsSpanTooLittle => SPAN_TOO_LITTLE,
        M::NoFlatsAtFullWell { brightest_adu } => return follows_the_light(*brightest_adu),
        M::NoBiasLevelForFlats => {
            "the level of a bias frame is not known; two bias frames at the same settings supply it"
        }
        M::FrameTooSmallForSurface => "the frame is too small for a surface of the illumination",
        M::LightStaysAbove { illumination } => {
            return format!("the illumination stays above {:.0} % out to the corners", 100.0 * illumination);
        }
        M::LightFallsOffTooLittle => "the light falls off too little to tell its centre",
        M::NoDark => "dark frames would supply it",
        M::NoDarksAtTwoTemperatures => "dark frames at two temperatures would supply it",
        M::NoDarksAtFourTemperatures => "darks at four temperatures or more would show a floor",
        M::DarkCurrentNotSeenAtTwoTemperatures => NOT_SEEN,
        M::NoTemperatureOfDarks => "the temperature of the darks is not known: a temperature card would supply it",
        M::NoTemperatureOfDarkRate => "the temperature of the dark frames is not known",
        M::FloorNotSeen => "a floor does not stand out from the errors of the rates",
        M::NoUsableDark => "none of its darks could be used",
        M::DarkNotSeparableFromBias => NOT_SEPARABLE,
        M::NoSecondExposureForGlow => {
            "darks of a second exposure at this temperature would tell growth from a fixed amount"
        }
        M::NoDarkPairsAtTwoExposures => NO_DARK_PAIRS,
        M::NoPairOfLongestDarks => "two darks of the longest exposure at this temperature would supply it",
        M::NoHotPixelsAtTwoTemperatures => "darks with hot pixels and biases at two temperatures would supply it",
        M::TooFewHotPixels { count } => return format!("only {count} pixels are hot beyond doubt"),
        M::HotPixelsDoNotGrow => "the hot pixels do not grow with temperature",
    };
    words.to_owned()
}

fn would_supply(frames: &[&str]) -> String {
    format!("{} would supply it", frames.join(" and "))
}

fn too_few_biases(fewest: usize) -> String {
    format!(
        "{fewest} bias frames of one temperature or more would supply it, with noise of a step between codes at least"
    )
}

fn faint_stars(correlation: f64) -> String {
    format!(
        "the lights do not do: neighbouring pixels of their differences agree by {:.1} %, as stars too faint to tell make \
         them",
        100.0 * correlation
    )
}

fn follows_the_light(brightest_adu: f64) -> String {
    format!(
        "up to {brightest_adu:.0} ADU above bias the variance follows the light; brighter flats would show where it stops"
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::facts::{Help, Missing};
    use crate::report::words::quantity;

    #[test]
    fn frames_that_the_words_name_are_named_for_scripts_too() {
        let both = SensorMissing::NoFlatPairNorBiasPair;
        let words = missing(&both);
        assert!(words.contains("two flats") && words.ends_with("two bias frames at the same settings would supply it"));
        assert_eq!(both.would_help(), [Help::Flat, Help::Bias]);
        let [flats, lights] = [SensorMissing::NoFlatPair, SensorMissing::NoLightPairUnderEvenSky].map(Missing::from);
        let neither = Missing::neither(flats, lights);
        assert!(quantity::missing(&neither).contains("would supply it; two lights of one filter"));
        assert_eq!(neither.would_help(), [Help::Flat, Help::Light]);
    }

    #[test]
    fn what_is_missing_is_said_with_its_numbers() {
        let ends = SensorMissing::LightStaysAbove { illumination: 0.75 };
        assert_eq!(missing(&ends), "the illumination stays above 75 % out to the corners");
        assert!(missing(&SensorMissing::LightFallsOffTooLittle).contains("too little"));
        assert!(missing(&SensorMissing::NoBiasLevelForFlats).contains("bias"));
        assert!(missing(&SensorMissing::NoSecondExposureForGlow).contains("second exposure"));
        assert!(missing(&SensorMissing::NoHotPixelsAtTwoTemperatures).contains("two temperatures"));
        assert!(missing(&SensorMissing::FaintStarsInLights { correlation: 0.031 }).contains("agree by 3.1 %"));
        assert!(missing(&SensorMissing::TooFewBiasesForPixels { fewest: 8 }).starts_with("8 bias frames"));
    }
}
