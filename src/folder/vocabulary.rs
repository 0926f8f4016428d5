//! Which cards carry which quantity: spellings in order of trust, units, plausible ranges.
//!
//! The spellings are what capture software writes (common practice, no source); keywords of the FITS standard and of its
//! registered conventions are used where they exist. GAIN is a setting of the camera and never taken for e-/ADU.

use jiff::civil::{Date, DateTime, Time};

use super::oddities::oddities;
use super::optics::{binning_told_by_scale, focal, header_wcs, pixel, wcs_scale};
use super::pointing::pointings;
use super::{Carded, CfaPattern, FrameHeader, FrameKind};
use crate::fits::{Card, Cards, leading_number};
use crate::units::ZERO_CELSIUS_K;

const KIND: [&str; 5] = ["IMAGETYP", "FRAME", "OBSTYPE", "FRAMETYP", "IMGTYPE"];
/// Exposure cards and the seconds that one unit of each means.
const EXPOSURE: [(&str, f64); 5] =
    [("EXPTIME", 1.0), ("EXPOSURE", 1.0), ("XPOSURE", 1.0), ("EXP_TIME", 1.0), ("IMG_EXP", 1e-3)];
const SENSOR_TEMPERATURE: [&str; 7] =
    ["CCD-TEMP", "DET-TEMP", "CCDTEMP", "CCD_TEMP", "DETTEMP", "SENSTEMP", "TEMPERAT"];
const SET_POINT: [&str; 4] = ["SET-TEMP", "SETTEMP", "SET_TEMP", "CCDSETT"];
const GAIN_SETTING: [&str; 3] = ["GAIN", "GAINSET", "ISOSPEED"];
const OFFSET_SETTING: [&str; 3] = ["OFFSET", "BLKLEVEL", "BLACKLVL"];
const GAIN_E_PER_ADU: [&str; 3] = ["EGAIN", "E-GAIN", "E_GAIN"];
const FILTER: [&str; 4] = ["FILTER", "FILTER1", "FILTNAM", "FILTERS"];
const CAMERA: [&str; 4] = ["INSTRUME", "CAMERA", "DETECTOR", "CAM_ID"];
const READOUT_MODE: [&str; 2] = ["READOUTM", "READMODE"];
const LONGITUDE: [&str; 4] = ["SITELONG", "LONG-OBS", "LONGITUD", "SITELON"];

/// Temperatures that a sensor of an imager may have, degrees Celsius.
const PLAUSIBLE_CELSIUS: std::ops::RangeInclusive<f64> = -150.0..=80.0;
/// Values that are read as kelvin when no unit is given: nothing on a telescope is as warm in Celsius.
const PLAUSIBLE_KELVIN: std::ops::RangeInclusive<f64> = 120.0..=360.0;
/// Relative difference above which two cards for one quantity contradict each other.
const CONFLICT: f64 = 0.01;

