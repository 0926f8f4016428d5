//! A field turned by half a turn from one light to the next: the mount has crossed the meridian.
//!
//! Of two lists of places the differences of all pairs pile up at one shift where the field has moved, and the sums where it was turned
//! as well.

use std::collections::HashMap;

use super::course::Course;
use crate::facts::happening::{Happening, What};
use crate::stars::Star;

/// Brightest stars of each light that are compared.
const STARS: usize = 40;
/// Pairs that must agree at least, and their share of the shorter list: chance makes one or two agree.
const LEAST_PAIRS: usize = 6;
const LEAST_SHARE: f64 = 0.3;
/// Pairs that agree on a half turn over those that agree without one.
const CLEARLY: f64 = 2.0;
/// Distance within which shifts agree, of the frame's diagonal: a field that turns a little or is distorted smears them.
const ALIKE: f64 = 0.005;
const LEAST_ALIKE_PX: f64 = 4.0;

pub fn happenings(course: &Course) -> Vec<Happening> {
    let usable: Vec<usize> =
        (0..course.lights.len()).filter(|i| course.lights[*i].stars.stars.len() >= LEAST_PAIRS).collect();
    let turned = |pair: &&[usize]| {
        let [a, b] = [pair[0], pair[1]].map(|i| course.lights[i]);
        let g = a.read.geometry;
        let alike_px = (ALIKE * (g.width as f64).hypot(g.height as f64)).max(LEAST_ALIKE_PX);
        is_turned(&places(&a.stars.stars), &places(&b.stars.stars), alike_px)
    };
    let flips = usable.windows(2).filter(turned);
    flips.filter_map(|pair| course.happening(pair[1]..pair[1] + 1, What::HalfTurn, 0)).collect()
}

fn places(stars: &[Star]) -> Vec<[f64; 2]> {
    stars.iter().take(STARS).map(|s| [s.fit.x, s.fit.y]).collect()
}

/// Whether the second list is the first after half a turn, and not without one.
fn is_turned(first: &[[f64; 2]], second: &[[f64; 2]], alike_px: f64) -> bool {
    let straight = most_alike(first, second, -1.0, alike_px);
    let turned = most_alike(first, second, 1.0, alike_px);
    let least = LEAST_PAIRS.max((LEAST_SHARE * first.len().min(second.len()) as f64).ceil() as usize);
    turned >= least && turned as f64 > CLEARLY * straight as f64
}

/// Pairs at most whose `second + sign * first` fall into one square of twice the distance.
fn most_alike(first: &[[f64; 2]], second: &[[f64; 2]], sign: f64, alike_px: f64) -> usize {
    let mut squares: HashMap<[i64; 2], usize> = HashMap::new();
    for [x, y] in first {
        for [u, v] in second {
            let [i, j] = [u + sign * x, v + sign * y].map(|shift| (shift / alike_px).floor() as i64);
            // Squares overlap by half, so that no edge parts what agrees.
            for square in [[i, j], [i - 1, j], [i, j - 1], [i - 1, j - 1]] {
                *squares.entry(square).or_default() += 1;
            }
        }
    }
    squares.into_values().max().unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use rand::{RngExt, SeedableRng};
    use rand_xoshiro::Xoshiro256PlusPlus;

    use super::*;

    /// Random places over 1000 x 800 px.
    fn scattered(n: usize) -> Vec<[f64; 2]> {
        let mut random = Xoshiro256PlusPlus::seed_from_u64(3);
        (0..n).map(|_| [random.random_range(0.0..1000.0), random.random_range(0.0..800.0)]).collect()
    }

    #[test]
    fn half_a_turn_is_told_from_a_shift() {
        let field = scattered(40);
        // Half of the stars are other ones.
        let seen = |turn: bool| -> Vec<[f64; 2]> {
            let moved = field.iter().skip(20).map(|[x, y]| match turn {
                true => [1012.0 - x, 791.0 - y],
                false => [x + 12.0, y - 9.0],
            });
            moved.chain(scattered(60).into_iter().skip(40)).collect()
        };
        assert!(is_turned(&field, &seen(true), 6.0));
        assert!(!is_turned(&field, &seen(false), 6.0));
        assert!(!is_turned(&field, &scattered(80)[40..], 6.0), "two fields without a star in common");
    }
}
