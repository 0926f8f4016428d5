//! What happened in the course of a session: lights that do not stand for the rig are left out, and all of it is told with its time.
//!
//! Lights count in the order of their starts; those without one are left out of every rule that needs an order.

mod bright_sky;
mod course;
mod fading;
mod focus_run;
mod shaded;
mod steady;
mod step;
mod streaks;
mod trailed;
mod turned;
mod unlike;

use std::collections::BTreeMap;

use course::{Course, Levels, LevelsOf};

use super::intake::Intake;
use super::lights::MeasuredLight;
use super::sensors::Sensors;
use crate::facts::LeftOut;
use crate::facts::happening::Happening;
use crate::folder::SessionKey;

/// Lights of a session below which none is left out for being unlike the others.
const LEAST_TO_COMPARE: usize = 4;

/// Leaves out lights that do not stand for their session, in the list of files too.
pub fn leave_out_the_unlike(lights: &mut [MeasuredLight], intakes: &mut [Intake], sensors: &Sensors) {
    leave_out(lights, &|light| levels_of(light, sensors));
    for light in lights.iter() {
        if let Some(why) = &light.excluded {
            intakes[light.index].exclude(why.clone());
        }
    }
}

/// Why each light of a course is left out; `None` for those that stay.
type Rule = fn(&Course) -> Vec<Option<LeftOut>>;

/// Level without light and gain of a light's sensor.
fn levels_of(light: &MeasuredLight, sensors: &Sensors) -> Levels {
    let result = sensors.get(&light.read.sensor).map(|s| &s.result);
    Levels {
        bias_adu: result.and_then(|r| r.bias_level_adu.value),
        e_per_adu: result.and_then(|r| r.gain_e_per_adu.value),
    }
}

/// Leaves out lights that do not stand for what the rig gives. Rules come in the order of what they spoil: shade and daylight first, then
/// trails and the focus, then cloud, which are told by comparing widths and light.
fn leave_out(lights: &mut [MeasuredLight], levels_of: LevelsOf) {
    let mut by_session: BTreeMap<SessionKey, Vec<usize>> = BTreeMap::new();
    for (i, light) in lights.iter().enumerate() {
        by_session.entry(light.session.clone()).or_default().push(i);
    }
    let rules: [Rule; 7] = [
        shaded::left_out,
        bright_sky::left_out,
        focus_run::left_out,
        trailed::left_out,
        step::left_out,
        fading::left_out,
        unlike::left_out,
    ];
    for places in by_session.into_values() {
        for rule in rules {
            // The focus is sought among rings, which have no width: that rule sees them too.
            let here = |i: &usize| lights[*i].excluded.as_ref().is_none_or(|why| *why == LeftOut::Defocused);
            let seen: Vec<usize> = places.iter().copied().filter(here).collect();
            let usable = seen.iter().filter(|i| lights[**i].excluded.is_none()).count();
            if usable < LEAST_TO_COMPARE {
                continue;
            }
            let course = Course::of(lights, &seen, levels_of);
            let found: Vec<(usize, LeftOut)> = course
                .moments
                .iter()
                .zip(rule(&course))
                .filter_map(|(moment, why)| Some((moment.place, why?)))
                .collect();
            for (place, why) in found {
                // Of a ring only the search of the focus makes more than that.
                if lights[place].excluded.is_none() || why == LeftOut::FocusRun {
                    lights[place].excluded = Some(why);
                }
            }
        }
    }
}

/// What happened in the course of a session, in the order of time.
pub fn happenings(lights: &[MeasuredLight], session: &SessionKey, sensors: &Sensors) -> Vec<Happening> {
    let places: Vec<usize> = (0..lights.len()).filter(|i| lights[*i].session == *session).collect();
    let course = Course::of(lights, &places, &|light| levels_of(light, sensors));
    let tell: [fn(&Course) -> Vec<Happening>; 7] = [
        shaded::happenings,
        bright_sky::happenings,
        focus_run::happenings,
        step::happenings,
        fading::happenings,
        turned::happenings,
        streaks::happenings,
    ];
    let mut told: Vec<Happening> = tell.iter().flat_map(|of| of(&course)).collect();
    told.sort_by(|a, b| (a.from_utc, a.what.code()).cmp(&(b.from_utc, b.what.code())));
    told
}
