//! The star catalogue that the binary carries: positions and magnitudes of 1.6 million stars, packed by zones.
//!
//! Source: Tycho-2, Hog et al. 2000, A&A 355, L27 (ICRS, epoch J2000, no proper motions). `fixtures/catalogue/README.md`
//! tells how the file is made, `fixtures/licences/star-catalogue.txt` under which licence.
//!
//! Layout, little-endian: eight bytes [`MAGIC`]; for each of [`ZONES`] zones of equal height in declination, from the
//! south pole up, four `u32`: number of stars, byte at which they begin, steps of right ascension in a turn, low bits of
//! the Rice code of a step; then the zones' bits. A star, in order of right ascension: the steps since the star before
//! (Rice), its place in the zone's height ([`DECLINATION_BITS`]), and how much brighter it is than [`FAINTEST_VT`] (Rice).

use super::bits::BitReader;
use super::sphere::Direction;

/// First bytes of a packed catalogue.
pub(crate) const MAGIC: &[u8; 8] = b"sgstars1";
/// Zones of half a degree.
pub(crate) const ZONES: usize = 360;
/// A place within a zone to 0.44 arcsec: half of it is below the catalogue's proper motions since 2000.
pub(crate) const DECLINATION_BITS: u32 = 12;
/// Magnitude VT that counts as 0 steps.
pub(crate) const FAINTEST_VT: f64 = 12.0;
/// A step of magnitude: far below the scatter between VT and any filter.
pub(crate) const MAGNITUDE_STEP: f64 = 0.1;
/// Low bits of the magnitudes' Rice code: their mean is about nine steps.
pub(crate) const MAGNITUDE_LOW_BITS: u32 = 3;
/// Bytes of a zone's row in the table.
pub(crate) const ROW_BYTES: usize = 16;
/// Zone height, degrees.
pub(crate) const ZONE_DEG: f64 = 180.0 / ZONES as f64;

#[cfg(feature = "catalogue")]
static SHIPPED: Option<&[u8]> = Some(include_bytes!("../../fixtures/catalogue/stars.bin"));
#[cfg(not(feature = "catalogue"))]
static SHIPPED: Option<&[u8]> = None;

/// A star of the catalogue.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CatalogueStar {
    /// Where it stands (ICRS, epoch J2000).
    pub direction: Direction,
    /// Magnitude VT.
    pub vt_mag: f64,
}

/// A packed catalogue, of which only what is asked for is unpacked.
#[derive(Debug, Clone, Copy)]
pub struct Catalogue<'a> {
    bytes: &'a [u8],
}

/// Bytes that are no packed catalogue.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CatalogueError {
    /// They begin otherwise.
    OtherFirstBytes,
    TableCutOff,
    /// The table names bytes that are not there.
    TableBeyondEnd,
}

/// One row of the table.
struct Zone {
    count: usize,
    first_byte: usize,
    steps_per_turn: u32,
    low_bits: u32,
}

impl Catalogue<'static> {
    /// The catalogue that this program was built with; `None` without the cargo feature `catalogue`.
    pub fn shipped() -> Option<Self> {
        SHIPPED.and_then(|bytes| Self::new(bytes).ok())
    }
}

impl<'a> Catalogue<'a> {
    /// A catalogue in packed form.
    ///
    /// # Errors
    ///
    /// The bytes do not begin as one, or its table does not fit them.
    pub fn new(bytes: &'a [u8]) -> Result<Self, CatalogueError> {
        if bytes.get(..MAGIC.len()) != Some(MAGIC.as_slice()) {
            return Err(CatalogueError::OtherFirstBytes);
        }
        if bytes.len() < MAGIC.len() + ZONES * ROW_BYTES {
            return Err(CatalogueError::TableCutOff);
        }
        let catalogue = Self { bytes };
        let fits = |z| {
            let Zone { first_byte, steps_per_turn, low_bits, .. } = catalogue.zone(z);
            first_byte <= bytes.len() && steps_per_turn > 0 && low_bits <= 32
        };
        if (0..ZONES).all(fits) { Ok(catalogue) } else { Err(CatalogueError::TableBeyondEnd) }
    }

    /// Number of stars in all.
    pub fn len(&self) -> usize {
        (0..ZONES).map(|z| self.zone(z).count).sum()
    }

    /// Whether it holds no star.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Stars within an angle, brightest first, equally bright ones from south to north and along right ascension.
    pub fn within(&self, centre: Direction, radius_deg: f64) -> Vec<CatalogueStar> {
        let dec = centre.dec_deg();
        let zone_of = |dec: f64| ((dec + 90.0) / ZONE_DEG).clamp(0.0, ZONES as f64 - 1.0) as usize;
        let least = radius_deg.to_radians().cos();
        let (ra, width) = (centre.ra_deg(), half_width_deg(dec, radius_deg));
        let is_near = |ra_deg: f64| ((ra_deg - ra).abs() - 180.0).abs() >= 180.0 - width;
        let mut found = Vec::new();
        for z in zone_of(dec - radius_deg)..=zone_of(dec + radius_deg) {
            self.each_of(z, is_near, |star| {
                if star.direction.dot(centre) >= least {
                    found.push(star);
                }
            });
        }
        found.sort_by(|a, b| a.vt_mag.total_cmp(&b.vt_mag));
        found
    }

