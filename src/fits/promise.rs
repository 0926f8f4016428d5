//! What a file's headers promise and hold, before CFITSIO or the allocator believe it.

use std::io::Read;
use std::path::{Path, PathBuf};

use flate2::read::MultiGzDecoder;

use super::blocks::{BLOCK_BYTES, CARD_BYTES};
use super::sizes::impossible_card;
use super::{Cards, FitsError};

/// Bytes of a card's keyword (standard, section 4.1.2.1).
const KEYWORD_BYTES: usize = 8;
/// Characters of a value that fit a card of the standard's form (section 4.1.2.3), and CFITSIO's buffer.
const LONGEST_VALUE: usize = 70;
/// The same of a comment: what a card has behind its ninth column.
const LONGEST_COMMENT: usize = 72;
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
pub(crate) fn check_plain(path: &Path) -> Result<(), FitsError> {
    let open = |e: std::io::Error| FitsError::Open { path: path.to_owned(), reason: e.to_string() };
    let mut file = std::fs::File::open(path).map_err(open)?;
    let have = file.metadata().map_err(open)?.len();
    let header = read_header(&mut file).map_err(open)?;
    let promised = promised_bytes(&header, path)?;
    if u128::from(have) < promised {
        return Err(FitsError::Incomplete { path: path.to_owned(), have, promised });
    }
    check_cards(&header[..end_in(&header).unwrap_or(0) * CARD_BYTES], path)
}

/// Checks the header of an extension at the start of `from` before CFITSIO reads it.
///
/// Where no END follows, CFITSIO reads data as cards to the end of the file; of what is no header it reads the first card.
///
/// # Errors
///
/// Not readable, no END card, a card that is too long for CFITSIO, or a size that cannot be.
pub(crate) fn check_extension(from: &mut impl Read, path: &Path) -> Result<(), FitsError> {
    let open = |e: std::io::Error| FitsError::Open { path: path.to_owned(), reason: e.to_string() };
    let header = read_header(from).map_err(open)?;
    if !is_extension(&header) {
        return check_cards(&header[..header.len().min(CARD_BYTES)], path);
    }
    let no_end = || FitsError::NoEnd { path: path.to_owned(), bytes: header.len() as u64 };
    let cards = end_in(&header).ok_or_else(no_end)?;
    let header = &header[..cards * CARD_BYTES];
    check_cards(header, path)?;
    match impossible_card(header) {
        Some(card) => Err(FitsError::Sizes { path: path.to_owned(), card }),
        None => Ok(()),
    }
}

/// Whether the first keyword is that of an extension, blanks and what follows a NUL apart.
fn is_extension(header: &[u8]) -> bool {
    let name = header.get(..KEYWORD_BYTES).and_then(|name| name.split(|b| *b == 0).next()).unwrap_or(&[]);
    name.trim_ascii_end() == b"XTENSION"
}

/// Checks that no card has a value or comment that CFITSIO has no room for.
///
/// It copies them into 71 and 73 bytes whatever their length, and takes any `=` for the value's start, so that a card
/// without one in its ninth column can hold 79 characters: the stack is overwritten.
fn check_cards(header: &[u8], path: &Path) -> Result<(), FitsError> {
    match header.chunks(CARD_BYTES).find(|card| is_too_long(card)) {
        None => Ok(()),
        Some(card) => {
            Err(FitsError::Card { path: path.to_owned(), card: String::from_utf8_lossy(card).trim_end().to_owned() })
        }
    }
}

/// Whether a card's value or comment has more characters than CFITSIO's buffers, wherever its `=` stands.
fn is_too_long(card: &[u8]) -> bool {
    let commentary: [&[u8]; 4] = [b"COMMENT ", b"HISTORY ", b"CONTINUE", b"        "];
    if commentary.iter().any(|words| card.starts_with(words)) || card.get(8..10) == Some(b"= ") {
        return false;
    }
    let end = card.iter().rposition(|b| *b != b' ').map_or(0, |at| at + 1);
    let Some(at) = card[..end].iter().position(|b| *b == b'=') else { return false };
    let value = without_blanks(&card[at + 1..end]);
    let length = value_length(value);
    let rest = without_blanks(&value[length..]);
    let comment = rest.strip_prefix(b"/").map_or(rest, |comment| comment.strip_prefix(b" ").unwrap_or(comment));
    length > LONGEST_VALUE || comment.len() > LONGEST_COMMENT
}

fn without_blanks(text: &[u8]) -> &[u8] {
    &text[text.iter().position(|b| *b != b' ').unwrap_or(text.len())..]
}

