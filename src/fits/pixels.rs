//! Pixels of one image in memory.

use std::hash::Hasher;
use std::ops::Range;

use ndarray::{Array2, s};

use super::Holes;

/// One plane of pixels, physical values (BSCALE and BZERO applied). Row 0 is the first row of the file.
#[derive(Debug, Clone, PartialEq)]
pub enum Pixels {
    /// Unsigned 16-bit numbers as recorded.
    U16(Array2<u16>),
    /// The same, some of them not to count: the numbers stay 16 bits wide.
    Holed(Array2<u16>, Holes),
    /// Everything else; undefined pixels are NaN.
    F32(Array2<f32>),
}

impl Pixels {
    /// (rows, columns).
    pub fn dim(&self) -> (usize, usize) {
        match self {
            Self::U16(a) | Self::Holed(a, _) => a.dim(),
            Self::F32(a) => a.dim(),
        }
    }

    /// The memory of whole numbers, to be used again; empty for other pixels.
    pub fn into_memory(self) -> Vec<u16> {
        match self {
            Self::U16(a) | Self::Holed(a, _) => a.into_raw_vec_and_offset().0,
            Self::F32(_) => Vec::new(),
        }
    }

    /// Value at column `x`, row `y`, ADU; NaN where undefined.
    #[inline]
    pub fn at(&self, x: usize, y: usize) -> f64 {
        match self {
            Self::U16(a) => f64::from(a[[y, x]]),
            Self::Holed(_, holes) if holes.at(x, y) => f64::NAN,
            Self::Holed(a, _) => f64::from(a[[y, x]]),
            Self::F32(a) => f64::from(a[[y, x]]),
        }
    }

    /// Hands on some columns of a row in order, ADU; NaN where undefined. They lie within the frame.
    pub fn for_row(&self, y: usize, columns: Range<usize>, mut each: impl FnMut(usize, f64)) {
        match self {
            Self::U16(a) => {
                columns.clone().zip(a.slice(s![y, columns])).for_each(|(x, v)| each(x, f64::from(*v)));
            }
            Self::F32(a) => {
                columns.clone().zip(a.slice(s![y, columns])).for_each(|(x, v)| each(x, f64::from(*v)));
            }
            Self::Holed(..) => columns.for_each(|x| each(x, self.at(x, y))),
        }
    }

    /// Copies one row into `into`, ADU.
    pub fn copy_row(&self, y: usize, into: &mut [f32]) {
        self.copy_numbers(y, into);
        if let Self::Holed(a, holes) = self {
            holes.in_row(y, 0..a.dim().1).for_each(|x| into[x] = f32::NAN);
        }
    }

    /// Feeds the numbers of some rows to a hasher; equal pixels give equal sums.
    pub fn hash_rows(&self, rows: impl IntoIterator<Item = usize>, hasher: &mut impl Hasher) {
        let (mut bytes, mut values) = (Vec::new(), vec![0f32; self.dim().1]);
        for y in rows {
            bytes.clear();
            match self {
                Self::U16(a) => a.row(y).iter().for_each(|v| bytes.extend(v.to_le_bytes())),
                Self::Holed(..) | Self::F32(_) => {
                    self.copy_row(y, &mut values);
                    values.iter().for_each(|v| bytes.extend(v.to_bits().to_le_bytes()));
                }
            }
            hasher.write(&bytes);
        }
    }

    fn copy_numbers(&self, y: usize, into: &mut [f32]) {
        match self {
            Self::U16(a) | Self::Holed(a, _) => {
                let row = a.row(y);
                match row.as_slice() {
                    // A contiguous row is converted many numbers at a time.
                    Some(row) => into.iter_mut().zip(row).for_each(|(to, from)| *to = f32::from(*from)),
                    None => into.iter_mut().zip(row).for_each(|(to, from)| *to = f32::from(*from)),
                }
            }
            Self::F32(a) => {
                for (to, from) in into.iter_mut().zip(a.row(y)) {
                    *to = *from;
                }
            }
        }
    }
}

/// All planes of an image.
#[derive(Debug, Clone, PartialEq)]
pub struct Image {
    /// One plane, or three.
    pub planes: Vec<Pixels>,
}

impl Image {
    /// The memory of whole numbers of one plane, to be used again; empty for other pixels.
    pub fn into_memory(self) -> Vec<u16> {
        self.planes.into_iter().next().map_or_else(Vec::new, Pixels::into_memory)
    }
}
