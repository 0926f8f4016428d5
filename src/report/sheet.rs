//! What every page is written on: its head with the style and the policy, and its foot with the script if it has one.

use minijinja::{Environment, Value, context};

use super::write::ReportError;

/// Fills a page. Its name ends in `.html`, which turns escaping on; all text but style, script and charts is escaped.
///
/// # Errors
///
/// The page could not be filled.
pub(super) fn fill(name: &str, template: &str, page: Value) -> Result<String, ReportError> {
    let mut pages = Environment::new();
    pages.add_template("head.html", include_str!("head.html"))?;
    pages.add_template("foot.html", include_str!("foot.html"))?;
    pages.add_template(name, template)?;
    let style = include_str!("letter.css");
    Ok(pages.get_template(name)?.render(context! { style, ..page })?)
}
