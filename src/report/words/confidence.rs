//! Why an answer is to be trusted, or not, in words.

use super::quantity;
use crate::report::answers::ConfidenceEntry;
use crate::verdict::{Confidence, RestsOn};

/// Spread below which its figure would tell a reader nothing.
const LEAST_SPREAD: f64 = 0.001;

/// As the report has it.
pub(crate) fn entry(confidence: &Confidence) -> ConfidenceEntry {
    ConfidenceEntry { level: confidence.level(), because: confidence.into(), sentence: sentence(confidence) }
}

fn sentence(confidence: &Confidence) -> String {
    match confidence {
        Confidence::Measured { what, spread } => {
            format!("{} is measured from these frames to {}", value(*what), figure(*spread))
        }
        Confidence::MeasuredRoughly { what, spread } => {
            format!("{} is measured from these frames, but only to {}", value(*what), figure(*spread))
        }
        Confidence::StatedByHeaders { what } => format!("{} rests on values that the headers state", value(*what)),
        Confidence::StatedByRigFile { what } => format!("{} rests on values of the rig file", value(*what)),
        Confidence::UncertaintyUnknown { what } => format!("the uncertainty of {} is not known", value(*what)),
        Confidence::LimitWithinUncertainty { limit_px } => {
            format!("the limit of {limit_px} px lies within one standard uncertainty of the star width")
        }
        Confidence::NoModelFits => {
            "no model of a star image fits these stars: their width is that of their mean image".to_owned()
        }
        Confidence::ColderThanDarks { celsius, coldest_celsius } => format!(
            "at {celsius:.0} C the dark current is not measured: the coldest darks are at {coldest_celsius:.0} C, and what does not \
             cool shows below"
        ),
        Confidence::NoiseDiffers => "the lights' own noise is not quite what the budget says".to_owned(),
        Confidence::DarksAsWarm => {
            "assumed: no card tells the sensor's temperature (CCD-TEMP), and the darks of the night are taken for as warm as the lights, or \
             as warm as their hot pixels tell"
                .to_owned()
        }
        Confidence::Uncertain { what, spread } => format!("{} is uncertain by {}", value(*what), figure(*spread)),
        Confidence::Assumed { what, assumption } => {
            format!("{} rests on an assumption ({})", value(*what), quantity::method(assumption))
        }
        Confidence::LawAssumed => {
            "the fall of the dark current with temperature is an assumption; the limit is measured \
                                   as well as sky, read noise and dark current are"
                .to_owned()
        }
        Confidence::OnlyTheLimit => "only the limit is known, the sensor temperature is missing".to_owned(),
        Confidence::NothingMeasured => "nothing was measured that could answer it".to_owned(),
    }
}

fn value(what: RestsOn) -> &'static str {
    match what {
        RestsOn::StarWidth => "the star width",
        RestsOn::NoiseBudget => "the noise budget",
        RestsOn::LimitWithoutDarkCurrent => "the limit without dark current",
        RestsOn::TimeRatio => "the time ratio",
    }
}

fn figure(spread: f64) -> String {
    if spread < LEAST_SPREAD { "better than 0.1 %".to_owned() } else { format!("{:.1} %", 100.0 * spread) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_spread_has_its_figure_unless_it_is_next_to_nothing() {
        let of = |spread| entry(&Confidence::Measured { what: RestsOn::TimeRatio, spread }).sentence;
        assert_eq!(of(0.012), "the time ratio is measured from these frames to 1.2 %");
        assert_eq!(of(0.0009), "the time ratio is measured from these frames to better than 0.1 %");
    }
}
