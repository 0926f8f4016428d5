//! Words for the noise of lights held against what their level makes of it.

use super::night::looks;
use crate::report::InWords;
use crate::verdict::{NoiseCheck, NoiseFinding, NoiseVerdict};

/// What the lights show against what was expected of them.
pub(crate) fn noise_check(found: &NoiseFinding) -> String {
    let NoiseCheck { measured_adu, predicted_adu, verdict, .. } = &found.check;
    if *verdict == NoiseVerdict::NotMeasurable {
        let unknown = if measured_adu.is_known() { predicted_adu } else { measured_adu };
        return format!("Whether the budget explains the lights' noise is not measurable, because {}.", unknown.why());
    }
    let shown = format!(
        "The lights' own noise is {} a sky pixel, {} were expected",
        measured_adu.text("ADU"),
        predicted_adu.text("ADU")
    );
    let why = found.looks_like.as_ref().map(looks).unwrap_or_default();
    let NoiseCheck { pairs, pairs_off, lights, lights_off, .. } = found.check;
    let shown = match (lights_off, pairs_off) {
        (1.., _) if lights_off < lights => {
            format!("{shown}, and {lights_off} of {lights} lights are off by more than a quarter by themselves")
        }
        (_, 1..) => format!(
            "{shown}, and {pairs_off} of {pairs} pairs of neighbouring lights are off by more than a quarter by themselves"
        ),
        _ => shown,
    };
    match verdict {
        NoiseVerdict::Explained | NoiseVerdict::NotMeasurable => format!("{shown}: the budget holds."),
        NoiseVerdict::Differs => format!("{shown}: the budget is less sure; {why}."),
        NoiseVerdict::Unexplained => format!("{shown}: no budget is told; {why}."),
    }
}
