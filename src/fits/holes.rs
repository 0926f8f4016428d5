//! Pixels that are not to count although a number stands there, and numbers with such holes.

use std::ops::Range;

use ndarray::{Array2, ArrayView2};

/// Pixels of a plane that are undefined although a number stands there.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Holes {
    /// One bit a pixel; each row begins with a word of its own.
    words: Vec<u64>,
    words_a_row: usize,
    columns: usize,
}

impl Holes {
    /// None yet, in a plane of `(rows, columns)`.
    pub fn none((rows, columns): (usize, usize)) -> Self {
        let words_a_row = columns.div_ceil(64);
        Self { words: vec![0; rows * words_a_row], words_a_row, columns }
    }

    /// These places too (row times columns plus column); those beyond the plane are passed over.
    pub fn and(mut self, places: &[u32]) -> Self {
        for place in places.iter().map(|p| *p as usize) {
            let (y, x) = (place / self.columns, place % self.columns);
            if let Some(word) = self.words.get_mut(y * self.words_a_row + x / 64) {
                *word |= 1 << (x % 64);
            }
        }
        self
    }

    /// Whether the pixel at column `x`, row `y` is one.
    #[inline(always)]
    pub fn at(&self, x: usize, y: usize) -> bool {
        self.words[y * self.words_a_row + x / 64] >> (x % 64) & 1 == 1
    }

    /// Their columns among `columns` of row `y`, upwards.
    pub fn in_row(&self, y: usize, columns: Range<usize>) -> impl Iterator<Item = usize> + '_ {
        let words = &self.words[y * self.words_a_row..][..self.words_a_row];
        let touched = columns.start / 64..columns.end.div_ceil(64);
        words[touched.clone()]
            .iter()
            .zip(touched)
            .flat_map(|(word, at)| {
                let lowest_off = |w: &u64| Some(w & (w - 1)).filter(|w| *w != 0);
                std::iter::successors(Some(*word).filter(|w| *w != 0), lowest_off)
                    .map(move |w| 64 * at + w.trailing_zeros() as usize)
            })
            .filter(move |x| columns.contains(x))
    }
}

/// Numbers of one width, and which of them do not count: what a kernel that is written once for all widths reads.
#[derive(Clone, Copy)]
pub struct Grid<'a, T> {
    numbers: ArrayView2<'a, T>,
    holes: Option<&'a Holes>,
}

impl<'a, T: Copy + Into<f32>> Grid<'a, T> {
    /// All numbers count.
    pub fn whole(numbers: &'a Array2<T>) -> Self {
        Self { numbers: numbers.view(), holes: None }
    }

    /// All but the holes count.
    pub fn holed(numbers: &'a Array2<T>, holes: &'a Holes) -> Self {
        Self { numbers: numbers.view(), holes: Some(holes) }
    }

    /// (rows, columns).
    #[inline(always)]
    pub fn dim(&self) -> (usize, usize) {
        self.numbers.dim()
    }

    /// Value at column `x`, row `y`, ADU; NaN where undefined.
    #[inline(always)]
    pub fn at(&self, x: usize, y: usize) -> f32 {
        if self.holes.is_some_and(|holes| holes.at(x, y)) { f32::NAN } else { self.numbers[[y, x]].into() }
    }

    /// The numbers of row `y`, those in holes too.
    #[inline(always)]
    pub fn numbers(&self, y: usize) -> &'a [T] {
        let columns = self.numbers.dim().1;
        &self.numbers.to_slice().expect("rows lie together in memory")[y * columns..][..columns]
    }

    /// Columns of the holes among `columns` of row `y`.
    pub fn holes_in_row(&self, y: usize, columns: Range<usize>) -> impl Iterator<Item = usize> + '_ {
        self.holes.into_iter().flat_map(move |holes| holes.in_row(y, columns.clone()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn holes_are_where_they_were_put_and_nowhere_else() {
        let places = [0, 63, 64, 129, 130, 259, 260, 5000];
        let holes = Holes::none((2, 130)).and(&places[..4]).and(&places[4..]);
        for place in 0..260u32 {
            let (x, y) = (place as usize % 130, place as usize / 130);
            assert_eq!(holes.at(x, y), places.contains(&place), "{place}");
        }
        assert_eq!(holes.in_row(0, 0..130).collect::<Vec<_>>(), [0, 63, 64, 129]);
        assert_eq!(holes.in_row(0, 1..129).collect::<Vec<_>>(), [63, 64]);
        assert_eq!(holes.in_row(1, 0..130).collect::<Vec<_>>(), [0, 129]);
    }
}
