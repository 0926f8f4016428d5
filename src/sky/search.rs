//! Which part of the sky a frame shows: triangles of its brightest stars among those of the catalogue.
//!
//! Each pair of triangles of one shape proposes a place, a scale, a turn and a parity. A proposal that is allowed by what
//! is known of pointing and scale is screened with the frame's other bright stars; what chance hardly gives is fitted.
//! The search goes from few stars and narrow limits to many and wide ones, and ends with the first match that is certain.

use super::chance::beyond_chance;
use super::coincidence::{CHOICES, Coincidence, DECIDING, Sides, noise_px};
use super::plate::Plate;
use super::plate_fit::believed_distortion;
use super::region::{Marked, Region};
use super::similarity::Similarity;
use super::source::Source;
use super::sphere::TangentPlane;
use super::triangles::{MOST_APART, Shapes, Tolerance, Triangle, distance, each_triangle};

/// Probability of a false match that is accepted in the whole search of a frame.
pub const FALSE_ALARM: f64 = 1e-6;
/// Sum of `1 / k` up to the most proposals that a search can make (a few steps of `MOST_PROPOSALS` for each of a few pointings
/// and scales, 2e8 at most): testing the k-th at `FALSE_ALARM / (k * this)` keeps the whole below `FALSE_ALARM`. A proposal
/// counts once its triangles are alike and within the limits, before any look at other stars.
const HARMONIC: f64 = 20.0;
/// Proposals and triangles of one step after which it is given up, about 0.1 s: no frame of the trials gets so far.
const MOST_PROPOSALS: u64 = 600_000;
const MOST_TRIANGLES: u64 = 1_500_000;
/// Longest side of a triangle over the root of the frame's area. Shorter ones place the rest of the frame badly. Of longer
/// ones few lie in a frame, while their number on the sky grows with the fourth power: they cost more than they find.
const LONGEST_SIDE: [f64; 2] = [0.22, 0.58];
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
/// Difference of a side that passes, in errors of a place along an axis: three standard errors of a usual triangle's ratios.
/// Two sides that share a star, of lengths `a` and `c` and at an angle of 45 degrees, have a ratio `s` with a variance of
/// `(2 + 2 s^2 - 1.4 s) / c^2`, 1.5 squared for most.
const SIDE_SIGMAS: f64 = 4.5;
/// What a displacement in the corner does to ratios of sides there: a cubic distortion enlarges three times as much along the
/// radius as the displacement says, and once across it.
const ANISOTROPY: f64 = 2.0;
/// Displacement in the corner that small fields are allowed too: that of a simple reducer (common practice, no source).
const LEAST_DISTORTION: f64 = 0.0015;

/// One step of the search.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Step {
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
pub(crate) struct Search<'a> {
    pub sources: &'a [Source],
    pub size_px: [f64; 2],
    pub region: &'a Region,
    /// Scale that is expected, radians per px.
    pub scale: f64,
}

/// What a search found, and how many proposals it took so far.
pub(crate) struct Found {
    pub coincidence: Coincidence,
    /// Probability of a false match, all proposals counted.
    pub false_alarm: f64,
}

impl Search<'_> {
    /// Goes through one step; `proposals` counts on over all steps.
    pub fn step(&self, step: &Step, proposals: &mut u64) -> Option<Found> {
        let limits = self.limits(step);
        let bright = self.bright(step.sources);
        let longest_px = LONGEST_SIDE.map(|share| share * self.area_px().sqrt());
        let shapes = Shapes::of(&bright, longest_px, self.tolerance(step));
        let stars = self.stars(step.per_frame, limits.reach);
        let screen = Screen::new(&bright, Marked::around(&stars, self.reach_px() * self.scale, limits.reach));
        let longest = [longest_px[0] * limits.scale[0], longest_px[1] * limits.scale[1]];
        let (mut triangles, started) = (0u64, *proposals);
        let mut found = None;
        each_triangle(&stars, longest, |corners, opposite, form| {
            triangles += 1;
            let mut alike = shapes.like(form, limits.scale).peekable();
            // Most have none, and need no order of corners.
            if alike.peek().is_some() {
                let on_sky = Triangle::new(&stars, corners, opposite, form);
                let alike = alike.filter(|t| limits.may_hold(t, &on_sky));
                let pairs = alike.map(|t| (t, proposed(t, &bright, &on_sky, &stars)));
                for (in_frame, proposal) in pairs.filter(|(_, p)| limits.hold(p)) {
                    *proposals += 1;
                    if screen.passes(in_frame, &proposal) {
                        found = self.certain(&proposal, *proposals);
                    }
                    if found.is_some() {
                        return false;
                    }
                }
            }
            triangles < MOST_TRIANGLES && *proposals - started < MOST_PROPOSALS
        });
        found
    }

    fn limits(&self, step: &Step) -> Limits {
        let pointing = step.pointing_deg.to_radians().tan();
        let scale = [self.scale / step.scale_factor, self.scale * step.scale_factor];
        Limits { scale, pointing, reach: (pointing + self.half_px() * scale[1]).min(self.region.radius) }
    }

    /// The brightest sources, px from the frame's centre.
    fn bright(&self, sources: usize) -> Vec<[f64; 2]> {
        let centre = self.size_px.map(|n| (n - 1.0) / 2.0);
        self.sources.iter().take(sources).map(|s| [s.x_px - centre[0], s.y_px - centre[1]]).collect()
    }

    /// The brightest stars of so much of the region as a frame may show, as many as for each area of the frame's size.
    fn stars(&self, per_frame: f64, reach: f64) -> Vec<[f64; 2]> {
        let frame_area = self.area_px() * self.scale * self.scale;
        let wanted = per_frame * std::f64::consts::PI * reach * reach / frame_area;
        let within = self.region.places.iter().filter(|[x, y]| x * x + y * y <= reach * reach);
        within.copied().take((wanted.ceil() as usize).min(MOST_STARS)).collect()
    }

    /// How far the true triangles' shapes lie apart.
    fn tolerance(&self, step: &Step) -> Tolerance {
        let half = self.half_px() * self.scale;
        let distortion = ANISOTROPY * believed_distortion((2.0 * half).to_degrees()).max(LEAST_DISTORTION);
        // The plane touches the sky at the pointing and not at the frame's centre, and enlarges away from there.
        let projection = half * step.pointing_deg.to_radians().tan();
        let noise = noise_px(&self.sources[..self.sources.len().min(step.sources)], self.scale);
        Tolerance { steady: distortion.hypot(projection), length: SIDE_SIGMAS * noise }
    }

    fn area_px(&self) -> f64 {
        self.size_px[0] * self.size_px[1]
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

/// The similarity that carries a triangle of the frame onto one of the sky.
fn proposed(in_frame: &Triangle, bright: &[[f64; 2]], on_sky: &Triangle, stars: &[[f64; 2]]) -> Similarity {
    let parity = if on_sky.left_handed == in_frame.left_handed { 1.0 } else { -1.0 };
    let corners = |t: &Triangle, of: &[[f64; 2]]| t.corners.map(|k| of[k as usize]);
    Similarity::of(corners(in_frame, bright), corners(on_sky, stars), parity)
}

/// A quick look at whether the stars beside a proposal's triangle are where the catalogue has some.
struct Screen<'a> {
    bright: &'a [[f64; 2]],
    marked: Marked,
    /// Stars that must be there.
    needed: usize,
}

