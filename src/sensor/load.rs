//! Frames one after the other: the next is read while the present one is measured, so two are in memory at most.

use std::path::{Path, PathBuf};

use crate::fits::{FitsError, ImageFile, Pixels};

/// Why a frame did not take part.
#[derive(Debug, Clone, thiserror::Error)]
pub(super) enum LoadError {
    /// The file could not be read.
    #[error(transparent)]
    Fits(#[from] FitsError),
    /// Three colour planes: interpolated, hence no longer raw noise.
    #[error("{planes} colour planes: not raw, its noise is not the sensor's")]
    ColourPlanes { planes: usize },
    /// Every pixel is undefined.
    #[error("no valid pixels")]
    NoValidPixels,
    /// Another size than the first frame of the sensor.
    #[error("{have:?} (columns, rows) where the sensor's other frames have {want:?}")]
    Size { have: (usize, usize), want: (usize, usize) },
}

/// Columns and rows of a raw frame, px.
pub(super) fn raw_size(path: &Path) -> Result<(usize, usize), LoadError> {
    raw(&ImageFile::open(path)?)
}

fn raw(file: &ImageFile) -> Result<(usize, usize), LoadError> {
    let g = file.geometry;
    if g.planes == 1 { Ok((g.width, g.height)) } else { Err(LoadError::ColourPlanes { planes: g.planes }) }
}

/// Reads the plane of a raw frame of the size `want`.
pub(super) fn read_plane(path: &Path, want: (usize, usize)) -> Result<Pixels, LoadError> {
    let mut file = ImageFile::open(path)?;
    let have = raw(&file)?;
    if have != want {
        return Err(LoadError::Size { have, want });
    }
    let pixels = file.rows(0, 0, want.1)?;
    match &pixels {
        Pixels::F32(a) if !a.iter().any(|v| v.is_finite()) => Err(LoadError::NoValidPixels),
        _ => Ok(pixels),
    }
}

/// Hands every frame to `each` in order; `progress` is told of each file once.
pub(super) fn walk(
    paths: &[PathBuf],
    size: (usize, usize),
    progress: &(dyn Fn(&Path) + Sync),
    mut each: impl FnMut(usize, Result<Pixels, LoadError>) + Send,
) {
    let read = |i: usize| paths.get(i).map(|path| read_plane(path, size));
    let mut present = read(0);
    for (i, path) in paths.iter().enumerate() {
        let Some(frame) = present.take() else { break };
        let next = &mut present;
        rayon::join(|| each(i, frame), || *next = read(i + 1));
        progress(path);
    }
}
