//! From cards to the typed record of a frame, by the vocabulary.

use super::clocks::{Clocks, utc_offset};
use super::moments::{end, latitude, local_start, longitude, start, start_by_day};
use super::numbers::number;
use super::objects::place_of;
use super::oddities::oddities;
use super::optics::{binning_told_by_scale, header_wcs, pixel, wcs_scale};
use super::pointing::pointings;
use super::temperature::{not_a_placeholder, temperature};
use super::vocabulary as cards_for;
use super::{Carded, CfaPattern, FrameHeader, FrameKind, HeaderWcs, Pointing, kind_in_words};
use crate::facts::header::HeaderCaution;
use crate::fits::Cards;

/// Reads the typed record from the cards of one image.
pub fn read_header(cards: &Cards) -> FrameHeader {
    let mut notes = Vec::new();
    let set_point_celsius = temperature(cards, &cards_for::SET_POINT, &mut notes);
    let sensor_celsius = temperature(cards, &cards_for::SENSOR_TEMPERATURE, &mut notes);
    let sensor_celsius = not_a_placeholder(sensor_celsius, set_point_celsius.as_ref(), &mut notes);
    let (binning, binning_card) = binning(cards);
    let (pixel_um, includes) = pixel(cards, binning, &mut notes);
    let focal_mm = number(cards, &cards_for::FOCAL, &mut notes);
    let by_scale = |p: &Carded<f64>| binning_told_by_scale(cards, p.value, focal_mm.as_ref()?.value, binning);
    let pixel_includes_binning = includes.or_else(|| pixel_um.as_ref().and_then(by_scale));
    let exposure_s = number(cards, &cards_for::EXPOSURE, &mut notes);
    let dark_time_s = number(cards, &cards_for::DARK_TIME, &mut notes);
    let start_told = start(cards);
    let local = local_start(cards);
    let offset_h = utc_offset(local.as_ref(), start_told.as_ref());
    let clocks = Clocks { start: start_told, longitude_deg: longitude(cards), offset_h };
    let clocks = clocks.settled(cards, local.as_ref(), start_by_day(cards).as_ref(), &mut notes);
    let Clocks { start: start_utc, longitude_deg: site_longitude_deg, offset_h: utc_offset_h } = clocks;
    let end_utc = end(cards);
    notes.extend(oddities(cards, exposure_s.as_ref(), start_utc.as_ref(), end_utc.as_ref()));
    let wcs_arcsec_per_px = wcs_scale(cards, &mut notes);
    // A matrix whose scale is refused was never fitted to stars, and its reference point tells nothing either.
    let wcs = header_wcs(cards).filter(|_| wcs_arcsec_per_px.is_some());
    let altitude_deg = number(cards, &cards_for::ALTITUDE, &mut notes);
    let airmass = number(cards, &cards_for::AIRMASS, &mut notes);
    let in_electrons = in_electrons(cards);
    let header_gain = number(cards, &cards_for::GAIN_E_PER_ADU, &mut notes);
    if in_electrons {
        notes.push(HeaderCaution::InElectrons);
    }
    FrameHeader {
        kind: kind(cards),
        dark_time_s,
        sensor_celsius,
        set_point_celsius,
        air_celsius: temperature(cards, &cards_for::AIR_TEMPERATURE, &mut notes),
        shielded_adu: number(cards, &cards_for::SHIELDED, &mut notes),
        gain_setting: first_text(cards, cards_for::GAIN_SETTING),
        offset_setting: first_text(cards, cards_for::OFFSET_SETTING),
        header_gain_e_per_adu: match in_electrons {
            true => Some(Carded::new(1.0, cards_for::PIXEL_UNIT).by("its numbers are electrons already")),
            false => header_gain,
        },
        in_electrons,
        binning,
        binning_card,
        filter: first_text(cards, cards_for::FILTER),
        camera: first_text(cards, cards_for::CAMERA),
        readout_mode: first_text(cards, cards_for::READOUT_MODE),
        object: first_name(cards, cards_for::OBJECT),
        site_longitude_deg,
        site_latitude_deg: latitude(cards),
        utc_offset_h,
        exposure_s,
        start_utc,
        pixel_um,
        pixel_includes_binning,
        focal_mm,
        aperture_mm: number(cards, &cards_for::APERTURE, &mut notes),
        obstruction: None,
        pointings: directions(cards, wcs.as_ref()),
        wcs_arcsec_per_px,
        wcs,
        airmass,
        altitude_deg,
        focuser_position: number(cards, &cards_for::FOCUSER, &mut notes),
        saturation_adu: number(cards, &cards_for::SATURATION, &mut notes),
        corner_px: corner(cards, binning),
        cfa: cfa(cards, &mut notes),
        notes,
    }
}

