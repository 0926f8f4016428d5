//! Triangles of stars by their shape: the same in a frame and on the sky, however it is turned, mirrored or enlarged.

use super::shelves::shelve;

/// Shortest side over the longest below which a triangle's angles say little.
const LEAST_SIDE: f64 = 0.12;
/// Most by which ratios of sides may differ: a displacement of 0.25 % in the corner changes the ratios of a corner's triangle
/// by three times as much, and beyond that too many triangles are alike.
pub(crate) const MOST_APART: f64 = 0.0075;
/// Cells of the table of shapes along one ratio: narrower than the usual tolerance, so that few are looked at in vain, and
/// not so many that a triangle lies in dozens of them.
const CELLS: usize = 200;

/// Size and shape of a triangle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Form {
    /// Length of the longest side.
    pub longest: f64,
    /// The shortest and the middle side over the longest.
    shape: [f64; 2],
}

impl Form {
    /// From the sides. `None` where the triangle is too thin to tell anything.
    pub fn of([x, y, z]: [f64; 3]) -> Option<Self> {
        let (less, more) = (x.min(y), x.max(y));
        let (shortest, middle, longest) = (less.min(z), less.max(more.min(z)), more.max(z));
        let form = || Self { longest, shape: [shortest / longest, middle / longest] };
        (shortest >= LEAST_SIDE * longest).then(form)
    }

    fn is_like(&self, other: &Self, tolerance: f64) -> bool {
        (self.shape[0] - other.shape[0]).abs() < tolerance && (self.shape[1] - other.shape[1]).abs() < tolerance
    }

    fn cell(&self) -> usize {
        let [short, middle] = self.shape.map(cell_of);
        middle * CELLS + short
    }

    /// Cells of all that is like it.
    fn cells(&self, tolerance: f64) -> impl Iterator<Item = usize> {
        let [columns, rows] = self.shape.map(|s| cell_of(s - tolerance)..=cell_of(s + tolerance));
        rows.flat_map(move |row| columns.clone().map(move |column| row * CELLS + column))
    }
}

fn cell_of(ratio: f64) -> usize {
    ((ratio * CELLS as f64) as usize).min(CELLS - 1)
}

/// Three of a list of points, each opposite to the shortest, the middle and the longest side.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Triangle {
    pub corners: [u32; 3],
    pub form: Form,
    /// Distance of its centre of gravity from the origin.
    pub off: f64,
    /// Whether its corners, in that order, turn from x towards y.
    pub left_handed: bool,
}

impl Triangle {
    /// The triangle of three points with the sides opposite to them.
    pub fn new(points: &[[f64; 2]], corners: [u32; 3], opposite: [f64; 3], form: Form) -> Self {
        let mut order = [0, 1, 2];
        order.sort_by(|a, b| opposite[*a].total_cmp(&opposite[*b]));
        let corners = order.map(|k| corners[k]);
        let [p, q, r] = corners.map(|k| points[k as usize]);
        let cross = (q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0]);
        let off = distance([0, 1].map(|k| (p[k] + q[k] + r[k]) / 3.0), [0.0; 2]);
        Self { corners, form, off, left_handed: cross > 0.0 }
    }
}

/// How far the shapes of one triangle on the sky and in a frame may lie apart.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Tolerance {
    /// Of ratios of sides, whatever a triangle's size.
    pub steady: f64,
    /// Of a side, in the unit of the frame's points.
    pub length: f64,
}

impl Tolerance {
    fn of(&self, form: &Form) -> f64 {
        self.steady.hypot(self.length / form.longest).min(MOST_APART)
    }
}

/// All triangles of a few points, by shape.
#[derive(Debug)]
pub(crate) struct Shapes {
    triangles: Vec<Triangle>,
    /// Of each triangle.
    tolerances: Vec<f64>,
    /// For each cell the first of its entries, and the end of the last cell's.
    first: Vec<u32>,
    /// Numbers of the triangles that are like some shape of the cell.
    entries: Vec<u32>,
}

impl Shapes {
    /// Triangles whose longest side lies between two lengths.
    pub fn of(points: &[[f64; 2]], longest: [f64; 2], tolerance: Tolerance) -> Self {
        let mut triangles = Vec::new();
        each_triangle(points, longest, |corners, opposite, form| {
            triangles.push(Triangle::new(points, corners, opposite, form));
            true
        });
        let tolerances: Vec<f64> = triangles.iter().map(|t| tolerance.of(&t.form)).collect();
        let mut placed = Vec::new();
        for (number, (triangle, tolerance)) in triangles.iter().zip(&tolerances).enumerate() {
            placed.extend(triangle.form.cells(*tolerance).map(|cell| (cell, number as u32)));
        }
        let (first, entries) = shelve(CELLS * CELLS, &placed);
        Self { triangles, tolerances, first, entries }
    }

    /// Those of the same shape that a scale between limits enlarges to the same size.
    pub fn like(&self, form: Form, [least, most]: [f64; 2]) -> impl Iterator<Item = &Triangle> {
        let cell = form.cell();
        let entries = &self.entries[self.first[cell] as usize..self.first[cell + 1] as usize];
        let is_like = move |k: usize| {
            let own = &self.triangles[k].form;
            own.is_like(&form, self.tolerances[k]) && (least * own.longest..=most * own.longest).contains(&form.longest)
        };
        entries.iter().filter(move |k| is_like(**k as usize)).map(|k| &self.triangles[*k as usize])
    }
}

