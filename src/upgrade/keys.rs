//! Keys of an options file: where each may stand, what it holds and which values make sense.

/// What a key holds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Holds {
    /// A number, or `[value, standard uncertainty]`.
    Number { low: f64, high: f64, unit: &'static str },
    /// Words.
    Text,
    /// One of these words.
    Word(&'static [&'static str]),
    /// `true` or `false`.
    Truth,
    /// Tables of their own.
    Tables,
}

/// A key and what it holds.
#[derive(Debug, Clone, Copy)]
pub struct Key {
    pub name: &'static str,
    pub holds: Holds,
}

const fn number(name: &'static str, low: f64, high: f64, unit: &'static str) -> Key {
    Key { name, holds: Holds::Number { low, high, unit } }
}

const fn key(name: &'static str, holds: Holds) -> Key {
    Key { name, holds }
}

/// The parts of the file.
pub const FILE: &[Key] =
    &[key("present", Holds::Tables), key("conditions", Holds::Tables), key("option", Holds::Tables)];

// Ranges: wide enough for any camera that exists, narrow enough to catch a wrong unit.
const PIXEL: Key = number("pixel_um", 0.5, 100.0, "um");
const EFFICIENCY: Key = number("peak_quantum_efficiency", 0.01, 1.0, "as a share, not per cent");
const FILTER: Key = number("filter_fraction", 0.001, 1.0, "as a share, not per cent");
const MOSAIC: Key = key("mosaic", Holds::Truth);
const LIT: Key = number("lit_pixel_share", 0.05, 1.0, "as a share: a quarter for red or blue, half for green");
const LOWEST: Key = number("lowest_celsius", -120.0, 40.0, "C");

/// `[present]`: what frames cannot tell of the present camera.
pub const PRESENT: &[Key] = &[
    PIXEL,
    EFFICIENCY,
    FILTER,
    MOSAIC,
    LIT,
    number("sensor_above_ambient_c", -80.0, 40.0, "C, negative where it is cooled"),
    LOWEST,
];

/// `[conditions]`: how much the rig is used, and what an hour is worth to its owner.
pub const CONDITIONS: &[Key] = &[
    number("hours_per_year", 0.1, 4400.0, "h"),
    number("hours_per_night", 0.1, 24.0, "h"),
    number("years", 0.1, 50.0, "years"),
    number("most_per_extra_hour", 0.0, 1e6, "in your currency"),
    key("currency", Holds::Text),
    number("target_width_arcmin", 0.01, 10_800.0, "arcmin"),
    number("target_height_arcmin", 0.01, 10_800.0, "arcmin"),
    key("ambient", Holds::Tables),
    key("filter", Holds::Tables),
];

/// `[[conditions.ambient]]`: hours a year at one temperature of the air.
pub const AMBIENT: &[Key] = &[number("celsius", -60.0, 50.0, "C"), number("hours", 0.0, 4400.0, "h")];

/// `[[conditions.filter]]`: share of the year's hours that go into one filter.
pub const FILTERS: &[Key] = &[key("name", Holds::Text), number("share", 0.0, 1.0, "as a share, not per cent")];

const NAME: Key = key("name", Holds::Text);
const KIND: Key = key("kind", Holds::Word(&["camera", "cooler", "optics"]));
const DROP: Key = number("cooler_drop_c", 0.0, 120.0, "C below ambient");
const FACTOR: Key = number("focal_factor", 0.1, 10.0, "below 1 for a reducer");
const TRANSMISSION: Key = number("transmission", 0.01, 1.0, "as a share, not per cent");
const PRICE: Key = number("price", 0.0, 1e9, "in your currency");
const RESALE: Key = number("resale", 0.0, 1e9, "in your currency");

/// `[[option]]` of kind `camera`.
pub const CAMERA: &[Key] = &[
    NAME,
    KIND,
    PIXEL,
    number("width_px", 16.0, 100_000.0, "px"),
    number("height_px", 16.0, 100_000.0, "px"),
    MOSAIC,
    LIT,
    EFFICIENCY,
    FILTER,
    number("read_noise_e", 0.0, 1000.0, "e-"),
    number("dark_e_per_px_s", 0.0, 1e4, "e-/px/s"),
    number("dark_at_celsius", -120.0, 60.0, "C"),
    number("dark_doubling_c", 2.0, 20.0, "C"),
    DROP,
    LOWEST,
    number("full_well_e", 100.0, 1e8, "e-"),
    number("bits", 1.0, 32.0, "bits"),
    PRICE,
    RESALE,
];

/// `[[option]]` of kind `cooler`.
pub const COOLER: &[Key] = &[NAME, KIND, DROP, LOWEST, PRICE, RESALE];

/// `[[option]]` of kind `optics`.
pub const OPTICS: &[Key] = &[NAME, KIND, FACTOR, TRANSMISSION, PRICE, RESALE];
