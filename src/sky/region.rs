//! The part of the catalogue around a pointing, in the plane that touches the sky there.

use super::shelves::shelve;
use super::sphere::{Direction, TangentPlane};
use super::triangles::distance;
use super::{Catalogue, CatalogueStar};

/// Widest part of the sky that is searched, degrees from the pointing: further out the plane enlarges by a third and more.
const WIDEST_DEG: f64 = 30.0;

/// Catalogue stars around a pointing, brightest first.
#[derive(Debug)]
pub(crate) struct Region {
    pub plane: TangentPlane,
    pub stars: Vec<CatalogueStar>,
    /// Their places in the plane, radians.
    pub places: Vec<[f64; 2]>,
    /// Of the circle that they fill.
    pub radius: f64,
}

impl Region {
    pub fn around(catalogue: &Catalogue, pointing: Direction, radius_rad: f64) -> Self {
        let radius = radius_rad.min(WIDEST_DEG.to_radians());
        let plane = TangentPlane::at(pointing);
        let (mut stars, mut places) = (Vec::new(), Vec::new());
        for star in catalogue.within(pointing, radius.to_degrees()) {
            if let Some(place) = plane.project(star.direction) {
                stars.push(star);
                places.push(place);
            }
        }
        // The plane enlarges towards its rim.
        Self { plane, stars, places, radius: radius.tan() }
    }

    /// The part of it within a smaller angle.
    pub fn narrowed(&self, radius_rad: f64) -> Self {
        let radius = radius_rad.min(WIDEST_DEG.to_radians()).tan().min(self.radius);
        let within = self.stars.iter().zip(&self.places).filter(|(_, [x, y])| x.hypot(*y) <= radius);
        let (stars, places) = within.map(|(star, place)| (*star, *place)).unzip();
        Self { plane: self.plane, stars, places, radius }
    }

    /// Area, radians squared.
    pub fn area(&self) -> f64 {
        std::f64::consts::PI * self.radius * self.radius
    }
}

/// Points of the plane in cells, so that one near a place is found at once.
#[derive(Debug)]
pub(crate) struct Cells {
    points: Vec<[f64; 2]>,
    /// For each cell the first of its points in `order`, and the end of the last one's.
    first: Vec<u32>,
    order: Vec<u32>,
    lowest: [f64; 2],
    width: f64,
    count: [usize; 2],
}

/// Most cells along a side: the table stays in the second-level cache.
const MOST_CELLS: usize = 128;

impl Cells {
    /// `reach` is the largest distance that will be asked for.
    pub fn of(points: &[[f64; 2]], reach: f64) -> Self {
        let fold = |k: usize, from: f64, pick: fn(f64, f64) -> f64| points.iter().map(|p| p[k]).fold(from, pick);
        let lowest = [0, 1].map(|k| fold(k, f64::INFINITY, f64::min));
        let highest = [0, 1].map(|k| fold(k, f64::NEG_INFINITY, f64::max));
        let extent = (highest[0] - lowest[0]).max(highest[1] - lowest[1]).max(reach);
        let width = reach.max(extent / MOST_CELLS as f64).max(f64::MIN_POSITIVE);
        let count = [0, 1].map(|k| ((highest[k] - lowest[k]).max(0.0) / width) as usize + 1);
        let mut cells = Self { points: points.to_vec(), first: Vec::new(), order: Vec::new(), lowest, width, count };
        let place = |p: &[f64; 2]| {
            let [column, row] = [0, 1].map(|k| (((p[k] - lowest[k]) / width) as usize).min(count[k] - 1));
            row * count[0] + column
        };
        let placed: Vec<(usize, u32)> = points.iter().zip(0..).map(|(p, i)| (place(p), i)).collect();
        (cells.first, cells.order) = shelve(count[0] * count[1], &placed);
        cells
    }

    /// The nearest point within `reach`, and its distance.
    pub fn nearest(&self, at: [f64; 2], reach: f64) -> Option<(usize, f64)> {
        let range = |k: usize| {
            let cell = |v: f64| ((v - self.lowest[k]) / self.width).floor();
            let [from, to] = [cell(at[k] - reach).max(0.0), cell(at[k] + reach).min(self.count[k] as f64 - 1.0)];
            (from <= to).then(|| from as usize..to as usize + 1)
        };
        let (columns, rows) = (range(0)?, range(1)?);
        let mut best = None;
        for row in rows {
            let [from, to] = [columns.start, columns.end].map(|c| self.first[row * self.count[0] + c] as usize);
            for i in &self.order[from..to] {
                let d = distance(self.points[*i as usize], at);
                if d <= best.map_or(reach, |(_, nearest)| nearest) {
                    best = Some((*i as usize, d));
                }
            }
        }
        best
    }
}

