//! `skygrain upgrade`: options of the user's own against a report.

use std::path::{Path, PathBuf};

use super::error::CliError;
use super::output::print;
use super::status::ALL_HANDLED;
use crate::upgrade::write_upgrade;
use crate::upgrade::{MeasuredReport, Options, text, upgrade};

/// Compares, writes page and values into `out` and prints the comparison.
pub fn compare(report: &Path, options: &Path, out: PathBuf) -> Result<u8, CliError> {
    let options = Options::read(options)?;
    let result = upgrade(&MeasuredReport::read(report)?, &options);
    let [page, values] = write_upgrade(&result, &out)?;
    print(&text(&result))?;
    print(&format!("\n{:<12}{}\n{:<12}{}\n", "To read", page.display(), "Values", values.display()))?;
    Ok(ALL_HANDLED)
}
