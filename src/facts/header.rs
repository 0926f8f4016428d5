//! What is odd about a header: conflicts and refused values.

use serde::{Deserialize, Serialize};

/// A conflict or a refused value.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub enum HeaderCaution {
    /// Two cards for one quantity differ; the first was used.
    CardsDisagree { card: String, value: f64, other: String, other_value: f64, unit: String, quantity: String },
    /// A value that cannot be, as written in the header; and the unit in which it could.
    Refused { card: String, written: String, quantity: String, unit: String, perhaps_in: Option<String> },
    /// A temperature that cannot be.
    TemperatureRefused { card: String, number: f64, quantity: String },
    /// A temperature in kelvin.
    ReadAsKelvin { card: String, number: f64 },
    /// A measured 0 far from the set-point: software writes it where it cannot read the sensor.
    PlaceholderTemperature { card: String },
    /// Start and end deny the exposure time.
    ExposureAgainstDates { card: String, exposure_s: f64, start_card: String, end_card: String, elapsed_s: f64 },
    /// An airmass that cannot be, as written in the header, and what stands for it.
    ImpossibleAirmass { card: String, written: String, used: Option<Sight> },
    /// What tells of the airmass is contradicted by what was used, with which another one may agree.
    SightRefused { refused: Sight, used: Sight, agreeing: Option<Sight> },
    /// Pointing, site and time put the target below the horizon.
    BelowHorizon { told_by: SightSource, altitude_deg: f64 },
    /// A WCS whose scale cannot be; to a thousandth of an arcsec, as frames of one night share it.
    WcsScaleRefused { card: String, arcsec_per_px: f64 },
    /// A start that is the local time, by what tells, so many hours ahead of UTC.
    LocalTime { card: String, by: String, hours: f64 },
    /// A day number that is a day off the start.
    DayOff { card: String, other: String },
    /// A longitude counted towards the west, by the clock of the site less UTC.
    WestPositive { card: String, degrees: f64, by: String, hours: f64 },
    /// Commas that stand for decimal points.
    DecimalCommas { cards: Vec<String> },
    /// Cards that stand in one header with several values; the first was used.
    CardsRepeated { cards: Vec<String> },
    /// Cards without an equals sign, by their first words.
    CardsWithoutValue { cards: Vec<String> },
    /// The pixels are electrons already.
    InElectrons,
    /// The colour pattern counts from the last row of the file.
    RowsFromBottom,
    /// Images behind the one that is measured.
    FurtherImages { hdu: usize, further: usize },
}

/// How much air lies before the telescope, and what tells it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Sight {
    pub told_by: SightSource,
    pub airmass: f64,
    pub altitude_deg: f64,
}

/// What tells how much air lies before the telescope.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub enum SightSource {
    Airmass {
        card: String,
    },
    Altitude {
        card: String,
    },
    /// Computed from the cards, or rig keys, of pointing, site and time.
    Computed {
        pointing: String,
        latitude: String,
        longitude: String,
        start: String,
    },
}

impl SightSource {
    /// Its card, or the first of them.
    pub fn card(&self) -> &str {
        match self {
            Self::Airmass { card } | Self::Altitude { card } => card,
            Self::Computed { pointing, .. } => pointing,
        }
    }
}

impl HeaderCaution {
    /// Whether it holds numbers that may change from frame to frame.
    pub fn varies(&self) -> bool {
        match self {
            Self::CardsDisagree { .. }
            | Self::Refused { .. }
            | Self::TemperatureRefused { .. }
            | Self::ReadAsKelvin { .. }
            | Self::ExposureAgainstDates { .. }
            | Self::ImpossibleAirmass { .. }
            | Self::SightRefused { .. }
            | Self::BelowHorizon { .. }
            | Self::WcsScaleRefused { .. } => true,
            Self::PlaceholderTemperature { .. }
            | Self::LocalTime { .. }
            | Self::DayOff { .. }
            | Self::WestPositive { .. }
            | Self::DecimalCommas { .. }
            | Self::CardsRepeated { .. }
            | Self::CardsWithoutValue { .. }
            | Self::InElectrons
            | Self::RowsFromBottom
            | Self::FurtherImages { .. } => false,
        }
    }

    /// Whether a value of the report is less sure for it.
    pub fn touches_a_result(&self) -> bool {
        matches!(self, Self::ImpossibleAirmass { .. } | Self::SightRefused { .. } | Self::BelowHorizon { .. })
    }

    /// Whether two differ in the numbers of their frames at most.
    pub fn is_like(&self, other: &Self) -> bool {
        match (self.varying_cards(), other.varying_cards()) {
            (Some(own), Some(others)) => std::mem::discriminant(self) == std::mem::discriminant(other) && own == others,
            _ => self == other,
        }
    }

    /// The cards of one that varies: what frames that share it have in common.
    fn varying_cards(&self) -> Option<[&str; 2]> {
        match self {
            Self::CardsDisagree { card, other, .. } => Some([card, other]),
            Self::ExposureAgainstDates { card, end_card, .. } => Some([card, end_card]),
            Self::SightRefused { refused, used, .. } => Some([refused.told_by.card(), used.told_by.card()]),
            Self::BelowHorizon { told_by, .. } => Some([told_by.card(), ""]),
            Self::ImpossibleAirmass { card, used, .. } => {
                Some([card, used.as_ref().map_or("", |used| used.told_by.card())])
            }
            Self::Refused { card, .. } | Self::TemperatureRefused { card, .. } | Self::ReadAsKelvin { card, .. } => {
                Some([card, ""])
            }
            // Whichever card gives it.
            Self::WcsScaleRefused { .. } => Some(["", ""]),
            _ => None,
        }
    }
}
