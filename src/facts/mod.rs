//! What is known and how it came to be, what is not and why, and what would help: types alone.
//!
//! No sentence is made here or in any stage that measures or judges: `report::words` turns facts into sentences. A fact is
//! made where it is known and carried unchanged, so that programs decide by types, and rewording changes nothing but words.

pub mod answers;
pub mod caution;
pub mod dng_tags;
mod frame_kind;
pub mod happening;
pub mod header;
pub mod help;
pub mod left_out;
pub mod method;
pub mod missing;
pub mod night;
pub mod note;
mod quantity;
pub mod sensor;
pub mod sensor_caution;
pub mod sky;
pub mod stars;
pub mod verdict;

pub use caution::{Caution, Severity};
pub use frame_kind::{FrameKind, KindSource};
pub use help::Help;
pub use left_out::LeftOut;
pub use method::Method;
pub use missing::{Input, Missing};
pub use note::Note;
pub use quantity::{Quantity, Source, weaker};
