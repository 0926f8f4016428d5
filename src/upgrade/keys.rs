//! Keys of an options file. A row here is all that is said of a key: what it is, its name, where it may stand with the
//! number that it sets there, and which values make sense.

use super::ratio::LEAST_LIGHT;
use super::uncertain::Uncertain;

/// A table of an options file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Table {
    File,
    /// What frames cannot tell of the present camera.
    Present,
    /// How much the rig is used, and what an hour is worth to its owner.
    Conditions,
    /// Hours a year at one temperature of the air.
    Ambient,
    /// Share of the year's hours that go into one filter.
    Filter,
    Camera,
    Cooler,
    Optics,
}

impl Table {
    /// As messages name it.
    pub fn place(self) -> &'static str {
        match self {
            Self::File => "the file",
            Self::Present => "[present]",
            Self::Conditions => "[conditions]",
            Self::Ambient => "[[conditions.ambient]]",
            Self::Filter => "[[conditions.filter]]",
            Self::Camera => "an [[option]] of kind camera",
            Self::Cooler => "an [[option]] of kind cooler",
            Self::Optics => "an [[option]] of kind optics",
        }
    }

    /// The keys that may stand in it, in their order.
    pub(crate) fn keys(self) -> impl Iterator<Item = Key> {
        Key::ALL.iter().copied().filter(move |key| key.place(self).is_some())
    }
}

/// What a key holds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Holds {
    /// A number, or `[value, standard uncertainty]`; none below `least_drawn` is drawn from its uncertainty.
    Number { low: f64, high: f64, unit: &'static str, least_drawn: f64 },
    /// Words.
    Text,
    /// One of these words.
    Word(&'static [&'static str]),
    /// `true` or `false`.
    Truth,
    /// Tables of their own.
    Tables,
}

impl Holds {
    const fn drawn_from(self, least_drawn: f64) -> Self {
        match self {
            Self::Number { low, high, unit, .. } => Self::Number { low, high, unit, least_drawn },
            other => other,
        }
    }
}

const fn number(low: f64, high: f64, unit: &'static str) -> Holds {
    Holds::Number { low, high, unit, least_drawn: 0.0 }
}

/// Where a key may stand, and the number of the comparison that it sets there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Place {
    pub table: Table,
    pub sets: Option<Uncertain>,
}

/// A key in full.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Declared {
    pub name: &'static str,
    /// What it is, in words.
    pub is: &'static str,
    pub places: &'static [Place],
    pub holds: Holds,
}

macro_rules! sets {
    () => {
        None
    };
    ($uncertain:ident) => {
        Some(Uncertain::$uncertain)
    };
}

