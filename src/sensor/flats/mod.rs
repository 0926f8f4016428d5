//! Flat frames, and the sky of lights in their place: gain, uneven response, vignetting.

pub(crate) mod amplifiers;
pub(crate) mod curve;
pub(crate) mod filter;
pub(crate) mod flat_pair;
mod residual;
pub(crate) mod sky_pairs;
pub(crate) mod transfer;
pub(crate) mod unlike;
pub(crate) mod vignetting;
