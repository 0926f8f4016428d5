//! Which cards carry which quantity: one row a quantity, with its cards in order of trust, the unit that each card means
//! when it says none, spellings of other units, the plausible range, and what would contradict it.
//!
//! The spellings are what capture software writes (common practice, no source); keywords of the FITS standard and of its
//! registered conventions are used where they exist. Readers take cards from here and from nowhere else.

use std::ops::RangeInclusive;

/// A row of the vocabulary for a number.
pub struct Entry {
    /// Name in sentences: "exposure time".
    pub name: &'static str,
    /// Keywords in order of trust, each with what one unit of it is in `unit` where the card names none.
    pub cards: &'static [(&'static str, f64)],
    /// Unit of the value, as sentences say it.
    pub unit: &'static str,
    /// Other units that value or comment may name, small letters, and what one of them is in `unit`.
    pub spellings: &'static [(&'static str, f64)],
    /// Values that can be true, in `unit`.
    pub range: RangeInclusive<f64>,
    /// A unit that a bare number out of range may have been meant in, and its factor: told, never taken.
    pub perhaps: Option<(&'static str, f64)>,
    /// Relative difference from which two of the cards contradict each other.
    pub conflict: Option<f64>,
    /// What else it is held against.
    pub contradicted_by: &'static str,
}

/// Relative difference above which two cards for one quantity contradict each other.
const CONFLICT: f64 = 0.01;

const fn entry(name: &'static str, unit: &'static str, cards: &'static [(&'static str, f64)]) -> Entry {
    Entry {
        name,
        cards,
        unit,
        spellings: &[],
        range: f64::MIN..=f64::MAX,
        perhaps: None,
        conflict: Some(CONFLICT),
        contradicted_by: "nothing",
    }
}

/// Exposure time, s.
pub const EXPOSURE: Entry = Entry {
    spellings: SECONDS,
    range: 0.0..=1e6,
    contradicted_by: "DATE-END less DATE-OBS",
    ..entry(
        "exposure time",
        "s",
        &[
            ("EXPTIME", 1.0),
            ("EXPOSURE", 1.0),
            ("XPOSURE", 1.0),
            ("EXP_TIME", 1.0),
            ("IMG_EXP", 1e-3),
            ("EXPOINUS", 1e-6),
        ],
    )
};

/// Time over which dark charge gathered, s.
pub const DARK_TIME: Entry = Entry {
    spellings: SECONDS,
    range: 0.0..=1e6,
    contradicted_by: "the exposure time",
    ..entry("dark time", "s", &[("DARKTIME", 1.0)])
};

const SECONDS: &[(&str, f64)] = &[
    ("s", 1.0),
    ("sec", 1.0),
    ("secs", 1.0),
    ("seconds", 1.0),
    ("second", 1.0),
    ("ms", 1e-3),
    ("msec", 1e-3),
    ("millisec", 1e-3),
    ("milliseconds", 1e-3),
    ("us", 1e-6),
    ("microseconds", 1e-6),
    ("min", 60.0),
    ("minutes", 60.0),
];

/// Measured temperature of the sensor, degrees Celsius. Kelvin are told by their unit, or by a size that nothing on a
/// telescope has in Celsius.
pub const SENSOR_TEMPERATURE: Entry = Entry {
    range: -150.0..=80.0,
    conflict: None,
    contradicted_by: "a set-point far from a measured 0 exactly",
    ..entry(
        "sensor temperature",
        "C",
        &[
            ("CCD-TEMP", 1.0),
            ("DET-TEMP", 1.0),
            ("CCDTEMP", 1.0),
            ("CCD_TEMP", 1.0),
            ("DETTEMP", 1.0),
            ("SENSTEMP", 1.0),
            ("TEMPERAT", 1.0),
            ("CAMTEMP", 1.0),
            ("CAM-TEMP", 1.0),
        ],
    )
};

/// Set-point of the cooler, degrees Celsius.
pub const SET_POINT: Entry = Entry {
    range: -150.0..=80.0,
    conflict: None,
    contradicted_by: "the measured temperature",
    ..entry("set-point", "C", &[("SET-TEMP", 1.0), ("SETTEMP", 1.0), ("SET_TEMP", 1.0), ("CCDSETT", 1.0)])
};