impl<'a> Screen<'a> {
    fn new(bright: &'a [[f64; 2]], marked: Marked) -> Self {
        // The picture is a square about the circle of stars.
        let expected = bright.len() as f64 * marked.share() * 4.0 / std::f64::consts::PI;
        Self { bright, marked, needed: beyond_chance(expected, SCREEN_CHANCE, LEAST_SCREENED) }
    }

    fn passes(&self, triangle: &Triangle, proposal: &Similarity) -> bool {
        let others = self.bright.iter().enumerate().filter(|(k, _)| !triangle.corners.contains(&(*k as u32)));
        let mut seen = 0;
        for (looks, (_, star)) in others.enumerate() {
            seen += usize::from(self.marked.holds(proposal.apply(*star)));
            if seen == self.needed {
                return true;
            }
            if looks + 1 == HOPELESS && seen == 0 {
                return false;
            }
        }
        false
    }
}

struct Limits {
    /// Scales, radians per px.
    scale: [f64; 2],
    /// Largest distance of the frame's centre from the pointing, in the plane.
    pointing: f64,
    /// Largest distance of any of its stars.
    reach: f64,
}

impl Limits {
    /// Whether a proposal places the frame's centre near enough.
    fn hold(&self, proposal: &Similarity) -> bool {
        distance(proposal.shift, [0.0; 2]) <= self.pointing
    }

    /// Whether a pair of triangles may do so, however the frame is turned: known before the turn is computed. The margin is
    /// what the scales of a pair's sides may differ.
    fn may_hold(&self, in_frame: &Triangle, on_sky: &Triangle) -> bool {
        let off = in_frame.off * on_sky.form.longest / in_frame.form.longest;
        (off - on_sky.off).abs() <= self.pointing + 2.0 * MOST_APART * off
    }
}

#[cfg(test)]
mod tests {
    use super::super::triangles::Form;
    use super::*;
    use rand::{RngExt, SeedableRng};
    use rand_xoshiro::Xoshiro256PlusPlus;

    fn triangle(points: &[[f64; 2]]) -> Option<Triangle> {
        let side = |i: usize, j: usize| distance(points[i], points[j]);
        let opposite = [side(1, 2), side(0, 2), side(0, 1)];
        Some(Triangle::new(points, [0, 1, 2], opposite, Form::of(opposite)?))
    }

    #[test]
    fn the_look_before_the_turn_is_known_loses_no_proposal() {
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(6);
        let limits = Limits { scale: [0.5, 2.0], pointing: 0.3, reach: 9.0 };
        let (mut held, mut refused) = (0, 0);
        for _ in 0..5000 {
            let mut random = |most: f64| [0, 1].map(|_| rng.random_range(-most..most));
            let truth = Similarity { turn: random(1.0), shift: random(0.6), parity: 1.0 };
            let frame: Vec<[f64; 2]> = (0..3).map(|_| random(1.0)).collect();
            // As far off as the shapes' tolerance lets pass for a triangle of unit size.
            let sky: Vec<[f64; 2]> = frame
                .iter()
                .map(|p| {
                    let ([x, y], [a, b]) = (truth.apply(*p), random(0.003 * distance(truth.turn, [0.0; 2])));
                    [x + a, y + b]
                })
                .collect();
            let Some((in_frame, on_sky)) = triangle(&frame).zip(triangle(&sky)) else { continue };
            if in_frame.form.longest < 1.0 {
                continue;
            }
            let may = limits.may_hold(&in_frame, &on_sky);
            if limits.hold(&proposed(&in_frame, &frame, &on_sky, &sky)) {
                assert!(may, "{frame:?} {sky:?}");
                held += 1;
            }
            refused += usize::from(!may);
        }
        assert!(held > 500 && refused > 500, "{held} {refused}");
    }
}
