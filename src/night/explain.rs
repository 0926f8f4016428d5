//! How one file was understood: the folder is measured as ever, and this file's part of it is kept.

use std::path::Path;

use crate::fits::ImageFile;
use crate::folder::{Content, FoundFile, FrameKind, find_files, read_header};
use crate::report::{ExplainedFrame, Explanation, FrameRow};

use super::cache::Kept;
use super::input::{NightInput, Progress, Scope};
use super::intake::look_at_one;
use super::run::{NightError, run};
use super::unknown_kinds::tell_unknown_kinds;

/// Explains a file: alone where no folders are given, else as one of theirs.
///
/// # Errors
///
/// A folder or file that cannot be used, or a file that does not lie below the folders.
pub fn explain(file: &Path, input: &NightInput, progress: Progress) -> Result<Explanation, NightError> {
    let mut input = input.clone();
    if input.folders.is_empty() {
        input.folders.push(file.to_owned());
    }
    let files = find_files(&input.folders, &input.out)?;
    let place = place_of(file, &files).ok_or_else(|| NightError::NotBelow {
        file: file.to_owned(),
        folders: input.folders.iter().map(|f| f.display().to_string()).collect::<Vec<_>>().join(", "),
    })?;
    let found = files[place].clone();
    // Two folders may hold files of one name: the report keeps their order.
    let nth = files[..place].iter().filter(|f| f.shown == found.shown).count();
    let beside = files.len() - 1;
    let (row, rows, warnings) = match run(&input, Scope::Frames, progress) {
        Ok(report) => {
            let row = report.frames.iter().filter(|f| f.path == found.shown).nth(nth).cloned();
            (row, report.frames, report.warnings)
        }
        // Nothing could be measured; what was seen of this file is still to be told.
        Err(NightError::NoFrames { .. }) => (None, Vec::new(), Vec::new()),
        Err(error) => return Err(error),
    };
    let row = row.unwrap_or_else(|| row_alone(found.clone(), &input));
    let of_session =
        |f: &&FrameRow| f.kind == FrameKind::Light && f.session_id.is_some() && f.session_id == row.session_id;
    Ok(Explanation {
        session_lights: rows.iter().filter(of_session).count(),
        warnings: warnings.into_iter().filter(|w| w.paths.contains(&found.shown)).collect(),
        frame: explained_frame(&found, &input),
        shown: found.shown,
        content: found.content,
        row,
        beside,
    })
}

/// The row of a file that is looked at alone.
fn row_alone(file: FoundFile, input: &NightInput) -> FrameRow {
    let mut alone = [look_at_one(file, &input.rig, &Kept::nothing())];
    tell_unknown_kinds(&mut alone);
    alone[0].row()
}

fn place_of(file: &Path, files: &[FoundFile]) -> Option<usize> {
    let is = |f: &FoundFile| f.path == file || f.path.canonicalize().ok() == file.canonicalize().ok();
    // A link is itself before it is what it leads to.
    files.iter().position(|f| f.path == file).or_else(|| files.iter().position(is))
}

fn explained_frame(found: &FoundFile, input: &NightInput) -> Option<ExplainedFrame> {
    if found.content != Content::Fits {
        return None;
    }
    let mut image = ImageFile::open(&found.path).ok()?;
    let cards = image.cards().ok()?;
    let mut header = read_header(&cards);
    input.rig.apply(&mut header);
    Some(ExplainedFrame { geometry: image.geometry, cards, header })
}