/// Column and row of the sensor that the first pixel is, recorded pixels from 0 (common practice, no source).
pub const CORNER: &[(&str, &str)] = &[("XORGSUBF", "YORGSUBF")];
/// The part of the sensor that the pixels are, from 1, unbinned (common practice of observatories, no source).
pub const SECTION: &[&str] = &["DETSEC", "CCDSEC"];

/// Temperature of the air at the telescope, degrees Celsius: of weather stations, focusers and cameras' own thermometers.
pub const AIR_TEMPERATURE: Entry = Entry {
    range: -60.0..=60.0,
    conflict: None,
    ..entry(
        "air temperature",
        "C",
        &[
            ("AMBTEMP", 1.0),
            ("AMB-TEMP", 1.0),
            ("AMB_TEMP", 1.0),
            ("AMBIENT", 1.0),
            ("AOCAMBT", 1.0),
            ("TEMP-AMB", 1.0),
            ("OUTTEMP", 1.0),
            ("OUT-TEMP", 1.0),
            ("AIRTEMP", 1.0),
            ("FOCTEMP", 1.0),
            ("FOCUSTEM", 1.0),
            ("TELTEMP", 1.0),
        ],
    )
};

/// Mean of pixels that no light reaches, ADU: of a DNG's masked areas.
pub const SHIELDED: Entry =
    Entry { range: 0.0..=1e6, ..entry("level of shielded pixels", "ADU", &[("MASKMEAN", 1.0)]) };

/// Values that are read as kelvin when no unit is given.
pub const PLAUSIBLE_KELVIN: RangeInclusive<f64> = 120.0..=360.0;

/// Pitch of a pixel, um; whether it contains the binning is told by comments, by PIXSIZE1, or by an image scale.
pub const PIXEL: Entry = Entry {
    spellings: &[("um", 1.0), ("micron", 1.0), ("microns", 1.0), ("mm", 1e3), ("nm", 1e-3)],
    range: 0.5..=200.0,
    perhaps: Some(("mm", 1e3)),
    conflict: None,
    contradicted_by: "the binning, PIXSIZE1, the scale of a WCS",
    ..entry(
        "pixel size",
        "um",
        &[("XPIXSZ", 1.0), ("XPIXELSZ", 1.0), ("PIXSIZE1", 1.0), ("PIXSIZE", 1.0), ("PIXELSIZ", 1.0)],
    )
};

/// The card that always means the sensor's own pitch.
pub const OWN_PITCH: &str = "PIXSIZE1";

/// Focal length, mm.
pub const FOCAL: Entry = Entry {
    spellings: &[
        ("mm", 1.0),
        ("cm", 10.0),
        ("m", 1e3),
        ("metres", 1e3),
        ("meters", 1e3),
        ("in", 25.4),
        ("inches", 25.4),
    ],
    range: 5.0..=100_000.0,
    perhaps: Some(("metres", 1e3)),
    contradicted_by: "the scale of a WCS, the stars",
    ..entry("focal length", "mm", &[("FOCALLEN", 1.0), ("FOCALLENGTH", 1.0), ("FOCLEN", 1.0), ("TELFOCAL", 1.0)])
};

/// Diameter of the aperture, mm.
pub const APERTURE: Entry = Entry {
    spellings: FOCAL.spellings,
    range: 1.0..=50_000.0,
    perhaps: Some(("metres", 1e3)),
    ..entry("aperture", "mm", &[("APTDIA", 1.0), ("APERTURE_DIAMETER", 1.0)])
};

/// Conversion gain that a header claims, e-/ADU. GAIN is a setting of the camera and never taken for it.
pub const GAIN_E_PER_ADU: Entry = Entry {
    range: 1e-3..=1e3,
    contradicted_by: "flats and biases, BUNIT",
    ..entry("conversion gain", "e-/ADU", &[("EGAIN", 1.0), ("E-GAIN", 1.0), ("E_GAIN", 1.0)])
};

