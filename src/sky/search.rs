//! Which part of the sky a frame shows: triangles of its brightest stars among those of the catalogue.
//!
//! Each pair of triangles of one shape proposes a place, a scale, a turn and a parity. A proposal that is allowed by what
//! is known of pointing and scale is screened with the frame's other bright stars; what chance hardly gives is fitted.
//! The search goes from few stars and narrow limits to many and wide ones, and ends with the first match that is certain.

use super::chance::beyond_chance;
use super::coincidence::{CHOICES, Coincidence, DECIDING, Sides};
use super::plate::Plate;
use super::region::{Marked, Region};
use super::similarity::Similarity;
use super::triangles::{Shapes, Triangle, distance};
use super::{Source, TangentPlane};

/// Probability of a false match that is accepted in the whole search of a frame.
pub const FALSE_ALARM: f64 = 1e-6;
/// Sum of `1 / k` up to the most proposals that a search can make (a few steps of `MOST_PROPOSALS` for each of a few pointings
/// and scales, 2e8 at most): testing the k-th at `FALSE_ALARM / (k * this)` keeps the
/// whole below `FALSE_ALARM`.
const HARMONIC: f64 = 20.0;
/// Proposals and triangles of one step after which it is given up: about 0.1 s each.
const MOST_PROPOSALS: u64 = 600_000;
const MOST_TRIANGLES: u64 = 1_500_000;
/// Longest side of a triangle over the frame's diagonal: shorter ones place the rest of the frame badly, longer ones are few
/// in a frame and many on the sky.
const LONGEST_SIDE: [f64; 2] = [0.15, 0.6];
/// Distance within which a star counts for a proposal, in half diagonals and px: what distortion and a triangle's own noise
/// leave of it.
const REACH: [f64; 2] = [0.006, 2.0];
/// Proposals that chance carries through the screen.
const SCREEN_CHANCE: f64 = 3e-4;
/// Stars beside a proposal's triangle that must be there.
const LEAST_SCREENED: usize = 2;
/// Brightest other stars of which a true proposal shows at least one: with half of them in the catalogue it misses all of
/// eight once in 250 times, and there are many proposals of a true match.
const HOPELESS: usize = 8;
/// Most catalogue stars whose triangles are looked at in a step.
const MOST_STARS: usize = 4000;

/// One step of the search.
#[derive(Debug, Clone, Copy)]
pub(super) struct Step {
    /// Largest error of the pointing, degrees.
    pub pointing_deg: f64,
    /// Largest error of the scale, a factor.
    pub scale_factor: f64,
    /// Brightest sources whose triangles are made.
    pub sources: usize,
    /// Catalogue stars for an area of the frame's size, brightest first.
    pub per_frame: f64,
}

/// What is sought in a step.
pub(super) struct Search<'a> {
    pub sources: &'a [Source],
    pub size_px: [f64; 2],
    pub region: &'a Region,
    /// Scale that is expected, radians per px.
    pub scale: f64,
}

/// What a search found, and how many proposals it took so far.
pub(super) struct Found {
    pub coincidence: Coincidence,
    /// Probability of a false match, all proposals counted.
    pub false_alarm: f64,
}

