//! `skygrain demo`: a simulated night through the main job, beside the truth it was made from.

use crate::report::InWords;
use std::path::{Path, PathBuf};

use walkdir::WalkDir;

use super::error::CliError;
use super::job::{Task, once};
use super::output::print;
use super::progress::Say;
use crate::facts::Quantity;
use crate::folder::Rig;
use crate::night::{NightInput, Scope};
use crate::report::{Report, with_sigma};
use crate::simulate::{NightTruth, SimulateError, write_night};

/// Writes the night, measures it, prints the report's summary and the comparison.
pub fn demo(folder: PathBuf, out: PathBuf, seed: u64, say: Say) -> Result<u8, CliError> {
    let truth = simulated_night(&folder, seed)?;
    let input = NightInput { folders: vec![folder], out, rig: Rig::default(), stars: false };
    let done = once(Task { input, scope: Scope::Night, defects: None, fresh: false }, say)?;
    print(&comparison(&done.report, &truth))?;
    // A trailed and a clouded light are part of the night: leaving them out is what the demo shows.
    Ok(if done.report.sessions.iter().all(|s| s.frame_counts.used > 0) { 0 } else { done.status })
}

/// Writes the night, or finds it where an earlier demo wrote the very same one; anything else there is left alone.
fn simulated_night(folder: &Path, seed: u64) -> Result<NightTruth, SimulateError> {
    match write_night(folder, seed, &|_, _| {}) {
        Err(SimulateError::NotEmpty { path }) => {
            let io = |source| SimulateError::Io { path: path.clone(), source };
            let fresh = tempfile::tempdir().map_err(io)?;
            let truth = write_night(&fresh.path().join("night"), seed, &|_, _| {})?;
            if hold_the_same(&fresh.path().join("night"), folder) {
                Ok(truth)
            } else {
                Err(SimulateError::NotEmpty { path })
            }
        }
        done => done,
    }
}

/// Whether two folders hold the same files with the same bytes.
fn hold_the_same(one: &Path, other: &Path) -> bool {
    let files = |folder: &Path| -> Option<Vec<PathBuf>> {
        let mut below = Vec::new();
        for entry in WalkDir::new(folder).sort_by_file_name() {
            let entry = entry.ok()?;
            if !entry.file_type().is_dir() {
                below.push(entry.path().strip_prefix(folder).ok()?.to_owned());
            }
        }
        Some(below)
    };
    let (Some(a), Some(b)) = (files(one), files(other)) else { return false };
    let same_bytes = |file: &PathBuf| match (std::fs::read(one.join(file)), std::fs::read(other.join(file))) {
        (Ok(x), Ok(y)) => x == y,
        _ => false,
    };
    a == b && a.iter().all(same_bytes)
}

/// Measured against simulated values, a row each.
fn comparison(report: &Report, truth: &NightTruth) -> String {
    let mut rows: Vec<[String; 4]> = Vec::new();
    let mut row = |what: &str, measured: &Quantity, simulated: f64| {
        let text = measured.value.map_or_else(|| measured.why().to_owned(), |v| with_sigma(v, measured.sigma));
        let off = match measured.pair() {
            Some((v, s)) if s > 0.0 => format!("{:+.1}", (v - simulated) / s),
            _ => "-".to_owned(),
        };
        rows.push([what.to_owned(), text, format!("{simulated:.4}"), off]);
    };
    for sensor in &report.sensors {
        let result = &sensor.result;
        row("gain, e-/ADU", &result.gain_e_per_adu, truth.gain_e_per_adu);
        row("read noise, e-", &result.read_noise_e, truth.read_noise_e);
        row("bias level, ADU", &result.bias_level_adu, truth.bias_level_adu);
        let dark = &result.dark_current;
        if let Some(celsius) = dark.reference_celsius {
            let at = format!("dark rate at {celsius:.1} C, e-/px/s");
            row(&at, &dark.rate_e_per_px_s, truth.dark_law.rate_at(celsius));
            row("dark doubling step there, C", &dark.doubling_celsius, truth.dark_law.doubling_at(celsius));
        }
        for v in &result.vignetting {
            let what = format!("{}: light in the corners", v.filter.as_deref().unwrap_or("no filter"));
            row(&what, &v.corner_illumination, truth.corner_illumination);
        }
        row("activation energy, eV", &dark.activation_energy_ev, truth.dark_law.activation_ev);
    }
    for simulated in &truth.sessions {
        let same = |s: &&crate::report::Session| s.settings.filter.as_deref() == Some(simulated.filter.as_str());
        let Some(session) = report.sessions.iter().find(same) else { continue };
        // The truth over the frames that were used: the faulty ones are left out on both sides.
        let good = || simulated.frames.iter().filter(|f| f.fault.is_none());
        let middle = |value: fn(&crate::simulate::LightTruth) -> f64| {
            crate::stats::median(&good().map(value).collect::<Vec<_>>()).unwrap_or(f64::NAN)
        };
        let named = |what: &str| format!("{}: {what}", simulated.filter);
        row(&named("FWHM before the pixel, px"), &session.fwhm_px, middle(|f| f.fwhm_px));
        row(&named("ellipticity"), &session.ellipticity, middle(|f| f.ellipticity));
        let field = &session.field;
        row(&named("widening to one side, %"), &field.widening_one_side_percent, truth.widening_one_side_percent);
        row(&named("widening to the corners, %"), &field.widening_corner_percent, truth.widening_corner_percent);
        row(&named("ellipticity shared"), &field.constant_ellipticity, truth.guiding_ellipticity);
        row(&named("ellipticity, radial"), &field.radial_ellipticity, truth.radial_ellipticity);
        row(&named("sky, e-/px/s"), &session.sky_e_per_px_s, middle(|f| f.sky_e_per_px_s));
    }
    let mut text = String::from("\nMeasured against simulated\n");
    let header = ["", "measured", "simulated", "off, sigma"].map(str::to_owned);
    for [what, measured, simulated, off] in std::iter::once(header).chain(rows) {
        text.push_str(&format!("  {what:<36}{measured:>19}{simulated:>11}{off:>11}\n"));
    }
    text
}
