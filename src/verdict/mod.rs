//! From measurements to answers: image scale, sampling, noise budget, cooling.

pub mod advice;
pub mod answers;
pub mod budget;
pub mod cooling;
pub mod dark_match;
mod findings;
pub mod percent;
pub mod photometry;
pub mod pixel_cost;
pub mod power;
pub mod profile;
pub mod propagation;
mod quadrature;
mod reply;
mod result;
pub mod sampling;
pub mod scale;
pub mod seeing;
pub mod thermal;
pub mod upgrade;
pub mod variance;

pub use advice::{Advice, AdviceInput, advice, ranked};
pub use answers::{Answer, Question, SessionFindings, answers};
pub use budget::{BudgetInput, noise_budget};
pub use cooling::{CoolingInput, cooling};
pub use dark_match::{DarkMatch, DarkMatchInput, dark_match};
pub use percent::percent;
pub use photometry::{Photometry, PhotometryInput, photometry};
pub use result::{Cooling, CoolingRow, NoiseBudget, Sampling, SamplingVerdict};
pub use sampling::{SamplingInput, sampling};
pub use scale::image_scale;
pub use thermal::{CoolingLaw, ThermalStep};
