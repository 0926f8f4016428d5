//! The main job: a night's folders in, a report out. Wires the stages; rayon over frames.
#![doc = include_str!("README.md")]

mod assumed_dark;
mod cache;
mod ceilings;
mod complete_files;
mod dark_match;
mod decision;
mod diffraction;
mod duplicates;
mod even_steps;
mod events;
mod explain;
mod fault;
mod hot_in_lights;
mod hot_ratio;
mod input;
mod intake;
mod kinds;
mod light_noise;
mod lights;
mod mosaics;
mod noise_origin;
mod notices;
mod one_name;
mod over_field;
mod over_frames;
mod over_sessions;
mod run;
mod same_stars;
mod sensors;
mod session;
mod session_scale;
mod sessions;
mod set_apart;
mod sky_noise;
mod sky_rate;
mod star_match;
mod sub_frames;
mod trails;
mod unknown_kinds;

pub use cache::{Kept, Tally, What};
pub use complete_files::CompleteFiles;
pub use explain::explain;
pub use input::{NightInput, Progress, Scope, Stage};
pub use run::{NightError, run, run_on};