/// A picture of the plane in which the surroundings of points are marked: one look tells whether a point is near.
#[derive(Debug)]
pub(crate) struct Marked {
    bits: Vec<u64>,
    lowest: [f64; 2],
    cells_per_unit: f64,
    count: [usize; 2],
}

/// Cells of that picture along the distance that counts as near.
const CELLS_PER_REACH: f64 = 1.5;
/// Most cells along a side: two megabytes in all.
const MOST_MARKED: f64 = 4096.0;

impl Marked {
    /// Marks all cells that come within `reach` of a point; where the picture would be too large, cells are larger.
    pub fn around(points: &[[f64; 2]], reach: f64, radius: f64) -> Self {
        let cells_per_unit = (CELLS_PER_REACH / reach).min(MOST_MARKED / (2.0 * radius));
        let side = (2.0 * radius * cells_per_unit).ceil() as usize;
        let mut marked =
            Self { bits: vec![0; (side * side).div_ceil(64)], lowest: [-radius; 2], cells_per_unit, count: [side; 2] };
        for p in points {
            let range = |k: usize| {
                let cell = |v: f64| ((v - marked.lowest[k]) * cells_per_unit).clamp(0.0, side as f64 - 1.0) as usize;
                cell(p[k] - reach)..=cell(p[k] + reach)
            };
            for row in range(1) {
                for column in range(0) {
                    let at = row * side + column;
                    marked.bits[at / 64] |= 1 << (at % 64);
                }
            }
        }
        marked
    }

    /// Whether a marked cell lies here.
    pub fn holds(&self, [x, y]: [f64; 2]) -> bool {
        let column = (x - self.lowest[0]) * self.cells_per_unit;
        let row = (y - self.lowest[1]) * self.cells_per_unit;
        if !(column >= 0.0 && row >= 0.0 && column < self.count[0] as f64 && row < self.count[1] as f64) {
            return false;
        }
        let at = row as usize * self.count[0] + column as usize;
        self.bits[at / 64] >> (at % 64) & 1 == 1
    }

    /// Share of the picture that is marked.
    pub fn share(&self) -> f64 {
        let marked: u32 = self.bits.iter().map(|b| b.count_ones()).sum();
        f64::from(marked) / (self.count[0] * self.count[1]) as f64
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};
    use rand_xoshiro::Xoshiro256PlusPlus;

    #[test]
    fn the_nearest_point_is_that_of_a_look_at_all_and_what_is_near_is_marked() {
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(9);
        let mut random = || [rng.random_range(-3.0..5.0), rng.random_range(0.0..2.0)];
        let points: Vec<[f64; 2]> = (0..500).map(|_| random()).collect();
        let cells = Cells::of(&points, 0.1);
        for _ in 0..500 {
            let at = random();
            let all = points.iter().map(|p| distance(*p, at)).fold(f64::INFINITY, f64::min);
            let found = cells.nearest(at, 0.1).map(|(_, d)| d);
            assert_eq!(found, (all <= 0.1).then_some(all));
        }
        let marked = Marked::around(&points, 0.1, 6.0);
        let mut hits = 0;
        for _ in 0..2000 {
            let at = random();
            // A cell is marked as a whole: what lies a reach and a cell's diagonal away may be in it.
            match cells.nearest(at, 0.1) {
                Some(_) => assert!(marked.holds(at)),
                None => hits += usize::from(marked.holds(at) && cells.nearest(at, 0.3).is_none()),
            }
        }
        assert_eq!(hits, 0);
        assert!(marked.share() > 0.0 && !marked.holds([50.0, 0.0]) && !marked.holds([f64::NAN, 0.0]));
        assert_eq!(cells.nearest([900.0, 0.0], 0.1), None);
        assert_eq!(Cells::of(&[], 0.1).nearest([0.0, 0.0], 0.1), None);
    }

    #[cfg(feature = "catalogue")]
    #[test]
    fn a_narrowed_region_is_one_that_was_taken_narrow() {
        let catalogue = Catalogue::shipped().unwrap();
        let pointing = Direction::from_degrees(83.0, -5.0);
        let [wide, narrow] = [4.0f64, 1.5].map(f64::to_radians);
        let (cut, taken) =
            (Region::around(&catalogue, pointing, wide).narrowed(narrow), Region::around(&catalogue, pointing, narrow));
        assert!(cut.stars == taken.stars && cut.places == taken.places && cut.stars.len() > 50);
        assert_eq!(cut.radius, taken.radius);
    }
}
