//! Cards that CFITSIO divides by and sizes its memory by, checked before it reads them.

use super::blocks::CARD_BYTES;

/// Columns of a table, and their largest number (standard 4.0, section 7.2.1).
const COLUMNS: (&str, u32) = ("TFIELDS", 999);
/// Keywords of tile compression whose values must be one at least: the axes and the tiles (standard 4.0, section 10.1).
const SIZES: [&str; 2] = ["ZNAXIS", TILE];
const TILE: &str = "ZTILE";
/// Parameters of the coding; those of Rice are sizes too, others may be anything.
const PARAMETER: &str = "ZVAL";
/// Most pixels of a tile: above, CFITSIO's buffer sizes overflow. A whole image of any sensor on sale is less.
const MOST_TILE_PIXELS: u64 = 1 << 28;

/// A card that cannot be true, among those of an extension.
pub(crate) fn impossible_card(header: &[u8]) -> Option<String> {
    let cards: Vec<(String, String)> = header.chunks(CARD_BYTES).filter_map(named).collect();
    let columns = |(name, value): &&(String, String)| {
        name == COLUMNS.0 && !value.parse::<u32>().is_ok_and(|columns| columns <= COLUMNS.1)
    };
    let wrong = cards.iter().find(columns).or_else(|| impossible_tile(&cards));
    wrong.map(|(name, value)| format!("{name} = {value}"))
}

/// The first size of a tile-compressed image that cannot be.
fn impossible_tile(cards: &[(String, String)]) -> Option<&(String, String)> {
    let is_packed = cards.iter().any(|(name, _)| name == "ZIMAGE");
    let is_rice = cards.iter().any(|(name, value)| name == "ZCMPTYPE" && value.contains("RICE"));
    let is_size =
        |name: &str| SIZES.iter().any(|size| name.starts_with(size)) || is_rice && name.starts_with(PARAMETER);
    let mut tile = 1u64;
    cards.iter().filter(|(name, _)| is_packed && is_size(name)).find(|(name, value)| {
        let size = value.parse::<u32>().unwrap_or(0);
        if name.starts_with(TILE) {
            tile = tile.saturating_mul(size.into());
        }
        size == 0 || tile > MOST_TILE_PIXELS
    })
}

/// Name and bare value of a card, however it is written: CFITSIO takes any `=` for the value's start.
fn named(card: &[u8]) -> Option<(String, String)> {
    let text: String = card.iter().map(|b| char::from(*b)).collect();
    let (name, rest) = text.split_once('=')?;
    let name = name.trim().to_ascii_uppercase();
    let name = name.strip_prefix("HIERARCH ").map_or(name.as_str(), str::trim_start);
    let value = rest.split('/').next().unwrap_or("");
    Some((name.to_owned(), value.trim_matches(|c: char| c == '\'' || c.is_whitespace()).to_owned()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn found(lines: &[&str]) -> Option<String> {
        let header: String = lines.iter().map(|l| format!("{l:<80}")).collect();
        impossible_card(header.as_bytes())
    }

    // Found by a fuzzer: a tile of no pixels made CFITSIO divide by zero.
    #[test]
    fn sizes_of_nothing_and_what_is_no_size_are_found() {
        let good = ["ZIMAGE  = T", "ZCMPTYPE= 'RICE_1  '", "ZNAXIS  = 2", "ZNAXIS1 = 64 / width", "ZTILE1  = 64"];
        assert_eq!(found(&good), None);
        for bad in [
            "ZTILE1  = 0",
            "ZTILE2  = -1",
            "ZTILE1  = 0.5",
            "ztile1  = 'x'",
            "HIERARCH ZTILE1 = 0 / x",
            "ZNAXIS2 =",
            "ZVAL1   = 0",
            "ZTILE2  = 4294967295",
        ] {
            assert!(found(&[&good[..], &[bad]].concat()).is_some(), "{bad}");
        }
    }

    // Found by a fuzzer: memory was asked for as many columns as the card says.
    #[test]
    fn a_table_has_a_thousand_columns_at_most() {
        assert_eq!(found(&["TFIELDS = 999"]), None);
        for bad in ["TFIELDS = 1000", "TFIELDS =   9223372036854775807", "TFIELDS = -1", "TFIELDS = 1.0"] {
            assert!(found(&[bad]).is_some(), "{bad}");
        }
    }

    #[test]
    fn only_packed_images_have_such_cards_and_only_rice_has_sizes_for_parameters() {
        assert_eq!(found(&["ZTILE1  = 0"]), None);
        assert_eq!(found(&["ZIMAGE  = T", "ZCMPTYPE= 'HCOMPRESS_1'", "ZVAL1   = 0.0"]), None);
    }
}
