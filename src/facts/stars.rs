//! What can be said of the stars of a frame and their shape over the field: how values came to be, why they are missing, what goes with them.

use serde::{Deserialize, Serialize};
use strum::{IntoStaticStr, VariantNames};

use super::Help;

/// How a value came to be.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, IntoStaticStr, VariantNames)]
#[strum(serialize_all = "kebab-case")]
pub enum StarsMethod {
    /// Nothing more is to be said of it.
    Plain,
}

/// Why a value is missing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, IntoStaticStr, VariantNames)]
#[strum(serialize_all = "kebab-case")]
pub enum StarsMissing {
    /// No reason was given.
    Unstated,
}

impl StarsMissing {
    /// What would supply the value.
    pub fn would_help(&self) -> Vec<Help> {
        match self {
            Self::Unstated => Vec::new(),
        }
    }
}

/// What goes with a value.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, IntoStaticStr, VariantNames)]
#[strum(serialize_all = "kebab-case")]
pub enum StarsNote {
    /// Nothing more is to be said of it.
    Plain,
}