/// Reads the typed record from the cards of one image.
pub fn read_header(cards: &Cards) -> FrameHeader {
    let mut notes = Vec::new();
    let sensor_celsius = SENSOR_TEMPERATURE.iter().find_map(|k| temperature(cards, k, &mut notes));
    let set_point_celsius = SET_POINT.iter().find_map(|k| temperature(cards, k, &mut notes));
    let (pixel_um, includes) = pixel(cards, &mut notes);
    let (focal_mm, binning) = (focal(cards, &mut notes), binning(cards));
    let by_scale = |p: &Carded<f64>| binning_told_by_scale(cards, p.value, focal_mm.as_ref()?.value, binning);
    let pixel_includes_binning = includes.or_else(|| pixel_um.as_ref().and_then(by_scale));
    let (exposure_s, start_utc) = (exposure(cards, &mut notes), start(cards, "DATE-OBS"));
    notes.extend(oddities(cards, exposure_s.as_ref(), start_utc.as_ref(), start(cards, "DATE-END").as_ref()));
    let wcs_arcsec_per_px = wcs_scale(cards, &mut notes);
    // A matrix whose scale is refused was never fitted to stars, and its reference point tells nothing either.
    let wcs = header_wcs(cards).filter(|_| wcs_arcsec_per_px.is_some());
    let bunit = cards.text("BUNIT").unwrap_or("").to_ascii_lowercase();
    if bunit.starts_with("electron") || bunit == "e-" {
        notes.push("BUNIT says electrons: not a raw frame, its numbers are taken as ADU".to_owned());
    }
    FrameHeader {
        kind: kind(cards),
        exposure_s,
        dark_time_s: number_in(cards, "DARKTIME", 0.0, 1e6),
        sensor_celsius: not_a_placeholder(sensor_celsius, set_point_celsius.as_ref(), &mut notes),
        set_point_celsius,
        gain_setting: first_text(cards, &GAIN_SETTING),
        offset_setting: first_text(cards, &OFFSET_SETTING),
        header_gain_e_per_adu: GAIN_E_PER_ADU.iter().find_map(|k| number_in(cards, k, 1e-3, 1e3)),
        binning,
        filter: first_text(cards, &FILTER),
        camera: first_text(cards, &CAMERA),
        readout_mode: first_text(cards, &READOUT_MODE),
        object: first_text(cards, &["OBJECT"]),
        start_utc,
        site_longitude_deg: LONGITUDE.iter().find_map(|k| longitude(cards, k)),
        pixel_um,
        pixel_includes_binning,
        focal_mm,
        aperture_mm: number_in(cards, "APTDIA", 1.0, 50_000.0),
        pointings: pointings(cards, wcs.as_ref()),
        wcs_arcsec_per_px,
        wcs,
        airmass: number_in(cards, "AIRMASS", 1.0, 40.0).or_else(|| number_in(cards, "SECZ", 1.0, 40.0)),
        saturation_adu: number_in(cards, "SATURATE", 1.0, 1e9),
        cfa: cfa(cards),
        notes,
    }
}

fn number_in(cards: &Cards, keyword: &str, low: f64, high: f64) -> Option<Carded<f64>> {
    cards.number(keyword).filter(|v| (low..=high).contains(v)).map(|v| Carded::new(v, keyword))
}

fn first_text(cards: &Cards, keywords: &[&str]) -> Option<Carded<String>> {
    keywords.iter().find_map(|k| cards.text(k).map(|t| Carded::new(normal_number(t), k)))
}

/// `100`, `100.0` and `1.0E2` are one setting.
fn normal_number(text: &str) -> String {
    text.parse::<f64>().ok().filter(|v| v.is_finite()).map_or_else(|| text.to_owned(), |v| v.to_string())
}

fn kind(cards: &Cards) -> Carded<FrameKind> {
    if ["NCOMBINE", "STACKCNT", "NFRAMES"].iter().any(|k| cards.number(k).is_some_and(|n| n > 1.0)) {
        return Carded::new(FrameKind::Master, "NCOMBINE");
    }
    for keyword in KIND {
        if let Some(kind) = cards.text(keyword).and_then(FrameKind::from_words) {
            return Carded::new(kind, keyword);
        }
    }
    Carded::new(FrameKind::Unknown, "")
}

fn exposure(cards: &Cards, notes: &mut Vec<String>) -> Option<Carded<f64>> {
    let given: Vec<Carded<f64>> = EXPOSURE
        .iter()
        .filter_map(|(keyword, unit_s)| {
            let card = cards.get(keyword)?;
            let number = leading_number(&card.value).filter(|v| *v >= 0.0)?;
            let unit_s = if says_milliseconds(card) { 1e-3 } else { *unit_s };
            Some(Carded::new(number * unit_s, keyword))
        })
        .collect();
    let first = given.first()?.clone();
    if let Some(other) = given.iter().find(|g| (g.value - first.value).abs() > CONFLICT * first.value.max(g.value)) {
        notes.push(format!(
            "{} says {} s, {} says {} s: {} was used",
            first.card, first.value, other.card, other.value, first.card
        ));
    }
    Some(first)
}

fn says_milliseconds(card: &Card) -> bool {
    let text = format!("{} {}", card.value, card.comment).to_ascii_lowercase();
    text.split(|c: char| !c.is_ascii_alphabetic()).any(|w| w == "ms" || w.starts_with("millisec"))
}

