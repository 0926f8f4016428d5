//! Bias frames: read noise, level, fixed pattern, and how far the level wanders.

pub(crate) mod lines;
pub(crate) mod mean_bias;
pub(crate) mod neighbours;
pub(crate) mod pairs;
pub(crate) mod read_noise;
pub(crate) mod rounded;
pub(crate) mod tail;
pub(crate) mod unlike;
pub(crate) mod wander;
