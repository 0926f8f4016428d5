//! What is told of each frame: one list of columns for `report.json`, for rows of JSON and for `frames.csv`.

use std::borrow::Cow;
use std::collections::BTreeMap;

use serde::ser::SerializeMap as _;
use serde::{Serialize, Serializer};

use crate::facts::Quantity;
use crate::report::model::FrameRow;
use crate::report::words::header::kind_source;

/// Name of a column, with its unit, and what it holds of a frame.
pub(crate) type Column = (&'static str, for<'a> fn(&'a FrameRow) -> Cell<'a>);

/// What a column holds of one frame.
#[derive(Serialize)]
#[serde(untagged)]
pub(crate) enum Cell<'a> {
    Path(&'a str),
    Text(Option<Cow<'a, str>>),
    Number(Option<f64>),
    Count(Option<usize>),
    Quantity(Option<&'a Quantity>),
    Quantities(&'a [Quantity]),
    Counts(&'a BTreeMap<String, usize>),
}

fn word(text: &str) -> Cell<'_> {
    Cell::Text(Some(Cow::Borrowed(text)))
}

fn text(text: &Option<String>) -> Cell<'_> {
    Cell::Text(text.as_deref().map(Cow::Borrowed))
}

fn owned<'a>(text: Option<String>) -> Cell<'a> {
    Cell::Text(text.map(Cow::Owned))
}

fn quantity(quantity: &Option<Quantity>) -> Cell<'_> {
    Cell::Quantity(quantity.as_ref())
}

/// The columns, in order.
pub(crate) const COLUMNS: [Column; 36] = [
    ("path", |f| Cell::Path(&f.path)),
    ("kind", |f| word(f.kind.label())),
    ("kind_source", |f| Cell::Text(Some(kind_source(&f.kind_source)))),
    ("status", |f| word(f.status.label())),
    ("reason", |f| owned(f.reason())),
    ("reason_code", |f| Cell::Text(f.left_out.as_ref().map(|why| Cow::Borrowed(why.code())))),
    ("night", |f| text(&f.night)),
    ("session_id", |f| text(&f.session_id)),
    ("sensor_id", |f| text(&f.sensor_id)),
    ("start_utc", |f| owned(f.start_text())),
    ("exposure_s", |f| Cell::Number(f.exposure_s)),
    ("sensor_celsius", |f| Cell::Number(f.sensor_celsius)),
    ("filter", |f| text(&f.filter)),
    ("camera", |f| text(&f.camera)),
    ("width", |f| Cell::Count(f.width)),
    ("height", |f| Cell::Count(f.height)),
    ("level_adu", |f| Cell::Number(f.level_adu)),
    ("sky_adu", |f| Cell::Number(f.sky_adu)),
    ("sky_sigma_adu", |f| Cell::Number(f.sky_sigma_adu)),
    ("noise_ratio", |f| quantity(&f.noise_ratio)),
    ("star_count", |f| Cell::Count(f.star_count)),
    ("fitted_stars", |f| Cell::Count(f.fitted_stars)),
    ("fwhm_px", |f| quantity(&f.fwhm_px)),
    ("plane_fwhm_px", |f| Cell::Quantities(&f.plane_fwhm_px)),
    ("minor_fwhm_px", |f| quantity(&f.minor_fwhm_px)),
    ("recorded_fwhm_px", |f| quantity(&f.recorded_fwhm_px)),
    ("ellipticity", |f| quantity(&f.ellipticity)),
    ("position_angle_deg", |f| quantity(&f.position_angle_deg)),
    ("trail_length_px", |f| quantity(&f.trail_length_px)),
    ("moffat_beta", |f| quantity(&f.moffat_beta)),
    ("noise_correlation_x", |f| quantity(&f.noise_correlation_x)),
    ("noise_correlation_y", |f| quantity(&f.noise_correlation_y)),
    ("star_flags", |f| Cell::Counts(&f.star_flags)),
    ("saturated_count", |f| Cell::Count(f.saturated_count)),
    ("sky_e_per_px_s", |f| quantity(&f.sky_e_per_px_s)),
    ("transparency", |f| quantity(&f.transparency)),
];

/// One key a column, in the columns' order.
impl Serialize for FrameRow {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        let mut keys = to.serialize_map(Some(COLUMNS.len()))?;
        for (name, cell) in COLUMNS {
            keys.serialize_entry(name, &cell(self))?;
        }
        keys.end()
    }
}
