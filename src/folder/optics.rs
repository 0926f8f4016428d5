//! Pixel size against binning, and the scale of a celestial WCS, refused where it cannot be true.

use super::Carded;
use super::numbers::number;
use super::pointing::HeaderWcs;
use super::vocabulary::{OWN_PITCH, PIXEL, PLAUSIBLE_ARCSEC_PER_PX};
use crate::facts::header::HeaderCaution;
use crate::fits::Cards;
use crate::units::ARCSEC_PER_RADIAN;

/// Agreement of two scales that are the same: focal lengths on nameplates are good to about 1 % (common practice, no
/// source).
const AGREEMENT: f64 = 0.02;

pub(crate) fn pixel(
    cards: &Cards,
    binning: [u32; 2],
    notes: &mut Vec<HeaderCaution>,
) -> (Option<Carded<f64>>, Option<bool>) {
    let Some(size) = number(cards, &PIXEL, notes) else { return (None, None) };
    let comment = cards.get(&size.card).map_or_else(String::new, |c| c.comment.to_ascii_lowercase());
    let includes = if size.card == OWN_PITCH || comment.contains("unbinned") || comment.contains("before binning") {
        Some(false)
    } else if comment.contains("after binning") || comment.contains("binned pixel") {
        Some(true)
    } else {
        // PIXSIZE1 is the sensor's own pitch: the ratio tells what the other card holds.
        let ratio = cards.number(OWN_PITCH).map(|own| size.value / own);
        let near = |r: f64, to: f64| (r - to).abs() < 0.02 * to;
        ratio.and_then(|r| if near(r, f64::from(binning[0])) { Some(true) } else { near(r, 1.0).then_some(false) })
    };
    (Some(size), includes)
}

/// Geometric-mean image scale of a celestial WCS, arcsec/px: `3600 sqrt |det CD|` (Greisen & Calabretta 2002, section 2).
pub(crate) fn wcs_scale(cards: &Cards, notes: &mut Vec<HeaderCaution>) -> Option<Carded<f64>> {
    let celestial = |k| {
        cards
            .text(k)
            .is_some_and(|t| t.starts_with("RA--") || t.starts_with("DEC-") || t.contains("LON") || t.contains("LAT"))
    };
    if !celestial("CTYPE1") || !celestial("CTYPE2") {
        return None;
    }
    let (scale, card) = matrix_scale(cards)?;
    if PLAUSIBLE_ARCSEC_PER_PX.contains(&scale) {
        return Some(Carded::new(scale, card).by("degrees per pixel to arcsec: geometric mean of both axes"));
    }
    notes.push(HeaderCaution::WcsScaleRefused { card: card.to_owned(), arcsec_per_px: (scale * 1e3).round() / 1e3 });
    None
}

/// The WCS of a header whose axes are right ascension and declination, reference point included.
///
/// Other projections than the tangent one agree with it near the reference pixel.
pub(crate) fn header_wcs(cards: &Cards) -> Option<HeaderWcs> {
    let axes = [("CTYPE1", "RA--"), ("CTYPE2", "DEC-")];
    if !axes.iter().all(|(k, axis)| cards.text(k).is_some_and(|t| t.starts_with(axis))) {
        return None;
    }
    let pair = |x, y| Some([cards.number(x)?, cards.number(y)?]);
    let reference_deg = pair("CRVAL1", "CRVAL2").filter(|[_, dec]| dec.abs() <= 90.0)?;
    let matrix_deg_per_px = matrix(cards)?.0;
    let tangent = [("CTYPE1", "RA---TAN"), ("CTYPE2", "DEC--TAN")];
    let exact = tangent.iter().all(|(k, name)| cards.text(k).is_some_and(|t| t.trim_end() == *name));
    Some(HeaderWcs { reference_deg, reference_px: pair("CRPIX1", "CRPIX2")?, matrix_deg_per_px, exact })
}

/// Geometric-mean scale of the matrix from pixels to the sky, taken as degrees, arcsec/px, and the card.
fn matrix_scale(cards: &Cards) -> Option<(f64, &'static str)> {
    let ([[a, b], [c, d]], card) = matrix(cards)?;
    Some((3600.0 * (a * d - b * c).abs().sqrt(), card))
}

/// The CD matrix, else that of CDELT with PC or CROTA2 (Calabretta & Greisen 2002, section 6.1), and the card.
fn matrix(cards: &Cards) -> Option<([[f64; 2]; 2], &'static str)> {
    let of = |name: &str, i: u8, j: u8| cards.number(&format!("{name}{i}_{j}"));
    let cd = |i, j| of("CD", i, j);
    if let (Some(a), Some(d)) = (cd(1, 1), cd(2, 2)) {
        return Some(([[a, cd(1, 2).unwrap_or(0.0)], [cd(2, 1).unwrap_or(0.0), d]], "CD1_1"));
    }
    let [sx, sy] = [cards.number("CDELT1")?, cards.number("CDELT2")?];
    if let Some(turn) = cards.number("CROTA2").filter(|_| of("PC", 1, 1).is_none()) {
        let (sin, cos) = turn.to_radians().sin_cos();
        return Some(([[sx * cos, -sy * sin], [sx * sin, sy * cos]], "CDELT1"));
    }
    let pc = |i: u8, j: u8| of("PC", i, j).unwrap_or(f64::from(u8::from(i == j)));
    Some(([[sx * pc(1, 1), sx * pc(1, 2)], [sy * pc(2, 1), sy * pc(2, 2)]], "CDELT1"))
}

/// Whether a pixel size contains the binning, by the reading that agrees with the image scale of a WCS or of a lone
/// CDELT card. Such a card is not trusted for the scale itself, but one of two readings that it matches is no accident.
pub(crate) fn binning_told_by_scale(cards: &Cards, pixel_um: f64, focal_mm: f64, binning: [u32; 2]) -> Option<bool> {
    let lone = || ["CDELT2", "CDELT1"].iter().find_map(|k| cards.number(k)).map(|degrees| 3600.0 * degrees.abs());
    let stated = matrix_scale(cards).map(|(scale, _)| scale).or_else(lone)?;
    let as_binned = ARCSEC_PER_RADIAN * pixel_um * 1e-3 / focal_mm;
    let as_physical = as_binned * f64::from(binning[0] * binning[1]).sqrt();
    let near = |scale: f64| (stated / scale - 1.0).abs() < AGREEMENT;
    match (near(as_binned), near(as_physical)) {
        (true, false) => Some(true),
        (false, true) => Some(false),
        _ => None,
    }
}
