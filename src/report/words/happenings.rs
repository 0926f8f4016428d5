//! Words for what happened while lights were taken.

use jiff::civil::DateTime;

use crate::facts::happening::{Happening, What};
use crate::report::WithSentence;

/// Altitude of the Sun's centre at which the last twilight ends, degrees (common practice, no source).
const NIGHT_DEG: f64 = -18.0;

pub(crate) fn worded(facts: Happening) -> WithSentence<Happening> {
    WithSentence { sentence: happening(&facts), facts }
}

/// What happened, with its time and what became of its lights.
fn happening(of: &Happening) -> String {
    let (what, out) = (told(of), left_out(of));
    format!("{}: {what}{out}.", time(of))
}

/// The minute or minutes, with the day where both are not of one.
fn time(of: &Happening) -> String {
    let minute = |t: &DateTime| t.strftime("%H:%M").to_string();
    match of.until_utc.duration_since(of.from_utc).as_secs() {
        ..60 => format!("{} UTC", minute(&of.from_utc)),
        _ => format!("{} to {} UTC", minute(&of.from_utc), minute(&of.until_utc)),
    }
}

fn told(of: &Happening) -> String {
    match of.what {
        What::BrightSky { least_times, most_times, sun_altitude_deg } => {
            let times = match (least_times.round(), most_times.round()) {
                (least, most) if least == most => format!("{most:.0} times"),
                (least, most) => format!("{least:.0} to {most:.0} times"),
            };
            let why = match sun_altitude_deg {
                Some(sun) if sun > NIGHT_DEG => {
                    format!("twilight, the Sun only {:.0}° below the horizon", (-sun).max(0.0))
                }
                Some(_) => "the Moon or a lamp, for the Sun was far below the horizon".to_owned(),
                None => "twilight, the Moon or a lamp".to_owned(),
            };
            format!("a sky {times} as bright as the session's: {why}")
        }
        What::SkyDrift { times } if times >= 1.0 => {
            format!(
                "the sky grew {times:.1} times as bright, steadily: the Moon, twilight, or the target went into a town's light"
            )
        }
        What::SkyDrift { times } => {
            format!(
                "the sky fell to {:.0} % of its brightness, steadily: the Moon set, or twilight ended",
                100.0 * times
            )
        }
        What::FocusRun { narrowest_px, widest_px } => {
            format!("the focus was sought, the stars between {narrowest_px:.1} and {widest_px:.1} px wide")
        }
        What::WidthStep { before_px, after_px } if after_px < before_px => {
            format!("the stars went from {before_px:.1} to {after_px:.1} px in one step: refocused")
        }
        What::WidthStep { before_px, after_px } => {
            format!(
                "the stars went from {before_px:.1} to {after_px:.1} px in one step: the focus was lost, or something began to blur them"
            )
        }
        What::Fading { light_left_percent, wider_percent, for_height } => {
            let why = match for_height {
                true => "dew, frost or haze",
                false => "dew, frost, haze, or a target that sinks (no header tells its height)",
            };
            format!(
                "the stars fell steadily to {light_left_percent:.0} % of their light and grew {wider_percent:.0} % wider: {why}"
            )
        }
        What::Cloud { light_left_percent } => {
            format!("cloud, the stars down to {light_left_percent:.0} % of their usual light")
        }
        What::HalfTurn => "the field is turned by half a turn: the mount crossed the meridian".to_owned(),
        What::Shaded { frame_percent } => format!(
            "{frame_percent:.0} % of the frame got little of the sky's light: shutter, dome, or something before the telescope"
        ),
        What::Streaks => match of.lights {
            1 => "a light with lines across it: satellites or aircraft; stars on them are not used".to_owned(),
            n => format!("{n} lights with lines across them: satellites or aircraft; stars on them are not used"),
        },
    }
}

/// What became of the lights.
fn left_out(of: &Happening) -> String {
    let lights = |n: usize| if n == 1 { "1 light".to_owned() } else { format!("{n} lights") };
    match (of.left_out, &of.what) {
        (0, _) => String::new(),
        (n, What::WidthStep { before_px, after_px }) => {
            let side = if before_px > after_px { "before" } else { "after" };
            format!("; the {} {side} it left out", lights(n))
        }
        (n, _) if n == of.lights => format!("; {} left out", lights(n)),
        (n, _) => format!("; {n} of {} left out", lights(of.lights)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(minutes: [&str; 2], what: What, lights: usize, left_out: usize) -> String {
        let [from_utc, until_utc] = minutes.map(|m| format!("2031-11-02T{m}:00").parse().unwrap());
        happening(&Happening { what, from_utc, until_utc, lights, left_out })
    }

    #[test]
    fn a_sentence_tells_time_cause_and_cost() {
        let twilight = |sun_altitude_deg| What::BrightSky { least_times: 5.2, most_times: 75.4, sun_altitude_deg };
        for (told, want) in [
            (
                at(["19:00", "19:04"], twilight(Some(-8.3)), 4, 4),
                "19:00 to 19:04 UTC: a sky 5 to 75 times as bright as the session's: twilight, the Sun only 8° below the horizon; \
                 4 lights left out.",
            ),
            (
                at(["22:10", "22:10"], What::WidthStep { before_px: 5.0, after_px: 3.0 }, 24, 10),
                "22:10 UTC: the stars went from 5.0 to 3.0 px in one step: refocused; the 10 lights before it left out.",
            ),
            (
                at(["22:10", "22:40"], What::Cloud { light_left_percent: 8.0 }, 5, 4),
                "22:10 to 22:40 UTC: cloud, the stars down to 8 % of their usual light; 4 of 5 lights left out.",
            ),
            (
                at(["23:05", "23:05"], What::HalfTurn, 1, 0),
                "23:05 UTC: the field is turned by half a turn: the mount crossed the meridian.",
            ),
        ] {
            assert_eq!(told, want);
        }
    }
}
