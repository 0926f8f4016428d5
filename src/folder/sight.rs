//! How much air lies before the telescope: airmass card, altitude card, and the pointing at site and time, each held
//! against the others.

use jiff::SignedDuration;

use super::airmass::{airmass_of, altitude_of};
use super::altitude::altitude_deg;
use super::vocabulary::{AIRMASS, DEGREES_PER_HOUR};
use super::{Carded, FrameHeader, FrameKind};
use crate::facts::header::{HeaderCaution, Sight, SightSource};

/// Altitude below which no airmass is told by it, degrees: refraction and pressure move it by several per cent.
const LEAST_ALTITUDE_DEG: f64 = 5.0;
/// Below the horizon by more than refraction lifts, degrees (half a degree; common practice, no source).
const BELOW_HORIZON_DEG: f64 = -1.0;
/// Differences within which two agree: of the airmass, relative (a card of one decimal), or of the altitude, degrees (a
/// pointing and a site that are told roughly, refraction).
const ALIKE: f64 = 0.05;
const ALIKE_DEG: f64 = 1.0;
/// What an exposure may add to that, degrees: a card may be of its start, its middle or its end.
const MOST_TURN_DEG: f64 = 10.0;
const SECONDS_PER_HOUR: f64 = 3600.0;

/// Settles the airmass of a light from all that its header and the rig file tell; what is refused is noted.
///
/// Two that agree outvote the third. Of two that contradict each other, what is computed from pointing, site and time
/// stands before a card, and an altitude before an airmass, which is derived from it.
pub(crate) fn settle(header: &mut FrameHeader) {
    if !matches!(header.kind.value, FrameKind::Light | FrameKind::Unknown) {
        return;
    }
    let half_turn = 0.5 * header.exposure_s.as_ref().map_or(0.0, |e| e.value) / SECONDS_PER_HOUR * DEGREES_PER_HOUR;
    let tolerance_deg = ALIKE_DEG + half_turn.min(MOST_TURN_DEG);
    let cards: Vec<Sight> = [of_altitude(header), of_airmass(header)].into_iter().flatten().collect();
    let computed = computed(header, &cards, tolerance_deg);
    let sources: Vec<Sight> = computed.into_iter().chain(cards).collect();
    let (used, refused) = chosen(&sources, tolerance_deg);
    for note in &mut header.notes {
        // An airmass that cannot be is told with the one that stands for it.
        if let HeaderCaution::Refused { card, written, quantity, .. } = note
            && quantity == AIRMASS.name
        {
            let (card, written) = (std::mem::take(card), std::mem::take(written));
            *note = HeaderCaution::ImpossibleAirmass { card, written, used: used.clone() };
        }
    }
    for (refused, agreeing) in refused {
        let Some(used) = used.clone() else { continue };
        if matches!(refused.told_by, SightSource::Altitude { .. }) {
            header.altitude_deg = None;
        }
        header.notes.push(HeaderCaution::SightRefused { refused, used, agreeing });
    }
    header.airmass = used.and_then(|used| carded(&used, header.airmass.take()));
}

/// The value that stands, with what it came from.
fn carded(used: &Sight, stated: Option<Carded<f64>>) -> Option<Carded<f64>> {
    let from_altitude = |card: &str| {
        let told = Carded::new(used.airmass, card).by("airmass of an altitude, Kasten and Young 1989");
        (used.altitude_deg >= LEAST_ALTITUDE_DEG).then_some(told)
    };
    match &used.told_by {
        SightSource::Airmass { .. } => stated.map(|s| Carded { value: used.airmass, ..s }),
        SightSource::Altitude { card } => from_altitude(card),
        SightSource::Computed { pointing, .. } => from_altitude(pointing),
    }
}

/// That of the airmass card; formulas give a little less than 1 at the zenith.
fn of_airmass(header: &FrameHeader) -> Option<Sight> {
    let stated = header.airmass.as_ref()?;
    let airmass = stated.value.max(1.0);
    let told_by = SightSource::Airmass { card: stated.card.clone() };
    Some(Sight { told_by, airmass, altitude_deg: altitude_of(airmass) })
}

/// That of the altitude card; a plain zero is written where no mount tells.
fn of_altitude(header: &FrameHeader) -> Option<Sight> {
    let altitude = header.altitude_deg.as_ref().filter(|a| a.value > 0.0)?;
    Some(at(altitude.value, SightSource::Altitude { card: altitude.card.clone() }))
}

fn at(altitude_deg: f64, told_by: SightSource) -> Sight {
    Sight { told_by, airmass: airmass_of(altitude_deg), altitude_deg }
}

