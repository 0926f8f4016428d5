//! One frame: a first look at its pixels, and which of them lie under which colour filter.

mod colour;
mod survey;
mod undefined;

pub use colour::{Lattice, measured_pattern};
pub use survey::{Survey, pixels_contradict, survey};
pub use undefined::undefine;
