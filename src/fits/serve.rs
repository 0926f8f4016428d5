//! The other end of [`apart`](super::apart): reads one file for another process.

use std::ffi::OsString;
use std::io::{self, BufRead, Write};
use std::os::raw::c_int;
use std::path::Path;

use bytemuck::Pod;

use super::apart::{READ_FOR_ANOTHER, bands};
use super::{FitsError, ImageFile, Pixels};

/// Reads rows for another process if the arguments of this one say so, until that one has enough; `None` otherwise.
///
/// Standard input holds a request a line, `plane first end` (0-based rows); the answer to each is, in bands of rows, the
/// status of CFITSIO (four bytes), the length in bytes (eight), and the pixels, all in the machine's own order.
pub fn serve_if_asked(mut arguments: impl Iterator<Item = OsString>) -> Option<io::Result<()>> {
    let file = (arguments.nth(1)? == READ_FOR_ANOTHER).then(|| arguments.next())??;
    Some(serve(Path::new(&file), io::stdin().lock(), io::stdout().lock()))
}

fn serve(path: &Path, requests: impl BufRead, mut answers: impl Write) -> io::Result<()> {
    let mut image = ImageFile::open(path).map_err(io::Error::other)?;
    for request in requests.lines() {
        let request = request?;
        let numbers: Vec<usize> = request.split(' ').filter_map(|n| n.parse().ok()).collect();
        let [plane, first, end] = numbers[..] else { return Err(io::ErrorKind::InvalidInput.into()) };
        for band in bands(first..end, image.geometry.width) {
            match image.rows(plane, band.start, band.len()) {
                Ok(Pixels::U16(a) | Pixels::Holed(a, _)) => answer(&mut answers, 0, a.as_slice().unwrap_or(&[]))?,
                Ok(Pixels::F32(a)) => answer(&mut answers, 0, a.as_slice().unwrap_or(&[]))?,
                Err(FitsError::Read { status, .. }) => answer::<u8>(&mut answers, status, &[])?,
                Err(other) => return Err(io::Error::other(other)),
            }
        }
        answers.flush()?;
    }
    Ok(())
}

fn answer<T: Pod>(to: &mut impl Write, status: c_int, pixels: &[T]) -> io::Result<()> {
    let bytes: &[u8] = bytemuck::cast_slice(pixels);
    to.write_all(&status.to_ne_bytes())?;
    to.write_all(&(bytes.len() as u64).to_ne_bytes())?;
    to.write_all(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn other_arguments_ask_for_nothing() {
        for words in [vec!["skygrain"], vec!["skygrain", "night", "x"], vec!["skygrain", READ_FOR_ANOTHER]] {
            assert!(serve_if_asked(words.into_iter().map(OsString::from)).is_none());
        }
    }
}