/// Where the telescope pointed; where no card of a direction says so, the place of the target that the header names.
fn directions(cards: &Cards, wcs: Option<&HeaderWcs>) -> Vec<Carded<Pointing>> {
    let stated = pointings(cards, wcs);
    if !stated.is_empty() {
        return stated;
    }
    let named = |k: &&str| Some(Carded::new(place_of(cards.text(k)?)?, k).by("place of that object"));
    cards_for::OBJECT.iter().find_map(named).into_iter().collect()
}

fn first_text(cards: &Cards, keywords: &[&str]) -> Option<Carded<String>> {
    first_name(cards, keywords).map(|name| Carded { value: normal_number(&name.value), ..name })
}

/// A text as it stands: a target named 12e5 is no number.
fn first_name(cards: &Cards, keywords: &[&str]) -> Option<Carded<String>> {
    keywords.iter().find_map(|k| cards.text(k).map(|t| Carded::new(t.to_owned(), k)))
}

/// `100`, `100.0` and `1.0E2` are one setting.
fn normal_number(text: &str) -> String {
    text.parse::<f64>().ok().filter(|v| v.is_finite()).map_or_else(|| text.to_owned(), |v| v.to_string())
}

fn kind(cards: &Cards) -> Carded<FrameKind> {
    if let Some(card) = cards_for::COMBINED.iter().find(|k| cards.number(k).is_some_and(|n| n > 1.0)) {
        return Carded::new(FrameKind::Master, card).by("more than one frame");
    }
    let stated = || cards_for::KIND.iter().filter_map(|k| Some((*k, cards.text(k)?)));
    for (keyword, words) in stated() {
        if let Some(kind) = FrameKind::from_words(words).or_else(|| kind_in_words(words)) {
            return Carded::new(kind, keyword);
        }
    }
    // A frame for focusing or a test is said to be none of the kinds.
    Carded::new(FrameKind::Unknown, stated().next().map_or("", |(keyword, _)| keyword))
}

/// The binning, and the card that told it.
fn binning(cards: &Cards) -> ([u32; 2], Option<String>) {
    let whole = |v: f64| cards_for::PLAUSIBLE_BINNING.contains(&v).then_some(v as u32);
    for (x, y) in cards_for::BINNING_PAIRS {
        if let Some(bx) = cards.number(x).and_then(whole) {
            return ([bx, cards.number(y).and_then(whole).unwrap_or(bx)], Some((*x).to_owned()));
        }
    }
    let told = cards_for::BINNING_WORDS.iter().find_map(|keyword| {
        let text = cards.text(keyword)?;
        let mut factors =
            text.split(['x', 'X', ' ', ',']).filter_map(|p| p.trim().parse::<f64>().ok()).filter_map(whole);
        let bx = factors.next()?;
        Some(([bx, factors.next().unwrap_or(bx)], Some((*keyword).to_owned())))
    });
    told.unwrap_or(([1, 1], None))
}

/// Where on the sensor the file begins, recorded px: by cards of the first pixel, else by a section `[x1:x2,y1:y2]` of unbinned pixels that
/// count from 1.
fn corner(cards: &Cards, binning: [u32; 2]) -> Option<Carded<[usize; 2]>> {
    let whole = |v: f64| (v >= 0.0 && v.fract() == 0.0).then_some(v as usize);
    let first = cards_for::CORNER.iter().find_map(|(x, y)| {
        let corner = [whole(cards.number(x)?)?, whole(cards.number(y)?)?];
        Some(Carded::new(corner, x))
    });
    let section = |keyword: &&str| {
        let inner = cards.text(keyword)?.trim().strip_prefix('[')?.strip_suffix(']')?;
        let (x, y) = inner.split_once(',')?;
        let low = |range: &str| range.split(':').filter_map(|n| n.trim().parse::<usize>().ok()).min()?.checked_sub(1);
        let [bx, by] = binning.map(|b| b as usize);
        Some(Carded::new([low(x)? / bx, low(y)? / by], keyword))
    };
    first.or_else(|| cards_for::SECTION.iter().find_map(section))
}

