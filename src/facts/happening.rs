//! What happened to lights in the course of a session.

use jiff::civil::DateTime;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use strum::IntoStaticStr;

/// Something that happened while a session's lights were taken.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Happening {
    /// What it was.
    #[serde(flatten)]
    pub what: What,
    /// Start of the first light that shows it, ISO 8601, UTC.
    #[serde(with = "utc")]
    #[schemars(with = "String")]
    pub from_utc: DateTime,
    /// Start of the last light that shows it, ISO 8601, UTC.
    #[serde(with = "utc")]
    #[schemars(with = "String")]
    pub until_utc: DateTime,
    /// Lights that show it.
    #[schemars(extend("unit" = "frames"))]
    pub lights: usize,
    /// Those of them that were left out for it.
    #[schemars(extend("unit" = "frames"))]
    pub left_out: usize,
}

/// Moments as ISO 8601 text with a Z for UTC.
mod utc {
    use jiff::civil::DateTime;
    use serde::{Deserialize, Deserializer, Serializer};

    pub fn serialize<S: Serializer>(at: &DateTime, to: S) -> Result<S::Ok, S::Error> {
        to.collect_str(&format_args!("{at}Z"))
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<DateTime, D::Error> {
        let text = String::deserialize(from)?;
        text.trim_end_matches('Z').parse().map_err(serde::de::Error::custom)
    }
}

/// What happened.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema, IntoStaticStr)]
#[serde(tag = "what", rename_all = "kebab-case")]
#[strum(serialize_all = "kebab-case")]
pub enum What {
    /// The sky was far brighter than that of the session's lights.
    BrightSky {
        /// Sky over the session's median, the least and the most.
        #[schemars(extend("unit" = "1"))]
        least_times: f64,
        #[schemars(extend("unit" = "1"))]
        most_times: f64,
        /// Altitude of the Sun at its highest meanwhile; null where no header tells the place.
        #[schemars(extend("unit" = "degrees"))]
        sun_altitude_deg: Option<f64>,
    },
    /// The sky became steadily brighter or darker.
    SkyDrift {
        /// Sky at the end over that at the start.
        #[schemars(extend("unit" = "1"))]
        times: f64,
    },
    /// The stars shrank and grew again from light to light, as while the focus is sought.
    FocusRun {
        #[schemars(extend("unit" = "px"))]
        narrowest_px: f64,
        #[schemars(extend("unit" = "px"))]
        widest_px: f64,
    },
    /// The star width changed in one step.
    WidthStep {
        #[schemars(extend("unit" = "px"))]
        before_px: f64,
        #[schemars(extend("unit" = "px"))]
        after_px: f64,
    },
    /// The stars steadily lost light and grew wider.
    Fading {
        /// Their light at the end over that at the start.
        #[schemars(extend("unit" = "%"))]
        light_left_percent: f64,
        /// Growth of their width.
        #[schemars(extend("unit" = "%"))]
        wider_percent: f64,
        /// Whether the height of the target was known and allowed for.
        for_height: bool,
    },
    /// The stars lost light and found it again.
    Cloud {
        /// Their light at the least, over the session's median.
        #[schemars(extend("unit" = "%"))]
        light_left_percent: f64,
    },
    /// The field is turned by half a turn against the light before.
    HalfTurn,
    /// A part of the frame was kept from the light.
    Shaded {
        /// Largest part of the frame.
        #[schemars(extend("unit" = "%"))]
        frame_percent: f64,
    },
    /// Lines were drawn across the frame.
    Streaks,
}

impl What {
    /// A fixed word for scripts.
    pub fn code(&self) -> &'static str {
        self.into()
    }
}
