//! `upgrade.html`: the comparison as a letter that needs nothing else, answers first.

use minijinja::context;
use minijinja::value::Serde;
use serde::Serialize;

use crate::report::ReportError;
use crate::report::page::sheet::fill;
use crate::report::plots::Figure;
use crate::report::words::numbers::typographic;
use crate::upgrade::compare::{OptionResult, Upgrade};
use crate::upgrade::words::letter::{answer, by_session, hinge, if_all_hours_were_like, kind};
use crate::upgrade::words::names::assumption;
use crate::upgrade::words::rows::{Row, altogether_rows, free, session_rows};
use crate::upgrade::words::screen::conditions;

#[derive(Serialize)]
struct Page {
    version: &'static str,
    conditions: String,
    options: Vec<OptionPart>,
    figure: Option<Figure>,
    free: Vec<Headed>,
    assumptions: Vec<&'static str>,
}

#[derive(Serialize)]
struct OptionPart {
    name: String,
    kind: String,
    answer: String,
    detail: String,
    hinge: String,
    altogether: Vec<Line>,
    sessions: Vec<Headed>,
}

/// A row's name and its words.
type Line = (&'static str, String);

/// Rows under one heading.
#[derive(Serialize)]
struct Headed {
    name: String,
    rows: Vec<Line>,
}

/// Fills the page; names from the options file and the report are escaped.
///
/// # Errors
///
/// The chart could not be drawn, or the page could not be filled.
pub(crate) fn upgrade_html(result: &Upgrade) -> Result<String, ReportError> {
    let page = Page {
        version: result.program_version,
        conditions: typographic(&conditions(result).join("; ")),
        options: result.options.iter().map(|option| option_part(result, option)).collect(),
        figure: super::hours_figure::hours_against_cost(result)?,
        free: result
            .free_measures
            .iter()
            .map(|s| Headed {
                name: s.session_id.clone(),
                rows: s.measures.iter().map(|m| (m.measure, typographic(&free(m)))).collect(),
            })
            .collect(),
        assumptions: result.assumptions.iter().map(|of| assumption(*of)).collect(),
    };
    fill("upgrade.html", include_str!("page.html"), context! { page => Serde(page) })
}

fn option_part(result: &Upgrade, option: &OptionResult) -> OptionPart {
    let currency = result.currency.as_deref().unwrap_or("");
    OptionPart {
        name: option.name.clone(),
        kind: kind(option, currency),
        answer: typographic(&answer(option, currency)),
        detail: typographic(&by_session(option)),
        hinge: typographic(&hinge(option)),
        altogether: set(altogether_rows(result, option)),
        sessions: option
            .sessions
            .iter()
            .map(|c| Headed { name: if_all_hours_were_like(c), rows: set(session_rows(result, option, c)) })
            .collect(),
    }
}

/// Rows with their numbers as they are set on a page.
fn set(rows: Vec<Row>) -> Vec<Line> {
    rows.into_iter().map(|(name, words)| (name.words(), typographic(&words))).collect()
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
