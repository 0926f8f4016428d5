//! `report.html`: what the page says, and how it is set.

pub(crate) mod decision;
pub(crate) mod letter;
pub(crate) mod measures;
pub(crate) mod over_field;
pub(crate) mod render;
pub(crate) mod replies;
pub(crate) mod sensor_part;
pub(crate) mod session_part;
pub(crate) mod setting;
pub(crate) mod sheet;
