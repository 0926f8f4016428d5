//! What the clocks and places of a header say of each other: local time where UTC should stand, days that are one off, longitudes counted
//! towards the west.

use jiff::SignedDuration;
use jiff::civil::DateTime;

use super::Carded;
use super::vocabulary::{DEGREES_PER_HOUR, ZONE};
use crate::facts::header::HeaderCaution;
use crate::fits::{Cards, leading_number};

/// Difference of two clocks that is none, hours: cards of one frame are written within a minute or two.
const SAME_CLOCK_H: f64 = 0.04;
/// Clocks of the world differ by multiples of this, hours.
const ZONE_STEP_H: f64 = 0.25;
/// Least difference that is a zone's and not that of start and middle of an exposure, hours.
const LEAST_ZONE_H: f64 = 1.0;
/// Offsets from UTC that time zones have, hours.
const ZONES_H: std::ops::RangeInclusive<f64> = -12.0..=14.0;
/// Most of a zone, hours.
const MOST_ZONE_H: f64 = 14.0;
/// How far a zone's clock lies from the Sun's at most, summer time with it, hours; and how far one of the wrong sign lies at least.
const FROM_THE_SUN_H: f64 = 3.0;
const WRONG_SIDE_H: f64 = 4.0;

/// Start, longitude and clock of a frame.
pub(crate) struct Clocks {
    /// UTC.
    pub start: Option<Carded<DateTime>>,
    /// Degrees, east positive.
    pub longitude_deg: Option<Carded<f64>>,
    /// Clock of the site less UTC, hours: as [`utc_offset`] has it, before what is stated.
    pub offset_h: Option<Carded<f64>>,
}

impl Clocks {
    /// The same with what contradicts itself put right and noted. `local` is the start by the clock of the site, `day` that by a day
    /// number, which is always UTC.
    pub fn settled(
        self,
        cards: &Cards,
        local: Option<&Carded<DateTime>>,
        day: Option<&Carded<DateTime>>,
        notes: &mut Vec<HeaderCaution>,
    ) -> Self {
        let stated = zone(cards);
        let Self { start, longitude_deg, offset_h } = self;
        // Two clocks that agree are those of a site at UTC only where no card states its zone.
        let offset_h = offset_h.as_ref().filter(|h| h.value != 0.0).or(stated.as_ref()).or(offset_h.as_ref()).cloned();
        let (start, offset_h) = match in_utc(start.as_ref(), local, day, stated.as_ref(), notes) {
            Some((utc, zone)) => (Some(utc), Some(zone)),
            None => (start, offset_h),
        };
        let longitude_deg = longitude_deg.map(|told| eastward(told, offset_h.as_ref(), notes));
        Self { start, longitude_deg, offset_h }
    }
}

/// Clock of the site less UTC, hours, where both clocks stand in the header.
pub(crate) fn utc_offset(local: Option<&Carded<DateTime>>, start: Option<&Carded<DateTime>>) -> Option<Carded<f64>> {
    let (local, start) = (local?, start?);
    let ahead = whole_steps(hours(local, start));
    let told = Carded::new(ahead, &local.card).by(format!("{} less {}", local.card, start.card));
    ZONES_H.contains(&ahead).then_some(told)
}

/// The nearest difference that zones have.
fn whole_steps(hours: f64) -> f64 {
    (hours / ZONE_STEP_H).round() * ZONE_STEP_H
}

fn hours(a: &Carded<DateTime>, b: &Carded<DateTime>) -> f64 {
    a.value.duration_since(b.value).as_secs_f64() / 3600.0
}

/// The clock of the site less UTC as a card of its own tells it: `-0700`, `+05:30`, `UTC+2`, `-7`.
fn zone(cards: &Cards) -> Option<Carded<f64>> {
    ZONE.iter().find_map(|keyword| Some(Carded::new(zone_of(cards.text(keyword)?)?, keyword)))
}

fn zone_of(text: &str) -> Option<f64> {
    let upper = text.trim().to_ascii_uppercase();
    let bare = upper.trim_start_matches("UTC").trim_start_matches("GMT").trim();
    let signed = if bare.starts_with('-') { -1.0 } else { 1.0 };
    let digits = bare.trim_start_matches(['+', '-']);
    let size = match digits.split_once(':') {
        Some((h, m)) => h.parse::<f64>().ok()? + m.parse::<f64>().ok()? / 60.0,
        None if digits.len() == 4 && digits.bytes().all(|b| b.is_ascii_digit()) => {
            digits[..2].parse::<f64>().ok()? + digits[2..].parse::<f64>().ok()? / 60.0
        }
        None => leading_number(digits).filter(|_| digits.starts_with(|c: char| c.is_ascii_digit()))?,
    };
    (size <= MOST_ZONE_H).then_some(signed * size)
}

/// The start in UTC, and the zone, where its card holds the local time.
fn in_utc(
    start: Option<&Carded<DateTime>>,
    local: Option<&Carded<DateTime>>,
    day: Option<&Carded<DateTime>>,
    zone: Option<&Carded<f64>>,
    notes: &mut Vec<HeaderCaution>,
) -> Option<(Carded<DateTime>, Carded<f64>)> {
    let start = start?;
    if let Some(day) = day.filter(|d| d.card != start.card) {
        let ahead = hours(start, day);
        if (ahead.abs() - 24.0).abs() < SAME_CLOCK_H {
            notes.push(HeaderCaution::DayOff { card: start.card.clone(), other: day.card.clone() });
        }
        let of_a_zone = (whole_steps(ahead) - ahead).abs() < SAME_CLOCK_H;
        if of_a_zone && (LEAST_ZONE_H..=MOST_ZONE_H).contains(&ahead.abs()) {
            return local_time(start, &day.card, whole_steps(ahead), notes);
        }
    }
    let (local, zone) = (local?, zone?);
    let same = hours(local, start).abs() < SAME_CLOCK_H && zone.value.abs() >= ZONE_STEP_H;
    if same { local_time(start, &zone.card, zone.value, notes) } else { None }
}