macro_rules! keys {
    ($(#[doc = $is:literal] $key:ident $name:literal in [$($table:ident $(sets $uncertain:ident)?),+]: $holds:expr;)+) => {
        /// A key of an options file.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
        pub enum Key {
            $(#[doc = $is] $key,)+
        }

        impl Key {
            /// All keys, in the order in which messages list them.
            pub const ALL: &[Self] = &[$(Self::$key),+];

            /// What is said of the key.
            pub(crate) const fn declared(self) -> Declared {
                match self {
                    $(Self::$key => {
                        const PLACES: &[Place] =
                            &[$(Place { table: Table::$table, sets: sets!($($uncertain)?) }),+];
                        Declared { name: $name, is: $is, places: PLACES, holds: $holds }
                    })+
                }
            }
        }
    };
}

const SHARE: &str = "as a share, not per cent";
const SHARE_OF_PIXELS: &str = "as a share: a quarter for red or blue, half for green";
const MONEY: &str = "in your currency";

// Ranges: wide enough for any camera that exists, narrow enough to catch a wrong unit.
keys! {
    /// The camera in use
    Present "present" in [File]: Holds::Tables;
    /// The year, and what an hour is worth
    Conditions "conditions" in [File]: Holds::Tables;
    /// Something that could be bought
    Option "option" in [File]: Holds::Tables;

    /// Hours under the sky in a year, at the air of the measured night
    HoursPerYear "hours_per_year" in [Conditions sets Hours]: number(0.1, 4400.0, "h");
    /// Hours of a night, for nights until the price is earned
    HoursPerNight "hours_per_night" in [Conditions]: number(0.1, 24.0, "h");
    /// Years over which a price is spread
    Years "years" in [Conditions]: number(0.1, 50.0, "years");
    /// The most that an extra hour may cost
    MostPerExtraHour "most_per_extra_hour" in [Conditions]: number(0.0, 1e6, MONEY);
    /// Name of the money
    Currency "currency" in [Conditions]: Holds::Text;
    /// Width of the target
    TargetWidth "target_width_arcmin" in [Conditions]: number(0.01, 10_800.0, "arcmin");
    /// Height of the target
    TargetHeight "target_height_arcmin" in [Conditions]: number(0.01, 10_800.0, "arcmin");
    /// The year by temperatures of the air
    Ambient "ambient" in [Conditions]: Holds::Tables;
    /// The year by filters
    Filter "filter" in [Conditions]: Holds::Tables;
    /// Temperature of the air
    Celsius "celsius" in [Ambient]: number(-60.0, 50.0, "C");
    /// Hours a year at that temperature
    Hours "hours" in [Ambient sets Hours]: number(0.0, 4400.0, "h");

    /// Name of an option, or of a filter as the report has it
    Name "name" in [Filter, Camera, Cooler, Optics]: Holds::Text;
    /// Share of the year's hours
    Share "share" in [Filter]: number(0.0, 1.0, SHARE);
    /// What kind of thing an option is
    Kind "kind" in [Camera, Cooler, Optics]: Holds::Word(&["camera", "cooler", "optics"]);
    /// Pitch of a pixel
    PixelUm "pixel_um" in [Present, Camera sets SkyPerPixel]: number(0.5, 100.0, "um");
    /// Columns of the sensor
    WidthPx "width_px" in [Camera]: number(16.0, 100_000.0, "px");
    /// Rows of the sensor
    HeightPx "height_px" in [Camera]: number(16.0, 100_000.0, "px");
    /// Whether colour filters sit on the pixels
    Mosaic "mosaic" in [Present, Camera]: Holds::Truth;
    /// Share of the pixels that see the target's colour; 1 without a mosaic
    LitPixelShare "lit_pixel_share" in [Present sets LitShare, Camera sets NewLitShare]:
        number(0.05, 1.0, SHARE_OF_PIXELS).drawn_from(LEAST_LIGHT);
    /// Share of photons turned into electrons at the peak
    PeakQuantumEfficiency "peak_quantum_efficiency" in [Present sets Efficiency, Camera sets NewEfficiency]:
        number(0.01, 1.0, SHARE).drawn_from(LEAST_LIGHT);
    /// Share of the target's light that the filters in front of the sensor pass
    FilterFraction "filter_fraction" in [Present sets Filter, Camera sets NewFilter]:
        number(0.001, 1.0, SHARE).drawn_from(LEAST_LIGHT);
    /// Read noise of a pixel
    ReadNoiseE "read_noise_e" in [Camera sets NewReadNoise]: number(0.0, 1000.0, "e-");
    /// Dark current of a pixel
    DarkEPerPxS "dark_e_per_px_s" in [Camera sets NewDarkCurrent]: number(0.0, 1e4, "e-/px/s");
    /// Sensor temperature of that dark current
    DarkAtCelsius "dark_at_celsius" in [Camera]: number(-120.0, 60.0, "C");
    /// Warming that doubles the dark current
    DarkDoublingC "dark_doubling_c" in [Camera sets NewDoublingStep]: number(2.0, 20.0, "C").drawn_from(2.0);
    /// Sensor temperature less that of the air
    SensorAboveAmbientC "sensor_above_ambient_c" in [Present sets AboveAmbient]:
        number(-80.0, 40.0, "C, negative where it is cooled").drawn_from(f64::NEG_INFINITY);
    /// How far the cooler brings the sensor below the air
    CoolerDropC "cooler_drop_c" in [Camera sets CoolerDrop, Cooler sets CoolerDrop]: number(0.0, 120.0, "C below ambient");
    /// Set temperature below which the sensor never falls
    LowestCelsius "lowest_celsius" in [Present, Camera, Cooler]: number(-120.0, 40.0, "C");
    /// Charge that a pixel holds
    FullWellE "full_well_e" in [Camera]: number(100.0, 1e8, "e-");
    /// Bits of a code
    Bits "bits" in [Camera]: number(1.0, 32.0, "bits");
    /// New focal length over the present one
    FocalFactor "focal_factor" in [Optics sets SkyPerPixel]: number(0.1, 10.0, "below 1 for a reducer");
    /// Share of the light that the optics pass
    Transmission "transmission" in [Optics sets Transmission]: number(0.01, 1.0, SHARE).drawn_from(LEAST_LIGHT);
    /// Price
    Price "price" in [Camera, Cooler, Optics]: number(0.0, 1e9, MONEY);
    /// What the present gear brings when sold
    Resale "resale" in [Camera, Cooler, Optics]: number(0.0, 1e9, MONEY);
}

impl Key {
    pub fn name(self) -> &'static str {
        self.declared().name
    }

    /// Lowest value that is drawn from its uncertainty.
    pub fn least_drawn(self) -> f64 {
        match self.declared().holds {
            Holds::Number { least_drawn, .. } => least_drawn,
            _ => f64::NEG_INFINITY,
        }
    }

    /// Its place in a table; `None` where it may not stand there.
    pub(crate) fn place(self, table: Table) -> Option<&'static Place> {
        self.declared().places.iter().find(|place| place.table == table)
    }
}

/// The keys as the room's README lists them.
pub fn options_table() -> String {
    let of = |key: &Key| {
        let Declared { name, is, places, holds } = key.declared();
        let holds = match holds {
            Holds::Number { low, high, unit, .. } => format!("{low} to {high} ({unit})"),
            Holds::Text => "text".to_owned(),
            Holds::Word(words) => words.join(", "),
            Holds::Truth => "true, false".to_owned(),
            Holds::Tables => "tables".to_owned(),
        };
        let place = |p: &Place| match p.sets {
            Some(uncertain) => format!("{:?} (sets {uncertain:?})", p.table),
            None => format!("{:?}", p.table),
        };
        let places: Vec<String> = places.iter().map(place).collect();
        format!("| `{name}` | {} | {holds} | {} |\n", is.trim(), places.join(", "))
    };
    let rows: String = Key::ALL.iter().map(of).collect();
    format!("| key | is | values | stands in |\n| --- | --- | --- | --- |\n{rows}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_room_s_readme_lists_the_keys_as_they_are() {
        let table = options_table();
        assert!(include_str!("README.md").contains(&table), "README.md should have:\n{table}");
    }

    #[test]
    fn no_table_has_two_keys_of_one_name_and_every_range_has_a_width() {
        for table in [Table::File, Table::Present, Table::Conditions, Table::Camera, Table::Cooler, Table::Optics] {
            let mut names: Vec<&str> = table.keys().map(Key::name).collect();
            let all = names.len();
            names.sort_unstable();
            names.dedup();
            assert_eq!(names.len(), all, "{table:?}");
        }
        for key in Key::ALL {
            if let Holds::Number { low, high, least_drawn, .. } = key.declared().holds {
                assert!(low < high && least_drawn <= low.max(0.0), "{key:?}");
            }
        }
    }
}
