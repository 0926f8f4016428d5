//! One frame as one line, for a night that is being watched.

use super::columns::clean;
use crate::report::InWords;
use crate::report::model::{FrameRow, FrameStatus};
use crate::report::words::numbers::plain;

/// Path, kind, and what the frame says or why it says nothing, parted by two blanks.
pub fn frame_line(row: &FrameRow) -> String {
    // A name may hold a line's end; a frame is one line all the same.
    let mut parts: Vec<String> = vec![clean(&row.path), row.kind.label().to_owned()];
    match (row.status, row.reason()) {
        (FrameStatus::Used, _) => {}
        (status, Some(why)) => parts.push(format!("{}: {why}", status.label())),
        (status, None) => parts.push(status.label().to_owned()),
    }
    if let Some(fwhm) = row.fwhm_px.as_ref().filter(|q| q.is_known()) {
        parts.push(format!("FWHM {}", fwhm.text("px")));
    }
    if let Some(ellipticity) = row.ellipticity.as_ref().filter(|q| q.is_known()) {
        parts.push(format!("ellipticity {}", ellipticity.text("")));
    }
    parts.extend(row.star_count.map(|n| format!("{n} stars")));
    let level = match (row.sky_adu, row.level_adu) {
        (Some(sky), _) => Some(("sky", sky)),
        (None, level) => level.map(|level| ("level", level)),
    };
    parts.extend(level.map(|(what, adu)| format!("{what} {} ADU", plain(adu))));
    parts.join("  ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::facts::left_out::NotReadable;
    use crate::facts::{FrameKind, LeftOut, Quantity};

    #[test]
    fn a_frame_is_one_line_whatever_its_name() {
        let mut row = FrameRow::bare("two\nlines.fits", FrameKind::Light, FrameStatus::Used);
        row.fwhm_px = Some(Quantity::measured(2.5, 0.1, "fit", 20));
        row.star_count = Some(20);
        assert_eq!(frame_line(&row), "two?lines.fits  light  FWHM 2.50 \u{b1} 0.10 px  20 stars");
    }

    #[test]
    fn a_frame_left_out_says_why() {
        let mut row = FrameRow::bare("a.fits", FrameKind::Unknown, FrameStatus::Unreadable);
        row.left_out = Some(LeftOut::NotReadable(NotReadable::Empty));
        assert_eq!(frame_line(&row), "a.fits  unknown  unreadable: empty (0 bytes)");
    }
}
