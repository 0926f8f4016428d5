//! Files for scripts and other programs: JSON with its schema, CSV, tables of stars and defects.

pub(crate) mod csv;
pub(crate) mod defect_file;
pub(crate) mod frame_columns;
pub(crate) mod json;
pub(crate) mod schema;
pub(crate) mod star_rows;
pub(crate) mod stars_file;
pub(crate) mod write;
