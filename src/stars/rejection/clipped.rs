//! The level at which a frame's pixels are clipped, from the frame itself.

use crate::frame::Lattice;

use crate::stars::Peak;
use crate::stars::detection::view::View;

/// Peaks looked at, brightest first: where they are not clipped, no fainter one is.
const BRIGHTEST: usize = 200;
/// Columns and rows on either side of a peak that its clipped core may fill, px.
const REACH_PX: usize = 4;
/// Pixels at the highest code, each beside another such one, from which it is a clip level. Photon noise puts two
/// neighbours of a bright core on one code less often than once in its standard deviation in ADU, some hundred.
const LEAST_PILE: usize = 4;

/// Highest code around the brightest peaks, ADU, where it is piled up in touching pixels; `None` where it is no clip level.
///
/// `peaks` come brightest first, without hot pixels: these may lie above the level at which stars are clipped.
pub(crate) fn clip_level<'a>(view: View, peaks: impl Iterator<Item = &'a Peak>) -> Option<f64> {
    let View { plane, lattice, .. } = view;
    let (rows, columns) = plane.dim();
    let bright: Vec<&Peak> = peaks.take(BRIGHTEST).collect();
    let core = |p: &Peak| {
        let across = p.x.saturating_sub(REACH_PX)..(p.x + REACH_PX + 1).min(columns);
        (p.y.saturating_sub(REACH_PX)..(p.y + REACH_PX + 1).min(rows))
            .flat_map(move |y| across.clone().map(move |x| (x, y)))
    };
    let counting = |(x, y): &(usize, usize)| lattice.holds(*x, *y);
    let highest = bright
        .iter()
        .flat_map(|p| core(p).filter(counting))
        .map(|(x, y)| plane.at(x, y))
        .filter(|v| v.is_finite())
        .max_by(f64::total_cmp)?;
    let is_there = |x: usize, y: usize| x < columns && y < rows && plane.at(x, y) >= highest && lattice.holds(x, y);
    // On a mosaic the nearest sites that count lie on the diagonals.
    let touches = |(x, y): &(usize, usize)| {
        let (x, y) = (*x, *y);
        let (left, up) = (x.wrapping_sub(1), y.wrapping_sub(1));
        match lattice {
            Lattice::All => is_there(left, y) || is_there(x + 1, y) || is_there(x, up) || is_there(x, y + 1),
            Lattice::Green(_) => {
                [(left, up), (x + 1, up), (left, y + 1), (x + 1, y + 1)].iter().any(|(a, b)| is_there(*a, *b))
            }
        }
    };
    let piled =
        bright.iter().flat_map(|p| core(p).filter(|(x, y)| is_there(*x, *y)).filter(touches)).take(LEAST_PILE).count();
    (piled >= LEAST_PILE).then_some(highest)
}