fn local_time(
    start: &Carded<DateTime>,
    by: &str,
    ahead_h: f64,
    notes: &mut Vec<HeaderCaution>,
) -> Option<(Carded<DateTime>, Carded<f64>)> {
    let utc = start.value.checked_sub(SignedDuration::from_secs_f64(3600.0 * ahead_h)).ok()?;
    notes.push(HeaderCaution::LocalTime { card: start.card.clone(), by: by.to_owned(), hours: ahead_h });
    let how = format!("local time, {ahead_h} h ahead of UTC by {by}");
    Some((Carded::new(utc, &start.card).by(&*how), Carded::new(ahead_h, by).by(how)))
}

/// A longitude that the clock of the site denies and its opposite does not was counted towards the west.
fn eastward(told: Carded<f64>, offset_h: Option<&Carded<f64>>, notes: &mut Vec<HeaderCaution>) -> Carded<f64> {
    let Some(clock) = offset_h else { return told };
    let east = if told.value > 180.0 { told.value - 360.0 } else { told.value };
    let from_the_sun = |degrees: f64| (degrees / DEGREES_PER_HOUR - clock.value).abs();
    if from_the_sun(east) < WRONG_SIDE_H || from_the_sun(-east) > FROM_THE_SUN_H {
        return told;
    }
    notes.push(HeaderCaution::WestPositive {
        card: told.card.clone(),
        degrees: told.value,
        by: clock.card.clone(),
        hours: clock.value,
    });
    Carded { value: -east, ..told }.by("counted towards the west, by the clock of the site")
}

#[cfg(test)]
mod tests {
    use super::super::read_header;
    use super::*;

    #[test]
    fn zones_are_read_as_people_write_them() {
        for (text, want) in [
            ("-0700", Some(-7.0)),
            ("+05:30", Some(5.5)),
            ("UTC+2", Some(2.0)),
            ("-7", Some(-7.0)),
            ("GMT", None),
            ("MST", None),
            ("2031", None),
        ] {
            assert_eq!(zone_of(text), want, "{text}");
        }
    }

    fn read(lines: &[&str]) -> (String, Option<f64>, Vec<&'static str>) {
        let header = read_header(&Cards::parse(lines.iter().copied()));
        let notes = header.notes.iter().filter_map(|n| match n {
            HeaderCaution::LocalTime { .. } => Some("local"),
            HeaderCaution::DayOff { .. } => Some("day"),
            HeaderCaution::WestPositive { .. } => Some("west"),
            _ => None,
        });
        let start = header.start_utc.map(|s| s.value.to_string()).unwrap_or_default();
        (start, header.site_longitude_deg.map(|l| l.value), notes.collect())
    }

    #[test]
    fn a_clock_and_a_place_that_deny_each_other_are_settled_and_said() {
        let (start, noon) = ("DATE-OBS= '2031-10-04T21:00:00'", "2031-10-04T21:00:00".to_owned());
        // A longitude towards the west beside the clock of the site; one that agrees; one that no clock speaks of.
        assert_eq!(
            read(&[start, "LONGITUD= 110.88", "TIMEZONE= '-0700'"]),
            (noon.clone(), Some(-110.88), vec!["west"])
        );
        assert_eq!(read(&[start, "LONGITUD= 110.88", "TIMEZONE= '+0800'"]), (noon.clone(), Some(110.88), vec![]));
        assert_eq!(read(&[start, "LONGITUD= 110.88"]), (noon.clone(), Some(110.88), vec![]));
        let by_clock = read(&[start, "DATE-LOC= '2031-10-04T14:00:00'", "SITELONG= 110.88"]);
        assert_eq!(by_clock, (noon.clone(), Some(-110.88), vec!["west"]));
        // Local time in the place of UTC, by a zone or by a day number; 2031-10-05T04:00 UTC is MJD 63144.166667.
        let utc = "2031-10-05T04:00:00".to_owned();
        let zoned = read(&[start, "DATE-LOC= '2031-10-04T21:00:00'", "TIMEZONE= '-7'", "SITELONG= -110.9"]);
        assert_eq!(zoned, (utc.clone(), Some(-110.9), vec!["local"]));
        assert_eq!(read(&[start, "MJD-OBS = 63144.1666667"]), (utc, None, vec!["local"]));
        // The middle of the exposure; a day number that is one off.
        assert_eq!(read(&[start, "MJD-OBS = 63143.8784722"]), (noon.clone(), None, vec![]));
        assert_eq!(read(&[start, "MJD-OBS = 63144.875"]), (noon, None, vec!["day"]));
    }

    #[test]
    fn midnight_may_be_the_end_of_a_day() {
        assert_eq!(read(&["DATE-OBS= '2031-10-04T24:00:00'"]).0, "2031-10-05T00:00:00");
        assert_eq!(read(&["DATE-OBS= '02/10/99'", "UT      = '23:59:60'"]).0, "1999-10-02T23:59:59");
    }
}
