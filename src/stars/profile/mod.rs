//! The star image: profile, its fit, and the exponent that a frame's stars share.

pub(crate) mod beta;
pub(crate) mod elementary;
pub(crate) mod equations;
pub(crate) mod fit;
pub(crate) mod moffat;
pub(crate) mod recorded;
pub(crate) mod stamp;
