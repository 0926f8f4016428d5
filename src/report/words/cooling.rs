//! Cooling in words: what the table rests on, the year, the answer of a session and of several.

use super::answers::law;
use super::percent::{percent, surely_below};
use super::quantity::{InWords, missing};
use super::reply::{FindingWords, Measured, all, by_grade, named_range};
use super::worded::WithSentence;
use crate::facts::{Missing, Source};
use crate::format::capped;
use crate::verdict::findings::{QUOTED_DROP_C, hardly_limits, quoted_row, saving};
use crate::verdict::{
    CooledYear, Cooling, CoolingBasis, CoolingLaw, CoolingRow, CoolingVerdict, Judged, SessionFindings,
};

/// Digits of a ratio near 1.
const RATIO_DIGITS: i32 = 3;

/// A doubling step that darks give, in degrees.
pub(crate) fn step(doubling_celsius: f64) -> String {
    if doubling_celsius > 100.0 { "more than 100 °C".to_owned() } else { format!("{doubling_celsius:.1} °C") }
}

/// What a law rests on, as a sentence.
fn law_basis(of: &CoolingLaw) -> String {
    let words = law(of.step);
    match (of.source, of.range_celsius) {
        (Source::Assumed, _) => format!(
            "The fall with temperature ({words}) is an assumption, not a measurement: the table claims no measured \
             gain. Dark frames at two or more sensor temperatures would measure it."
        ),
        (Source::Rig, _) => format!("The fall with temperature ({words}) was given by the rig file."),
        (Source::Header, _) => format!("The fall with temperature ({words}) was read from the header."),
        (Source::Measured, Some([low, high])) => format!(
            "The fall with temperature ({words}) was measured from {low:.1} to {high:.1} °C; colder rows extrapolate."
        ),
        (Source::Measured, None) => format!("The fall with temperature ({words}) was measured."),
    }
}

/// What the cooling table rests on, and its caution.
pub(crate) fn basis(c: &Cooling) -> String {
    match &c.basis {
        Ok(basis) => table_basis(basis, &c.law),
        Err(because) => format!("No table, because {}.", missing(because)),
    }
}

fn table_basis(basis: &CoolingBasis, law: &CoolingLaw) -> String {
    let mut parts = Vec::new();
    match (basis.now_celsius, basis.exposure_s) {
        (None, _) => parts.push(
            "No table, because the sensor temperature is not known; lights with the card CCD-TEMP would supply it."
                .to_owned(),
        ),
        (Some(now), Some(t)) => {
            parts.push(format!("Exposures of {t} s on a target far fainter than the sky, sensor now at {now:.1} °C."));
        }
        (Some(now), None) => parts.push(format!("Sensor now at {now:.1} °C.")),
    }
    if let Some(because) = &basis.no_time_ratio {
        parts.push(format!("No time ratio, because {}.", missing(because)));
    }
    parts.push(law_basis(law));
    if basis.floor_counts_as_none {
        parts.push(
            "A part of the dark current that does not cool was not measured and counts as none, so real gains may be \
             smaller."
                .to_owned(),
        );
    }
    if basis.dark_current_is_assumed {
        parts.push("The present dark current itself is an assumption.".to_owned());
    }
    if basis.dark_current_is_negative {
        parts.push("The dark current was measured below 0 and counts as 0.".to_owned());
    }
    parts.join(" ")
}

/// The year with its sentence; the reason alone where it is not measurable.
pub(crate) fn year(year: Result<CooledYear, Missing>) -> WithSentence<CooledYear> {
    match year {
        Ok(year) => WithSentence { sentence: year_sentence(&year), facts: year },
        Err(because) => WithSentence {
            sentence: format!("Cooling over the year is not measurable, because {}.", missing(&because)),
            facts: CooledYear::not_measurable(&because),
        },
    }
}

