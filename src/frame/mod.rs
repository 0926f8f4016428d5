//! One frame: a first look at its pixels, which of them lie under which colour filter, whether their noise is their own.
#![doc = include_str!("README.md")]

mod colour;
mod correlation;
mod survey;
mod undefined;

pub use colour::{Lattice, measured_pattern};
pub use correlation::{NoiseCorrelation, noise_correlation};
pub use survey::{Survey, pixels_contradict, survey};
pub use undefined::undefine;