/// Airmass.
pub const AIRMASS: Entry = Entry {
    // Formulas give 0.9997 at the zenith; at the horizon the table of Kasten & Young 1989 has 38.09 (from memory).
    range: 0.999..=38.1,
    contradicted_by: "the altitude, and the pointing at site and time",
    ..entry("airmass", "", &[("AIRMASS", 1.0), ("SECZ", 1.0)])
};

/// Altitude of the target, degrees. ALTITUDE is the site's as often as the target's and is not read.
pub const ALTITUDE: Entry = Entry {
    range: 0.0..=90.0,
    contradicted_by: "the airmass, and the pointing at site and time",
    ..entry("altitude", "degrees", &[("OBJCTALT", 1.0), ("CENTALT", 1.0), ("TELALT", 1.0)])
};

/// Position of the focuser, its own steps.
pub const FOCUSER: Entry =
    entry("focuser position", "steps", &[("FOCUSPOS", 1.0), ("FOCPOS", 1.0), ("FOCUSER_POSITION", 1.0)]);

/// Level at which pixels saturate, ADU.
pub const SATURATION: Entry = Entry {
    range: 1.0..=1e9,
    contradicted_by: "codes that pile up",
    ..entry("saturation level", "ADU", &[("SATURATE", 1.0)])
};

/// The frame's kind, in order of trust.
pub const KIND: &[&str] = &["IMAGETYP", "FRAME", "OBSTYPE", "FRAMETYP", "IMGTYPE"];
/// Numbers of frames that were combined: more than one makes a master.
pub const COMBINED: &[&str] = &["NCOMBINE", "STACKCNT", "NFRAMES"];
/// The camera's gain setting: a label, contradicted by nothing.
pub const GAIN_SETTING: &[&str] = &["GAIN", "GAINSET", "ISOSPEED"];
/// The camera's offset setting: a label.
pub const OFFSET_SETTING: &[&str] = &["OFFSET", "BLKLEVEL", "BLACKLVL"];
pub const FILTER: &[&str] = &["FILTER", "FILTER1", "FILTNAM", "FILTERS"];
pub const CAMERA: &[&str] = &["INSTRUME", "CAMERA", "DETECTOR", "CAM_ID"];
pub const READOUT_MODE: &[&str] = &["READOUTM", "READMODE"];
pub const OBJECT: &[&str] = &["OBJECT"];
/// Unit of the pixels: electrons contradict a gain.
pub const PIXEL_UNIT: &str = "BUNIT";
/// Binning along x and y in cards of their own, and both in one.
pub const BINNING_PAIRS: &[(&str, &str)] = &[("XBINNING", "YBINNING"), ("CCDXBIN", "CCDYBIN"), ("BINX", "BINY")];
pub const BINNING_WORDS: &[&str] = &["CCDSUM", "BINNING"];
/// Binning factors that a camera may have.
pub const PLAUSIBLE_BINNING: RangeInclusive<f64> = 1.0..=64.0;
/// Colour pattern, counted from the first pixel of the image; offsets shift it, the row order may turn it.
pub const CFA: &[&str] = &["BAYERPAT", "CFAPAT", "BAYRPAT"];
pub const CFA_OFFSETS: (&str, &str) = ("XBAYROFF", "YBAYROFF");
/// Whether the first row of the file is the top one (TOP-DOWN) or the bottom one (BOTTOM-UP) of the image.
pub const ROW_ORDER: &str = "ROWORDER";
/// Start of the exposure, UTC: date and time, or a date whose time stands in a card of its own.
pub const START: &[&str] = &["DATE-OBS", "DATE-BEG", "DATE_OBS"];
pub const START_TIME: &[&str] = &["TIME-OBS", "UT", "UTSTART", "UTC"];
/// Start as a day number: modified Julian date, Julian date (standard, section 9.5).
pub const START_DAY: &[(&str, f64)] =
    &[("MJD-OBS", 0.0), ("MJD-BEG", 0.0), ("JD", 2_400_000.5), ("JD-OBS", 2_400_000.5)];
