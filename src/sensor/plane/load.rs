//! Frames one after the other: the next is read while the present one is measured, into the memory of one that nobody needs
//! any more.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::facts::sensor_caution::SensorCaution;
use crate::fits::{FitsError, ImageFile, Pixels};

/// Why a frame did not take part.
#[derive(Debug, Clone)]
pub(crate) enum LoadError {
    /// The file could not be read.
    Fits(FitsError),
    /// It is no frame that tells of this sensor.
    Unfit(SensorCaution),
}

impl From<FitsError> for LoadError {
    fn from(error: FitsError) -> Self {
        Self::Fits(error)
    }
}

/// Columns and rows of a raw frame, px.
pub(crate) fn raw_size(path: &Path) -> Result<(usize, usize), LoadError> {
    raw(&ImageFile::open(path)?)
}

fn raw(file: &ImageFile) -> Result<(usize, usize), LoadError> {
    let g = file.geometry;
    match g.planes {
        1 => Ok((g.width, g.height)),
        planes => Err(LoadError::Unfit(SensorCaution::NotRaw { planes })),
    }
}

/// Reads the plane of a raw frame of the size `want`.
pub(crate) fn read_plane(path: &Path, want: (usize, usize)) -> Result<Pixels, LoadError> {
    read_into(path, want, Vec::new())
}

fn read_into(path: &Path, want: (usize, usize), spare: Vec<u16>) -> Result<Pixels, LoadError> {
    let mut file = ImageFile::open(path)?;
    let have = raw(&file)?;
    if have != want {
        return Err(LoadError::Unfit(SensorCaution::SizeDiffers { have, want }));
    }
    let pixels = file.rows_into(0, 0, want.1, spare)?;
    match &pixels {
        Pixels::F32(a) if !a.iter().any(|v| v.is_finite()) => Err(LoadError::Unfit(SensorCaution::NoValidPixels)),
        _ => Ok(pixels),
    }
}

/// Hands every frame to `each` in order; `progress` is told of each file once.
pub(crate) fn walk(
    paths: &[PathBuf],
    size: (usize, usize),
    progress: &(dyn Fn(&Path) + Sync),
    mut each: impl FnMut(usize, Result<Arc<Pixels>, LoadError>) + Send,
) {
    let mut handed_out: Vec<Arc<Pixels>> = Vec::new();
    let read = |i: usize, spare: Vec<u16>| paths.get(i).map(|path| read_into(path, size, spare).map(Arc::new));
    let mut present = read(0, Vec::new());
    for (i, path) in paths.iter().enumerate() {
        let Some(frame) = present.take() else { break };
        let spare = memory_of_one(&mut handed_out);
        handed_out.extend(frame.as_ref().ok().cloned());
        let next = &mut present;
        rayon::join(|| each(i, frame), || *next = read(i + 1, spare));
        progress(path);
    }
}

/// The memory of a frame that nobody holds any more; others like it are let go.
fn memory_of_one(handed_out: &mut Vec<Arc<Pixels>>) -> Vec<u16> {
    let (free, held): (Vec<_>, Vec<_>) =
        std::mem::take(handed_out).into_iter().partition(|frame| Arc::strong_count(frame) == 1);
    *handed_out = held;
    free.into_iter().next_back().and_then(Arc::into_inner).map_or_else(Vec::new, Pixels::into_memory)
}