fn year_sentence(year: &CooledYear) -> String {
    let mut parts = Vec::new();
    if let Some(w) = &year.warm_night {
        parts.push(format!(
            "In air of {:.0} °C this cooler brings the sensor to {:.0} °C, where the dark current is {} and the same result takes \
             {} of the time.",
            w.air_celsius,
            w.sensor_cooled_celsius,
            w.dark_e_per_px_s.text("e-/px/s"),
            w.time_ratio.text("")
        ));
    }
    if year.extra_hours_per_year.is_known() {
        let hours: f64 = year.classes.iter().filter_map(|c| c.hours).sum();
        parts.push(format!(
            "Over a year's {hours:.0} hours it would be worth {} more, or save {} for the same result.",
            year.extra_hours_per_year.text("h"),
            year.saved_hours_per_year.text("h")
        ));
    }
    parts.join(" ")
}

/// The answer of one session.
pub(crate) fn finding(s: &SessionFindings, judged: &Judged<CoolingVerdict>) -> FindingWords {
    let quoted = quoted_row(s.cooling);
    FindingWords {
        opening: match judged.verdict {
            CoolingVerdict::NoGain => "Nothing worth having",
            CoolingVerdict::PossibleGain => "Not known for sure",
            CoolingVerdict::SmallGain => "A little",
            CoolingVerdict::LargeGain => "A lot",
            CoolingVerdict::NotMeasurable => "Not measurable",
        },
        statement: statement(s.cooling, quoted),
        shown: percent(&judged.key),
        caution: String::new(),
        detail: detail(s.cooling, quoted),
    }
}

fn statement(c: &Cooling, quoted: Option<&CoolingRow>) -> String {
    let most = saving(&c.floor_time_ratio);
    let bound = match surely_below(&most) {
        Some(limit) => format!("no cooling can save even {limit} %"),
        None => format!("no cooling can save more than {}", percent(&most)),
    };
    let Some(row) = quoted.filter(|_| !hardly_limits(&c.floor_time_ratio)) else {
        return format!("{bound} of the exposure time on a faint target");
    };
    let (place, condition) = match c.law.source {
        Source::Assumed => (String::new(), " if the dark current falls as is usual, which is an assumption"),
        _ => (format!(", to {:.1} °C,", row.sensor_celsius), ""),
    };
    format!(
        "cooling by {QUOTED_DROP_C:.0} °C{place} would save {} of the exposure time on a faint target{condition}; {bound}",
        percent(&saving(&row.time_ratio))
    )
}

fn detail(c: &Cooling, quoted: Option<&CoolingRow>) -> String {
    let mut parts = Vec::new();
    if let Some(row) = quoted {
        parts.push(format!(
            "In the same exposure time, {QUOTED_DROP_C:.0} °C colder would bring {} times the present signal-to-noise.",
            row.snr_gain.pair().map_or_else(String::new, |(v, sigma)| capped(v, sigma, RATIO_DIGITS))
        ));
    }
    match c.drop_for_5_percent_dark_c.value {
        Some(drop) if drop > 0.0 => parts.push(format!(
            "Once {} colder, dark current adds no more than 5 % to the other noise and further cooling hardly pays.",
            c.drop_for_5_percent_dark_c.text("°C")
        )),
        Some(_) => parts.push("Dark current already adds less than 5 % to the other noise.".to_owned()),
        None => {}
    }
    parts.push(basis(c));
    parts.join(" ")
}

