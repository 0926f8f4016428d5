//! The plate constants: how places in a frame follow from places on the sky.
//!
//! About the centre of the frame, where the plane touches the sky, `place = M u (1 + c |u|^2 / R^2)`: `u` is the offset in
//! px, `R` half the frame's diagonal, `M` holds scale, rotation and parity, and `c` the cubic radial distortion at the
//! corner (positive: the corner's stars lie nearer to the centre than without it).

use super::sphere::{Direction, TangentPlane};

/// Steps of the fixed-point iteration that undoes the distortion: it gains a factor `3 c` a step.
const UNDO_STEPS: usize = 6;

/// A frame on the sky.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Plate {
    pub(crate) plane: TangentPlane,
    /// Radians towards east and north per px along x and y.
    pub(crate) matrix: [[f64; 2]; 2],
    /// Relative displacement in the corner.
    pub(crate) distortion: f64,
    pub(crate) size_px: [f64; 2],
}

impl Plate {
    /// A plate without distortion; `size_px` are columns and rows.
    pub fn new(centre: Direction, matrix: [[f64; 2]; 2], size_px: [f64; 2]) -> Self {
        Self { plane: TangentPlane::at(centre), matrix, distortion: 0.0, size_px }
    }

    /// Centre of the frame, px of the file, 0-based, integer at pixel centres.
    pub(crate) fn centre_px(&self) -> [f64; 2] {
        self.size_px.map(|n| (n - 1.0) / 2.0)
    }

    /// Half the diagonal, px.
    pub(crate) fn half_diagonal_px(&self) -> f64 {
        self.size_px[0].hypot(self.size_px[1]) / 2.0
    }

    /// Direction of the frame's centre.
    pub fn centre(&self) -> Direction {
        self.plane.centre()
    }

    /// Scale at the centre, the geometric mean of both axes, radians a px.
    pub(crate) fn scale(&self) -> f64 {
        self.determinant().abs().sqrt()
    }

    /// Negative where the sky is seen as from the ground with y upwards, positive where it is mirrored.
    pub(crate) fn determinant(&self) -> f64 {
        let [[a, b], [c, d]] = self.matrix;
        a * d - b * c
    }

    /// Direction of a pixel of the file.
    pub fn direction(&self, pixel: [f64; 2]) -> Direction {
        let [cx, cy] = self.centre_px();
        let [x, y] = [pixel[0] - cx, pixel[1] - cy];
        let stretch = 1.0 + self.distortion * (x * x + y * y) / self.half_diagonal_px().powi(2);
        self.plane.direction(self.matrix.map(|row| stretch * (row[0] * x + row[1] * y)))
    }

    /// Pixel of the file that a direction falls on, also outside the frame; `None` for the far side of the sky.
    pub fn pixel(&self, direction: Direction) -> Option<[f64; 2]> {
        let [xi, eta] = self.plane.project(direction)?;
        let ([[a, b], [c, d]], det) = (self.matrix, self.determinant());
        let straight = [(d * xi - b * eta) / det, (a * eta - c * xi) / det];
        let reach2 = self.half_diagonal_px().powi(2);
        // Outside the frame the cubic means nothing and may even fold back.
        let bent = |[x, y]: [f64; 2]| 1.0 + self.distortion * ((x * x + y * y) / reach2).min(1.5);
        let mut u = straight;
        if self.distortion != 0.0 {
            for _ in 0..UNDO_STEPS {
                let stretch = bent(u);
                u = straight.map(|v| v / stretch);
            }
        }
        let [cx, cy] = self.centre_px();
        Some([u[0] + cx, u[1] + cy])
    }

    /// Width and height of the frame across its middle, degrees.
    pub fn field_deg(&self) -> [f64; 2] {
        let ([cx, cy], [w, h]) = (self.centre_px(), self.size_px);
        let across = |a, b| self.direction(a).separation_arcsec(self.direction(b)) / 3600.0;
        [across([-0.5, cy], [w - 0.5, cy]), across([cx, -0.5], [cx, h - 0.5])]
    }

    /// Whether a pixel lies in the frame.
    pub(crate) fn holds(&self, [x, y]: [f64; 2]) -> bool {
        (-0.5..self.size_px[0] - 0.5).contains(&x) && (-0.5..self.size_px[1] - 0.5).contains(&y)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What the fixed-point iteration leaves at 2 % of distortion, px.
    const UNDONE_PX: f64 = 1e-4;

    #[test]
    fn a_pixel_comes_back_from_the_sky_with_distortion_and_mirrored() {
        for (matrix, distortion) in [
            ([[-1e-5, 2e-6], [2e-6, 1.1e-5]], 0.02),
            ([[1e-5, 0.0], [0.0, 1e-5]], -0.02),
            ([[0.0, 1e-5], [1e-5, 0.0]], 0.0),
        ] {
            let plate =
                Plate { distortion, ..Plate::new(Direction::from_degrees(359.9, 88.0), matrix, [3000.0, 2000.0]) };
            for pixel in [[0.0, 0.0], [2999.0, 10.0], [1500.0, 1200.0]] {
                let back = plate.pixel(plate.direction(pixel)).unwrap();
                assert!((back[0] - pixel[0]).hypot(back[1] - pixel[1]) < UNDONE_PX, "{pixel:?} {back:?}");
            }
        }
    }
}
