//! What the user should know, and what to do about it.

use std::borrow::Cow;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::{Deserialize, Deserializer, Serialize, Serializer};

use super::words::cautions::caution;
use crate::facts::{Caution, Severity};

/// Something the user should know, and what to do about it.
#[derive(Debug, Clone, PartialEq)]
pub struct Warning {
    pub caution: Caution,
    /// The files that it concerns.
    pub paths: Vec<String>,
}

impl Warning {
    /// A fixed word for scripts.
    pub fn code(&self) -> &str {
        self.caution.code()
    }

    /// How grave it is.
    pub fn severity(&self) -> Severity {
        self.caution.severity()
    }

    /// What is the matter and what helps.
    pub fn message(&self) -> String {
        caution(&self.caution)
    }
}

/// A warning as `report.json` has it.
#[derive(Serialize, Deserialize, JsonSchema)]
struct WarningAsTold {
    /// A fixed word for scripts.
    #[schemars(schema_with = "codes_of_warnings")]
    code: String,
    /// How grave it is.
    severity: Severity,
    /// What is the matter and what helps.
    message: String,
    /// The files that it concerns.
    paths: Vec<String>,
}

fn codes_of_warnings(_: &mut SchemaGenerator) -> Schema {
    json_schema!({ "type": "string", "enum": Caution::codes() })
}

impl JsonSchema for Warning {
    fn schema_name() -> Cow<'static, str> {
        "Warning".into()
    }

    fn json_schema(of: &mut SchemaGenerator) -> Schema {
        WarningAsTold::json_schema(of)
    }
}

impl<'de> Deserialize<'de> for Warning {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        let WarningAsTold { code, severity, message, paths } = WarningAsTold::deserialize(from)?;
        Ok(Self { caution: Caution::Quoted { code, severity, sentence: message }, paths })
    }
}

impl Serialize for Warning {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        let (code, message) = (self.code().to_owned(), self.message());
        WarningAsTold { code, severity: self.severity(), message, paths: self.paths.clone() }.serialize(to)
    }
}