fn temperature(cards: &Cards, keyword: &str, notes: &mut Vec<String>) -> Option<Carded<f64>> {
    let card = cards.get(keyword)?;
    let number = leading_number(&card.value)?;
    let unit = card.value.trim_start_matches(|c: char| !c.is_ascii_alphabetic()).trim();
    let says_kelvin = unit.eq_ignore_ascii_case("k") || card.comment.to_ascii_lowercase().contains("kelvin");
    let celsius = if says_kelvin || PLAUSIBLE_KELVIN.contains(&number) {
        notes.push(format!("{keyword} = {number} was read as kelvin"));
        number - ZERO_CELSIUS_K
    } else {
        number
    };
    if PLAUSIBLE_CELSIUS.contains(&celsius) {
        return Some(Carded::new(celsius, keyword));
    }
    notes.push(format!("{keyword} = {number} is no sensor temperature and was not used"));
    None
}

/// A measured 0.0 exactly, far from the set-point, is what software writes when it cannot read the sensor.
fn not_a_placeholder(
    measured: Option<Carded<f64>>,
    set_point: Option<&Carded<f64>>,
    notes: &mut Vec<String>,
) -> Option<Carded<f64>> {
    let measured = measured?;
    if measured.value == 0.0 && set_point.is_some_and(|s| s.value.abs() > 5.0) {
        notes.push(format!("{} = 0 far from the set-point is a placeholder and was not used", measured.card));
        return None;
    }
    Some(measured)
}

pub(super) fn binning(cards: &Cards) -> [u32; 2] {
    let whole = |v: f64| (1.0..=64.0).contains(&v).then_some(v as u32);
    for (x, y) in [("XBINNING", "YBINNING"), ("CCDXBIN", "CCDYBIN"), ("BINX", "BINY")] {
        if let Some(bx) = cards.number(x).and_then(whole) {
            return [bx, cards.number(y).and_then(whole).unwrap_or(bx)];
        }
    }
    let pair = cards.text("CCDSUM").or_else(|| cards.text("BINNING")).unwrap_or("");
    let mut factors = pair.split(['x', 'X', ' ', ',']).filter_map(|p| p.trim().parse::<f64>().ok()).filter_map(whole);
    let bx = factors.next().unwrap_or(1);
    [bx, factors.next().unwrap_or(bx)]
}

fn cfa(cards: &Cards) -> Option<Carded<CfaPattern>> {
    let (keyword, pattern) = ["BAYERPAT", "CFAPAT", "BAYRPAT"]
        .iter()
        .find_map(|k| cards.text(k).and_then(CfaPattern::parse).map(|p| (*k, p)))?;
    let offset = |k| cards.number(k).unwrap_or(0.0) as i64;
    Some(Carded::new(pattern.shifted(offset("XBAYROFF"), offset("YBAYROFF")), keyword))
}

fn longitude(cards: &Cards, keyword: &str) -> Option<Carded<f64>> {
    let text = cards.text(keyword)?;
    let parts: Vec<f64> = text.split([' ', ':']).filter(|p| !p.is_empty()).map_while(leading_number).collect();
    let magnitude = parts.first()?.abs() + parts.get(1).unwrap_or(&0.0) / 60.0 + parts.get(2).unwrap_or(&0.0) / 3600.0;
    let degrees = if text.trim_start().starts_with('-') { -magnitude } else { magnitude };
    (degrees.abs() <= 360.0).then(|| Carded::new(degrees, keyword))
}

/// The instant of DATE-OBS, whose time may stand in a card of its own, or of DATE-END.
fn start(cards: &Cards, keyword: &str) -> Option<Carded<DateTime>> {
    let text = cards.text(keyword)?;
    let date_and_time = text.trim_end_matches('Z').parse::<DateTime>().ok().filter(|_| text.contains('T'));
    let parsed = date_and_time.or_else(|| {
        let date = text.parse::<Date>().ok().or_else(|| day_month_year(text))?;
        let times: &[&str] = if keyword == "DATE-OBS" { &["TIME-OBS", "UT", "UTSTART"] } else { &[] };
        let time = times.iter().find_map(|k| cards.text(k)?.parse::<Time>().ok());
        Some(date.to_datetime(time?))
    })?;
    Some(Carded::new(parsed, keyword))
}

