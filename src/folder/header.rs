//! The typed record of a frame's header: each value remembers the card that it came from.
//!
//! Missing is `None`; nothing is guessed. Values that contradict each other are kept in order of trust and noted.

use jiff::civil::DateTime;

use super::carded::Carded;
use super::pointing::{HeaderWcs, Pointing};
use super::vocabulary::DEGREES_PER_HOUR;
use crate::facts::FrameKind;
use crate::facts::header::HeaderCaution;
use crate::facts::verdict::PitchReading;

/// Order of the colour filters over a 2x2 cell, read from the first pixel of the file on: `RGGB` and so on; `?` where red and blue are not
/// told apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize)]
pub struct CfaPattern(pub [u8; 4]);

impl CfaPattern {
    /// Reads a pattern of four letters R, G, B with two greens on a diagonal. `None` for anything else.
    pub fn parse(text: &str) -> Option<Self> {
        let letters: Vec<u8> = text.trim().to_ascii_uppercase().bytes().collect();
        let cell: [u8; 4] = letters.try_into().ok()?;
        let greens = (cell[0] == b'G' && cell[3] == b'G') || (cell[1] == b'G' && cell[2] == b'G');
        let count = |c| cell.iter().filter(|l| **l == c).count();
        (greens && count(b'R') == 1 && count(b'B') == 1).then_some(Self(cell))
    }

    /// The pattern as seen from a pixel `dx` columns and `dy` rows further on.
    #[must_use]
    pub fn shifted(self, dx: i64, dy: i64) -> Self {
        let (dx, dy) = (dx.rem_euclid(2) as usize, dy.rem_euclid(2) as usize);
        let at = |x: usize, y: usize| self.0[((y + dy) % 2) * 2 + (x + dx) % 2];
        Self([at(0, 0), at(1, 0), at(0, 1), at(1, 1)])
    }

    /// Whether the pixel at column `x`, row `y` lies under a green filter.
    pub fn is_green(self, x: usize, y: usize) -> bool {
        self.0[(y % 2) * 2 + x % 2] == b'G'
    }

    /// Whether the pixel at column `x`, row `y` lies under the filter of that letter.
    pub fn sees(self, x: usize, y: usize, letter: u8) -> bool {
        self.0[(y % 2) * 2 + x % 2] == letter
    }

    /// Whether it is known which of the sites are red and which blue.
    pub fn tells_red(self) -> bool {
        self.0.contains(&b'R')
    }

    /// Four letters.
    pub fn name(self) -> String {
        self.0.iter().map(|c| char::from(*c)).collect()
    }
}

/// Pitch of a recorded pixel, um.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum PixelReadings {
    /// Known, and how a binned one was read.
    One { um: f64, reading: PitchReading },
    /// The frame is binned and nothing tells whether the stated pitch contains it.
    Two { as_binned_um: f64, as_physical_um: f64 },
}

/// What one frame's header says. Units stand in the names.
#[derive(Debug, Clone, PartialEq)]
pub struct FrameHeader {
    /// Kind as the header's words tell it.
    pub kind: Carded<FrameKind>,
    /// Exposure time, s.
    pub exposure_s: Option<Carded<f64>>,
    /// Time over which dark charge gathered, s; `None` where the header does not tell it apart from the exposure.
    pub dark_time_s: Option<Carded<f64>>,
    /// Measured sensor temperature, degrees Celsius.
    pub sensor_celsius: Option<Carded<f64>>,
    /// Set-point of the cooler, degrees Celsius.
    pub set_point_celsius: Option<Carded<f64>>,
    /// Temperature of the air at the telescope, degrees Celsius.
    pub air_celsius: Option<Carded<f64>>,
    /// Mean of pixels that no light reaches, ADU.
    pub shielded_adu: Option<Carded<f64>>,
    /// The camera's gain setting: a label, never e-/ADU.
    pub gain_setting: Option<Carded<String>>,
    /// The camera's offset setting: a label.
    pub offset_setting: Option<Carded<String>>,
    /// Conversion gain that the header claims, e-/ADU.
    pub header_gain_e_per_adu: Option<Carded<f64>>,
    /// Whether the numbers are electrons and no raw codes (BUNIT); then the gain is 1 e-/ADU by that card.
    pub in_electrons: bool,
    /// Binning in x and y.
    pub binning: [u32; 2],
    /// The card that told the binning; `None` where none did and 1 x 1 stands.
    pub binning_card: Option<String>,
    /// Filter name.
    pub filter: Option<Carded<String>>,
    /// Camera name.
    pub camera: Option<Carded<String>>,
    /// Readout mode.
    pub readout_mode: Option<Carded<String>>,
    /// Target name.
    pub object: Option<Carded<String>>,
    /// Start of the exposure, UTC.
    pub start_utc: Option<Carded<DateTime>>,
    /// Longitude of the site, degrees, east positive.
    pub site_longitude_deg: Option<Carded<f64>>,
    /// Latitude of the site, degrees, north positive.
    pub site_latitude_deg: Option<Carded<f64>>,
    /// Clock of the site less UTC, hours.
    pub utc_offset_h: Option<Carded<f64>>,
    /// Pixel pitch as the header states it, um.
    pub pixel_um: Option<Carded<f64>>,
    /// Whether `pixel_um` already contains the binning; `None` where nothing tells.
    pub pixel_includes_binning: Option<bool>,
    /// Focal length, mm.
    pub focal_mm: Option<Carded<f64>>,
    /// Aperture diameter, mm.
    pub aperture_mm: Option<Carded<f64>>,
    /// Diameter of the central obstruction over that of the aperture: no card in common use tells it.
    pub obstruction: Option<Carded<f64>>,
    /// Image scale from a celestial WCS, arcsec per recorded pixel (geometric mean of both axes).
    pub wcs_arcsec_per_px: Option<Carded<f64>>,
    /// That WCS with its reference point, where it has right ascension and declination.
    pub wcs: Option<HeaderWcs>,
    /// Directions that the telescope may have pointed to, in order of trust.
    pub pointings: Vec<Carded<Pointing>>,
    /// Airmass: as the card has it, until [`super::Rig::apply`] has held it against altitude, pointing, site and time.
    pub airmass: Option<Carded<f64>>,
    /// Altitude of the target, degrees.
    pub altitude_deg: Option<Carded<f64>>,
    /// Position of the focuser, its own steps.
    pub focuser_position: Option<Carded<f64>>,
    /// Level at which pixels saturate, ADU, as the header or rig states it.
    pub saturation_adu: Option<Carded<f64>>,
    /// Column and row of the sensor, recorded px, that the first pixel of the file is.
    pub corner_px: Option<Carded<[usize; 2]>>,
    /// Colour filter pattern as seen from the first pixel of the file.
    pub cfa: Option<Carded<CfaPattern>>,
    /// Conflicts and refused values, for the user.
    pub notes: Vec<HeaderCaution>,
}

