//! Dates and times in their dialects, and what they tell of the site's place.

use jiff::civil::{Date, DateTime, Time};
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

use super::Carded;
use super::pointing::angle;
use super::vocabulary::{END, LATITUDE, LONGITUDE, START, START_DAY, START_LOCAL, START_TIME, TIME_SCALE, TIME_SCALES};
use crate::fits::Cards;

/// Modified Julian date of 1970-01-01 (standard 4.0, section 9.3: MJD counts from 1858-11-17).
const MJD_OF_UNIX: f64 = 40_587.0;
const SECONDS_PER_DAY: f64 = 86_400.0;

/// Start of the exposure, UTC.
pub(crate) fn start(cards: &Cards) -> Option<Carded<DateTime>> {
    let told = START.iter().find_map(|k| moment(cards, k, START_TIME));
    told.map(|told| in_utc(cards, told)).or_else(|| start_by_day(cards))
}

/// The same by a day number.
pub(crate) fn start_by_day(cards: &Cards) -> Option<Carded<DateTime>> {
    START_DAY.iter().find_map(|d| day(cards, *d)).map(|told| in_utc(cards, told))
}

/// Start by the clock of the site.
pub(crate) fn local_start(cards: &Cards) -> Option<Carded<DateTime>> {
    START_LOCAL.iter().find_map(|k| moment(cards, k, &[]))
}

/// End of the exposure, UTC.
pub(crate) fn end(cards: &Cards) -> Option<Carded<DateTime>> {
    moment(cards, END, &[]).map(|told| in_utc(cards, told))
}

/// The moment in UTC where the header's dates are in another time scale; one that names its own zone stays.
fn in_utc(cards: &Cards, told: Carded<DateTime>) -> Carded<DateTime> {
    let names_a_zone = |text: &str| {
        let clock = text.split_once(['T', 't', ' ']).map_or("", |(_, clock)| clock);
        clock.contains(['Z', 'z', '+', '-'])
    };
    let scale = cards.text(TIME_SCALE).filter(|_| !cards.text(&told.card).is_some_and(names_a_zone));
    // `TT(TAI)` names the clock behind the scale.
    let name = scale.and_then(|s| s.split('(').next()).unwrap_or("").trim();
    let known = TIME_SCALES.iter().find(|(scale, _)| name.eq_ignore_ascii_case(scale));
    let Some((scale, ahead_s)) = known else { return told };
    match told.value.checked_sub(SignedDuration::from_secs_f64(*ahead_s)) {
        Ok(utc) => Carded::new(utc, &told.card).by(format!("{scale} to UTC, less {ahead_s} s")),
        Err(_) => told,
    }
}

/// Longitude of the site, degrees, east positive: a number or sixtieths, `W` in front or behind for west.
pub(crate) fn longitude(cards: &Cards) -> Option<Carded<f64>> {
    LONGITUDE.iter().find_map(|keyword| place(cards, keyword, ['E', 'W'], 360.0))
}

/// Latitude of the site, degrees, north positive, with `S` for south.
pub(crate) fn latitude(cards: &Cards) -> Option<Carded<f64>> {
    LATITUDE.iter().find_map(|keyword| place(cards, keyword, ['N', 'S'], 90.0))
}

/// An angle on the Earth, with a letter for its positive and its negative side.
fn place(cards: &Cards, keyword: &str, [plus, minus]: [char; 2], most: f64) -> Option<Carded<f64>> {
    let text = cards.text(keyword)?.to_ascii_uppercase();
    let bare = text.trim_matches(|c: char| c == plus || c == minus || c.is_whitespace());
    let (size, parts) = angle(&bare.to_ascii_lowercase())?;
    let turned = text.contains(minus);
    let degrees = if turned { -size.abs() } else { size };
    let mut told = Carded::new(degrees, keyword);
    if parts > 1 || turned {
        told = told.by(if minus == 'W' { "sixtieths to degrees, west negative" } else { "sixtieths to degrees" });
    }
    (degrees.abs() <= most).then_some(told)
}

