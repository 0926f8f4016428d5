//! A DNG as the FITS file that the same camera would have written: its codes as unsigned 16-bit numbers, what it tells as cards.

use super::raw::{Dng, Mosaic};
use crate::fits::blocks::{BLOCK_BYTES, CARD_BYTES};

/// What is taken off unsigned 16-bit numbers to store them (FITS standard 4.0, section 4.4.2.5).
const UNSIGNED_ZERO: i32 = 32_768;
/// Characters of a text that fit a card beside its keyword and quotes.
const LONGEST_TEXT: usize = 68;

/// The bytes of that file; `None` for a mosaic that no card of a colour pattern can tell.
pub(crate) fn as_fits(dng: &Dng) -> Option<Vec<u8>> {
    let pattern = match &dng.mosaic {
        Mosaic::Bayer(letters) => Some(letters.iter().map(|l| char::from(*l)).collect::<String>()),
        Mosaic::Monochrome => None,
        Mosaic::Other { .. } => return None,
    };
    let capture = &dng.capture;
    let mut header = Header::default();
    header.card("SIMPLE", "T");
    header.card("BITPIX", "16");
    header.card("NAXIS", "2");
    header.card("NAXIS1", &dng.width.to_string());
    header.card("NAXIS2", &dng.height.to_string());
    header.card("BSCALE", "1");
    header.card("BZERO", &UNSIGNED_ZERO.to_string());
    header.text("INSTRUME", capture.camera.as_deref());
    header.text("DATE-OBS", date(dng).as_deref());
    header.number("EXPTIME", capture.exposure_s);
    header.number("ISOSPEED", capture.iso);
    header.number("FOCALLEN", capture.focal_mm);
    header.number("APTDIA", capture.focal_mm.zip(capture.f_number).map(|(focal, ratio)| focal / ratio));
    header.number("XPIXSZ", capture.pixel_um);
    header.number("AMBTEMP", capture.ambient_c);
    header.text("BAYERPAT", pattern.as_deref());
    header.number("SATURATE", dng.white_level);
    header.number("MASKMEAN", dng.masked.map(|m| m.mean));
    header.card("END", "");
    let mut bytes = header.0;
    bytes.resize(bytes.len().next_multiple_of(BLOCK_BYTES), b' ');
    bytes.reserve((2 * dng.pixels.len()).next_multiple_of(BLOCK_BYTES));
    bytes.extend(dng.pixels.iter().flat_map(|code| (code ^ 0x8000).to_be_bytes()));
    bytes.resize(bytes.len().next_multiple_of(BLOCK_BYTES), 0);
    Some(bytes)
}

/// The start by the camera's clock, with its offset from UTC where the camera tells it.
fn date(dng: &Dng) -> Option<String> {
    let capture = &dng.capture;
    let (day, time) = capture.date_time_original.as_deref()?.split_once(' ')?;
    let digits = |text: &&str| !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
    let fraction = capture.sub_sec_time_original.as_deref().map(str::trim).filter(digits);
    let fraction = fraction.map_or_else(String::new, |digits| format!(".{digits}"));
    let offset =
        capture.offset_time_original.as_deref().map(str::trim).filter(|o| o.starts_with(['+', '-'])).unwrap_or("");
    Some(format!("{}T{time}{fraction}{offset}", day.replace(':', "-")))
}

/// Cards one after another.
#[derive(Default)]
struct Header(Vec<u8>);

impl Header {
    fn card(&mut self, keyword: &str, value: &str) {
        let card = if value.is_empty() { keyword.to_owned() } else { format!("{keyword:<8}= {value:>20}") };
        let start = self.0.len();
        self.0.extend(card.bytes().take(CARD_BYTES));
        self.0.resize(start + CARD_BYTES, b' ');
    }

    fn number(&mut self, keyword: &str, value: Option<f64>) {
        if let Some(value) = value.filter(|v| v.is_finite()) {
            self.card(keyword, &format!("{value:E}"));
        }
    }

    /// A text, what is no printable ASCII left out; the standard knows no other.
    fn text(&mut self, keyword: &str, text: Option<&str>) {
        let Some(text) = text else { return };
        let kept: String = text.chars().filter(|c| matches!(c, ' '..='~')).collect();
        let quoted: String = kept.chars().map(|c| if c == '\'' { "''".to_owned() } else { c.to_string() }).collect();
        let mut end = quoted.len().min(LONGEST_TEXT);
        // No quote is cut in two.
        if quoted[..end].bytes().rev().take_while(|b| *b == b'\'').count() % 2 == 1 {
            end -= 1;
        }
        if !quoted.is_empty() {
            self.card(keyword, &format!("'{:<8}'", &quoted[..end]));
        }
    }
}
