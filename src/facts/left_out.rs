//! Why a file is not used.

use serde::{Deserialize, Serialize};
use strum::IntoStaticStr;

/// Why a file is not used.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, IntoStaticStr)]
#[strum(serialize_all = "kebab-case")]
pub enum LeftOut {
    /// Until every reason has its type.
    Quoted(String),
}

impl LeftOut {
    /// A fixed word for scripts.
    pub fn code(&self) -> &'static str {
        self.into()
    }
}
