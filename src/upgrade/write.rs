//! Writes `upgrade.html` and `upgrade.json`.

use std::path::{Path, PathBuf};

use super::Upgrade;
use super::page::upgrade_html;
use crate::report::ReportError;
use crate::report::files::write::put;

/// Writes `upgrade.html` and `upgrade.json` into `out_dir`, which is made if need be, whole or not at all; where they lie.
///
/// # Errors
///
/// A folder or file cannot be made, or something stands in the way; files of an earlier run are then whole.
pub fn write_upgrade(result: &Upgrade, out_dir: &Path) -> Result<[PathBuf; 2], ReportError> {
    let paths = ["upgrade.html", "upgrade.json"].map(|name| out_dir.join(name));
    let [page, values] = &paths;
    put(out_dir, &[(values, serde_json::to_string_pretty(result)? + "\n"), (page, upgrade_html(result)?)])?;
    Ok(paths)
}
