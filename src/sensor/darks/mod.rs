//! Dark frames: rates, their law with temperature, hot pixels, glow, defects.

pub(crate) mod charge;
pub(crate) mod criteria;
pub(crate) mod dark;
pub(crate) mod dark_current;
pub(crate) mod dark_mask;
pub(crate) mod dark_pass;
pub(crate) mod drift;
pub(crate) mod exponential;
pub(crate) mod glow;
mod glow_model;
pub(crate) mod hot;
pub(crate) mod law;
pub(crate) mod level_rate;
pub(crate) mod pixel_map;
pub(crate) mod pixels;
mod rate_at;
pub(crate) mod rates;
mod unlike;