/// Characters of the value that CFITSIO copies: to the closing quote or bracket, or to the first blank or slash.
fn value_length(value: &[u8]) -> usize {
    let end = |found: Option<usize>| found.map_or(value.len(), |i| i + 1);
    match value.first() {
        None => 0,
        Some(b'\'') => end(closing_quote(value)),
        Some(b'(') => end(value.iter().position(|b| *b == b')')),
        Some(_) => value.iter().position(|b| matches!(b, b' ' | b'/')).unwrap_or(value.len()),
    }
}

/// Place of the quote that ends a text; two in a row stand for one in it (standard, section 4.2.1).
fn closing_quote(text: &[u8]) -> Option<usize> {
    let mut at = 1;
    while at < text.len() {
        match (text[at], text.get(at + 1)) {
            (b'\'', Some(b'\'')) => at += 2,
            (b'\'', _) => return Some(at),
            _ => at += 1,
        }
    }
    None
}

/// Unpacks a gzip stream whole, after its header was compared with what a stream of its length can hold.
///
/// The result is padded with zeros to whole blocks.
///
/// # Errors
///
/// Not readable, no END card, a damaged stream, more promised than the stream can hold, or too large for memory.
pub(crate) fn unpack_gzip(path: &Path) -> Result<Vec<u8>, FitsError> {
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
    check_cards(&bytes[..end_in(&bytes).unwrap_or(0) * CARD_BYTES], path)?;
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
pub(crate) fn end_in(bytes: &[u8]) -> Option<usize> {
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
    // Extensions: what lies behind the table, and how many there are (standard, section 4.4.1.2).
    let (behind, groups) = (whole("PCOUNT").unwrap_or(0), whole("GCOUNT").unwrap_or(1));
    let elements = match cards.get("XTENSION") {
        Some(_) => pixels.saturating_add(behind).saturating_mul(groups),
        None => pixels,
    };
    Ok(elements.saturating_mul(bits / 8).saturating_add(header_bytes as u128))
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

    // Found by a fuzzer: CFITSIO wrote beyond the end of its buffers.
    #[test]
    fn values_longer_than_cfitsio_has_room_for_are_refused_in_every_header() {
        let long = format!("A={}", "7".repeat(78));
        assert!(is_too_long(long.as_bytes()));
        assert!(is_too_long(format!("AB =({})", "7".repeat(74)).as_bytes()));
        assert!(is_too_long(format!("AB='{}", "x".repeat(75)).as_bytes()), "a text without an end");
        assert!(is_too_long(format!("A=1/{}", "x".repeat(75)).as_bytes()), "a comment");
        assert!(is_too_long(format!("A=/{}", "x".repeat(76)).as_bytes()), "a comment without a value");
        assert!(is_too_long(format!("AB='{}''{}'", "x".repeat(33), "x".repeat(36)).as_bytes()));
        for card in [
            "EXPTIME = 300",
            "EXPTIME=  '300 '   / quoted",
            &format!("OBJECT  = '{}'", "x".repeat(68)),
            &format!("LONG    ={}", "7".repeat(70)),
        ] {
            assert!(!is_too_long(card.as_bytes()), "{card}");
        }
        assert!(!is_too_long(format!("COMMENT {}", "=".repeat(72)).as_bytes()));
        let check = |cards: &[&str]| check_extension(&mut header(cards).as_slice(), Path::new("x"));
        assert!(check(&["XTENSION= 'BINTABLE'", "TFIELDS = 1", "END", &long]).is_ok(), "behind the header");
        assert!(matches!(check(&["XTENSION= 'BINTABLE'", &long, "END"]), Err(FitsError::Card { .. })));
        let dir = tempfile::tempdir().unwrap();
        let primary = dir.path().join("a.fits");
        std::fs::write(&primary, header(&["SIMPLE  = T", "BITPIX  = 8", "NAXIS   = 0", &long, "END"])).unwrap();
        assert!(matches!(check_plain(&primary), Err(FitsError::Card { .. })));
    }

    // Found by a fuzzer: without END, CFITSIO read the data as cards, and such a value among them.
    #[test]
    fn a_header_without_end_is_not_read_and_of_junk_only_the_first_card() {
        let check = |cards: &[&str]| check_extension(&mut header(cards).as_slice(), Path::new("x"));
        let long = format!("A={}", "7".repeat(78));
        for first in ["XTENSION= 'BINTABLE'", "XTENSION\0 'BINTABLE'"] {
            assert!(matches!(check(&[first, "TFIELDS = 1"]), Err(FitsError::NoEnd { .. })));
        }
        assert!(check(&["junk", &long]).is_ok());
        assert!(matches!(check(&[&long, "junk"]), Err(FitsError::Card { .. })));
        assert!(check(&[]).is_ok());
    }

    #[test]
    fn the_search_for_end_is_bounded() {
        let mut endless = std::io::repeat(b'x');
        assert_eq!(read_header(&mut endless).unwrap().len(), LONGEST_HEADER_BLOCKS * BLOCK_BYTES);
    }
}
