//! How far out stars are good, and what keeps them from being so.

use super::names::Name;
use super::say::{not_known, percent, two};
use super::stars::join;
use crate::facts::Quantity;
use crate::report::InWords;
use crate::report::model::{Report, Session};
use crate::stars::field::Cause;

pub fn answer(report: &Report, names: &[Name]) -> String {
    let seen = || report.sessions.iter().zip(names).filter(|(s, _)| s.field.surface.is_some());
    let radius = |s: &Session| s.field.corrected_radius_fraction.value.unwrap_or(f64::INFINITY);
    // The session in which fewest are good: focus and guiding may differ, the optics do not.
    let Some((s, name)) = seen().min_by(|a, b| radius(a.0).total_cmp(&radius(b.0))) else {
        return not_known(&report.sessions.first().map(|s| s.field.corrected_radius_px.why()).unwrap_or_default());
    };
    let reach = reach(s);
    let reach = if seen().count() > 1 { format!("{}: {reach}", name.first) } else { super::say::sentence(&reach) };
    join([reach, causes(s)])
}

fn reach(s: &Session) -> String {
    let f = &s.field;
    match (f.corrected_to_the_corner, f.half_diagonal_mm.value, f.corrected_radius_mm.value) {
        (Some(true), Some(half), _) => {
            format!(
                "good to the corners: image circle of at least {} mm. A larger sensor is untested.",
                two(2.0 * half)
            )
        }
        (Some(true), None, _) => "good to the corners; pixel_um in a rig file gives millimetres.".to_owned(),
        (_, Some(half), Some(radius)) => format!(
            "good to {} mm from the centre: covers a sensor of {} mm diagonal; yours has {} mm.",
            two(radius),
            two(2.0 * radius),
            two(2.0 * half)
        ),
        _ => match f.corrected_radius_fraction.value {
            Some(part) => format!(
                "good to {} of the way to the corners; pixel_um in a rig file gives millimetres.",
                percent(part)
            ),
            None => not_known(&f.corrected_radius_px.why()),
        },
    }
}

/// What the numbers point to, two causes at most; what both have back focus for a remedy are one.
fn causes(s: &Session) -> String {
    let f = &s.field;
    let value = |q: &Quantity| q.value.unwrap_or(0.0);
    let mut told: Vec<String> = Vec::new();
    let corners: Vec<String> = f
        .causes
        .iter()
        .filter_map(|cause| match cause {
            Cause::Curvature => Some(format!("{:.0} % wider", value(&f.widening_corner_percent))),
            Cause::Radial => Some("radially elongated".to_owned()),
            Cause::Tangential => Some("tangentially elongated".to_owned()),
            _ => None,
        })
        .collect();
    if !corners.is_empty() {
        told.push(format!("Corners are {}: check back focus.", corners.join(" and ")));
    }
    let other = |cause: &Cause| match cause {
        Cause::Tilt => Some(format!(
            "One side is {:.0} % wider, along {:.0}°: tilt, or optics off their axis; turn the camera by 180° to tell which.",
            value(&f.widening_one_side_percent),
            value(&f.tilt_direction_deg)
        )),
        Cause::Guiding => Some(format!(
            "All stars are {:.0} % elongated along {:.0}°: guiding, wind or polar drift.",
            100.0 * value(&f.constant_ellipticity),
            value(&f.constant_direction_deg)
        )),
        Cause::ChangingGuiding => Some("Elongation changes from sub to sub: guiding or wind, not optics.".to_owned()),
        Cause::Misalignment => Some("Elongation grows along one line: optics out of line with each other.".to_owned()),
        Cause::Curvature | Cause::Radial | Cause::Tangential => None,
    };
    told.extend(f.causes.iter().filter_map(other));
    told.truncate(2);
    told.join(" ")
}
