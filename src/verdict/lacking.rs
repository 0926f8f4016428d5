//! The first input of a result that is missing.

use crate::facts::{Input, Missing, Quantity};

/// Why the first of the inputs without a value has none. `None` when all are known.
pub(crate) fn missing(inputs: &[(Input, &Quantity)]) -> Option<Missing> {
    inputs.iter().find(|(_, q)| !q.is_known()).map(|(what, q)| Missing::input(*what, q.because()))
}
