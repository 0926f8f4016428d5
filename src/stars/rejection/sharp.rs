//! Tracks of cosmic rays and clusters of hot pixels: in some direction they are sharper than any star image.

use crate::fits::Pixels;
use crate::frame::Lattice;

use crate::stars::Peak;
use crate::stars::detection::view::View;

/// Height of the brightest pixel from which its neighbours tell enough, standard deviations of a sky pixel.
const LEAST_HEIGHT_SIGMAS: f64 = 10.0;
/// Sum of two opposite neighbours over the pixel between them below which an image is too sharp: half of what a star of
/// 1 px FWHM, centred on its pixel, gives (0.63 / 2, Gaussian after the pixel).
const OPPOSITE_NEIGHBOURS: f64 = 0.155;
/// Share of the brightest pixel from which both neighbours of a corner count as lit.
const LIT: f64 = 0.3;
/// Share of `side a * side b / centre` below which the pixel between two lit sides is too dark: an axis-aligned Gaussian
/// has 1, wings raise it, an elongation across lowers it.
const CORNER: f64 = 0.5;

/// The same for two opposite diagonal neighbours, the nearest that a mosaic's green sites have: half of 0.057.
const OPPOSITE_DIAGONALS: f64 = 0.029;

/// Whether the image is sharper than a star in any direction.
pub(crate) fn is_track(view: View, peak: &Peak) -> bool {
    let (rows, columns) = view.plane.dim();
    let (x, y, _) = view.brightest(peak);
    if x < 1 || y < 1 || x + 1 >= columns || y + 1 >= rows {
        return false;
    }
    let sharp = match view.lattice {
        Lattice::All => is_sharp,
        Lattice::Green(_) => is_sharp_on_green,
    };
    sharp(view.plane, (x, y), view.sky.level_at(x, y) + peak.ring_adu, view.sky.sigma_at(x, y))
}

/// Whether the image around its brightest green site (x, y) is sharper than a star along either diagonal. Otherwise as
/// [`is_sharp`].
fn is_sharp_on_green(plane: &Pixels, (x, y): (usize, usize), background: f64, sigma: f64) -> bool {
    let at = |dx: i32, dy: i32| plane.at((x as i32 + dx) as usize, (y as i32 + dy) as usize) - background;
    let peak = at(0, 0);
    let along = [at(-1, -1) + at(1, 1), at(1, -1) + at(-1, 1)];
    let margin = std::f64::consts::SQRT_2 * sigma;
    peak >= LEAST_HEIGHT_SIGMAS * sigma && along.iter().any(|sum| sum + margin < OPPOSITE_DIAGONALS * peak)
}

/// Whether the image around its brightest pixel (x, y) is sharper than a star in any direction. At least one pixel from
/// the border; `background` and `sigma` of a sky pixel, ADU.
fn is_sharp(plane: &Pixels, (x, y): (usize, usize), background: f64, sigma: f64) -> bool {
    let at = |dx: i32, dy: i32| plane.at((x as i32 + dx) as usize, (y as i32 + dy) as usize) - background;
    let peak = at(0, 0);
    if peak.is_nan() || peak < LEAST_HEIGHT_SIGMAS * sigma {
        return false;
    }
    // Noise must not make a sharp star too sharp: one standard deviation of a sum of two.
    let margin = std::f64::consts::SQRT_2 * sigma;
    let along = [at(-1, 0) + at(1, 0), at(0, -1) + at(0, 1)];
    if along.iter().any(|sum| sum + margin < OPPOSITE_NEIGHBOURS * peak) {
        return true;
    }
    let brighter = |minus: f64, plus: f64| if plus > minus { (plus, 1) } else { (minus, -1) };
    let (a, dx) = brighter(at(-1, 0), at(1, 0));
    let (b, dy) = brighter(at(0, -1), at(0, 1));
    a > LIT * peak && b > LIT * peak && at(dx, dy) + 2.0 * sigma < CORNER * a * b / peak
}
