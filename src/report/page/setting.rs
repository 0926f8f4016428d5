//! How values, dates and words are set on the page.

use jiff::civil::Date;
use serde::Serialize;

use crate::report::InWords;
use crate::report::plots::Figure;
use crate::report::words::first::say;
use crate::report::words::numbers::{typographic, with_unit};
use crate::report::words::origins::{self, Named};
use crate::report::words::percent;

/// One line of a table of values.
#[derive(Debug, Serialize)]
pub struct Line {
    pub label: String,
    pub value: String,
    pub origin: String,
    pub note: Option<String>,
    pub known: bool,
}

/// A value as a line of a table.
pub(crate) fn line(v: Named) -> Line {
    Line {
        label: typographic(v.label),
        value: typographic(&match v.unit {
            "%" => percent(&v.quantity.scaled(0.01)),
            unit => with_unit(&v.quantity, unit),
        }),
        origin: typographic(&origins::origin(&v.quantity)),
        note: v.quantity.remark().map(|n| typographic(&n)),
        known: v.quantity.is_known(),
    }
}

/// `11 February 2026`, not to be broken, from `2026-02-11`; anything else stays as it is.
pub(crate) fn day(night: &str) -> String {
    night.parse::<Date>().map_or_else(|_| night.to_owned(), |d| d.strftime("%-d\u{A0}%B\u{A0}%Y").to_string())
}

/// The text with a capital first letter and marks as they are set.
pub(crate) fn sentence(text: &str) -> String {
    typographic(&say::sentence(text))
}

/// The words around a chart as they are set on the page.
pub(crate) fn set(f: Figure) -> Figure {
    Figure { title: typographic(&f.title), caption: typographic(&f.caption), ..f }
}
