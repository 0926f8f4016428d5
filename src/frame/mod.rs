//! One frame: a first look at its pixels, which of them lie under which colour filter, whether their noise is their own.
#![doc = include_str!("README.md")]

mod colour;
mod correlation;
mod level_noise;
mod survey;
mod undefined;

pub use colour::Lattice;
pub(crate) use colour::measured_pattern;
pub use correlation::{NoiseCorrelation, ReadOutCorrelation, noise_correlation};
pub(crate) use correlation::{correlation_of_difference, correlation_of_frame};
pub use level_noise::{NoiseAtLevel, Variance, noise_of_difference, noise_of_frame};
pub(crate) use survey::pixels_contradict;
pub use survey::{HIGHEST_GAIN_E_PER_ADU, Survey, survey};
pub use undefined::undefine;
