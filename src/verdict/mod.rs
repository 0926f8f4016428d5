//! From measurements to answers: image scale, sampling, noise budget, cooling.
#![doc = include_str!("README.md")]

pub mod advice;
pub mod answers;
pub mod budget;
mod confidence;
pub mod cooled_year;
pub mod cooling;
pub mod dark_match;
pub(crate) mod findings;
pub mod hot_cost;
#[cfg(test)]
pub(crate) mod invented;
pub mod noise_check;
mod noise_law;
pub mod over_sessions;
pub mod photometry;
pub mod pixel_cost;
pub mod power;
pub mod profile;
pub mod propagation;
mod result;
pub mod sampling;
pub mod saturation;
pub mod scale;
pub mod seeing;
pub mod sub_length;
pub mod suited;
pub mod thermal;
pub mod variance;
pub mod width_budget;
pub mod year;

pub use advice::{Advice, AdviceInput, advice, ranked};
pub use answers::{Answer, Answers, answers};
pub use budget::{BudgetInput, noise_budget};
pub use confidence::{Confidence, ConfidenceCode, Level, RestsOn};
pub use cooled_year::{CooledClass, CooledYear, CoolingPlan, cooled_year};
pub use cooling::{CoolingInput, cooling};
pub use dark_match::{DarkMatch, DarkMatchInput, dark_match, matched_by_groups};
pub use findings::{Finding, Judged, Near, SessionFindings};
pub use hot_cost::{HotCost, HotCostInput, hot_cost};
pub use noise_check::{LightNoise, NoiseCheck, NoiseCheckInput, NoiseFinding, NoiseVerdict, OneLight, noise_check};
pub use noise_law::{CameraNoise, Pattern};
pub use over_sessions::{FilterSampling, sampling_by_filter};
pub use photometry::{Photometry, PhotometryInput, photometry};
pub use result::{
    Cooling, CoolingBasis, CoolingRow, CoolingVerdict, NoiseBudget, Sampling, SamplingVerdict, ThermalVerdict,
};
pub use sampling::{KnownImage, SamplingInput, sampling};
pub use saturation::{LightStars, Saturation, SaturationInput, saturation};
pub use scale::image_scale;
pub use sub_length::{Bound, SubLength, SubLengthInput, sub_length, time_in_all};
pub use suited::{Suited, SuitedInput, suited};
pub use thermal::{CoolingLaw, ThermalStep};
pub use width_budget::{WidthBudget, WidthInput, width_budget};
pub use year::{Class, Verdict, Year};
