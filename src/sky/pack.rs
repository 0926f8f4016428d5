//! Packs a plain list of stars into the form that the binary carries.

use super::bits::BitWriter;
use super::catalogue::{
    DECLINATION_BITS, FAINTEST_VT, MAGIC, MAGNITUDE_LOW_BITS, MAGNITUDE_STEP, ROW_BYTES, ZONE_DEG, ZONES,
};

/// Bytes of a record of the plain list.
const RECORD_BYTES: usize = 10;
/// A turn in units of the list's right ascension.
const RA_TURN: f64 = 4_294_967_296.0;
/// A degree in units of the list's declination.
const DEC_DEGREE: f64 = 1e7;
/// A magnitude in units of the list's.
const MAGNITUDE: f64 = 1e3;
const ARCSEC_PER_TURN: f64 = 1_296_000.0;

/// A list that cannot be packed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PackError {
    /// So many bytes are no whole number of records.
    Length(usize),
    /// A record, by its number, with a declination beyond the poles or fainter than the packed form can hold.
    Record(usize),
}

/// A star in steps of its zone.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Stepped {
    ra: u32,
    height: u32,
    brighter: u32,
}

/// Packs records of ten bytes, little-endian: right ascension `u32` (turns times 2^32), declination `i32` (degrees times
/// 1e7), magnitude `i16` (times 1000).
///
/// # Errors
///
/// The length is no multiple of ten, or a record lies outside what the packed form holds.
pub fn pack(list: &[u8]) -> Result<Vec<u8>, PackError> {
    if !list.len().is_multiple_of(RECORD_BYTES) {
        return Err(PackError::Length(list.len()));
    }
    let mut zones: Vec<Vec<Stepped>> = vec![Vec::new(); ZONES];
    for (at, record) in list.chunks_exact(RECORD_BYTES).enumerate() {
        let turns = f64::from(u32::from_le_bytes(std::array::from_fn(|k| record[k]))) / RA_TURN;
        let dec = f64::from(i32::from_le_bytes(std::array::from_fn(|k| record[4 + k]))) / DEC_DEGREE;
        let vt = f64::from(i16::from_le_bytes(std::array::from_fn(|k| record[8 + k]))) / MAGNITUDE;
        let brighter = ((FAINTEST_VT - vt) / MAGNITUDE_STEP).round();
        if dec.abs() > 90.0 || brighter < 0.0 {
            return Err(PackError::Record(at));
        }
        let place = ((dec + 90.0) / ZONE_DEG).min(ZONES as f64 * (1.0 - f64::EPSILON));
        let zone = place as usize;
        let height = (place.fract() * f64::from(1u32 << DECLINATION_BITS)) as u32;
        let steps = steps_per_turn(zone);
        let ra = ((turns * f64::from(steps)) as u32).min(steps - 1);
        zones[zone].push(Stepped { ra, height, brighter: brighter as u32 });
    }
    let mut table = MAGIC.to_vec();
    let mut body = Vec::new();
    for (z, stars) in zones.iter_mut().enumerate() {
        stars.sort_unstable();
        let low_bits = low_bits(stars.len(), steps_per_turn(z));
        let first_byte = MAGIC.len() + ZONES * ROW_BYTES + body.len();
        for number in [stars.len() as u32, first_byte as u32, steps_per_turn(z), low_bits] {
            table.extend(number.to_le_bytes());
        }
        let mut bits = BitWriter::default();
        let mut before = 0;
        for star in stars.iter() {
            bits.rice(star.ra - before, low_bits);
            bits.fixed(star.height, DECLINATION_BITS);
            bits.rice(star.brighter, MAGNITUDE_LOW_BITS);
            before = star.ra;
        }
        body.extend(bits.finish());
    }
    table.append(&mut body);
    Ok(table)
}

/// Steps of right ascension in a turn: as fine on the sky as those of declination where the zone is widest.
fn steps_per_turn(zone: usize) -> u32 {
    let south = -90.0 + ZONE_DEG * zone as f64;
    let widest = if south < 0.0 { south + ZONE_DEG } else { south };
    let step_arcsec = 3600.0 * ZONE_DEG / f64::from(1u32 << DECLINATION_BITS);
    (ARCSEC_PER_TURN * widest.to_radians().cos() / step_arcsec).ceil().max(1.0) as u32
}

/// Best low bits of a Rice code for gaps of random places: the mean gap times ln 2, rounded down to a power of two.
fn low_bits(stars: usize, steps: u32) -> u32 {
    let mean = f64::from(steps) / stars.max(1) as f64;
    (mean * std::f64::consts::LN_2).log2().floor().max(0.0) as u32
}

#[cfg(test)]
mod tests {
    use super::super::Catalogue;
    use super::*;
    use crate::sky::Direction;

    /// Half a step in both coordinates, arcsec.
    const HALF_STEP_ARCSEC: f64 = 0.5 * 0.44 * std::f64::consts::SQRT_2;

    fn record(ra_deg: f64, dec_deg: f64, vt: f64) -> Vec<u8> {
        let ra = (ra_deg / 360.0 * RA_TURN) as u32;
        let dec = (dec_deg * DEC_DEGREE).round() as i32;
        [ra.to_le_bytes().as_slice(), &dec.to_le_bytes(), &((vt * MAGNITUDE) as i16).to_le_bytes()].concat()
    }

    #[test]
    fn stars_come_back_to_half_a_step_also_at_the_poles_and_around_the_zero_of_right_ascension() {
        let stars =
            [(0.0001, 0.0, 3.25), (359.9999, -0.2, 11.99), (123.4, 90.0, 5.0), (17.0, -90.0, -1.4), (210.0, 54.3, 8.0)];
        let list: Vec<u8> = stars.iter().flat_map(|(ra, dec, vt)| record(*ra, *dec, *vt)).collect();
        let packed = pack(&list).unwrap();
        let all = Catalogue::new(&packed).unwrap();
        assert_eq!(all.len(), stars.len());
        for (ra, dec, vt) in stars {
            let found = all.within(Direction::from_degrees(ra, dec), 1.01 * HALF_STEP_ARCSEC / 3600.0);
            assert_eq!(found.len(), 1, "{ra} {dec}");
            assert!((found[0].vt_mag - vt).abs() <= MAGNITUDE_STEP / 2.0 + 1e-9);
        }
    }

    #[test]
    fn a_list_that_is_none_is_refused() {
        assert_eq!(pack(&[0; 11]), Err(PackError::Length(11)));
        assert_eq!(pack(&record(1.0, 91.0, 9.0)), Err(PackError::Record(0)));
        assert_eq!(pack(&record(1.0, 1.0, 12.6)), Err(PackError::Record(0)));
    }
}