impl Search<'_> {
    /// Goes through one step; `proposals` counts on over all steps.
    pub fn step(&self, step: &Step, proposals: &mut u64) -> Option<Found> {
        let (half_px, reach_px) = (self.half_px(), self.reach_px());
        let centre = self.size_px.map(|n| (n - 1.0) / 2.0);
        let offset = |s: &Source| [s.x_px - centre[0], s.y_px - centre[1]];
        let bright: Vec<[f64; 2]> = self.sources.iter().take(step.sources).map(offset).collect();
        let longest = LONGEST_SIDE.map(|share| share * 2.0 * half_px);
        let shapes = Shapes::of(&bright, longest);
        let frame_area = self.size_px[0] * self.size_px[1] * self.scale * self.scale;
        let wanted = step.per_frame * self.region.area() / frame_area;
        let stars = &self.region.places[..self.region.places.len().min(wanted.ceil() as usize).min(MOST_STARS)];
        let reach = reach_px * self.scale;
        let marked = Marked::around(stars, reach, self.region.radius);
        // The picture is a square about the circle of stars.
        let expected = bright.len() as f64 * marked.share() * 4.0 / std::f64::consts::PI;
        let needed = beyond_chance(expected, SCREEN_CHANCE, LEAST_SCREENED);
        let limits = Limits {
            longest: [longest[0] * self.scale / step.scale_factor, longest[1] * self.scale * step.scale_factor],
            scale: [self.scale / step.scale_factor, self.scale * step.scale_factor],
            pointing: step.pointing_deg.to_radians().tan(),
        };
        let (mut triangles, started) = (0u64, *proposals);
        let mut found = None;
        each_triangle(stars, limits.longest, |on_sky| {
            triangles += 1;
            for in_frame in shapes.like(&on_sky) {
                let ratio = on_sky.longest / in_frame.longest;
                if !(limits.scale[0]..=limits.scale[1]).contains(&ratio) {
                    continue;
                }
                let parity = if on_sky.left_handed == in_frame.left_handed { 1.0 } else { -1.0 };
                let corners = |t: &Triangle, of: &[[f64; 2]]| t.corners.map(|k| of[k as usize]);
                let proposal = Similarity::of(corners(in_frame, &bright), corners(&on_sky, stars), parity);
                if proposal.shift[0].hypot(proposal.shift[1]) > limits.pointing {
                    continue;
                }
                *proposals += 1;
                if !shows_enough(&bright, in_frame, needed, |p| marked.holds(proposal.apply(p))) {
                    continue;
                }
                found = self.certain(&proposal, *proposals);
                if found.is_some() {
                    return false;
                }
            }
            triangles < MOST_TRIANGLES && *proposals - started < MOST_PROPOSALS
        });
        found
    }

    fn half_px(&self) -> f64 {
        self.size_px[0].hypot(self.size_px[1]) / 2.0
    }

    fn reach_px(&self) -> f64 {
        REACH[0] * self.half_px() + REACH[1]
    }

    /// The match that a proposal leads to, where it is certain.
    fn certain(&self, proposal: &Similarity, proposals: u64) -> Option<Found> {
        let sides = Sides { sources: self.sources, region: self.region, most: DECIDING };
        let coincidence = sides.settle(&self.plate(proposal), self.reach_px())?;
        let false_alarm = coincidence.chance * proposals as f64 * HARMONIC * CHOICES;
        (false_alarm < FALSE_ALARM).then_some(Found { coincidence, false_alarm })
    }

    /// The plate that a proposal means, its plane touching the sky at the frame's centre.
    fn plate(&self, proposal: &Similarity) -> Plate {
        let direction = |offset| self.region.plane.direction(proposal.apply(offset));
        let centre = direction([0.0, 0.0]);
        let plane = TangentPlane::at(centre);
        // Differences over half a frame, so that the proposal's plane and the frame's agree on the whole.
        let step = self.half_px() / 2.0;
        let along = |offset: [f64; 2]| {
            let [ahead, behind] =
                [offset, offset.map(|v| -v)].map(|o| plane.project(direction(o)).unwrap_or([f64::NAN; 2]));
            [0, 1].map(|k| (ahead[k] - behind[k]) / (2.0 * step))
        };
        let (x, y) = (along([step, 0.0]), along([0.0, step]));
        Plate::new(centre, [[x[0], y[0]], [x[1], y[1]]], self.size_px)
    }
}

/// Whether enough stars beside the triangle's own are where the catalogue has some.
fn shows_enough(bright: &[[f64; 2]], triangle: &Triangle, needed: usize, is_star: impl Fn([f64; 2]) -> bool) -> bool {
    let others = bright.iter().enumerate().filter(|(k, _)| !triangle.corners.contains(&(*k as u32)));
    let mut seen = 0;
    for (looks, (_, star)) in others.enumerate() {
        seen += usize::from(is_star(*star));
        if seen == needed {
            return true;
        }
        if looks + 1 == HOPELESS && seen == 0 {
            return false;
        }
    }
    false
}

struct Limits {
    /// Shortest and longest permissible longest side on the sky, radians.
    longest: [f64; 2],
    /// Scales, radians per px.
    scale: [f64; 2],
    /// Largest distance of the frame's centre from the pointing, in the plane.
    pointing: f64,
}

/// Triangles of points whose longest side lies between limits, those of the first points first, until `take` is content.
fn each_triangle(points: &[[f64; 2]], [least, most]: [f64; 2], mut take: impl FnMut(Triangle) -> bool) {
    let mut near: Vec<(u32, f64)> = Vec::new();
    for i in 0..points.len() {
        near.clear();
        let later = points.iter().enumerate().skip(i + 1).map(|(j, p)| (j as u32, distance(points[i], *p)));
        near.extend(later.filter(|(_, d)| *d <= most));
        for (at, (j, ij)) in near.iter().enumerate() {
            for (k, ik) in &near[at + 1..] {
                let jk = distance(points[*j as usize], points[*k as usize]);
                let longest = ij.max(*ik).max(jk);
                if longest < least || longest > most {
                    continue;
                }
                if let Some(t) = Triangle::new(points, [i as u32, *j, *k], [jk, *ik, *ij])
                    && !take(t)
                {
                    return;
                }
            }
        }
    }
}
