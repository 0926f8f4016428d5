//! What a session says to a decision, in cells and words: suitable gear, the width's parts, saturation, cooling over a year.

use crate::report::InWords;
use serde::Serialize;

use crate::report::model::{Report, Session};
use crate::report::words::numbers::{plain, quantity, typographic, with_unit};
use crate::report::words::percent;
use crate::verdict::CooledClass;

/// The parts of one session.
#[derive(Debug, Serialize)]
pub struct DecisionPart {
    /// Sampling, focal factor, focal length, pixel, field.
    pub gear: Vec<[String; 5]>,
    pub width: String,
    pub saturation: String,
    pub sub_length: String,
    pub last_gain: String,
    pub year: String,
    /// Air, hours, sensor now and cooled, time needed.
    pub classes: Vec<[String; 5]>,
}

/// The words of a session.
pub fn decision_part(s: &Session) -> DecisionPart {
    let gear = s.suited.iter().filter(|g| g.focal_factor.is_known()).map(|g| {
        let [width, height] = &g.field_arcmin;
        let field = match (width.value, height.value) {
            (Some(w), Some(h)) => format!("{w:.1} × {h:.1}"),
            _ => "not measurable".to_owned(),
        };
        let cells = [
            format!("{:.0}", g.px_per_fwhm),
            format!("× {}", quantity(&g.focal_factor)),
            quantity(&g.focal_length_mm),
            quantity(&g.pixel_um),
            field,
        ];
        cells.map(|t| typographic(&t))
    });
    let last = &s.cooling_gains_under_1_percent_below_celsius;
    let last_gain = match last.is_known() {
        true => format!(
            "Below {} of the sensor more cooling saves less than 1 % of the time{}.",
            with_unit(last, "°C"),
            last.remark().as_ref().map_or_else(String::new, |n| format!(" ({n})"))
        ),
        false => String::new(),
    };
    let year = s.cooling_year.as_ref();
    let class = |c: &CooledClass| {
        let cells = [
            plain(c.air_celsius),
            c.hours.map_or_else(|| "a warm night".to_owned(), plain),
            format!("{:.1}", c.sensor_now_celsius),
            format!("{:.1}", c.sensor_cooled_celsius),
            quantity(&c.time_ratio),
        ];
        cells.map(|t| typographic(&t))
    };
    DecisionPart {
        gear: gear.collect(),
        width: typographic(&s.width_budget.sentence),
        saturation: typographic(&s.saturation.sentence),
        sub_length: typographic(&s.sub_length.sentence),
        last_gain: typographic(&last_gain),
        year: typographic(year.map_or("", |y| &y.sentence)),
        classes: year.map_or_else(Vec::new, |y| y.classes.iter().chain(&y.warm_night).map(class).collect()),
    }
}

/// Noise of the sessions' exposures side by side: session, shares of sky, heat and read-out, what read noise adds, where that is
/// 5 and 10 %, where a tenth of the brighter stars clip. Empty for a single session.
pub fn side_by_side(report: &Report) -> Vec<[String; 8]> {
    let row = |s: &Session| {
        let b = &s.noise_budget;
        let short = |q: &crate::facts::Quantity| q.value.map_or_else(|| "–".to_owned(), |v| format!("{v:.0}"));
        let shares = [&b.sky_share, &b.dark_share, &b.read_share, &b.read_noise_adds].map(|q| match q.is_known() {
            true => percent(q),
            false => "–".to_owned(),
        });
        let [sky, dark, read, adds] = shares;
        let cells = [
            s.id.clone(),
            sky,
            dark,
            read,
            adds,
            short(&b.exposure_for_5_percent_read_s),
            short(&b.exposure_for_10_percent_read_s),
            short(&s.saturation.exposure_for_tenth_clipped_s),
        ];
        cells.map(|t| typographic(&t))
    };
    if report.sessions.len() < 2 { Vec::new() } else { report.sessions.iter().map(row).collect() }
}

/// Sampling over several sessions of a filter, a sentence each.
pub fn over_filters(report: &Report) -> Vec<String> {
    let several = report.filters.iter().filter(|f| f.sessions.len() > 1);
    let told = several.map(|f| {
        let name = f.filter.as_deref().unwrap_or("no filter");
        format!(
            "Over all {} sessions in {name} a star is {} wide before the pixel: {}.",
            f.sessions.len(),
            with_unit(&f.px_per_fwhm, "px"),
            f.verdict.word()
        )
    });
    told.map(|t| typographic(&t)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::Parts;
    use crate::report::sample;

    #[test]
    fn sessions_stand_side_by_side_and_one_alone_does_not() {
        let mut report = sample::report();
        let rows = side_by_side(&report);
        assert_eq!(rows.len(), 2);
        assert!(rows[0][1].contains('%') && rows[0][5] == "128" && rows[0][6] == "63", "{rows:?}");
        assert_eq!(rows[1][1], "–");
        report.sessions.truncate(1);
        assert!(side_by_side(&report).is_empty());
    }

    #[test]
    fn nights_of_one_filter_are_told_together() {
        let report = sample::report();
        assert!(over_filters(&report).is_empty());
        let sessions = vec![report.sessions[0].clone(); 2];
        let twice = Report::new(Parts { filters: sample::filters(&sessions), sessions, ..Parts::default() });
        let [told] = &over_filters(&twice)[..] else { panic!("{:?}", over_filters(&twice)) };
        assert!(told.contains("all 2 sessions in L") && told.contains("well-sampled"), "{told}");
    }

    #[test]
    fn gear_and_the_last_gain_have_their_numbers() {
        let part = decision_part(&sample::report().sessions[0]);
        // 3 px of a star of 2.61 px: the focal length times 1.149.
        assert!(part.gear[1][1].starts_with("×\u{A0}1.149"), "{:?}", part.gear);
        assert!(part.last_gain.contains("\u{2212}21.0\u{A0}±\u{A0}1.2"), "{}", part.last_gain);
        assert!(part.year.is_empty() && part.width.contains("is made of"));
    }
}