pub const END: &str = "DATE-END";
/// Time scale of all dates in a header; UTC where none is named (standard 4.0, section 9.2.1).
pub const TIME_SCALE: &str = "TIMESYS";
/// Seconds by which other scales are ahead of UTC: TAI by 37 since 2017-01-01 (IERS Bulletin C, from memory), a second less
/// for each leap second before it; TT = TAI + 32.184 s and GPS = TAI - 19 s (standard 4.0, table 30, whose older names for
/// them stand here too). TDB keeps within 2 ms of TT.
pub const TIME_SCALES: &[(&str, f64)] =
    &[("TAI", 37.0), ("IAT", 37.0), ("GPS", 18.0), ("TT", 69.184), ("TDT", 69.184), ("ET", 69.184), ("TDB", 69.184)];
/// Start by the clock of the site: against the start in UTC it tells the time zone.
pub const START_LOCAL: &[&str] = &["DATE-LOC", "LOCALTIM", "DATELOC"];
/// Clock of the site less UTC.
pub const ZONE: &[&str] = &["TIMEZONE", "TIME-ZON", "TZOFFSET", "UTCOFFSE", "UTC-OFF", "GMTOFFSE"];
/// Longitude of the site, degrees east.
pub const LONGITUDE: &[&str] = &["SITELONG", "LONG-OBS", "LONGITUD", "SITELON", "OBSGEO-L"];
/// Latitude of the site, degrees north.
pub const LATITUDE: &[&str] = &["SITELAT", "LAT-OBS", "LATITUDE", "OBSGEO-B"];
/// Degrees that the Sun, and nearly the sky, turn in an hour; also degrees of an hour of right ascension.
pub const DEGREES_PER_HOUR: f64 = 15.0;
/// Right ascension and declination, and whether a plain number of the first is usually in hours. The target's
/// coordinates come first: mounts that are not aligned tell nonsense.
pub const POINTING: &[(&str, &str, bool)] =
    &[("OBJCTRA", "OBJCTDEC", true), ("RA", "DEC", false), ("RA_OBJ", "DEC_OBJ", false), ("TELRA", "TELDEC", false)];
/// Equinox of the coordinates, years.
pub const EQUINOX: &[&str] = &["EQUINOX", "EPOCH"];
pub const PLAUSIBLE_EQUINOX: RangeInclusive<f64> = 1850.0..=2150.0;
/// Image scales that a WCS may claim, arcsec/px (an unsolved frame may carry a matrix of ones, 3600).
pub const PLAUSIBLE_ARCSEC_PER_PX: RangeInclusive<f64> = 0.05..=100.0;

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    /// Every number that headers are asked for.
    const NUMBERS: [&Entry; 14] = [
        &EXPOSURE,
        &DARK_TIME,
        &SENSOR_TEMPERATURE,
        &SET_POINT,
        &AIR_TEMPERATURE,
        &SHIELDED,
        &PIXEL,
        &FOCAL,
        &APERTURE,
        &GAIN_E_PER_ADU,
        &AIRMASS,
        &ALTITUDE,
        &FOCUSER,
        &SATURATION,
    ];

    #[test]
    fn no_card_means_two_quantities_and_every_range_holds_something() {
        let numbers = NUMBERS.iter().flat_map(|e| e.cards.iter().map(|c| c.0));
        let texts = [KIND, COMBINED, GAIN_SETTING, OFFSET_SETTING, FILTER, CAMERA, READOUT_MODE, OBJECT, START, CFA];
        let more = [START_TIME, START_LOCAL, ZONE, LONGITUDE, LATITUDE, EQUINOX, BINNING_WORDS];
        let all: Vec<&str> = numbers.chain(texts.into_iter().chain(more).flatten().copied()).collect();
        let mut seen = BTreeSet::new();
        assert!(all.iter().all(|card| seen.insert(*card)), "{all:?}");
        for entry in NUMBERS {
            assert!(entry.range.start() < entry.range.end() && !entry.contradicted_by.is_empty(), "{}", entry.name);
            assert!(entry.cards.iter().chain(entry.spellings).all(|(_, factor)| *factor > 0.0), "{}", entry.name);
        }
    }
}
