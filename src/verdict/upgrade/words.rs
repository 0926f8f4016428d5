//! The comparison as text for one screen.

use std::fmt::Write as _;

use super::compare::{Comparison, Gain, Interval, Number, OptionResult, Upgrade, Worth};
use super::free::FreeMeasure;
use super::year::Verdict;

/// Factors nearer to 1 than this are not told: they would read 1.00.
const LEAST_FACTOR: f64 = 0.005;

/// Share of the full well that sky and dark current may fill before it is said.
const MOST_BACKGROUND: f64 = 0.5;

/// The text that the program prints.
pub fn text(result: &Upgrade) -> String {
    let mut out = String::new();
    let currency = result.currency.as_deref().unwrap_or("");
    for option in &result.options {
        let cost = option.net_cost.map_or(String::new(), |c| format!(", costs {}", money(c, currency)));
        let _ = writeln!(out, "{} ({}{cost})", option.name, option.kind);
        for session in &option.sessions {
            of_session(&mut out, result, option, session, currency);
        }
        if let Some(note) = codes(option) {
            line(&mut out, "codes", &note);
        }
        out.push('\n');
    }
    out.push_str("Without spending anything\n");
    for session in &result.free_measures {
        let _ = writeln!(out, "  {}", session.session_id);
        for measure in &session.measures {
            line(&mut out, measure.measure, &free(measure));
        }
    }
    out
}

fn line(out: &mut String, name: &str, words: &str) {
    let _ = writeln!(out, "    {name:<18}{words}");
}

fn of_session(out: &mut String, result: &Upgrade, option: &OptionResult, c: &Comparison, currency: &str) {
    let _ = writeln!(out, "  {}", c.session_id);
    let scale = match (&c.image_scale_arcsec_per_px, &c.px_per_fwhm, &c.sampling) {
        (Number { value: Some(scale), .. }, Number { value: Some(px), .. }, Number { value: Some(word), .. }) => {
            format!("{scale:.2} arcsec/px, a star is {px:.1} px wide: {word}")
        }
        (Number { value: Some(scale), .. }, px, _) => {
            format!("{scale:.2} arcsec/px; sampling {}", not_computable(px))
        }
        (scale, ..) => not_computable(scale),
    };
    line(out, "scale", &scale);
    if option.kind == "camera" {
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
        line(out, "field", &field);
        match &c.coverage {
            Number { value: Some([stars, light]), .. } => {
                line(out, "edges", stars);
                line(out, "illumination", light);
            }
            unknown => line(out, "edges", &not_computable(unknown)),
        }
    }
    match &c.gain {
        Number { value: Some(gain), .. } => of_gain(out, result, option, gain, currency),
        unknown => line(out, "time", &not_computable(unknown)),
    }
}

fn of_gain(out: &mut String, result: &Upgrade, option: &OptionResult, gain: &Gain, currency: &str) {
    line(out, "time needed", &format!("{} of now (exposures as now)", share(&gain.as_now.time_ratio)));
    line(out, "", &format!("{} (each at its own best exposure)", share(&gain.each_best.time_ratio)));
    let told = gain.parts.iter().filter(|p| (p.factor - 1.0).abs() >= LEAST_FACTOR);
    let parts: Vec<String> = told.map(|p| format!("{} x{:.2}", p.part.words(), p.factor)).collect();
    line(out, "by", &if parts.is_empty() { "no difference".to_owned() } else { parts.join(", ") });
    let best = &gain.each_best.new_exposure;
    let fills = match option.full_well_e.map(|well| best.background_e / well) {
        Some(share) if share > MOST_BACKGROUND => format!("; they fill {:.0} % of the full well", 100.0 * share),
        _ => String::new(),
    };
    for (name, b, more) in [("noise now", &gain.as_now.new_exposure, ""), ("noise at best", best, fills.as_str())] {
        let [sky, dark, read] = [b.sky_share, b.dark_share, b.read_share].map(|s| 100.0 * s);
        line(out, name, &format!("{:.0} s: sky {sky:.0} %, dark {dark:.0} %, read {read:.0} %{more}", b.exposure_s));
    }
    line(out, "hours a year", &hours(&gain.as_now));
    let cost = match &gain.as_now.cost_per_extra_hour {
        Number { value: Some(c), .. } => format!(
            "{} ({} to {}); {} nights until even",
            money(c.median, currency),
            money(c.low_16, ""),
            money(c.high_84, ""),
            gain.as_now.break_even_nights.value.map_or("unknown".to_owned(), |n| format!("{:.0}", n.ceil()))
        ),
        unknown => not_computable(unknown),
    };
    line(out, "an extra hour", &cost);
    line(out, "verdict", &verdict(result, gain, currency));
    if let Some(caution) = &gain.caution {
        line(out, "caution", caution);
    }
}

fn not_computable<T>(number: &Number<T>) -> String {
    format!("not computable, because {}", number.not_computable_because.as_deref().unwrap_or("it is unknown"))
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
        _ => format!("none: {}; {hinge}", gain.verdict.not_computable_because.as_deref().unwrap_or("unknown")),
    }
}

fn share(ratio: &Interval) -> String {
    format!("{:.2} ({:.2} to {:.2})", ratio.median, ratio.low_16, ratio.high_84)
}

fn money(amount: f64, currency: &str) -> String {
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

fn free(measure: &FreeMeasure) -> String {
    match (&measure.extra_hours_per_year, &measure.time_ratio) {
        (Number { value: Some(hours), .. }, _) => format!("{hours:+.1} h a year: {}", measure.words),
        (_, Number { value: Some(ratio), .. }) => format!("{ratio:.2} of the time: {}", measure.words),
        (unknown, _) => format!("{}; hours {}", measure.words, not_computable(unknown)),
    }
}
