//! What goes with the values of a sensor.

use super::super::cooling::step;
use crate::facts::sensor::{SeenInCodes, SensorNote};

/// What goes with a value.
pub(crate) fn note(note: &SensorNote) -> String {
    use SensorNote as N;
    let words = match note {
        N::SaturationAssumed => {
            "assumption: a flat that is exposed too long would show the level, or a rig file can state it"
        }
        N::FixedPatternContained => {
            "upper limit: it contains the fixed pattern; a second bias frame would supply the read noise itself"
        }
        N::NoisyPixelsRaiseIt { percent } => {
            return format!(
                "root mean square over all pixels: those that jump raise it by {percent:.0} % above the noise of the others"
            );
        }
        N::DarkCurrentContained { exposure_s } => {
            return format!(
                "from darks of {exposure_s} s for want of bias frames: it contains their dark current; bias frames would be without"
            );
        }
        N::QuantisationLimited { limit_adu, steps, seen } => return limited(*limit_adu, *steps, *seen),
        N::PatternHiddenAtLowestCode => "lower limit: pixels at the lowest code hide theirs",
        N::OffsetTooLow { fraction_at_floor } => return offset_too_low(*fraction_at_floor),
        N::LevelWanders { wander_adu } => {
            return format!("at one temperature the level wanders by {wander_adu:.2} ADU");
        }
        N::BiasWanderAssumed { wander_adu } => return format!("bias wander of {wander_adu} ADU assumed"),
        N::LevelsStrayFromCurve => "the levels stray from one curve by more than their errors, which were widened",
        N::FlatsOffBias { adu } => {
            return format!(
                "the flats' level without light lies {adu:+.0} ADU off the bias frames', as their own noise tells"
            );
        }
        N::FromLightsNotFlats => {
            "from lights, not flats: two flats at half of saturation would be several times as exact"
        }
        N::GradientOfLightContained => "a gradient of the light that the flats were taken in is contained in it",
        N::BiasOfOtherTemperature => "bias frames of another temperature were taken off",
        N::OffsetAllowedForOneExposure { offset_adu } => return offset_allowed(*offset_adu),
        N::DoublingAssumedFromOneTemperature => {
            "assumption: one dark temperature only; darks at a second temperature at least 5 C apart would measure it"
        }
        N::LawNotOfSilicon { doubling_celsius } => {
            return format!(
                "assumption: the darks would give a step of {}, which silicon does not show",
                step(*doubling_celsius)
            );
        }
        N::DoublingStepAssumed { celsius, sigma_c } => {
            return format!("doubling step of {celsius:.1} +- {sigma_c:.1} C assumed");
        }
        N::MeasuredBetween { low_celsius, high_celsius } => {
            return format!("measured from {low_celsius:.1} to {high_celsius:.1} C");
        }
        N::HotPixelsMeasuredBetween { low_celsius, high_celsius, reference_celsius } => {
            return format!("from {low_celsius:.1} to {high_celsius:.1} C, stated at {reference_celsius:.1} C");
        }
        N::BeyondMeasuredTemperatures { by_c } => {
            return format!("{by_c:.1} C beyond the temperatures measured");
        }
    };
    words.to_owned()
}

/// What pixels at the lowest code mean.
pub(super) fn offset_too_low(fraction: f64) -> String {
    format!("offset too low: {:.1} % of the bias pixels sit at the lowest code", 100.0 * fraction)
}

fn limited(limit_adu: f64, steps: f64, seen: SeenInCodes) -> String {
    let seen = match seen {
        SeenInCodes::OneCodeOrTwo => "all its pixels show one code or two".to_owned(),
        SeenInCodes::Noise { adu } => format!("{adu:.2} ADU was read"),
    };
    format!("quantisation-limited: at most {limit_adu:.2} ADU, {steps} of a step between codes; {seen}")
}

fn offset_allowed(offset_adu: f64) -> String {
    format!(
        "one exposure: {offset_adu:.1} ADU are allowed for an offset between bias and dark, which darks of a second \
         exposure would show"
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_limit_says_what_was_seen() {
        let of = |seen| note(&SensorNote::QuantisationLimited { limit_adu: 0.3, steps: 0.3, seen });
        let read = "quantisation-limited: at most 0.30 ADU, 0.3 of a step between codes; 0.20 ADU was read";
        assert_eq!(of(SeenInCodes::Noise { adu: 0.2 }), read);
        assert!(of(SeenInCodes::OneCodeOrTwo).ends_with("all its pixels show one code or two"));
        assert_eq!(note(&SensorNote::BiasWanderAssumed { wander_adu: 1.0 }), "bias wander of 1 ADU assumed");
    }
}
