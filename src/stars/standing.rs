//! Hot pixels that lights tell themselves: peaks that stand at one pixel while the stars move from light to light.

use std::collections::{BTreeMap, HashMap};

use serde::{Deserialize, Serialize};
use statrs::distribution::{DiscreteCDF, Poisson};

use super::detection::detect::detect;
use super::detection::view::View;
use super::measure::FIRST_KERNEL_PX;
use super::{Peak, map_sky};
use crate::fits::Pixels;
use crate::frame::Lattice;

/// Height over the filtered noise of a peak that is remembered: a pixel that counts as a star at 5 is seen in five of six lights.
const REMEMBERED_SIGMA: f64 = 4.0;
/// Most peaks of a light that are remembered, brightest first: 1 % of the pixels of a large frame.
const MOST_REMEMBERED: usize = 300_000;
/// Brightest peaks by which the shift between two lights is found: enough where the half of them are stars of both.
const COMPARED: usize = 200;
/// Chance that peaks of two lights which share none are shifted alike, below which it is the stars' shift.
const CHANCE: f64 = 1e-3;
/// Pixels that count as one shift: a star's brightest pixel falls to either side.
const ALIKE: f64 = 9.0;
/// Shift within which a star's brightest pixel may be the same, px: a pixel either way.
const SAME_PIXEL: i32 = 2;
/// Share of the lights that show a hot pixel.
const SHOWN_SHARE: f64 = 0.75;

/// A peak by its brightest pixel.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BrightPixel {
    /// Row times columns plus column.
    pub place: u32,
    /// Whether it stands alone, as no star does.
    pub lone: bool,
}

/// The peaks of a light, brightest first. None where it holds no valid pixels.
pub fn bright_pixels(plane: &Pixels, lattice: Lattice) -> Vec<BrightPixel> {
    let Some(sky) = map_sky(plane, lattice) else { return Vec::new() };
    let view = View { plane, lattice, sky: &sky };
    let columns = plane.dim().1;
    let mut peaks = detect(plane, lattice, &sky, FIRST_KERNEL_PX, REMEMBERED_SIGMA);
    peaks.sort_by(|a, b| b.significance.total_cmp(&a.significance));
    peaks.truncate(MOST_REMEMBERED);
    let brightest = |peak: &Peak| {
        let (x, y, _) = view.brightest(peak);
        BrightPixel { place: (y * columns + x) as u32, lone: peak.hot }
    };
    peaks.iter().map(brightest).collect()
}

/// Pixels that are bright in more of the lights than any star can be at one place, as they are shifted against each other,
/// and in three quarters of them at least. None where the stars hardly move, or where most of what stands is no lone pixel: of
/// lights that were laid over one another the stars stand and the hot pixels move. `size` is columns and rows.
pub fn standing_pixels(lights: &[Vec<BrightPixel>], size: [usize; 2]) -> Vec<u32> {
    // A cluster of hot pixels may give one place twice.
    let each_once = |light: &[BrightPixel]| light.iter().map(|pixel| (pixel.place, pixel.lone)).collect();
    let lights: Vec<Light> = lights.iter().map(|light| (light.as_slice(), each_once(light))).collect();
    let Some((first, others)) = lights.split_first() else { return Vec::new() };
    let shifts: Vec<Option<Shift>> =
        std::iter::once(Some([0, 0])).chain(others.iter().map(|light| shift_between(first, light, size))).collect();
    let least = (most_in_one_place(&shifts) + 1).max((SHOWN_SHARE * lights.len() as f64).ceil() as usize);
    // In how many lights each place is bright, and stands alone.
    let mut shown: BTreeMap<u32, [usize; 2]> = BTreeMap::new();
    for (place, lone) in lights.iter().flat_map(|(_, places)| places) {
        let [bright, alone] = shown.entry(*place).or_default();
        (*bright, *alone) = (*bright + 1, *alone + usize::from(*lone));
    }
    shown.retain(|_, [bright, _]| *bright >= least);
    let (bright, alone) = shown.values().fold((0, 0), |sum, [bright, alone]| (sum.0 + bright, sum.1 + alone));
    if 2 * alone > bright { shown.into_keys().collect() } else { Vec::new() }
}

/// The peaks of a light, brightest first, and each place once with whether it stands alone.
type Light<'a> = (&'a [BrightPixel], HashMap<u32, bool>);

/// Columns and rows by which stars are further on, px.
type Shift = [i32; 2];

/// Lights in which a star may lie on one pixel; those of unknown shift may be anywhere.
fn most_in_one_place(shifts: &[Option<Shift>]) -> usize {
    let unknown = shifts.iter().filter(|shift| shift.is_none()).count();
    let near = |a: &Shift, b: &Shift| (a[0] - b[0]).abs() <= SAME_PIXEL && (a[1] - b[1]).abs() <= SAME_PIXEL;
    let known = || shifts.iter().flatten();
    unknown + known().map(|at| known().filter(|other| near(at, other)).count()).max().unwrap_or(0)
}

