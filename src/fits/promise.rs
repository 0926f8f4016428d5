//! What a file's first header promises, before CFITSIO or the allocator believe it.

use std::io::Read;
use std::path::{Path, PathBuf};

use flate2::read::MultiGzDecoder;

use super::{Cards, FitsError};

/// FITS writes in blocks of this many bytes (standard, section 3.1).
pub(super) const BLOCK_BYTES: usize = 2880;
/// Bytes of a header card (standard, section 3.3.1).
const CARD_BYTES: usize = 80;
/// Blocks among which END must be found: 36 000 cards, far more than any frame carries; a file without END is binary
/// data from here on and is not read as cards to its end.
const LONGEST_HEADER_BLOCKS: usize = 1000;
/// Most that DEFLATE can expand its input by (zlib's technical notes: 1032 to 1).
const DEFLATE_EXPANSION: u128 = 1032;
/// Largest stream that is unpacked into memory, bytes: several times the largest frame of any sensor on sale.
const LARGEST_UNPACKED_BYTES: u128 = 4 << 30;

/// Checks that a plain file holds the header and data that its first HDU must have.
///
/// # Errors
///
/// Not readable, no END card, or shorter than promised.
pub(super) fn check_plain(path: &Path) -> Result<(), FitsError> {
    let open = |e: std::io::Error| FitsError::Open { path: path.to_owned(), reason: e.to_string() };
    let mut file = std::fs::File::open(path).map_err(open)?;
    let have = file.metadata().map_err(open)?.len();
    let header = read_header(&mut file).map_err(open)?;
    let promised = promised_bytes(&header, path)?;
    if u128::from(have) < promised {
        return Err(FitsError::Incomplete { path: path.to_owned(), have, promised });
    }
    Ok(())
}

/// Unpacks a gzip stream whole, after its header was compared with what a stream of its length can hold.
///
/// The result is padded with zeros to whole blocks.
///
/// # Errors
///
/// Not readable, no END card, a damaged stream, more promised than the stream can hold, or too large for memory.
pub(super) fn unpack_gzip(path: &Path) -> Result<Vec<u8>, FitsError> {
    let open = |e: std::io::Error| FitsError::Open { path: path.to_owned(), reason: e.to_string() };
    let file = std::fs::File::open(path).map_err(open)?;
    let packed = file.metadata().map_err(open)?.len();
    let mut stream = MultiGzDecoder::new(std::io::BufReader::new(file));
    let damaged = |have: usize, promised| FitsError::Gzip { path: path.to_owned(), have: have as u64, promised };
    let mut bytes = read_header(&mut stream).map_err(|_| damaged(0, None))?;
    let promised = promised_bytes(&bytes, path)?;
    if promised > u128::from(packed) * DEFLATE_EXPANSION {
        return Err(damaged(bytes.len(), Some(promised)));
    }
    if promised > LARGEST_UNPACKED_BYTES {
        return Err(FitsError::TooLarge { path: path.to_owned(), promised, limit: LARGEST_UNPACKED_BYTES });
    }
    bytes.reserve_exact((promised as usize).next_multiple_of(BLOCK_BYTES).saturating_sub(bytes.len()));
    // One byte more than the limit tells a stream that ends there from one that goes on.
    let room = LARGEST_UNPACKED_BYTES as u64 + 1 - bytes.len() as u64;
    let outcome = stream.take(room).read_to_end(&mut bytes);
    let have = bytes.len();
    // A stream that breaks behind the first HDU is still a broken copy.
    if outcome.is_err() || (have as u128) < promised {
        return Err(damaged(have, Some(promised)));
    }
    if have as u128 > LARGEST_UNPACKED_BYTES {
        return Err(FitsError::TooLarge {
            path: path.to_owned(),
            promised: have as u128,
            limit: LARGEST_UNPACKED_BYTES,
        });
    }
    bytes.resize(have.next_multiple_of(BLOCK_BYTES), 0);
    Ok(bytes)
}

/// Whole blocks up to the one that holds END, or as many as there are.
fn read_header(from: &mut impl Read) -> std::io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    for _ in 0..LONGEST_HEADER_BLOCKS {
        let start = bytes.len();
        from.take(BLOCK_BYTES as u64).read_to_end(&mut bytes)?;
        if bytes.len() < start + BLOCK_BYTES || end_in(&bytes[start..]).is_some() {
            break;
        }
    }
    Ok(bytes)
}

/// Number of cards before END, by the blocks of a header.
pub(super) fn end_in(bytes: &[u8]) -> Option<usize> {
    bytes
        .chunks(CARD_BYTES)
        .position(|card| card.starts_with(b"END") && card[3..card.len().min(8)].iter().all(|c| matches!(c, b' ' | 0)))
}

/// Bytes of the first HDU, header included, without the padding behind its data.
fn promised_bytes(header: &[u8], path: &Path) -> Result<u128, FitsError> {
    let Some(end) = end_in(header) else {
        return Err(FitsError::NoEnd { path: PathBuf::from(path), bytes: header.len() as u64 });
    };
    let header_bytes = ((end + 1) * CARD_BYTES).next_multiple_of(BLOCK_BYTES);
    let records: Vec<String> = header[..end * CARD_BYTES]
        .chunks(CARD_BYTES)
        .map(|c| c.iter().map(|b| if b.is_ascii() { char::from(*b) } else { '?' }).collect())
        .collect();
    let cards = Cards::parse(records.iter().map(String::as_str));
    let whole = |keyword: &str| cards.number(keyword).map(|v| v.max(0.0) as u128);
    let axes = whole("NAXIS").unwrap_or(0).min(999);
    let pixels = match axes {
        0 => 0,
        // NAXIS1 = 0 marks random groups, which are no image; CFITSIO says so.
        _ => (1..=axes).fold(1u128, |n, i| n.saturating_mul(whole(&format!("NAXIS{i}")).unwrap_or(0))),
    };
    let bits = cards.number("BITPIX").unwrap_or(0.0).abs() as u128;
    Ok(pixels.saturating_mul(bits / 8).saturating_add(header_bytes as u128))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn header(cards: &[&str]) -> Vec<u8> {
        let mut bytes: Vec<u8> = cards.iter().flat_map(|c| format!("{c:<80}").into_bytes()).collect();
        bytes.resize(bytes.len().next_multiple_of(BLOCK_BYTES), b' ');
        bytes
    }

    #[test]
    fn the_promise_is_header_plus_pixels() {
        let of = |cards: &[&str]| promised_bytes(&header(cards), Path::new("x"));
        let image =
            ["SIMPLE  = T", "BITPIX  = -32", "NAXIS   = 2", "DATE    = 'x'", "NAXIS1  = 10", "NAXIS2  = 3", "END"];
        assert_eq!(of(&image).unwrap(), 2880 + 120);
        assert_eq!(of(&["SIMPLE  = T", "BITPIX  = 8", "NAXIS   = 0", "END"]).unwrap(), 2880);
        let huge = ["SIMPLE  = T", "BITPIX  = 64", "NAXIS   = 2", "NAXIS1  = 9E18", "NAXIS2  = 9E18", "END"];
        assert!(of(&huge).unwrap() > 1 << 120, "no overflow");
        assert!(matches!(of(&["SIMPLE  = T", "NAXIS   = 2"]), Err(FitsError::NoEnd { .. })));
    }

    #[test]
    fn the_search_for_end_is_bounded() {
        let mut endless = std::io::repeat(b'x');
        assert_eq!(read_header(&mut endless).unwrap().len(), LONGEST_HEADER_BLOCKS * BLOCK_BYTES);
    }
}
