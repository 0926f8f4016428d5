//! Why a number is not there, in words and as `upgrade.json` has it.

use serde::{Serialize, Serializer};

use crate::report::words::quantity::missing;
use crate::upgrade::keys::{Key, Table};
use crate::upgrade::lacking::{Lacking, Number};

/// Why a number is not computable: a clause that goes on from "because".
pub(crate) fn reason(lacking: &Lacking) -> String {
    match lacking {
        Lacking::Measured(because) => missing(because),
        Lacking::StarWidth(because) => format!("the star width: {}", missing(because)),
        Lacking::KeyNotStated { key, table } => not_stated(*key, *table),
        Lacking::FilterNotMeasured { filter } => {
            format!("the report has no session in the filter {filter:?} of [[conditions.filter]]")
        }
        of => fixed(of).to_owned(),
    }
}

fn not_stated(key: Key, table: Table) -> String {
    let name = key.name();
    match (table, key) {
        (Table::Camera, Key::PeakQuantumEfficiency | Key::FilterFraction | Key::Mosaic | Key::LitPixelShare) => {
            format!("`{name}` of the option is not stated")
        }
        (Table::Camera | Table::Cooler | Table::Optics, _) => format!("the option's `{name}` is not stated"),
        (table, _) => format!("`{name}` of {} is not stated", table.place()),
    }
}

fn fixed(lacking: &Lacking) -> &'static str {
    match lacking {
        Lacking::SizeNotStated => "the option's `width_px` and `height_px` are not stated",
        Lacking::PresentPixelNotStated => {
            "the present pixel size is neither in the report nor stated as `pixel_um` of [present]"
        }
        Lacking::HoursNotStated { for_measure: true } => "the hours per year are not stated",
        Lacking::HoursNotStated { for_measure: false } => {
            "neither `hours_per_year` nor [[conditions.ambient]] is stated"
        }
        Lacking::SharesNotStated => "how the hours divide between the filters is not stated ([[conditions.filter]])",
        Lacking::MosaicDenied => "the frames have a colour mosaic, [present] says `mosaic = false`",
        Lacking::NoSensorOfSession => "the report names no sensor for this session",
        Lacking::LightsTemperature => "the sensor temperature of the lights is not known (card CCD-TEMP)",
        Lacking::NoNoise => "sky, read noise and dark current are all 0: those are not the values of a real sensor",
        Lacking::FrameSize => "the report does not tell the size of its frames",
        Lacking::SameSensorAndOptics => "the sensor and its optics stay as they are",
        Lacking::OtherCorrection => "other optics have a correction of their own, which these frames do not show",
        Lacking::DrawnOutOfReason => "a drawn value left no noise or no light at all",
        Lacking::NoHoursGained => "it brings no hours, or may bring none",
        Lacking::Measured(_)
        | Lacking::StarWidth(_)
        | Lacking::KeyNotStated { .. }
        | Lacking::FilterNotMeasured { .. } => "",
    }
}

impl<T> Number<T> {
    /// Why it is not computable.
    pub fn why(&self) -> String {
        self.lacking.as_ref().map_or_else(|| "it is unknown".to_owned(), reason)
    }
}

/// Why a number is not there.
pub(crate) fn not_computable<T>(number: &Number<T>) -> String {
    format!("not computable, because {}", number.why())
}

/// A number as `upgrade.json` has it.
#[derive(Serialize)]
struct Shown<'a, T> {
    value: &'a Option<T>,
    not_computable_because: Option<String>,
    missing: Option<ShownLacking<'a>>,
}

/// Why a number is not there, for scripts.
#[derive(Serialize)]
struct ShownLacking<'a> {
    /// One of a closed list of words.
    reason: &'a str,
    /// Keys, cards and kinds of frames that would supply it.
    would_help: Vec<String>,
}

impl<T: Serialize> Serialize for Number<T> {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        let lacking = self.lacking.as_ref();
        let missing = lacking.map(|of| ShownLacking { reason: of.code(), would_help: of.would_help() });
        Shown { value: &self.value, not_computable_because: lacking.map(reason), missing }.serialize(to)
    }
}
