//! Which gain a sensor has: measured, stated, or why none.

use crate::facts::sensor::SensorMissing;
use crate::facts::sensor_caution::{SensorCaution, StatedBy};
use crate::facts::{Missing, Note, Quantity};

use super::bias::pairs::BiasSet;
use super::cautions::Gathered;
use super::flats::filter::FlatOutcome;
use super::flats::flat_pair::FlatPair;
use super::flats::transfer::{self, FittedPairs, TransferFit};
use super::input::SensorHints;
use super::plane::tiles::TileGrid;

/// Relative difference between a measured and a stated gain that is reported.
const GAIN_DISAGREEMENT: f64 = 0.1;

/// The curve through the flats of all filters: the gain does not depend on the light. `None` without a pair.
pub(crate) fn fit_transfer(
    outcomes: &[FlatOutcome],
    grid: &TileGrid,
    saturation_adu: f64,
) -> Option<Result<(Quantity, TransferFit), SensorMissing>> {
    let pairs: Vec<&FlatPair> = outcomes.iter().flat_map(|o| &o.pairs).collect();
    let top_adu = saturation_adu - outcomes.first()?.bias_level_adu;
    let dark_sigma_adu2 = outcomes.iter().map(|o| o.dark_sigma_adu2).fold(0.0, f64::max);
    let input = FittedPairs { pairs: &pairs, top_adu, dark_sigma_adu2, sites: grid.sites() };
    let starlight = outcomes.iter().map(|o| o.starlight).fold(0.0, f64::max);
    let widened = |(gain, fit): (Quantity, TransferFit)| {
        let sigma = gain.pair().map(|(value, sigma)| sigma.hypot(value * starlight));
        (Quantity { sigma, ..gain }, fit)
    };
    (!pairs.is_empty()).then(|| transfer::fit(&input).map(widened))
}

/// The rig file's gain, else the measured one, else the header's; what is missing otherwise.
pub(crate) fn choose(measured: Result<Quantity, Missing>, hints: &SensorHints, told: &mut Gathered) -> Quantity {
    let mut compare = |stated: f64, by: StatedBy| {
        let value = measured.as_ref().ok().and_then(|m| m.value);
        if let Some(value) = value.filter(|m| (m / stated - 1.0).abs() > GAIN_DISAGREEMENT) {
            let (measured_e_per_adu, stated_e_per_adu) = (value, stated);
            let about = SensorCaution::GainDisagrees { measured_e_per_adu, stated_e_per_adu, stated_by: by };
            told.caution(about, Vec::new());
        }
    };
    if let Some((value, card)) = &hints.header_gain {
        compare(*value, StatedBy::Card(card.clone()));
    }
    if let Some(rig) = hints.rig_gain_e_per_adu {
        compare(rig, StatedBy::RigFile);
        return Quantity::rig(rig, "gain_e_per_adu");
    }
    match (measured, &hints.header_gain) {
        (Ok(gain), _) => gain,
        (Err(because), Some((value, card))) => Quantity::header(*value, card).noted(Note::NotMeasured { because }),
        (Err(because), None) => Quantity::not_measurable(because),
    }
}

/// The frames that would supply a gain.
pub(crate) fn missing(flats: usize, biases: &[BiasSet]) -> SensorMissing {
    let bias_pairs = biases.iter().any(|b| !b.pairs.is_empty());
    match (flats < 2, bias_pairs) {
        (true, false) => SensorMissing::NoFlatPairNorBiasPair,
        (true, true) => SensorMissing::NoFlatPair,
        (false, true) => SensorMissing::NoUsableFlatPair,
        (false, false) => SensorMissing::FlatsWithoutBiasPair,
    }
}
