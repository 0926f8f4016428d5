//! From measurements to answers: image scale, sampling, noise budget, cooling.

mod result;

pub use result::{Cooling, CoolingRow, NoiseBudget, Sampling, SamplingVerdict};
