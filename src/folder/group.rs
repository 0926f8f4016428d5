//! Which frames belong together: nights, sensors, sessions.

use jiff::ToSpan;
use jiff::civil::{Date, DateTime};

use super::FrameHeader;

/// Seconds of one degree of longitude: the Sun moves 15 degrees an hour.
const SECONDS_PER_DEGREE: f64 = 240.0;

/// The evening's date of an exposure, noon to noon in mean solar time at the site, as `2026-02-11`.
///
/// Without a longitude the time is taken as if the site lay at Greenwich; a time zone tells it to an hour or two
/// ([`FrameHeader::east_deg`]).
pub fn night_of(start_utc: DateTime, longitude_deg: Option<f64>) -> String {
    let east = longitude_deg.unwrap_or(0.0);
    let east = if east > 180.0 { east - 360.0 } else { east };
    let shift = (east * SECONDS_PER_DEGREE) as i64 - 12 * 3600;
    start_utc.checked_add(shift.seconds()).unwrap_or(start_utc).date().to_string()
}

/// What makes two frames come from the same sensor in the same state.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SensorKey {
    pub camera: String,
    pub gain_setting: Option<String>,
    pub offset_setting: Option<String>,
    pub readout_mode: Option<String>,
    pub binning: [u32; 2],
    /// Columns and rows: frames of another size are not comparable pixel by pixel.
    pub size: [usize; 2],
    /// 1, or 3 for a cube of colours: its noise is no longer that of the sensor.
    pub planes: usize,
    /// Whether its numbers are electrons already: such a frame shares neither gain nor levels with raw ones.
    pub in_electrons: bool,
    /// Stated pixel pitch, nm, where frames that share all else state several.
    pub pitch_nm: Option<u32>,
    /// First day with calibration frames of an epoch, where the camera has several.
    pub epoch: Option<Date>,
}

/// Name of a camera whose header has none.
pub const UNNAMED_CAMERA: &str = "unnamed camera";

impl SensorKey {
    /// The key of a frame.
    pub fn of(header: &FrameHeader, width: usize, height: usize, planes: usize) -> Self {
        let text = |c: &Option<super::Carded<String>>| c.as_ref().map(|c| c.value.clone());
        Self {
            camera: text(&header.camera).unwrap_or_else(|| UNNAMED_CAMERA.to_owned()),
            gain_setting: text(&header.gain_setting),
            offset_setting: text(&header.offset_setting),
            readout_mode: text(&header.readout_mode),
            binning: header.binning,
            size: [width, height],
            planes,
            in_electrons: header.in_electrons,
            pitch_nm: None,
            epoch: None,
        }
    }
}

/// The night of a light. Nights with a date go before the one without.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Night {
    /// The evening's date.
    Dated(String),
    Undated,
}

impl Night {
    /// The evening's date, where it is known.
    pub fn date(&self) -> Option<&str> {
        match self {
            Self::Dated(date) => Some(date),
            Self::Undated => None,
        }
    }
}

/// What makes two lights belong to one session.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SessionKey {
    pub night: Night,
    pub sensor: SensorKey,
    pub filter: Option<String>,
    /// Exposure in ms, so that it can be compared exactly; `None` when unknown.
    pub exposure_ms: Option<u64>,
    pub cfa: Option<String>,
    /// Columns and rows of lights that show a part of their sensor; `None` of the others.
    pub window: Option<[usize; 2]>,
    /// Stated focal length, mm, where lights that share all else state several.
    pub focal_mm: Option<u32>,
}

impl SessionKey {
    /// The key of a light.
    pub fn of(header: &FrameHeader, sensor: SensorKey) -> Self {
        let longitude = header.east_deg();
        Self {
            night: header.start_utc.as_ref().map_or(Night::Undated, |s| Night::Dated(night_of(s.value, longitude))),
            sensor,
            filter: header.filter.as_ref().map(|f| f.value.clone()),
            exposure_ms: header.exposure_ms(),
            cfa: header.cfa.as_ref().map(|c| c.value.name()),
            window: None,
            focal_mm: None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_night_runs_from_noon_to_noon_at_the_site() {
        let at = |text: &str| text.parse::<DateTime>().unwrap();
        // 09:03 UTC is 02:00 mean solar time at 105.8 degrees west: still the evening of May 2.
        assert_eq!(night_of(at("2019-05-03T09:03:11"), Some(-105.82)), "2019-05-02");
        assert_eq!(night_of(at("2019-05-03T09:03:11"), Some(254.18)), "2019-05-02");
        assert_eq!(night_of(at("2026-02-11T22:00:00"), Some(10.0)), "2026-02-11");
        assert_eq!(night_of(at("2026-02-12T03:00:00"), Some(10.0)), "2026-02-11");
        assert_eq!(night_of(at("2026-02-12T03:00:00"), None), "2026-02-11");
    }
}