/// That of the pointing over the site in the middle of the exposure. Of a card that may be hours or degrees, the reading
/// that a card of the altitude supports.
fn computed(header: &mut FrameHeader, cards: &[Sight], tolerance_deg: f64) -> Option<Sight> {
    let (latitude, longitude) = (header.site_latitude_deg.as_ref()?, header.site_longitude_deg.as_ref()?);
    // A site of zeros is none.
    if (latitude.value, longitude.value) == (0.0, 0.0) {
        return None;
    }
    let start = header.start_utc.as_ref()?;
    let half_s = 0.5 * header.exposure_s.as_ref().map_or(0.0, |e| e.value);
    let middle = start.value.checked_add(SignedDuration::try_from_secs_f64(half_s).ok()?).ok()?;
    let pointing = header.pointings.first()?.card.clone();
    let told_by = SightSource::Computed {
        pointing: pointing.clone(),
        latitude: latitude.card.clone(),
        longitude: longitude.card.clone(),
        start: start.card.clone(),
    };
    let readings = header.pointings.iter().filter(|p| p.card == pointing);
    let readings: Vec<f64> =
        readings.map(|p| altitude_deg(&p.value, latitude.value, longitude.value, middle)).collect();
    let is_up = |h: &&f64| **h > BELOW_HORIZON_DEG;
    let supported = |h: &&f64| is_up(h) && cards.iter().any(|c| agree(c, &at(**h, told_by.clone()), tolerance_deg));
    match readings.iter().find(supported).or_else(|| readings.iter().find(is_up)) {
        Some(h) => Some(at(*h, told_by)),
        None => {
            header.notes.push(HeaderCaution::BelowHorizon { told_by, altitude_deg: *readings.first()? });
            None
        }
    }
}

fn agree(a: &Sight, b: &Sight, tolerance_deg: f64) -> bool {
    (a.airmass / b.airmass - 1.0).abs() <= ALIKE || (a.altitude_deg - b.altitude_deg).abs() <= tolerance_deg
}

/// The one that stands, and those that are refused, each with another one that agrees with what stands. `sources` come in
/// the order in which they stand alone.
fn chosen(sources: &[Sight], tolerance_deg: f64) -> (Option<Sight>, Vec<(Sight, Option<Sight>)>) {
    let alike = |a: &Sight, b: &Sight| a.told_by != b.told_by && agree(a, b, tolerance_deg);
    let supported = |a: &&Sight| sources.iter().any(|b| alike(a, b));
    let is_airmass = |a: &&Sight| matches!(a.told_by, SightSource::Airmass { .. });
    // Of those that agree the airmass itself: what the others give is derived.
    let agreed = || sources.iter().filter(supported);
    let Some(used) = agreed().find(is_airmass).or_else(|| agreed().next()).or_else(|| sources.first()) else {
        return (None, Vec::new());
    };
    let agreeing = sources.iter().find(|b| alike(used, b));
    let refused = sources.iter().filter(|s| s.told_by != used.told_by && !supported(s));
    (Some(used.clone()), refused.map(|r| (r.clone(), agreeing.cloned())).collect())
}

#[cfg(test)]
mod tests {
    use super::super::read_header;
    use super::*;
    use crate::fits::Cards;
    use crate::folder::Rig;

    /// At 69.19 degrees, hence airmass 1.069, in the middle of its minute (astropy 8.0.2, as in `folder/altitude.rs`).
    const PLACED: [&str; 7] = [
        "IMAGETYP= 'LIGHT'",
        "EXPTIME = 60",
        "DATE-OBS= '2029-04-12T03:59:58'",
        "RA      = 201.365",
        "DEC     = -43.0191",
        "SITELAT = '-24 36 00'",
        "SITELONG= '70 24 00 W'",
    ];

    fn settled(lines: &[&str]) -> FrameHeader {
        let mut header = read_header(&Cards::parse(lines.iter().copied()));
        Rig::default().apply(&mut header);
        header
    }

    /// Airmass, its card, and the cautions about it.
    fn read(placed: bool, lines: &[&str]) -> (Option<f64>, String, Vec<HeaderCaution>) {
        let header = settled(&[if placed { &PLACED[..] } else { &PLACED[..2] }, lines].concat());
        let card = header.airmass.as_ref().map_or_else(String::new, |a| a.card.clone());
        (header.airmass.map(|a| (a.value * 1e3).round() / 1e3), card, header.notes)
    }

    fn refused(notes: &[HeaderCaution]) -> Vec<String> {
        let name = |s: &Sight| match &s.told_by {
            SightSource::Airmass { card } | SightSource::Altitude { card } => card.clone(),
            SightSource::Computed { pointing, .. } => pointing.clone(),
        };
        let of = |n: &HeaderCaution| match n {
            HeaderCaution::SightRefused { refused, used, agreeing } => {
                format!("{} by {} {}", name(refused), name(used), agreeing.as_ref().map_or(String::new(), name))
            }
            other => format!("{other:?}"),
        };
        notes.iter().map(|n| of(n).trim_end().to_owned()).collect()
    }

    #[test]
    fn alone_each_of_the_three_tells_the_airmass() {
        assert_eq!(read(false, &["AIRMASS = 1.3"]), (Some(1.3), "AIRMASS".to_owned(), vec![]));
        assert_eq!(read(false, &["CENTALT = 60"]), (Some(1.154), "CENTALT".to_owned(), vec![]));
        assert_eq!(read(true, &[]), (Some(1.069), "RA".to_owned(), vec![]));
        for nothing in ["CENTALT = 2", "CENTALT = 0", "NONE    = 1"] {
            assert_eq!(read(false, &[nothing]), (None, String::new(), vec![]), "{nothing}");
        }
        // The formula's own value at the zenith.
        assert_eq!(read(false, &["AIRMASS = 0.9997"]).0, Some(1.0));
        assert_eq!(read(false, &["CENTALT = 90"]).0, Some(1.0));
    }