/// The instant of a card; a date alone takes its time from one of `times`.
fn moment(cards: &Cards, keyword: &str, times: &[&str]) -> Option<Carded<DateTime>> {
    let text = cards.text(keyword)?;
    if let Some((utc, conversion)) = date_and_time(text) {
        let told = Carded::new(utc, keyword);
        return Some(match conversion {
            Some(how) => told.by(how),
            None => told,
        });
    }
    let date = date(text)?;
    let (card, time) = times.iter().find_map(|k| Some((*k, time(cards.text(k)?)?)))?;
    Some(Carded::new(date.to_datetime(time), keyword).by(format!("date of {keyword}, time of {card}")))
}

/// `2031-10-04T21:00:00`, with a blank for the T, with Z, or with an offset from UTC, which is taken off.
fn date_and_time(text: &str) -> Option<(DateTime, Option<&'static str>)> {
    let (day, clock) = text.split_once(['T', 't']).or_else(|| text.split_once(' '))?;
    let clock = clock.trim();
    if clock.contains(['+', '-']) {
        let instant: Timestamp = format!("{}T{clock}", date(day)?).parse().ok()?;
        return Some((TimeZone::UTC.to_datetime(instant), Some("its offset from UTC was taken off")));
    }
    let how = (!text.contains(['T', 't'])).then_some("a blank between date and time");
    // The end of a day is the beginning of the next.
    if let Some(rest) = clock.strip_prefix("24:") {
        return Some((date(day)?.tomorrow().ok()?.to_datetime(time(&format!("00:{rest}"))?), how));
    }
    Some((date(day)?.to_datetime(time(clock)?), how))
}

/// `2031-10-04`, `2031/10/04`, or DD/MM/YY of FITS before 1998 (standard, section 9.1.1: years 1900 to 1999; later years
/// are in use too).
fn date(text: &str) -> Option<Date> {
    let text = text.trim();
    if let Ok(date) = text.parse() {
        return Some(date);
    }
    let mut parts = text.split(['/', '-']).map(str::trim);
    let (first, month, last) = (parts.next()?, parts.next()?, parts.next()?);
    if parts.next().is_some() {
        return None;
    }
    let (year, day) = if first.len() == 4 { (first, last) } else { (last, first) };
    let year: i16 = year.parse().ok()?;
    let year = match year {
        0..70 => year + 2000,
        70..100 => year + 1900,
        _ => year,
    };
    Date::new(year, month.parse().ok()?, day.parse().ok()?).ok()
}

/// `21:00:00.5`, also with Z or with letters for the colons; a second of 60 is the next minute's first.
fn time(text: &str) -> Option<Time> {
    let plain = text.trim().trim_end_matches(['Z', 'z']).to_ascii_lowercase();
    let plain = plain.replace(['h', 'm'], ":");
    let plain = plain.trim_end_matches('s').trim_end_matches(':');
    // An hour of one digit.
    let filled = if plain.find(':') == Some(1) { format!("0{plain}") } else { plain.to_owned() };
    filled.parse().ok()
}

/// A day number as a moment.
fn day(cards: &Cards, (keyword, zero): (&str, f64)) -> Option<Carded<DateTime>> {
    let mjd = cards.number(keyword)? - zero;
    let seconds = (mjd - MJD_OF_UNIX) * SECONDS_PER_DAY;
    // A double holds a modified Julian date to a microsecond; milliseconds are certain.
    let instant = Timestamp::from_millisecond((seconds * 1e3).round() as i64).ok()?;
    let utc = TimeZone::UTC.to_datetime(instant);
    // Frames of digital sensors: anything else is no date.
    (1970..2150).contains(&utc.year()).then(|| Carded::new(utc, keyword).by("day number to date and time"))
}

#[cfg(test)]
mod tests {
    use super::super::clocks::utc_offset;
    use super::*;

    fn at(lines: &[&str]) -> Option<String> {
        start(&Cards::parse(lines.iter().copied())).map(|s| s.value.to_string())
    }

