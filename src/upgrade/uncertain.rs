//! Every number with an uncertainty that a comparison hangs on.

use std::ops::{Index, IndexMut};

use strum::{EnumCount, VariantArray};

/// A number with an uncertainty, in the order in which values are drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq, EnumCount, VariantArray)]
pub enum Uncertain {
    Sky,
    ReadNoise,
    DarkCurrent,
    DarkFloor,
    DarkLaw,
    Efficiency,
    Filter,
    LitShare,
    AboveAmbient,
    NewEfficiency,
    NewFilter,
    NewLitShare,
    NewReadNoise,
    NewDarkCurrent,
    NewDoublingStep,
    CoolerDrop,
    Hours,
    SkyPerPixel,
    Transmission,
}

/// One `T` for each number with an uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Each<T>(pub [T; Uncertain::COUNT]);

impl<T> Index<Uncertain> for Each<T> {
    type Output = T;

    fn index(&self, of: Uncertain) -> &T {
        &self.0[of as usize]
    }
}

impl<T> IndexMut<Uncertain> for Each<T> {
    fn index_mut(&mut self, of: Uncertain) -> &mut T {
        &mut self.0[of as usize]
    }
}
