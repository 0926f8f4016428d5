//! Where a frame points and how large its pixels are on the sky, from the stars themselves.
//!
//! A stage of its own between the stars and the verdicts: [`match_sky`] takes the places of a frame's stars and what the
//! header says of pointing and scale, and returns a [`SkyMatch`] or the reason why there is none.
#![doc = include_str!("README.md")]

mod bits;
mod catalogue;
mod chance;
mod coincidence;
mod pack;
mod plate;
mod plate_fit;
mod precession;
mod region;
mod search;
mod shelves;
mod similarity;
mod solve;
mod source;
mod sphere;
mod star_light;
mod together;
mod triangles;
mod wcs;

pub use crate::facts::sky::NoMatch;
pub use catalogue::{Catalogue, CatalogueError, CatalogueStar};
pub use pack::{PackError, pack};
pub use plate::Plate;
pub(crate) use precession::to_j2000;
pub(crate) use solve::match_known;
pub use solve::{Frame, SkyMatch, match_sky};
pub use source::Source;
pub use sphere::Direction;
pub(crate) use star_light::{Seen, StarLight, star_light};
pub use together::StarMatch;
pub(crate) use together::{StatedOptics, together};
pub(crate) use wcs::direction_of;
