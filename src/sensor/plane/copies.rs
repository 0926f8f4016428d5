//! Frames that are copies of another: their difference is no noise.

use std::collections::HashMap;
use std::hash::{DefaultHasher, Hasher};

use crate::fits::Pixels;

/// Every so many-th row is compared, and at least so many rows: two exposures never agree in a thousand noisy pixels.
const ROW_STRIDE: usize = 16;
const LEAST_ROWS: usize = 64;

/// Pixels compared that must differ from the first: frames without noise agree without being copies.
const LEAST_VARIED: usize = 16;

/// Checksums of the frames seen so far.
#[derive(Debug, Default)]
pub(crate) struct Copies(HashMap<u64, usize>);

impl Copies {
    /// The earlier frame that this one repeats pixel for pixel, if any; otherwise remembers it under `index`.
    pub fn repeats(&mut self, index: usize, frame: &Pixels) -> Option<usize> {
        let sum = checksum(frame)?;
        match self.0.get(&sum) {
            Some(earlier) => Some(*earlier),
            None => {
                self.0.insert(sum, index);
                None
            }
        }
    }
}

/// `None` for a frame of one value.
fn checksum(frame: &Pixels) -> Option<u64> {
    let (rows, columns) = frame.dim();
    let looked_at = || (0..rows).step_by((rows / LEAST_ROWS).clamp(1, ROW_STRIDE));
    let varied = |y: usize| (0..columns).filter(|x| frame.at(*x, y) != frame.at(0, 0)).take(LEAST_VARIED).count();
    let mut hasher = DefaultHasher::new();
    frame.hash_rows(looked_at(), &mut hasher);
    (looked_at().map(varied).sum::<usize>() >= LEAST_VARIED).then(|| hasher.finish())
}

#[cfg(test)]
mod tests {
    use ndarray::Array2;

    use super::*;

    #[test]
    fn a_copy_is_known_and_one_other_code_in_a_row_of_noise_is_not() {
        let frame = |add: u16| Pixels::U16(Array2::from_shape_fn((40, 30), |(y, x)| (x * 7 + y) as u16 % 11 + add));
        let mut copies = Copies::default();
        assert_eq!(copies.repeats(0, &frame(0)), None);
        assert_eq!(copies.repeats(1, &frame(1)), None);
        assert_eq!(copies.repeats(2, &frame(0)), Some(0));
        let even = Pixels::U16(Array2::from_elem((40, 30), 7));
        assert_eq!([3, 4].map(|i| copies.repeats(i, &even)), [None, None]);
    }
}
