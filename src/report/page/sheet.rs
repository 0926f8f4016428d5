//! What every page is written on: its head with the style and the policy, the setting of a figure, and its foot with the
//! script.

use minijinja::{Environment, Value, context};

use crate::report::ReportError;
use crate::report::plots::WIDTH;

/// The pages' own script, the only one that their policy lets run.
pub(crate) const SCRIPT: &str = include_str!("letter.js");
/// What names that script in a page's policy (Content Security Policy Level 3, 2.3.1): `openssl dgst -sha256 -binary
/// src/report/page/letter.js | base64`. A script with another hash is refused, whoever put it there.
pub(crate) const SCRIPT_HASH: &str = "sha256-pGZ5GJ7QHBqqDzlmEFr27ADcJb8JVRnQFGe97hfTmTg=";

/// Fills a page. Its name ends in `.html`, which turns escaping on; all text but style, script and charts is escaped.
///
/// # Errors
///
/// The page could not be filled.
pub(crate) fn fill(name: &str, template: &str, page: Value) -> Result<String, ReportError> {
    let mut pages = Environment::new();
    pages.add_template("head.html", include_str!("head.html"))?;
    pages.add_template("foot.html", include_str!("foot.html"))?;
    pages.add_template("figure.html", include_str!("figure.html"))?;
    pages.add_template("numbers.html", include_str!("numbers.html"))?;
    pages.add_template("decision.html", include_str!("decision.html"))?;
    pages.add_template(name, template)?;
    // A macro of another file sees globals alone.
    pages.add_global("width", WIDTH);
    let style = include_str!("letter.css");
    Ok(pages.get_template(name)?.render(context! { style, script => SCRIPT, script_hash => SCRIPT_HASH, ..page })?)
}
