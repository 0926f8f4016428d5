//! All integration tests in one binary: one link, one run.

mod again;
mod any_coding;
mod any_folder;
mod any_header;
mod any_pixels;
mod bounds;
mod colour_sites;
mod command_line;
mod crowded_folders;
mod dark_series;
mod dark_trials;
mod defective_pixels;
mod dng_night;
mod documents;
mod ends;
mod explain;
mod explained_noise;
mod false_skies;
mod flat_ladders;
mod hot_in_lights;
mod mutations;
mod night_events;
mod night_trials;
mod not_stars;
mod odd_calibration;
mod odd_company;
mod odd_images;
mod odd_mosaics;
mod odd_nights;
mod odd_trails;
mod packed_apart;
mod page;
mod page_colours;
mod raw_fits;
mod real_field;
mod real_folder;
mod real_sensor;
#[cfg(feature = "catalogue")]
mod real_sky;
mod real_star_fits;
mod real_stars;
mod report_schema;
mod resampled;
mod rooms;
mod simulated_field;
mod simulated_sensor;
mod simulated_stars;
mod simulated_transfer;
#[cfg(feature = "catalogue")]
mod sky_fields;
#[cfg(feature = "catalogue")]
mod sky_night;
#[cfg(feature = "catalogue")]
mod sky_trials;
mod star_cutouts;
mod star_images;
mod stars_file;
mod sub_frames;
mod tile_files;
mod unlabelled_nights;
mod upgrade;
mod upgrade_nights;
mod watching;

use std::path::PathBuf;

/// Folder of real frames, from `SKYGRAIN_REAL_FRAMES`; says so when a test is skipped without it.
pub fn real_frames(test: &str) -> Option<PathBuf> {
    let folder = std::env::var_os("SKYGRAIN_REAL_FRAMES").map(PathBuf::from);
    if folder.is_none() {
        eprintln!("{test}: skipped, SKYGRAIN_REAL_FRAMES names no folder");
    }
    folder
}
