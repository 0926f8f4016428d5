//! Kinds of frames as the user states them: by folder on the command line, by patterns of paths in the rig file.

use std::path::{Path, PathBuf};

use globset::{GlobBuilder, GlobMatcher};

use super::FoundFile;
use crate::facts::FrameKind;

/// What the user lists for lights, darks, flats, biases and dark-flats, each with its kind.
pub fn each_kind<T>(lists: [&[T]; 5]) -> impl Iterator<Item = (FrameKind, &T)> {
    let kinds = [FrameKind::Light, FrameKind::Dark, FrameKind::Flat, FrameKind::Bias, FrameKind::DarkFlat];
    kinds.into_iter().zip(lists).flat_map(|(kind, list)| list.iter().map(move |of| (kind, of)))
}

/// Patterns of a rig file, a list for each kind.
#[derive(Debug, Clone, Default, PartialEq, serde::Deserialize)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct KindPatterns {
    pub light: Vec<String>,
    pub dark: Vec<String>,
    pub flat: Vec<String>,
    pub bias: Vec<String>,
    #[serde(alias = "dark_flat")]
    pub dark_flat: Vec<String>,
}

impl KindPatterns {
    fn all(&self) -> impl Iterator<Item = (FrameKind, &String)> {
        each_kind([&self.light, &self.dark, &self.flat, &self.bias, &self.dark_flat])
    }

    /// A pattern that is none.
    pub fn first_wrong(&self) -> Option<&String> {
        self.all().map(|(_, pattern)| pattern).find(|pattern| matcher(pattern).is_err())
    }
}

/// Folders or files of the command line, with the kind of all frames there.
pub type KindFolders = [(FrameKind, PathBuf)];

/// The kind that the user states of a file, and where: the command line goes before the rig file.
pub fn stated_kind(file: &FoundFile, folders: &KindFolders, patterns: &KindPatterns) -> Option<(FrameKind, String)> {
    let place = |path: &Path| path.canonicalize().ok();
    let own = if folders.is_empty() { None } else { place(&file.path) };
    let below = |folder: &Path| own.as_ref().zip(place(folder)).is_some_and(|(own, folder)| own.starts_with(folder));
    let typed = folders.iter().find(|(_, folder)| below(folder));
    let by_folder = typed.map(|(kind, folder)| (*kind, format!("--{} {}", kind.label(), folder.display())));
    by_folder.or_else(|| {
        let matches = |pattern: &String| matcher(pattern).is_ok_and(|m| m.is_match(&file.shown));
        let (kind, pattern) = patterns.all().find(|(_, pattern)| matches(pattern))?;
        Some((kind, format!("rig file: {pattern}")))
    })
}

/// Letter case differs from one disk to the next.
fn matcher(pattern: &str) -> Result<GlobMatcher, globset::Error> {
    Ok(GlobBuilder::new(pattern).case_insensitive(true).build()?.compile_matcher())
}
