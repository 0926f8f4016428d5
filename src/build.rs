//! Names the state of the measuring code, so that what was measured by other code is measured anew.

use std::hash::{DefaultHasher, Hasher};
use std::path::{Path, PathBuf};

/// All that decides a measurement: the stages up to the stars and the sensor, what wires them, and the libraries.
const SOURCES: [&str; 14] = [
    "src/fits",
    "src/folder",
    "src/frame",
    "src/image",
    "src/stars",
    "src/sensor",
    "src/night",
    "src/stats",
    "src/stats.rs",
    "src/facts",
    "src/units.rs",
    "src/store.rs",
    "src/format.rs",
    "Cargo.lock",
];

fn main() {
    let mut hasher = DefaultHasher::new();
    for source in SOURCES.iter().map(Path::new) {
        println!("cargo::rerun-if-changed={}", source.display());
        for file in files(source) {
            hasher.write(file.to_string_lossy().as_bytes());
            hasher.write(&std::fs::read(&file).unwrap_or_default());
        }
    }
    println!("cargo::rustc-env=SKYGRAIN_MEASURING_CODE={:016x}", hasher.finish());
}

/// The files below a path, sorted; what is written about the code decides no measurement.
fn files(path: &Path) -> Vec<PathBuf> {
    let Ok(entries) = std::fs::read_dir(path) else { return vec![path.to_owned()] };
    let mut inner: Vec<PathBuf> = entries.flatten().map(|e| e.path()).collect();
    inner.retain(|p| p.extension().is_none_or(|suffix| suffix != "md"));
    inner.sort();
    inner.iter().flat_map(|p| files(p)).collect()
}