/// Two sessions or more that are measured: the one that gains most in full, the others by their range.
pub(crate) fn compared(known: &[&Measured<CoolingVerdict>]) -> String {
    let groups = by_grade(known);
    let mut ordered = known.to_vec();
    ordered.sort_by(|a, b| b.stake.total_cmp(&a.stake));
    let (lead, others) = (ordered[0], &ordered[1..]);
    if let [one] = groups.as_slice()
        && lead.verdict == CoolingVerdict::NoGain
    {
        let words = &lead.words;
        return format!("{} in {}; the most in {}: {}.", words.opening, all(one.len()), lead.label, words.statement);
    }
    let rest = match others {
        [other] => format!("in {} it would save {}.", other.label, other.words.shown),
        _ => format!("in the other {} sessions it would save {}.", others.len(), named_range(others)),
    };
    let opening = if groups.len() == 1 {
        format!("{}; the most in {}", lead.words.opening, lead.label)
    } else {
        format!("{} in {}", lead.words.opening, lead.label)
    };
    format!("{opening}: {}; {rest}", lead.words.statement)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::facts::answers::AnswersMissing;
    use crate::facts::{Method, Quantity};
    use crate::folder::AirClass;
    use crate::verdict::invented::unknown;
    use crate::verdict::{CoolingInput, CoolingPlan, ThermalStep, cooled_year, cooling};

    fn law(source: Source, range_celsius: Option<[f64; 2]>) -> CoolingLaw {
        CoolingLaw { step: ThermalStep::Doubling { celsius: 6.5, sigma_c: 0.2 }, source, range_celsius }
    }

    fn measured(value: f64) -> Quantity {
        Quantity::measured(value, 0.004, Method::NotMeasurable, 5)
    }

    /// The table of an invented sensor at 15 °C, where its temperature is known.
    fn table(dark: &Quantity, floor: &Quantity, now_celsius: Option<f64>, law: CoolingLaw) -> Cooling {
        cooling(&CoolingInput {
            sky_e_per_px_s: &measured(0.5),
            read_noise_e: &measured(3.0),
            exposure_s: Some(120.0),
            now_celsius,
            dark_e_per_px_s: dark,
            floor_e_per_px_s: floor,
            law,
        })
    }

    #[test]
    fn a_law_says_what_it_rests_on() {
        assert!(law_basis(&CoolingLaw::assumed()).contains("no measured gain"));
        let told = law_basis(&law(Source::Measured, Some([-10.0, 10.0])));
        assert!(told.contains("(halving every 6.50 ± 0.20 °C) was measured from -10.0 to 10.0 °C"), "{told}");
    }

    #[test]
    fn a_table_says_what_makes_it_less_sure() {
        let none = Quantity::not_measurable(Missing::Unstated);
        let assumed = basis(&table(&measured(0.5), &none, None, CoolingLaw::assumed()));
        for words in ["assum", "CCD-TEMP", "may be smaller"] {
            assert!(assumed.contains(words), "{assumed}");
        }
        let negative = table(&measured(-0.001), &measured(0.0), Some(15.0), law(Source::Measured, None));
        assert!(basis(&negative).contains("below 0"), "{}", basis(&negative));
    }

    #[test]
    fn without_a_dark_current_the_basis_names_what_would_supply_it() {
        let of = |none: &Quantity| basis(&table(none, none, Some(15.0), CoolingLaw::assumed()));
        let quoted = of(&unknown("no dark frames in the folder"));
        assert_eq!(
            quoted,
            "No table, because the dark current is not known: no dark frames in the folder; dark frames at the temperature, \
             gain setting and exposure of the lights, with bias frames and flats, would supply it."
        );
        let warm = of(&Quantity::not_measurable(Missing::SensorTemperature));
        assert!(warm.contains("CCD-TEMP") && !warm.contains("dark frames"), "{warm}");
    }

    #[test]
    fn a_year_is_told_with_its_warm_night_or_with_its_reason() {
        let plan = CoolingPlan {
            air: vec![AirClass { celsius: 22.0, hours: 20.0 }],
            cooler_drop_c: Some(40.0),
            lowest_celsius: Some(-10.0),
            sensor_above_air_c: Some(8.0),
            warm_night_celsius: Some(35.0),
        };
        let input = CoolingInput {
            sky_e_per_px_s: &measured(0.42),
            read_noise_e: &measured(3.0),
            exposure_s: Some(180.0),
            now_celsius: Some(0.0),
            dark_e_per_px_s: &measured(0.04),
            floor_e_per_px_s: &measured(0.0),
            law: law(Source::Measured, Some([0.0, 20.0])),
        };
        let told = year(cooled_year(&input, &plan).unwrap());
        assert!(told.sentence.contains("brings the sensor to -5 °C"), "{}", told.sentence);
        assert!(told.sentence.contains("Over a year's 20 hours"), "{}", told.sentence);
        let lacking = year(Err(AnswersMissing::CoolerDropNotStated.into()));
        assert!(lacking.sentence.contains("cooler_drop_c is not stated"), "{}", lacking.sentence);
    }
}