/// Triangles of points whose longest side lies between limits, until `take` is content: the corners, the sides opposite to
/// them, size and shape. All those of the first points come before any with a later one: the brightest stars decide soonest.
pub(crate) fn each_triangle(
    points: &[[f64; 2]],
    [least, most]: [f64; 2],
    mut take: impl FnMut([u32; 3], [f64; 3], Form) -> bool,
) {
    let mut near: Vec<([f64; 2], f64, u32)> = Vec::new();
    for (i, p) in points.iter().enumerate() {
        near.clear();
        let earlier = points[..i].iter().zip(0..).map(|(q, j)| (*q, distance(*p, *q), j));
        near.extend(earlier.filter(|(_, d, _)| *d <= most));
        for (at, (q, pq, j)) in near.iter().enumerate() {
            for (r, pr, k) in &near[at + 1..] {
                let opposite = [distance(*q, *r), *pr, *pq];
                if opposite[0] > most {
                    continue;
                }
                if let Some(form) = Form::of(opposite).filter(|f| f.longest >= least)
                    && !take([i as u32, *j, *k], opposite, form)
                {
                    return;
                }
            }
        }
    }
}

/// Distance of two points.
pub(crate) fn distance(a: [f64; 2], b: [f64; 2]) -> f64 {
    let (x, y) = (a[0] - b[0], a[1] - b[1]);
    (x * x + y * y).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};
    use rand_xoshiro::Xoshiro256PlusPlus;

    const EXACT: Tolerance = Tolerance { steady: 1e-9, length: 0.0 };

    #[test]
    fn a_turned_mirrored_and_enlarged_triangle_is_found_corner_by_corner() {
        // None is isosceles: its corners could not be told apart.
        let points = [[0.0, 0.0], [4.0, 0.0], [0.0, 3.0], [7.0, 9.0], [1.5, 6.3]];
        let shapes = Shapes::of(&points, [1.0, 99.0], EXACT);
        let (sin, cos) = 1.1_f64.sin_cos();
        let elsewhere = points.map(|[x, y]| [5.0 - 20.0 * (cos * x - sin * y), 20.0 * (sin * x + cos * y)]);
        let all = Shapes::of(&elsewhere, [20.0, 1980.0], EXACT);
        assert_eq!(all.triangles.len(), shapes.triangles.len());
        for t in &all.triangles {
            let same: Vec<&Triangle> = shapes.like(t.form, [19.9, 20.1]).filter(|s| s.corners == t.corners).collect();
            assert_eq!(same.len(), 1, "{t:?}");
            assert_eq!(same[0].left_handed, !t.left_handed);
            assert!((t.form.longest / same[0].form.longest - 20.0).abs() < 1e-9);
            assert_eq!(shapes.like(t.form, [20.1, 99.0]).count(), 0);
        }
    }

    #[test]
    fn needles_and_those_of_other_sizes_are_left_out() {
        assert!(Shapes::of(&[[0.0, 0.0], [10.0, 0.0], [10.5, 0.5]], [1.0, 99.0], EXACT).triangles.is_empty());
        assert!(Shapes::of(&[[0.0, 0.0], [3.0, 0.0], [0.0, 4.0]], [6.0, 7.0], EXACT).triangles.is_empty());
        assert_eq!(Shapes::of(&[[0.0, 0.0], [3.0, 0.0], [0.0, 4.0]], [5.0, 5.0], EXACT).triangles.len(), 1);
    }

    fn random_points(seed: u64, count: usize) -> Vec<[f64; 2]> {
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed);
        (0..count).map(|_| [rng.random_range(0.0..3.0), rng.random_range(0.0..2.0)]).collect()
    }

    #[test]
    fn the_table_gives_what_a_look_at_all_triangles_does() {
        let tolerance = Tolerance { steady: 0.002, length: 0.003 };
        let (here, there) = (random_points(1, 40), random_points(2, 40));
        let shapes = Shapes::of(&here, [0.4, 1.2], tolerance);
        let mut all_found = 0;
        each_triangle(&there, [0.3, 1.5], |_, _, form| {
            let fits = |t: &&Triangle| {
                let ratio = form.longest / t.form.longest;
                t.form.is_like(&form, tolerance.of(&t.form)) && (0.8..=1.25).contains(&ratio)
            };
            let want = shapes.triangles.iter().filter(fits).count();
            assert_eq!(shapes.like(form, [0.8, 1.25]).count(), want, "{form:?}");
            all_found += want;
            true
        });
        assert!(all_found > 100, "{all_found}");
    }

    #[test]
    fn larger_triangles_must_be_more_alike_and_none_may_be_as_unlike_as_one_likes() {
        let tolerance = Tolerance { steady: 0.003, length: 2.0 };
        let of = |longest| tolerance.of(&Form { longest, shape: [0.5, 0.8] });
        // The root of 0.003 and 0.004 squared.
        assert!((of(500.0) - 0.005).abs() < 1e-12);
        assert!(of(1000.0) < of(500.0) && of(10.0) == MOST_APART);
    }

    #[test]
    fn each_triangle_comes_once_and_those_of_the_first_points_before_all_others() {
        let points = random_points(3, 12);
        let (mut seen, mut latest) = (Vec::new(), 0);
        each_triangle(&points, [0.0, 9.0], |corners, opposite, form| {
            let mut sorted = corners;
            sorted.sort_unstable();
            assert!(sorted[2] >= latest);
            latest = sorted[2];
            seen.push(sorted);
            let [p, q, r] = corners.map(|k| points[k as usize]);
            assert_eq!(opposite, [distance(q, r), distance(p, r), distance(p, q)]);
            assert_eq!(form.longest, opposite.into_iter().fold(0.0, f64::max));
            true
        });
        let count = seen.len();
        seen.sort_unstable();
        seen.dedup();
        assert!(seen.len() == count && (100..=220).contains(&count), "{count}");
    }
}
