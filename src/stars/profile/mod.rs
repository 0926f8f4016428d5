//! The star image: profile, its fit, and the exponent that a frame's stars share.

pub(crate) mod empirical;
pub(crate) mod equations;
pub(crate) mod fit;
pub(crate) mod image;
pub(crate) mod joint;
pub(crate) mod moffat;
pub(crate) mod open;
pub(crate) mod recorded;
pub(crate) mod residual;
pub(crate) mod shared;
pub(crate) mod stamp;
