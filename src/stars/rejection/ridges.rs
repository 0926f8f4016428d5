//! Peaks that are one image: noise puts several maxima on the flat top of a trail, and many along a satellite's streak.
//!
//! Two peaks of like height belong together when the light between them never falls below most of the lower one. What
//! hangs together so is one image; where it is far longer than a star, it is a streak.

use super::neighbours::Neighbours;
use crate::stars::Peak;
use crate::stars::detection::view::View;

/// Distance within which peaks can hang together, kernel widths: maxima of filtered noise are rarely farther apart.
const REACH_WIDTHS: f64 = 4.0;
/// Share of the lower peak that the light between must keep. Two equal Gaussians 1.2 FWHM apart keep 0.74.
const LEAST_SADDLE: f64 = 0.85;
/// Share of the higher peak that the lower must have: a star and its spike are not one image.
const LEAST_RATIO: f64 = 0.5;
/// Standard deviations of the 3x3 mean that noise may lower the light between.
const NOISE_SIGMAS: f64 = 2.0;
/// Length from which an image is a streak, kernel widths: no trail that still gives a shape is so long.
const STREAK_WIDTHS: f64 = 10.0;

/// A peak or several that are one image.
pub(crate) struct Image {
    pub peak: Peak,
    /// Whether it lies on a streak.
    pub streak: bool,
}

/// Joins peaks that are one image at the middle of their extent. Hot pixels stay alone.
/// Brightest first. The peaks of a streak stay, so that stars beside them know of it.
pub(crate) fn joined(view: View, peaks: Vec<Peak>, kernel_px: f64) -> Vec<Image> {
    let mut order: Vec<usize> = (0..peaks.len()).collect();
    order.sort_unstable_by(|a, b| peaks[*b].significance.total_cmp(&peaks[*a].significance).then(a.cmp(b)));
    let lit: Vec<Peak> = order.iter().filter(|i| !peaks[**i].hot).map(|i| peaks[*i]).collect();
    let reach_px = REACH_WIDTHS * kernel_px;
    let near = Neighbours::new(&lit, view.plane.dim(), reach_px);
    // The brightest peak of each image stands for it.
    let mut of: Vec<usize> = (0..lit.len()).collect();
    for i in 0..lit.len() {
        for (k, _) in near.around(&lit, i, reach_px) {
            if k > i && is_ridge(view, &lit[i], &lit[k]) {
                let (a, b) = (root(&of, i), root(&of, k));
                of[a.max(b)] = a.min(b);
            }
        }
    }
    let mut extents: Vec<[usize; 4]> = lit.iter().map(|p| [p.x, p.x, p.y, p.y]).collect();
    for (i, p) in lit.iter().enumerate() {
        let e = &mut extents[root(&of, i)];
        *e = [e[0].min(p.x), e[1].max(p.x), e[2].min(p.y), e[3].max(p.y)];
    }
    let mut images = Vec::with_capacity(peaks.len());
    let mut number = 0..lit.len();
    for i in order {
        let peak = peaks[i];
        if peak.hot {
            images.push(Image { peak, streak: false });
            continue;
        }
        let Some(i) = number.next() else { break };
        let first = root(&of, i);
        let [left, right, top, bottom] = extents[first];
        if ((right - left) as f64).hypot((bottom - top) as f64) > STREAK_WIDTHS * kernel_px {
            images.push(Image { peak, streak: true });
        } else if first == i {
            let middle = Peak { x: usize::midpoint(left, right), y: usize::midpoint(top, bottom), ..peak };
            images.push(Image { peak: middle, streak: false });
        }
    }
    images
}

fn root(of: &[usize], mut i: usize) -> usize {
    while of[i] != i {
        i = of[i];
    }
    i
}

/// Mean of the counting pixels among 3x3, ADU; zero outside the frame, where there is no ridge.
fn mean_at(view: View, x: f64, y: f64) -> f64 {
    let (rows, columns) = view.plane.dim();
    let (x, y) = (x.round() as usize, y.round() as usize);
    let (mut sum, mut n) = (0.0, 0.0);
    for b in y.saturating_sub(1)..(y + 2).min(rows) {
        for a in x.saturating_sub(1)..(x + 2).min(columns) {
            if view.lattice.holds(a, b) {
                sum += view.plane.at(a, b);
                n += 1.0;
            }
        }
    }
    if n > 0.0 { sum / n } else { 0.0 }
}

fn is_ridge(view: View, a: &Peak, b: &Peak) -> bool {
    let background = view.sky.level_at(b.x, b.y) + a.ring_adu.min(b.ring_adu);
    let place = |p: &Peak| (p.x as f64, p.y as f64);
    let ((ax, ay), (bx, by)) = (place(a), place(b));
    let (at_a, at_b) = (mean_at(view, ax, ay) - background, mean_at(view, bx, by) - background);
    let (low, high) = (at_a.min(at_b), at_a.max(at_b));
    if low < LEAST_RATIO * high {
        return false;
    }
    let floor = background + LEAST_SADDLE * low - NOISE_SIGMAS * view.sky.sigma_at(b.x, b.y) / 3.0;
    let steps = (bx - ax).hypot(by - ay).ceil().max(2.0);
    (1..steps as usize).all(|k| {
        let t = k as f64 / steps;
        mean_at(view, ax + t * (bx - ax), ay + t * (by - ay)) >= floor
    })
}