    #[test]
    fn of_two_that_contradict_each_other_the_less_derived_stands() {
        let told = |placed, lines: &[&str]| {
            let (airmass, card, notes) = read(placed, lines);
            (airmass, card, refused(&notes))
        };
        let want = |airmass, card: &str, refused: &str| (Some(airmass), card.to_owned(), vec![refused.to_owned()]);
        let both = ["AIRMASS = 13.37", "CENTALT = 70.6"];
        assert_eq!(told(false, &both), want(1.06, "CENTALT", "AIRMASS by CENTALT"));
        assert_eq!(told(true, &["AIRMASS = 13.37"]), want(1.069, "RA", "AIRMASS by RA"));
        assert_eq!(told(true, &["CENTALT = 20"]), want(1.069, "RA", "CENTALT by RA"));
        // Agreement needs no word, and the airmass is then its own.
        assert_eq!(told(true, &["AIRMASS = 1.075"]), (Some(1.075), "AIRMASS".to_owned(), vec![]));
        assert_eq!(told(false, &["AIRMASS = 1.1", "CENTALT = 70.6"]), (Some(1.1), "AIRMASS".to_owned(), vec![]));
    }

    #[test]
    fn two_that_agree_outvote_the_third_whichever_it_is() {
        for (lines, airmass, card, outvoted) in [
            (["AIRMASS = 13.37", "CENTALT = 69.5"], 1.069, "RA", "AIRMASS by RA CENTALT"),
            (["AIRMASS = 1.07", "CENTALT = 20"], 1.07, "AIRMASS", "CENTALT by AIRMASS RA"),
            (["AIRMASS = 2.0", "CENTALT = 30"], 2.0, "AIRMASS", "RA by AIRMASS CENTALT"),
        ] {
            let (got, by, notes) = read(true, &lines);
            assert_eq!((got, by.as_str(), refused(&notes)), (Some(airmass), card, vec![outvoted.to_owned()]));
        }
        let (got, by, notes) = read(true, &["AIRMASS = 13.37", "CENTALT = 20"]);
        assert_eq!((got, by.as_str()), (Some(1.069), "RA"));
        assert_eq!(refused(&notes), ["CENTALT by RA", "AIRMASS by RA"]);
    }

    #[test]
    fn what_cannot_be_is_refused_and_names_what_stands() {
        for written in ["0.5", "50", "-1"] {
            let (got, _, notes) = read(false, &[&format!("AIRMASS = {written}"), "CENTALT = 60"]);
            let [HeaderCaution::ImpossibleAirmass { written: as_written, used: Some(used), .. }] = &notes[..] else {
                panic!("{notes:?}")
            };
            assert!(got == Some(1.154) && as_written == written && used.altitude_deg == 60.0);
        }
        let (got, _, notes) = read(false, &["AIRMASS = 50"]);
        assert!(got.is_none() && matches!(notes[..], [HeaderCaution::ImpossibleAirmass { used: None, .. }]));
    }

    #[test]
    fn a_long_exposure_a_site_of_zeros_and_frames_that_are_no_lights() {
        let at = |lines: &[&str]| settled(lines).notes.len();
        assert_eq!(at(&["IMAGETYP= 'LIGHT'", "EXPTIME = 60", "AIRMASS = 2.0", "CENTALT = 26"]), 1);
        assert_eq!(at(&["IMAGETYP= 'LIGHT'", "EXPTIME = 2400", "AIRMASS = 2.0", "CENTALT = 26"]), 0);
        assert_eq!(at(&["IMAGETYP= 'DARK'", "EXPTIME = 60", "AIRMASS = 13.37", "CENTALT = 70"]), 0);
        let zeros = ["IMAGETYP= 'LIGHT'", "DATE-OBS= '2029-04-12T03:59:58'", "RA      = 201.4", "DEC     = -43.0"];
        assert!(settled(&[&zeros[..], &["SITELAT = 0", "SITELONG= 0"]].concat()).airmass.is_none());
    }

    #[test]
    fn a_target_below_the_horizon_says_that_the_site_or_the_time_is_wrong() {
        let mut lines = PLACED;
        lines[6] = "SITELONG= 109.6";
        let (got, card, notes) = {
            let header = settled(&[&lines[..], &["AIRMASS = 1.07"]].concat());
            (header.airmass.clone().map(|a| a.value), header.airmass.unwrap().card, header.notes)
        };
        assert_eq!((got, card.as_str()), (Some(1.07), "AIRMASS"));
        assert!(matches!(notes[..], [HeaderCaution::BelowHorizon { altitude_deg, .. }] if altitude_deg < -1.0));
    }
}
