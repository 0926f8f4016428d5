//! How far an answer is to be trusted, and why.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use strum::{EnumDiscriminants, IntoStaticStr, VariantNames};

use crate::facts::{Method, Quantity, Source};

/// How far an answer is to be trusted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, IntoStaticStr, JsonSchema)]
#[serde(rename_all = "lowercase")]
#[strum(serialize_all = "lowercase")]
pub enum Level {
    High,
    Medium,
    Low,
    /// There is no answer.
    None,
}

impl Level {
    /// The word of the report.
    pub fn word(self) -> &'static str {
        self.into()
    }
}

/// Why an answer is to be trusted, or not; spreads are relative for a width, else absolute.
#[derive(Debug, Clone, PartialEq, EnumDiscriminants)]
#[strum_discriminants(
    name(ConfidenceCode),
    doc = "A reason alone.",
    derive(Serialize, Deserialize, VariantNames, JsonSchema),
    serde(rename_all = "kebab-case"),
    strum(serialize_all = "kebab-case")
)]
pub enum Confidence {
    /// The value that it rests on is measured well.
    Measured { what: RestsOn, spread: f64 },
    /// It is measured, but not well.
    MeasuredRoughly { what: RestsOn, spread: f64 },
    /// It rests on header cards.
    StatedByHeaders { what: RestsOn },
    /// It rests on the rig file.
    StatedByRigFile { what: RestsOn },
    /// Its uncertainty is not known.
    UncertaintyUnknown { what: RestsOn },
    /// A limit between two verdicts lies within one standard uncertainty.
    LimitWithinUncertainty { limit_px: f64 },
    /// No model of a star image fits the stars.
    NoModelFits,
    /// The temperature lies colder than any dark, by more than the dark current's law is held to be safe.
    ColderThanDarks { celsius: f64, coldest_celsius: f64 },
    /// The lights' noise is not quite what the budget says.
    NoiseDiffers,
    /// Darks are taken for as warm as lights without a temperature; the error has what that leaves open.
    DarksAsWarm,
    /// Its uncertainty is too large to tell much.
    Uncertain { what: RestsOn, spread: f64 },
    /// It rests on an assumption.
    Assumed { what: RestsOn, assumption: Method },
    /// How the dark current falls with temperature is an assumption.
    LawAssumed,
    /// Without a sensor temperature only the limit of cooling is known.
    OnlyTheLimit,
    /// Nothing was measured that could answer.
    NothingMeasured,
}

/// The value that an answer rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RestsOn {
    StarWidth,
    NoiseBudget,
    LimitWithoutDarkCurrent,
    TimeRatio,
}

impl Confidence {
    /// From the origin of a value and its spread against two limits of trust.
    pub(crate) fn of(q: &Quantity, what: RestsOn, spread: f64, [trusted, tells]: [f64; 2]) -> Self {
        match (q.source, q.sigma) {
            (Source::Assumed, _) => Self::Assumed { what, assumption: q.method.clone() },
            (_, None) => Self::UncertaintyUnknown { what },
            (Source::Measured, Some(_)) if spread <= trusted => Self::Measured { what, spread },
            (_, Some(_)) if spread > tells => Self::Uncertain { what, spread },
            (Source::Measured, Some(_)) => Self::MeasuredRoughly { what, spread },
            (Source::Header, Some(_)) => Self::StatedByHeaders { what },
            (Source::Rig, Some(_)) => Self::StatedByRigFile { what },
        }
    }

    /// How far to trust for this reason.
    pub fn level(&self) -> Level {
        match self {
            Self::Measured { .. } => Level::High,
            Self::MeasuredRoughly { .. }
            | Self::StatedByHeaders { .. }
            | Self::StatedByRigFile { .. }
            | Self::UncertaintyUnknown { .. }
            | Self::LimitWithinUncertainty { .. }
            | Self::NoModelFits
            | Self::ColderThanDarks { .. }
            | Self::DarksAsWarm
            | Self::NoiseDiffers => Level::Medium,
            Self::Uncertain { .. } | Self::Assumed { .. } | Self::LawAssumed | Self::OnlyTheLimit => Level::Low,
            Self::NothingMeasured => Level::None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn origin_and_spread_set_the_level() {
        let of = |source, sigma, spread| {
            let q = Quantity::with(source, 2.0, sigma, Method::NotMeasurable, 3);
            Confidence::of(&q, RestsOn::StarWidth, spread, [0.05, 0.15]).level()
        };
        let sigma = Some(0.1);
        assert_eq!(of(Source::Measured, sigma, 0.05), Level::High);
        assert_eq!(of(Source::Measured, sigma, 0.051), Level::Medium);
        assert_eq!(of(Source::Measured, sigma, 0.151), Level::Low);
        assert_eq!(of(Source::Measured, None, 0.0), Level::Medium);
        assert_eq!(of(Source::Header, sigma, 0.01), Level::Medium);
        assert_eq!(of(Source::Rig, sigma, 0.01), Level::Medium);
        assert_eq!(of(Source::Assumed, sigma, 0.01), Level::Low);
    }
}
