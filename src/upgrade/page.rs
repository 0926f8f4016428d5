//! `upgrade.html`: the comparison as a letter that needs nothing else, answers first.

use minijinja::context;
use minijinja::value::Serde;
use serde::Serialize;

use crate::report::ReportError;
use crate::report::page::sheet::fill;
use crate::report::plots::Figure;
use crate::report::words::numbers::typographic;
use crate::upgrade::{
    Interval, OptionResult, Row, Upgrade, altogether_rows, conditions, free, money, not_computable, session_rows,
};
use crate::verdict::Verdict;

#[derive(Serialize)]
struct Page {
    version: &'static str,
    conditions: String,
    options: Vec<OptionPart>,
    figure: Option<Figure>,
    free: Vec<Told>,
    assumptions: Vec<&'static str>,
}

#[derive(Serialize)]
struct OptionPart {
    name: String,
    kind: String,
    answer: String,
    detail: String,
    hinge: String,
    altogether: Vec<Row>,
    sessions: Vec<Told>,
}

/// What is told under one heading.
#[derive(Serialize)]
struct Told {
    name: String,
    rows: Vec<Row>,
}

/// Fills the page; names from the options file and the report are escaped.
///
/// # Errors
///
/// The chart could not be drawn, or the page could not be filled.
pub fn upgrade_html(result: &Upgrade) -> Result<String, ReportError> {
    let page = Page {
        version: result.program_version,
        conditions: typographic(&conditions(result).join("; ")),
        options: result.options.iter().map(|option| option_part(result, option)).collect(),
        figure: super::hours_figure::hours_against_cost(result)?,
        free: result
            .free_measures
            .iter()
            .map(|s| Told { name: s.session_id.clone(), rows: set(s.measures.iter().map(|m| (m.measure, free(m)))) })
            .collect(),
        assumptions: result.assumptions.clone(),
    };
    fill("upgrade.html", include_str!("page.html"), context! { page => Serde(page) })
}

fn option_part(result: &Upgrade, option: &OptionResult) -> OptionPart {
    let currency = result.currency.as_deref().unwrap_or("");
    let what = match option.kind {
        "camera" => "Another camera",
        "cooler" => "A cooler for the present camera",
        _ => "Added optics",
    };
    let cost = option.net_cost.map_or("; its price is not stated".to_owned(), |c| {
        format!("; price less what the present gear brings: {}", money(c, currency))
    });
    OptionPart {
        name: option.name.clone(),
        kind: format!("{what}{cost}."),
        answer: typographic(&answer(option, currency)),
        detail: typographic(&by_session(option)),
        hinge: typographic(&hinge(option)),
        altogether: set(altogether_rows(result, option)),
        sessions: option
            .sessions
            .iter()
            .map(|c| Told {
                name: format!("If all hours were like {}", c.session_id),
                rows: set(session_rows(result, option, c)),
            })
            .collect(),
    }
}

/// Rows with their numbers as they are set on a page.
fn set(rows: impl IntoIterator<Item = Row>) -> Vec<Row> {
    rows.into_iter().map(|(name, words)| (name, typographic(&words))).collect()
}

/// The answer over the year, in one sentence.
fn answer(option: &OptionResult, currency: &str) -> String {
    let Some(all) = &option.altogether.value else {
        return format!("As a whole {}.", not_computable(&option.altogether));
    };
    let hours = match &all.as_now.extra_hours_per_year.value {
        Some(Interval { median, low_16, high_84 }) => {
            format!("{median:+.0} hours a year ({low_16:+.0} to {high_84:+.0})")
        }
        None => format!("{:.2} of the present time for the same result", all.as_now.time_ratio.median),
    };
    let cost = all.as_now.cost_per_extra_hour.value.map_or(String::new(), |c| {
        format!(", {} each ({} to {})", money(c.median, currency), money(c.low_16, ""), money(c.high_84, ""))
    });
    match all.verdict.value {
        Some(Verdict::PaysOff) => format!("Pays off: {hours}{cost}."),
        Some(Verdict::DoesNotPayOff) => format!("Does not pay off: {hours}{cost}."),
        Some(Verdict::Depends) => format!("It depends: {hours}{cost}."),
        None => format!("{hours}{cost}; no verdict, because {}.", all.verdict.why()),
    }
}

/// Time ratios of the sessions, whose mean the year is.
fn by_session(option: &OptionResult) -> String {
    let told: Vec<String> = option
        .sessions
        .iter()
        .map(|c| match &c.gain.value {
            Some(gain) => {
                let Interval { median, low_16, high_84 } = gain.as_now.worth.time_ratio;
                format!("{}: {median:.2} of the present time ({low_16:.2} to {high_84:.2})", c.words())
            }
            None => format!("{}: {}", c.words(), not_computable(&c.gain)),
        })
        .collect();
    told.join("; ") + "."
}

/// What the answer hangs on, and what it is less sure for.
fn hinge(option: &OptionResult) -> String {
    let gains: Vec<_> = option.sessions.iter().filter_map(|c| c.gain.value.as_ref()).collect();
    let mut told: Vec<String> = Vec::new();
    let mut inputs: Vec<&str> = gains.iter().filter_map(|g| Some(g.depends_most_on?.input)).collect();
    inputs.dedup();
    if !inputs.is_empty() {
        told.push(format!("Depends most on {}.", inputs.join(" and ")));
    }
    for caution in gains.iter().flat_map(|g| &g.cautions) {
        let caution = format!("Caution: {caution}.");
        if !told.contains(&caution) {
            told.push(caution);
        }
    }
    told.join(" ")
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::report::{json, sample};
    use crate::upgrade::{MeasuredReport, Options, upgrade};

    fn compared(name: &str) -> Upgrade {
        let report = json(&sample::report()).unwrap();
        let report = MeasuredReport::parse(&report, Path::new("report.json")).unwrap();
        let options = format!(
            "[conditions]\nhours_per_year = 100\n[[option]]\nname = {name:?}\nkind = \"optics\"\nfocal_factor = 0.8\n\
             transmission = 0.9\nprice = 10"
        );
        upgrade(&report, &Options::parse(&options, Path::new("options.toml")).unwrap())
    }

    #[test]
    fn names_are_escaped_and_nothing_comes_from_outside() {
        let page = upgrade_html(&compared("<script>x</script>")).unwrap();
        assert_eq!(page.matches("<script").count(), 1, "a script tag beside the page's own got through");
        assert!(page.contains("&lt;script&gt;"));
        for outside in ["http:", "https:", "src=", "url(", "<link"] {
            assert!(!page.contains(outside), "{outside}");
        }
    }

    #[test]
    fn what_is_not_computable_says_why() {
        let page = upgrade_html(&compared("Short tube")).unwrap();
        assert!(page.contains("not computable, because"), "{page}");
        assert!(page.contains("What the comparison takes for granted"));
    }
}
