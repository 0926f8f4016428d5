//! Flat frames, and the sky of lights in their place: gain, uneven response, vignetting.

pub(crate) mod amplifiers;
pub(crate) mod curve;
pub(crate) mod filter;
pub(crate) mod flat_pair;
pub(crate) mod sky_pairs;
pub(crate) mod transfer;
pub(crate) mod vignetting;