    #[test]
    fn dates_in_their_dialects() {
        for (lines, want) in [
            (&["DATE-OBS= '2019-05-03T09:03:11'"][..], "2019-05-03T09:03:11"),
            (&["DATE-OBS= '2019-09-06T19:55:17.382Z'"], "2019-09-06T19:55:17.382"),
            (&["DATE-OBS= '2019-09-06 19:55:17'"], "2019-09-06T19:55:17"),
            (&["DATE-OBS= '2019-09-06T21:55:17+02:00'"], "2019-09-06T19:55:17"),
            (&["DATE-OBS= '2019/09/06T19:55:17'"], "2019-09-06T19:55:17"),
            (&["DATE-OBS= '2013-07-13'", "UT      = '00:57:33'"], "2013-07-13T00:57:33"),
            (&["DATE-OBS= '2013-07-13'", "TIME-OBS= '0h57m33s'"], "2013-07-13T00:57:33"),
            (&["DATE-OBS= '26/10/92'", "UT      = '03:04:05'"], "1992-10-26T03:04:05"),
            (&["DATE-OBS= '26/10/2031'", "UT      = '03:04:05'"], "2031-10-26T03:04:05"),
            (&["DATE-BEG= '2019-05-03T09:03:11'"], "2019-05-03T09:03:11"),
            // Differences of the scales: standard 4.0, table 30, and 37 leap seconds.
            (&["DATE-OBS= '2031-10-04T21:01:09.184'", "TIMESYS = 'TT(TAI)'"], "2031-10-04T21:00:00"),
            (&["DATE-OBS= '2031-10-04T21:00:18'", "TIMESYS = 'GPS'"], "2031-10-04T21:00:00"),
            (&["DATE-OBS= '2031-10-04T00:00:37'", "TIMESYS = 'tai'"], "2031-10-04T00:00:00"),
            (&["DATE-OBS= '2031-10-04T21:00:00Z'", "TIMESYS = 'TAI'"], "2031-10-04T21:00:00"),
            (&["DATE-OBS= '2031-10-04T21:00:00'", "TIMESYS = 'UTC'"], "2031-10-04T21:00:00"),
            // 51544.5 is the standard epoch J2000, 2000-01-01T12:00 (standard 4.0, section 9.3).
            (&["MJD-OBS = 51544.5"], "2000-01-01T12:00:00"),
            (&["JD      = 2451545.0"], "2000-01-01T12:00:00"),
        ] {
            assert_eq!(at(lines).as_deref(), Some(want), "{lines:?}");
        }
        for lines in [["DATE-OBS= '2013-07-13'"], ["DATE-OBS= '2013-13-45T00:00:00'"], ["MJD-OBS = 1E300"]] {
            assert_eq!(at(&lines), None, "{lines:?}");
        }
    }

    #[test]
    fn the_site_lies_where_its_longitude_or_its_clock_says() {
        let lon = |line: &str| longitude(&Cards::parse([line])).map(|l| l.value);
        assert!((lon("SITELONG= '-105 49 13'").unwrap() + 105.820_278).abs() < 1e-5);
        assert_eq!(lon("SITELONG= '10:30:00 E'"), Some(10.5));
        assert_eq!(lon("SITELONG= 'W 10 30 00'"), Some(-10.5));
        assert_eq!(lon("SITELONG= 254.5"), Some(254.5));
        assert_eq!(lon("SITELONG= 'unknown'"), None);
        let offset = |local: &str| {
            let cards = Cards::parse(["DATE-OBS= '2031-10-04T21:00:00'", local]);
            utc_offset(local_start(&cards).as_ref(), start(&cards).as_ref()).map(|o| o.value)
        };
        assert_eq!(offset("DATE-LOC= '2031-10-04T23:00:01.4'"), Some(2.0));
        assert_eq!(offset("DATE-LOC= '2031-10-04T15:30:00'"), Some(-5.5));
        assert_eq!(offset("DATE-LOC= '2031-10-06T15:30:00'"), None, "no clock is that far off");
    }
}