/// From the fastest lenses (f/0.95) to twice the slowest planetary telescopes, with room on both sides (common practice, no source).
const POSSIBLE_FOCAL_RATIOS: std::ops::RangeInclusive<f64> = 0.9..=60.0;

impl FrameHeader {
    /// Whether it states a focal length and an aperture whose ratio no telescope or lens has.
    pub fn has_impossible_focal_ratio(&self) -> bool {
        let stated = self.focal_mm.as_ref().zip(self.aperture_mm.as_ref());
        stated.is_some_and(|(focal, aperture)| !POSSIBLE_FOCAL_RATIOS.contains(&(focal.value / aperture.value)))
    }

    /// Exposure in whole ms: the same for frames that differ by what a clock rounds.
    pub fn exposure_ms(&self) -> Option<u64> {
        self.exposure_s.as_ref().map(|e| (e.value * 1e3).round() as u64)
    }

    /// Sensor temperature: measured, else the set-point. The flag tells that it is only the set-point.
    pub fn celsius(&self) -> Option<(f64, bool)> {
        let measured = self.sensor_celsius.as_ref().map(|c| (c.value, false));
        measured.or_else(|| self.set_point_celsius.as_ref().map(|c| (c.value, true)))
    }

    /// Pitch of a recorded pixel, um: the geometric mean of both axes. `None` where it is not known whether the stated
    /// pitch contains the binning.
    pub fn recorded_pixel_um(&self) -> Option<f64> {
        match self.pixel_readings()? {
            PixelReadings::One { um, .. } => Some(um),
            PixelReadings::Two { .. } => None,
        }
    }

    /// What the stated pitch and the binning say of a recorded pixel. `None` without a pitch.
    pub fn pixel_readings(&self) -> Option<PixelReadings> {
        let stated = self.pixel_um.as_ref().map(|p| p.value).filter(|p| p.is_finite() && *p > 0.0)?;
        let [bx, by] = self.binning.map(|b| f64::from(b.max(1)));
        // The geometric mean of both axes, as for a WCS.
        let binning = (bx * by).sqrt();
        Some(match self.pixel_includes_binning {
            _ if binning <= 1.0 => PixelReadings::One { um: stated, reading: PitchReading::Unbinned },
            Some(true) => PixelReadings::One { um: stated, reading: PitchReading::Binned },
            Some(false) => PixelReadings::One { um: stated * binning, reading: PitchReading::PhysicalTimesBinning },
            None => PixelReadings::Two { as_binned_um: stated, as_physical_um: stated * binning },
        })
    }

    /// How far east the site lies, degrees: its longitude, else that of the middle of its time zone.
    pub fn east_deg(&self) -> Option<f64> {
        let stated = self.site_longitude_deg.as_ref().map(|l| l.value);
        stated.or_else(|| self.utc_offset_h.as_ref().map(|h| h.value * DEGREES_PER_HOUR))
    }

    /// Time over which dark charge gathered, s: DARKTIME where it is given, else the exposure.
    pub fn dark_seconds(&self) -> Option<f64> {
        self.dark_time_s.as_ref().or(self.exposure_s.as_ref()).map(|c| c.value)
    }
}
