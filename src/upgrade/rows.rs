//! The comparison in words, a row for each thing told.

use super::compare::{Comparison, FreeMeasure, Gain, Interval, Number, OptionResult, Upgrade, Worth};
use super::pairing::Budget;
use crate::verdict::year::Verdict;

/// Factors nearer to 1 than this are not told: they would read 1.00.
const LEAST_FACTOR: f64 = 0.005;

/// Share of the full well that sky and dark current may fill before it is said.
const MOST_BACKGROUND: f64 = 0.5;

/// A name and what is told under it.
pub type Row = (&'static str, String);

/// What is told of an option against one session.
pub fn session_rows(result: &Upgrade, option: &OptionResult, c: &Comparison) -> Vec<Row> {
    let scale = match (&c.image_scale_arcsec_per_px, &c.px_per_fwhm, &c.sampling) {
        (Number { value: Some(scale), .. }, Number { value: Some(px), .. }, Number { value: Some(word), .. }) => {
            format!("{scale:.2} arcsec/px, a star is {px:.1} px wide: {word}")
        }
        (Number { value: Some(scale), .. }, px, _) => {
            format!("{scale:.2} arcsec/px; sampling {}", not_computable(px))
        }
        (scale, ..) => not_computable(scale),
    };
    let mut rows = vec![("scale", scale)];
    if option.kind != "cooler" {
        let fits = match &c.target_fits {
            None => String::new(),
            Some(Number { value: Some(true), .. }) => "; the target fits".to_owned(),
            Some(Number { value: Some(false), .. }) => "; the target does not fit".to_owned(),
            Some(unknown) => format!("; target: {}", not_computable(unknown)),
        };
        let field = match &c.field_arcmin {
            Number { value: Some([w, h]), .. } => format!("{w:.0} x {h:.0} arcmin{fits}"),
            unknown => not_computable(unknown),
        };
        rows.push(("field", field));
    }
    if option.kind == "camera" {
        match &c.coverage {
            Number { value: Some([stars, light]), .. } => {
                rows.extend([("edges", stars.clone()), ("illumination", light.clone())])
            }
            unknown => rows.push(("edges", not_computable(unknown))),
        }
    }
    match &c.gain {
        Number { value: Some(gain), .. } => rows.extend(gain_rows(result, option, gain)),
        unknown => rows.push(("time", not_computable(unknown))),
    }
    rows
}

/// What is told of an option over the whole year.
pub fn altogether_rows(result: &Upgrade, option: &OptionResult) -> Vec<Row> {
    let currency = result.currency.as_deref().unwrap_or("");
    let mut rows = match &option.altogether {
        Number { value: Some(all), .. } => {
            [times(&all.as_now, &all.each_best), hours_and_cost(&all.as_now, currency)].concat()
        }
        unknown => vec![("time", not_computable(unknown))],
    };
    rows.extend(codes(option).map(|note| ("codes", note)));
    rows
}

fn gain_rows(result: &Upgrade, option: &OptionResult, gain: &Gain) -> Vec<Row> {
    let currency = result.currency.as_deref().unwrap_or("");
    let told = gain.parts.iter().filter(|p| (p.factor - 1.0).abs() >= LEAST_FACTOR);
    let parts: Vec<String> = told.map(|p| format!("{} x{:.2}", p.part.words(), p.factor)).collect();
    let best = &gain.each_best.new_exposure;
    let fills = match option.full_well_e.map(|well| best.background_e / well) {
        Some(share) if share > MOST_BACKGROUND => format!("; they fill {:.0} % of the full well", 100.0 * share),
        _ => String::new(),
    };
    let noise = |b: &Budget, more: &str| {
        let [sky, dark, read] = [b.sky_share, b.dark_share, b.read_share].map(|s| 100.0 * s);
        format!("{:.0} s: sky {sky:.0} %, dark {dark:.0} %, read {read:.0} %{more}", b.exposure_s)
    };
    let now = &gain.as_now.worth;
    let mut rows = times(now, &gain.each_best.worth);
    rows.extend([
        ("by", if parts.is_empty() { "no difference".to_owned() } else { parts.join(", ") }),
        ("noise now", noise(&gain.as_now.new_exposure, "")),
        ("noise at best", noise(best, &fills)),
    ]);
    rows.extend(hours_and_cost(now, currency));
    rows.push(("verdict", verdict(result, gain, currency)));
    rows.extend(gain.cautions.iter().map(|caution| ("caution", caution.clone())));
    rows
}

/// Time needed with exposures chosen in either way.
fn times(as_now: &Worth, each_best: &Worth) -> Vec<Row> {
    vec![
        ("time, exposures as now", format!("{} of the present time", share(&as_now.time_ratio))),
        ("time, best exposures", format!("{} of the present time, each at its own best", share(&each_best.time_ratio))),
    ]
}

fn hours_and_cost(worth: &Worth, currency: &str) -> Vec<Row> {
    vec![("hours a year", hours(worth)), ("an extra hour", cost(worth, currency))]
}

fn cost(worth: &Worth, currency: &str) -> String {
    match &worth.cost_per_extra_hour {
        Number { value: Some(c), .. } => format!(
            "{} ({} to {}); {} nights until even",
            money(c.median, currency),
            money(c.low_16, ""),
            money(c.high_84, ""),
            worth.break_even_nights.value.map_or("unknown".to_owned(), |n| format!("{:.0}", n.ceil()))
        ),
        unknown => not_computable(unknown),
    }
}

/// Why a number is not there.
pub fn not_computable<T>(number: &Number<T>) -> String {
    format!("not computable, because {}", number.why())
}

fn hours(worth: &Worth) -> String {
    match (&worth.extra_hours_per_year, &worth.saved_hours_per_year) {
        (Number { value: Some(extra), .. }, Number { value: Some(saved), .. }) => format!(
            "{:+.0} ({:+.0} to {:+.0}) worth of the present camera, or {:.0} saved for the same result",
            extra.median, extra.low_16, extra.high_84, saved.median
        ),
        (unknown, _) => not_computable(unknown),
    }
}

fn verdict(result: &Upgrade, gain: &Gain, currency: &str) -> String {
    let hinge = match gain.depends_most_on {
        Some(hinge) => format!("it depends most on {}", hinge.input),
        None => "no input has a stated uncertainty".to_owned(),
    };
    match (gain.verdict.value, result.most_per_extra_hour) {
        (Some(Verdict::Depends), Some(most)) => {
            format!("depends, at {} an hour at most: {hinge}", money(most, currency))
        }
        (Some(word), Some(most)) => format!("{} at {} an hour at most", word.word(), money(most, currency)),
        _ => format!("none: {}; {hinge}", gain.verdict.why()),
    }
}

fn share(ratio: &Interval) -> String {
    format!("{:.2} ({:.2} to {:.2})", ratio.median, ratio.low_16, ratio.high_84)
}

/// An amount with its currency.
pub fn money(amount: f64, currency: &str) -> String {
    let text = if amount.abs() < 100.0 { format!("{amount:.2}") } else { format!("{amount:.0}") };
    if currency.is_empty() { text } else { format!("{text} {currency}") }
}

/// A caution where the codes are coarser than the read noise that is stated.
fn codes(option: &OptionResult) -> Option<String> {
    let (step, read) = (option.code_step_e?, option.read_noise_e?);
    // Noise of rounding alone, step/sqrt(12), already exceeds the noise that is said to contain it.
    (step / 12.0_f64.sqrt() > read).then(|| {
        format!("steps of {step:.1} e- at full well alone are noisier than the stated read noise of {read:.1} e-")
    })
}

/// What a measure that costs nothing brings.
pub fn free(measure: &FreeMeasure) -> String {
    match (&measure.extra_hours_per_year, &measure.time_ratio) {
        (Number { value: Some(hours), .. }, _) => format!("{hours:+.1} h a year: {}", measure.words),
        (_, Number { value: Some(ratio), .. }) => format!("{ratio:.2} of the time: {}", measure.words),
        (unknown, _) => format!("{}; hours {}", measure.words, not_computable(unknown)),
    }
}
