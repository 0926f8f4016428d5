//! Which gain a sensor has: measured, stated, or why none.

use crate::facts::Quantity;

use super::SensorHints;
use super::bias::pairs::BiasSet;
use super::characterise::Cautions;
use super::flats::filter::FlatOutcome;
use super::flats::flat_pair::FlatPair;
use super::flats::transfer::{self, FittedPairs, TransferFit};
use super::plane::tiles::Grid;

/// Relative difference between a measured and a stated gain that is reported.
const GAIN_DISAGREEMENT: f64 = 0.1;

/// The curve through the flats of all filters: the gain does not depend on the light. `None` without a pair.
pub(crate) fn fit_transfer(
    outcomes: &[FlatOutcome],
    grid: &Grid,
    saturation_adu: f64,
) -> Option<Result<(Quantity, TransferFit), String>> {
    let pairs: Vec<&FlatPair> = outcomes.iter().flat_map(|o| &o.pairs).collect();
    let top_adu = saturation_adu - outcomes.first()?.bias_level_adu;
    let dark_sigma_adu2 = outcomes.iter().map(|o| o.dark_sigma_adu2).fold(0.0, f64::max);
    let input = FittedPairs { pairs: &pairs, top_adu, dark_sigma_adu2, sites: grid.sites() };
    (!pairs.is_empty()).then(|| transfer::fit(&input))
}

/// The rig file's gain, else the measured one, else the header's; what is missing otherwise.
pub(crate) fn choose(
    measured: Option<Quantity>,
    missing: String,
    hints: &SensorHints,
    cautions: &mut Cautions,
) -> Quantity {
    let mut compare = |value: f64, name: &str| {
        if let Some(m) = measured.as_ref().and_then(|m| m.value).filter(|m| (m / value - 1.0).abs() > GAIN_DISAGREEMENT)
        {
            let message = format!("the frames give {m:.3} e-/ADU, {name} says {value:.3}");
            cautions.push(("gain-disagrees", message, Vec::new()));
        }
    };
    if let Some((value, card)) = &hints.header_gain {
        compare(*value, &format!("the header card {card}"));
    }
    if let Some(rig) = hints.rig_gain_e_per_adu {
        compare(rig, "the rig file");
        return Quantity::rig(rig, "gain_e_per_adu");
    }
    if let Some(gain) = measured {
        return gain;
    }
    match &hints.header_gain {
        Some((value, card)) => Quantity::header(*value, card).noted(format!("not measured: {missing}")),
        None => Quantity::not_measurable(missing),
    }
}

/// The frames that would supply a gain.
pub(crate) fn missing(flats: usize, biases: &[BiasSet]) -> String {
    let mut frames = Vec::new();
    if flats < 2 {
        frames.push("two flats of one filter at the same level (about half of saturation)");
    } else if biases.iter().any(|b| !b.pairs.is_empty()) {
        frames.push("two usable flats of one filter, not clipped");
    }
    if biases.iter().all(|b| b.pairs.is_empty()) {
        frames.push("two bias frames at the same settings");
    }
    format!("{} would supply it", frames.join(" and "))
}
