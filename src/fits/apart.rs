//! Pixels read by a process of its own, for packed images that no sum vouches for.
//!
//! CFITSIO believes what a packed tile says of itself: a damaged one can make it read or write beyond its buffers. The sum
//! that packers write (DATASUM) shows the damage beforehand; where there is none, the program starts itself once more as
//! a reader of that one file, asks it for rows, and takes a crash for what it is: a damaged file.

use std::io::{self, BufReader, Read, Write};
use std::ops::Range;
use std::os::raw::c_int;
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};
use std::sync::OnceLock;

use bytemuck::Pod;

/// First argument of the program when it is to read for another: the file follows.
pub(crate) const READ_FOR_ANOTHER: &str = "--read-rows-of";
/// Bytes of pixels in one answer: the reader unpacks the next ones while these are taken over.
const BAND_BYTES: usize = 1 << 20;

/// The program that reads; not set where the library is used by another program, which then reads everything itself.
static READER: OnceLock<PathBuf> = OnceLock::new();

/// From now on packed images without a sum are read by `program`, which calls [`serve_if_asked`](super::serve_if_asked) before
/// all else.
pub fn read_apart_with(program: PathBuf) {
    READER.get_or_init(|| program);
}

/// Rows in bands of [`BAND_BYTES`] at most, one row at least.
pub(crate) fn bands(rows: Range<usize>, width: usize) -> impl Iterator<Item = Range<usize>> {
    let step = (BAND_BYTES / (size_of::<f32>() * width)).max(1);
    rows.clone().step_by(step).map(move |start| start..(start + step).min(rows.end))
}

/// A process that reads one file. It ends when this is dropped.
pub(crate) struct Reader {
    process: Child,
    /// `None` once its answers are no longer those to the requests.
    requests: Option<ChildStdin>,
    answers: BufReader<ChildStdout>,
}

impl Reader {
    /// Starts one; `None` where no program was named or it cannot be started, so that the file is read here.
    pub fn start(path: &Path) -> Option<Self> {
        let mut command = Command::new(READER.get()?);
        command.arg(READ_FOR_ANOTHER).arg(path);
        let streams = command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::null());
        let mut process = streams.spawn().ok()?;
        let (requests, answers) = (process.stdin.take(), BufReader::new(process.stdout.take()?));
        Some(Self { process, requests, answers })
    }

    /// Fills `to` with rows of `width` px of a plane from `first` on (0-based); gives the status of CFITSIO.
    ///
    /// # Errors
    ///
    /// The process ended, or its file has other rows than this one was told of.
    pub fn rows<T: Pod>(&mut self, plane: usize, first: usize, width: usize, to: &mut [T]) -> io::Result<c_int> {
        let end = first + to.len() / width;
        let requests = self.requests.as_mut().ok_or(io::ErrorKind::BrokenPipe)?;
        writeln!(requests, "{plane} {first} {end}")?;
        requests.flush()?;
        let mut worst = 0;
        for band in bands(first..end, width) {
            let (mut status, mut length) = ([0; size_of::<c_int>()], [0; size_of::<u64>()]);
            self.answers.read_exact(&mut status)?;
            self.answers.read_exact(&mut length)?;
            let pixels = &mut to[(band.start - first) * width..(band.end - first) * width];
            let bytes: &mut [u8] = bytemuck::cast_slice_mut(pixels);
            match (c_int::from_ne_bytes(status), u64::from_ne_bytes(length)) {
                (0, length) if length == bytes.len() as u64 => self.answers.read_exact(bytes)?,
                (0, _) => {
                    // Whatever comes next is no answer to a further request.
                    self.requests = None;
                    return Err(io::ErrorKind::InvalidData.into());
                }
                (status, _) => worst = status,
            }
        }
        Ok(worst)
    }
}

impl Drop for Reader {
    fn drop(&mut self) {
        // One that still has rows to give is not waited for.
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bands_hold_every_row_once() {
        for (rows, width) in [(0..0, 5), (3..4, 1 << 20), (7..1000, 6000), (0..4000, 1)] {
            let all: Vec<usize> = bands(rows.clone(), width).flatten().collect();
            assert_eq!(all, rows.collect::<Vec<_>>());
        }
        assert_eq!(bands(0..100, 1 << 17).next(), Some(0..2));
    }
}