/// Whether BUNIT says that someone has multiplied the pixels by the gain.
fn in_electrons(cards: &Cards) -> bool {
    let unit = cards.text(cards_for::PIXEL_UNIT).unwrap_or("").to_ascii_lowercase();
    unit.starts_with("electron") || ["e", "e-", "elec"].contains(&unit.as_str())
}

/// The colour pattern as seen from the first pixel of the file.
fn cfa(cards: &Cards, notes: &mut Vec<HeaderCaution>) -> Option<Carded<CfaPattern>> {
    let (keyword, pattern) =
        cards_for::CFA.iter().find_map(|k| cards.text(k).and_then(CfaPattern::parse).map(|p| (*k, p)))?;
    let offset = |k| cards.number(k).unwrap_or(0.0) as i64;
    let (dx, dy) = (offset(cards_for::CFA_OFFSETS.0), offset(cards_for::CFA_OFFSETS.1));
    let upwards = cards.text(cards_for::ROW_ORDER).is_some_and(|t| t.to_ascii_uppercase().starts_with("BOTTOM"));
    // Counted from the top, the file's first row is the last one (common practice, no source; the pixels check it).
    let rows = cards.number("NAXIS2").or_else(|| cards.number("ZNAXIS2")).unwrap_or(0.0) as i64;
    let turned = if upwards && rows > 0 { (rows - 1).rem_euclid(2) } else { 0 };
    let told = Carded::new(pattern.shifted(dx, dy.wrapping_add(turned)), keyword);
    if upwards {
        notes.push(HeaderCaution::RowsFromBottom);
    }
    Some(match (dx, dy, turned) {
        (0, 0, 0) => told,
        (0, 0, _) => told.by(format!("{} counted from the top row", pattern.name())),
        _ => told.by(format!("{} shifted by {dx} columns and {dy} rows", pattern.name())),
    })
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
    fn the_corner_of_a_part_is_told_in_recorded_pixels() {
        let corner = |lines: &[&str]| header(lines).corner_px.map(|c| c.value);
        assert_eq!(corner(&["XORGSUBF= 96", "YORGSUBF= 40.0"]), Some([96, 40]));
        assert_eq!(corner(&["DETSEC  = '[97:352,41:328]'"]), Some([96, 40]));
        // Sections count unbinned pixels, and may run backwards.
        assert_eq!(corner(&["XBINNING= 2", "YBINNING= 2", "CCDSEC  = '[ 352:97, 41:328 ]'"]), Some([48, 20]));
        for lines in [
            &["XORGSUBF= 96"] as &[&str],
            &["XORGSUBF= -1", "YORGSUBF= 0"],
            &["DETSEC  = '[0:9,1:9]'"],
            &["DETSEC  = 'all'"],
        ] {
            assert_eq!(corner(lines), None, "{lines:?}");
        }
    }

    #[test]
    fn a_card_that_stands_twice_with_two_values_is_told() {
        let twice = header(&["EXPTIME = 60.0", "FILTER  = 'L'", "EXPTIME = 30.0", "FILTER  = 'L'"]);
        assert_eq!(twice.exposure_s.unwrap().value, 60.0);
        assert_eq!(twice.notes, [HeaderCaution::CardsRepeated { cards: vec!["EXPTIME".to_owned()] }]);
    }

    #[test]
    fn a_filter_offset_moves_the_colour_pattern() {
        let pattern = |lines: &[&str]| header(lines).cfa.unwrap().value.name();
        assert_eq!(pattern(&["BAYERPAT= 'RGGB'"]), "RGGB");
        assert_eq!(pattern(&["BAYERPAT= 'RGGB'", "XBAYROFF= 1"]), "GRBG");
        assert_eq!(pattern(&["BAYERPAT= 'RGGB'", "YBAYROFF= 1"]), "GBRG");
        // Of an even number of rows the last is of the other kind.
        let turned = ["BAYERPAT= 'RGGB'", "ROWORDER= 'BOTTOM-UP'", "NAXIS2  = 100"];
        assert_eq!(pattern(&turned), "GBRG");
        assert_eq!(pattern(&["BAYERPAT= 'RGGB'", "ROWORDER= 'BOTTOM-UP'", "NAXIS2  = 101"]), "RGGB");
        assert_eq!(pattern(&["BAYERPAT= 'RGGB'", "ROWORDER= 'TOP-DOWN'", "NAXIS2  = 100"]), "RGGB");
    }
}
