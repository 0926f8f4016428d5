//! Skygrain reads one night's raw FITS frames and tells what they say about the rig: how sharp the stars are, where the
//! noise comes from, and what cooling would gain.
//!
//! Data flows one way, and a stage imports earlier stages only:
//!
//! ```text
//! fits -> folder -> frame -> { stars, sensor } -> sky -> verdict -> report -> upgrade
//! ```
//!
//! [`night`] wires the stages; [`simulate`] makes frames with known truth for the demo, the tests and the benches;
//! [`facts`] are types for what is known and what is not, and why; [`units`], [`mod@format`] and [`stats`] are shared by all;
//! [`mod@image`] is the star image before the pixel as a function, which stars are fitted with and verdicts follow from;
//! [`store`] keeps results between runs and [`whole_file`] writes files whole or not at all, whatever is in them.

pub mod cli;
pub mod facts;
pub mod fits;
pub mod folder;
pub mod format;
pub mod frame;
pub mod image;
pub mod night;
pub mod report;
pub mod sensor;
pub mod simulate;
pub mod sky;
pub mod stars;
pub mod stats;
pub mod store;
pub mod units;
pub mod upgrade;
pub mod verdict;
pub mod whole_file;
