//! Which pixels a star is drawn on.

use std::ops::Range;

/// How far out a star is drawn: to the first of the two limits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reach {
    /// Share of the flux that may be missing outside.
    pub missing_share: f64,
    /// Surface brightness at which the wings are cut, e- per px.
    pub wing_e_per_px: f64,
}

/// Wings are drawn until they hold a ten-thousandth of the flux or fall far below the noise of any frame (own choice:
/// 0.005 e- per px is a thousandth of a read noise of a few e-).
pub const FULL_REACH: Reach = Reach { missing_share: 1e-4, wing_e_per_px: 0.005 };

/// An ellipse around a star.
#[derive(Debug, Clone, Copy)]
pub struct Footprint {
    x: f64,
    y: f64,
    cos: f64,
    sin: f64,
    major: f64,
    minor: f64,
}

impl Footprint {
    /// One pixel wider than the semi-axes `major` and `minor`, so that the smallest star still has its pixels.
    pub fn new(centre: [f64; 2], angle_rad: f64, major: f64, minor: f64) -> Self {
        let (sin, cos) = angle_rad.sin_cos();
        Self { x: centre[0], y: centre[1], cos, sin, major: major + 1.0, minor: minor + 1.0 }
    }

    fn half_extent(&self) -> (f64, f64) {
        let (major, minor) = (self.major, self.minor);
        ((major * self.cos).hypot(minor * self.sin), (major * self.sin).hypot(minor * self.cos))
    }

    /// Rows that it touches, of a frame of `height` rows.
    pub fn rows(&self, height: usize) -> Range<usize> {
        whole(self.y, self.half_extent().1, height)
    }

    /// Hands every pixel in it and in `rows` to `visit`, row by row.
    pub fn visit(&self, width: usize, rows: Range<usize>, mut visit: impl FnMut(usize, usize)) {
        let (half_x, half_y) = self.half_extent();
        let mine = whole(self.y, half_y, rows.end);
        for y in mine.start.max(rows.start)..mine.end {
            for x in whole(self.x, half_x, width) {
                let (dx, dy) = (x as f64 - self.x, y as f64 - self.y);
                let u = (dx * self.cos + dy * self.sin) / self.major;
                let v = (dy * self.cos - dx * self.sin) / self.minor;
                if u * u + v * v <= 1.0 {
                    visit(x, y);
                }
            }
        }
    }
}

/// Whole numbers within `half` of `centre`, inside 0..n.
fn whole(centre: f64, half: f64, n: usize) -> Range<usize> {
    let first = (centre - half).ceil().max(0.0) as usize;
    let last = (centre + half).floor();
    if last < 0.0 { 0..0 } else { first.min(n)..(last as usize + 1).min(n).max(first.min(n)) }
}