/// The form DD/MM/YY of FITS before 1998 (standard, section 9.1.1: years 1900 to 1999; later years are in use too).
fn day_month_year(text: &str) -> Option<Date> {
    let mut parts = text.split('/').map(str::trim);
    let (day, month, year) = (parts.next()?, parts.next()?, parts.next()?);
    let year: i16 = year.parse().ok()?;
    let year = if year < 70 { year + 2000 } else { year + 1900 };
    Date::new(year, month.parse().ok()?, day.parse().ok()?).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn header(lines: &[&str]) -> FrameHeader {
        read_header(&Cards::parse(lines.iter().copied()))
    }

    // A failure from public issue trackers.
    #[test]
    fn exposure_is_found_under_its_names_and_units() {
        let seconds = |lines: &[&str]| header(lines).exposure_s.unwrap().value;
        assert_eq!(seconds(&["EXPOSURE= 300"]), 300.0);
        assert_eq!(seconds(&["EXPTIME = 300000 / [ms] exposure"]), 300.0);
        assert_eq!(seconds(&["EXPTIME = '300 s'"]), 300.0);
        assert_eq!(seconds(&["IMG_EXP = 1999 / Exposure (ms)"]), 1.999);
        let h = header(&["EXPTIME = 300", "DARKTIME= 303"]);
        assert_eq!(h.dark_seconds(), Some(303.0));
        assert!(header(&["EXPTIME = 300", "EXPOSURE= 300.02"]).notes.is_empty());
        assert_eq!(header(&["EXPTIME = 300", "EXPOSURE= 5"]).notes.len(), 1);
    }

    // Failures from public issue trackers, and a header in kelvin.
    #[test]
    fn temperatures_measured_set_in_kelvin_and_absent() {
        let celsius = |lines: &[&str]| header(lines).celsius();
        assert_eq!(celsius(&["CCD-TEMP= -9.5", "SET-TEMP= -10"]), Some((-9.5, false)));
        assert_eq!(celsius(&["DET-TEMP= '-9.8 C'"]), Some((-9.8, false)));
        assert_eq!(celsius(&["SET-TEMP= -10"]), Some((-10.0, true)));
        assert_eq!(celsius(&["CCD-TEMP= -273.15"]), None);
        assert_eq!(celsius(&["CCD-TEMP= 0.0", "SET-TEMP= -10"]), Some((-10.0, true)));
        assert_eq!(celsius(&["CCD-TEMP= -NaN"]), None);
        let (kelvin, _) = celsius(&["CCD-TEMP= 180.2"]).unwrap();
        assert!((kelvin + 92.95).abs() < 1e-9);
    }

    // A failure from public issue trackers.
    #[test]
    fn gain_is_a_label_and_egain_a_claim() {
        let h = header(&["GAIN    = 100.0", "EGAIN   = 0.8"]);
        assert_eq!(h.gain_setting.unwrap().value, "100");
        assert_eq!(h.header_gain_e_per_adu.unwrap().value, 0.8);
        assert_eq!(header(&["GAIN    = 1.9 / e-/ADU"]).header_gain_e_per_adu, None);
        assert_eq!(header(&["GAIN    = 'High'"]).gain_setting.unwrap().value, "High");
    }

    // A failure from public issue trackers: which reading of the pixel size the cards support.
    #[test]
    fn pixel_size_and_binning() {
        let includes =
            |lines: &[&str]| header(&[&["XBINNING= 2", "YBINNING= 2"], lines].concat()).pixel_includes_binning;
        assert_eq!(includes(&["XPIXSZ  = 3.76"]), None);
        assert_eq!(includes(&["XPIXSZ  = 7.52", "PIXSIZE1= 3.76"]), Some(true));
        assert_eq!(includes(&["XPIXSZ  = 3.76", "PIXSIZE1= 3.76"]), Some(false));
        assert_eq!(includes(&["XPIXSZ  = 7.52 / Pixel Width in microns (after binning)"]), Some(true));
        assert_eq!(header(&["XPIXSZ  = '3,76'"]).pixel_um.unwrap().value, 3.76);
        assert_eq!(header(&["CCDSUM  = '2 2'"]).binning, [2, 2]);
    }

    // A failure from public issue trackers.
    #[test]
    fn absurd_optics_and_unsolved_matrices_are_refused() {
        for focal in ["FOCALLEN= 0", "FOCALLEN= 0.53", "FOCALLEN= -1", "FOCALLEN= NAN", "NONE    = 1"] {
            assert_eq!(header(&[focal]).focal_mm, None, "{focal}");
        }
        let wcs = |lines: &[&str]| {
            header(&[&["CTYPE1  = 'RA---TAN'", "CTYPE2  = 'DEC--TAN'"], lines].concat()).wcs_arcsec_per_px
        };
        assert_eq!(wcs(&["CD1_1   = 1", "CD2_2   = 1"]), None);
        let scale = wcs(&[
            "CD1_1   = -1.85440034552E-004",
            "CD1_2   = 2.7E-007",
            "CD2_1   = -2.7E-007",
            "CD2_2   = -1.85437E-004",
        ]);
        assert!((scale.unwrap().value - 0.66758).abs() < 1e-4);
        assert_eq!(header(&["CDELT1  = 1", "CDELT2  = 1"]).wcs_arcsec_per_px, None, "not celestial");
    }

    #[test]
    fn only_a_whole_tangent_solution_without_distortion_places_stars() {
        let exact = |axes: [&str; 2], more: &[&str]| {
            let rest =
                ["CRVAL1  = 1", "CRVAL2  = 2", "CRPIX1  = 3", "CRPIX2  = 4", "CDELT1  = -1E-4", "CDELT2  = 1E-4"];
            header(&[&axes[..], &rest[..], more].concat()).wcs.map(|wcs| wcs.exact)
        };
        assert_eq!(exact(["CTYPE1  = 'RA---TAN'", "CTYPE2  = 'DEC--TAN'"], &[]), Some(true));
        assert_eq!(exact(["CTYPE1  = 'RA---TAN-SIP'", "CTYPE2  = 'DEC--TAN-SIP'"], &[]), Some(false));
        let singular = ["PC1_1   = 1", "PC1_2   = 1", "PC2_1   = -1", "PC2_2   = -1"];
        assert_eq!(exact(["CTYPE1  = 'RA---TAN'", "CTYPE2  = 'DEC--TAN'"], &singular), None);
    }

    #[test]
    fn dates_and_sites_in_their_dialects() {
        let at = |lines: &[&str]| header(lines).start_utc.unwrap().value.to_string();
        assert_eq!(at(&["DATE-OBS= '2019-05-03T09:03:11'"]), "2019-05-03T09:03:11");
        assert_eq!(at(&["DATE-OBS= '2019-09-06T19:55:17.382Z'"]), "2019-09-06T19:55:17.382");
        assert_eq!(at(&["DATE-OBS= '2013-07-13'", "UT      = '00:57:33'"]), "2013-07-13T00:57:33");
        assert_eq!(at(&["DATE-OBS= '26/10/92'", "UT      = '03:04:05'"]), "1992-10-26T03:04:05");
        assert_eq!(header(&["DATE-OBS= '2013-07-13'"]).start_utc, None);
        let lon = header(&["SITELONG= '-105 49 13'"]).site_longitude_deg.unwrap().value;
        assert!((lon + 105.820_278).abs() < 1e-5);
    }

    #[test]
    fn a_filter_offset_moves_the_colour_pattern() {
        let pattern = |lines: &[&str]| header(lines).cfa.unwrap().value.name();
        assert_eq!(pattern(&["BAYERPAT= 'RGGB'"]), "RGGB");
        assert_eq!(pattern(&["BAYERPAT= 'RGGB'", "XBAYROFF= 1"]), "GRBG");
        assert_eq!(pattern(&["BAYERPAT= 'RGGB'", "YBAYROFF= 1"]), "GBRG");
    }
}
