//! The mandatory cards in the form that CFITSIO insists on.
//!
//! Some writers put other cards between NAXIS and NAXIS1, or give PCOUNT as `0.0`. Nothing is guessed: the values are
//! those of the header, only their places and their spelling change, and only in memory.

use super::Cards;
use super::blocks::CARD_BYTES;

/// Puts the mandatory cards of the first header in order and its whole numbers into fixed format (standard, section
/// 4.4.1). `None` where one of them is missing or no whole number, so that nothing can be mended.
pub(crate) fn mended(bytes: &[u8], end_card: usize) -> Option<Vec<u8>> {
    let raw: Vec<&[u8]> = bytes.get(..end_card * CARD_BYTES)?.chunks(CARD_BYTES).collect();
    let texts: Vec<String> = raw.iter().map(|c| String::from_utf8_lossy(c).into_owned()).collect();
    let cards = Cards::parse(texts.iter().map(String::as_str));
    let whole = |keyword: &str| cards.number(keyword).filter(|v| v.fract() == 0.0).map(|v| v as i64);
    let axes = whole("NAXIS").filter(|n| (0..=999).contains(n))?;
    let mut keywords = vec!["BITPIX".to_owned(), "NAXIS".to_owned()];
    keywords.extend((1..=axes).map(|i| format!("NAXIS{i}")));
    let mut first = vec![format!("{:<80}", format!("SIMPLE  = {:>20}", "T"))];
    for keyword in &keywords {
        first.push(format!("{:<80}", format!("{keyword:<8}= {:>20}", whole(keyword)?)));
    }
    keywords.push("SIMPLE".to_owned());
    let key = |text: &str| text.get(..8).unwrap_or("").trim_end().to_ascii_uppercase();
    let rest = raw.iter().zip(&texts).filter(|(_, text)| !keywords.contains(&key(text)));
    let mut header: Vec<u8> = first.concat().into_bytes();
    for (card, text) in rest {
        match key(text).as_str() {
            keyword @ ("PCOUNT" | "GCOUNT") => {
                header.extend(format!("{:<80}", format!("{keyword:<8}= {:>20}", whole(keyword)?)).bytes());
            }
            _ => header.extend_from_slice(card),
        }
    }
    // Cards given twice are fewer now; blank ones keep the data where they are.
    header.resize(end_card * CARD_BYTES, b' ');
    header.extend_from_slice(&bytes[end_card * CARD_BYTES..]);
    (header.len() == bytes.len()).then_some(header)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn mandatory_cards_come_first_and_all_others_stay() {
        let cards =
            ["SIMPLE  = T", "BITPIX  = 16", "NAXIS   = 1", "DATE    = 'x'", "NAXIS1  = 2", "PCOUNT  = 0.0", "END"];
        let mut bytes: Vec<u8> = cards.iter().flat_map(|c| format!("{c:<80}").into_bytes()).collect();
        bytes.extend([1, 2, 3, 4]);
        let mended = mended(&bytes, 6).unwrap();
        let lines: Vec<String> =
            mended[..560].chunks(80).map(|c| String::from_utf8_lossy(c).trim_end().to_owned()).collect();
        assert_eq!(lines[3], format!("NAXIS1  = {:>20}", 2));
        assert_eq!(lines[4..], ["DATE    = 'x'", &format!("PCOUNT  = {:>20}", 0), "END"]);
        assert_eq!(mended[560..], [1, 2, 3, 4]);
    }

    #[test]
    fn what_is_missing_is_not_invented() {
        let bytes = format!("{:<80}{:<80}{:<80}", "SIMPLE  = T", "NAXIS   = 1", "NAXIS1  = 2").into_bytes();
        assert_eq!(mended(&bytes, 3), None);
    }
}