/// The shift that most pairs of bright peaks share, those that both lights show at one pixel aside.
fn shift_between(first: &Light, second: &Light, [columns, rows]: [usize; 2]) -> Option<Shift> {
    let brightest = |(light, _): &Light, (_, other): &Light| -> Vec<Shift> {
        let own = light.iter().map(|pixel| pixel.place).filter(|place| !other.contains_key(place));
        let at = |place: u32| [place as usize % columns, place as usize / columns].map(|at| at as i32);
        own.take(COMPARED).map(at).collect()
    };
    let (from, to) = (brightest(first, second), brightest(second, first));
    let mut pairs: HashMap<Shift, usize> = HashMap::with_capacity(from.len() * to.len());
    for a in &from {
        for b in &to {
            *pairs.entry([b[0] - a[0], b[1] - a[1]]).or_default() += 1;
        }
    }
    let around = |[x, y]: Shift| -> usize {
        (-1..=1).flat_map(|dy| (-1..=1).map(move |dx| [x + dx, y + dy])).filter_map(|shift| pairs.get(&shift)).sum()
    };
    let (alike, shift) = pairs.keys().map(|shift| (around(*shift), *shift)).max()?;
    // Random places make as many pairs of one shift as the frame overlaps with itself; all of it is the most.
    let pixels = (columns * rows) as f64;
    let by_chance = Poisson::new(ALIKE * (from.len() * to.len()) as f64 / pixels).ok()?;
    (by_chance.sf(alike as u64 - 1) * 4.0 * pixels < CHANCE).then_some(shift)
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    const COLUMNS: usize = 400;

    fn light(places: impl IntoIterator<Item = (usize, usize)>) -> Vec<BrightPixel> {
        let pixel = |(x, y)| BrightPixel { place: (y * COLUMNS + x) as u32, lone: HOT.contains(&(x, y)) };
        places.into_iter().map(pixel).collect()
    }

    fn stars(dx: usize, dy: usize) -> impl Iterator<Item = (usize, usize)> {
        (0..40).map(move |i| (10 + (i * 71) % 300 + dx, 10 + (i * 157) % 300 + dy))
    }

    const HOT: [(usize, usize); 3] = [(5, 5), (200, 333), (377, 12)];

    fn told(shifts: &[(usize, usize)]) -> Vec<u32> {
        let lights: Vec<_> = shifts.iter().map(|(dx, dy)| light(stars(*dx, *dy).chain(HOT))).collect();
        standing_pixels(&lights, [COLUMNS; 2])
    }

    #[test]
    fn what_stays_while_the_stars_move_is_hot() {
        let hot: BTreeSet<u32> = light(HOT).iter().map(|pixel| pixel.place).collect();
        assert_eq!(told(&[(0, 0), (7, 2), (3, 9), (12, 5)]).into_iter().collect::<BTreeSet<_>>(), hot);
        // Half of the lights before a shift, half after it.
        assert_eq!(told(&[(0, 0), (0, 0), (9, 4), (9, 4)]).into_iter().collect::<BTreeSet<_>>(), hot);
    }

    #[test]
    fn stars_that_hardly_move_are_not_taken_for_hot_pixels() {
        assert!(told(&[(0, 0), (0, 0), (0, 0), (0, 0)]).is_empty());
        assert!(told(&[(0, 0), (1, 0), (1, 1), (0, 2)]).is_empty());
        // In three lights of four every star stands at one place.
        let hot: BTreeSet<u32> = light(HOT).iter().map(|pixel| pixel.place).collect();
        assert_eq!(told(&[(0, 0), (0, 0), (0, 0), (9, 9)]).into_iter().collect::<BTreeSet<_>>(), hot);
    }

    #[test]
    fn nothing_is_told_where_the_shifts_are_not_known() {
        let few: Vec<_> =
            [0, 7, 11, 19].map(|dx| light([(10 + dx, 20), (100 + dx, 30)].into_iter().chain(HOT))).to_vec();
        assert!(standing_pixels(&few, [COLUMNS; 2]).is_empty());
        assert!(standing_pixels(&[], [COLUMNS; 2]).is_empty());
    }

    #[test]
    fn stars_that_stand_while_hot_pixels_move_are_none() {
        let moved = |dx: usize| light(HOT.into_iter().chain(stars(0, 0)).map(move |(x, y)| (x + dx, y)));
        // Lights laid over one another: forty hot pixels move alike, three stars stand.
        let aligned: Vec<_> = [0, 7, 11, 19]
            .map(|dx| {
                let lone = |pixel: BrightPixel| BrightPixel { lone: true, ..pixel };
                let standing = light(HOT).into_iter().map(|pixel| BrightPixel { lone: false, ..pixel });
                moved(dx).into_iter().map(lone).chain(standing).collect()
            })
            .to_vec();
        assert!(standing_pixels(&aligned, [COLUMNS; 2]).is_empty());
    }
}