    fn zone(&self, z: usize) -> Zone {
        let row = &self.bytes[MAGIC.len() + z * ROW_BYTES..][..ROW_BYTES];
        let number = |k: usize| u32::from_le_bytes(std::array::from_fn(|b| row[4 * k + b]));
        Zone {
            count: number(0) as usize,
            first_byte: number(1) as usize,
            steps_per_turn: number(2),
            low_bits: number(3),
        }
    }

    /// Stars of a zone whose right ascension is wanted: directions cost more than the bits.
    fn each_of(&self, z: usize, is_wanted: impl Fn(f64) -> bool, mut take: impl FnMut(CatalogueStar)) {
        let zone = self.zone(z);
        let mut bits = BitReader::new(&self.bytes[zone.first_byte..]);
        let mut step = 0u32;
        let mut next = || {
            step += bits.rice(zone.low_bits)?;
            let height = (f64::from(bits.fixed(DECLINATION_BITS)?) + 0.5) / f64::from(1u32 << DECLINATION_BITS);
            let brighter = f64::from(bits.rice(MAGNITUDE_LOW_BITS)?);
            let ra_deg = 360.0 * (f64::from(step) + 0.5) / f64::from(zone.steps_per_turn);
            Some((ra_deg, -90.0 + ZONE_DEG * (z as f64 + height), FAINTEST_VT - MAGNITUDE_STEP * brighter))
        };
        for (ra_deg, dec_deg, vt_mag) in std::iter::from_fn(&mut next).take(zone.count) {
            if is_wanted(ra_deg) {
                take(CatalogueStar { direction: Direction::from_degrees(ra_deg, dec_deg), vt_mag });
            }
        }
    }
}

/// Largest difference in right ascension between the centre of a circle and a point in it, degrees.
fn half_width_deg(dec_deg: f64, radius_deg: f64) -> f64 {
    if dec_deg.abs() + radius_deg >= 90.0 {
        return 180.0;
    }
    let [radius, dec] = [radius_deg, dec_deg].map(f64::to_radians);
    // Widened beyond the rounding of the stars' own directions.
    (radius.sin() / dec.cos()).min(1.0).asin().to_degrees() + 1e-6
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn other_bytes_are_no_catalogue() {
        assert_eq!(Catalogue::new(b"SIMPLE  =").err(), Some(CatalogueError::OtherFirstBytes));
        assert_eq!(Catalogue::new(MAGIC).err(), Some(CatalogueError::TableCutOff));
        let mut table = MAGIC.to_vec();
        table.resize(MAGIC.len() + ZONES * ROW_BYTES, 0xFF);
        assert_eq!(Catalogue::new(&table).err(), Some(CatalogueError::TableBeyondEnd));
    }

    #[cfg(feature = "catalogue")]
    mod shipped {
        use super::*;

        /// Half a step in both coordinates, and what the catalogue moved since J2000 is not in it, arcsec.
        const PLACE_ARCSEC: f64 = 0.5;

        fn at(ra_deg: f64, dec_deg: f64) -> Vec<CatalogueStar> {
            Catalogue::shipped().unwrap().within(Direction::from_degrees(ra_deg, dec_deg), 3.0 * PLACE_ARCSEC / 3600.0)
        }

        // Deneb and gamma Cassiopeiae, ICRS at J2000, V (Hipparcos, ESA 1997, SP-1200; from memory).
        #[test]
        fn well_known_stars_are_where_they_belong() {
            for (ra, dec, v) in [(310.357_979, 45.280_338, 1.25), (14.177_216, 60.716_740, 2.2)] {
                let found = at(ra, dec);
                let near = |s: &CatalogueStar| (s.vt_mag - v).abs() < 0.3;
                assert!(found.iter().any(near), "{ra} {dec}: {found:?}");
            }
        }

        #[test]
        fn a_circle_holds_what_a_look_at_all_stars_finds_in_it() {
            let shipped = Catalogue::shipped().unwrap();
            let all = shipped.within(Direction::from_degrees(0.0, 0.0), 180.0);
            for (ra, dec, radius) in [(0.1, 60.0, 2.0), (359.8, -5.0, 3.0), (120.0, 88.5, 1.0), (200.0, -89.5, 1.5)] {
                let centre = Direction::from_degrees(ra, dec);
                let least = f64::to_radians(radius).cos();
                let want = all.iter().filter(|s| s.direction.dot(centre) >= least).count();
                assert_eq!(shipped.within(centre, radius).len(), want, "{ra} {dec}");
                assert!(want > 50, "{ra} {dec}: {want}");
            }
        }

        // 1.63 million stars to VT 12, 39 a square degree on the mean: counted in the list that it was packed from.
        #[test]
        fn all_stars_are_there() {
            let all = Catalogue::shipped().unwrap();
            assert_eq!(all.len(), all.within(Direction::from_degrees(0.0, 0.0), 180.0).len());
            assert!((1_620_000..1_640_000).contains(&all.len()), "{}", all.len());
        }
    }
}
