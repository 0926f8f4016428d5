//! Triangles of stars by their shape: the same in a frame and on the sky, however it is turned, mirrored or enlarged.

use super::shelves::first_of_each;

/// Shortest side over the longest below which a triangle's angles say little.
const LEAST_SIDE: f64 = 0.12;
/// Shapes count as equal where both ratios of sides differ by less: a displacement of 0.25 % in the corner changes the
/// ratios of a corner's triangle by three times as much, and so do 0.5 px in 70.
const SHAPE_TOLERANCE: f64 = 0.0075;
/// Cells of the table of shapes along one ratio: as wide as the tolerance, so that neighbours hold all that is equal.
const CELLS: usize = 134;

/// Three of a list of points, each opposite to the shortest, the middle and the longest side.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Triangle {
    pub corners: [u32; 3],
    /// Length of the longest side.
    pub longest: f64,
    /// The shorter sides over the longest.
    shape: [f64; 2],
    /// Whether its corners, in that order, turn from x towards y.
    pub left_handed: bool,
}

impl Triangle {
    /// The triangle of three points with the sides opposite to them. `None` where it is too flat to tell anything.
    pub fn new(points: &[[f64; 2]], corners: [u32; 3], opposite: [f64; 3]) -> Option<Self> {
        let [x, y, z] = opposite;
        if x.min(y).min(z) < LEAST_SIDE * x.max(y).max(z) {
            return None;
        }
        let mut order = [0, 1, 2];
        order.sort_by(|a, b| opposite[*a].total_cmp(&opposite[*b]));
        let [a, b, c] = order.map(|k| opposite[k]);
        let corners = order.map(|k| corners[k]);
        let [p, q, r] = corners.map(|k| points[k as usize]);
        let cross = (q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0]);
        Some(Self { corners, longest: c, shape: [a / c, b / c], left_handed: cross > 0.0 })
    }

    fn is_like(&self, other: &Self) -> bool {
        (self.shape[0] - other.shape[0]).abs() < SHAPE_TOLERANCE
            && (self.shape[1] - other.shape[1]).abs() < SHAPE_TOLERANCE
    }

    fn cell(&self) -> [usize; 2] {
        self.shape.map(|s| ((s / SHAPE_TOLERANCE) as usize).min(CELLS - 1))
    }
}

/// All triangles of a few points, by shape.
#[derive(Debug)]
pub(super) struct Shapes {
    triangles: Vec<Triangle>,
    /// For each cell the first of its triangles, and the end of the last cell's.
    first: Vec<u32>,
}

impl Shapes {
    /// Triangles whose longest side lies between two lengths.
    pub fn of(points: &[[f64; 2]], [least, most]: [f64; 2]) -> Self {
        let n = points.len() as u32;
        let side = |i: u32, j: u32| distance(points[i as usize], points[j as usize]);
        let mut triangles = Vec::new();
        for i in 0..n {
            for j in i + 1..n {
                for k in j + 1..n {
                    let triangle = Triangle::new(points, [i, j, k], [side(j, k), side(i, k), side(i, j)]);
                    triangles.extend(triangle.filter(|t| (least..=most).contains(&t.longest)));
                }
            }
        }
        let place = |t: &Triangle| {
            let [short, middle] = t.cell();
            middle * CELLS + short
        };
        triangles.sort_by_key(place);
        let first = first_of_each(CELLS * CELLS, triangles.iter().map(place));
        Self { triangles, first }
    }

    /// Those of the same shape.
    pub fn like<'a>(&'a self, other: &'a Triangle) -> impl Iterator<Item = &'a Triangle> {
        let [short, middle] = other.cell();
        let columns = short.saturating_sub(1)..(short + 2).min(CELLS);
        (middle.saturating_sub(1)..(middle + 2).min(CELLS)).flat_map(move |row| {
            let [from, to] = [columns.start, columns.end].map(|c| self.first[row * CELLS + c] as usize);
            self.triangles[from..to].iter().filter(move |t| t.is_like(other))
        })
    }
}

/// Distance of two points.
pub(super) fn distance(a: [f64; 2], b: [f64; 2]) -> f64 {
    let (x, y) = (a[0] - b[0], a[1] - b[1]);
    (x * x + y * y).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_turned_mirrored_and_enlarged_triangle_is_found_corner_by_corner() {
        // None is isosceles: its corners could not be told apart.
        let points = [[0.0, 0.0], [4.0, 0.0], [0.0, 3.0], [7.0, 9.0], [1.5, 6.3]];
        let shapes = Shapes::of(&points, [1.0, 99.0]);
        let (sin, cos) = 1.1_f64.sin_cos();
        let elsewhere = points.map(|[x, y]| [5.0 - 20.0 * (cos * x - sin * y), 20.0 * (sin * x + cos * y)]);
        let all = Shapes::of(&elsewhere, [20.0, 1980.0]);
        assert_eq!(all.triangles.len(), shapes.triangles.len());
        for t in &all.triangles {
            let same: Vec<&Triangle> = shapes.like(t).filter(|s| s.corners == t.corners).collect();
            assert_eq!(same.len(), 1, "{t:?}");
            assert_eq!(same[0].left_handed, !t.left_handed);
            assert!((t.longest / same[0].longest - 20.0).abs() < 1e-9);
        }
    }

    #[test]
    fn needles_and_those_of_other_sizes_are_left_out() {
        assert!(Shapes::of(&[[0.0, 0.0], [10.0, 0.0], [10.5, 0.5]], [1.0, 99.0]).triangles.is_empty());
        assert!(Shapes::of(&[[0.0, 0.0], [3.0, 0.0], [0.0, 4.0]], [6.0, 7.0]).triangles.is_empty());
        assert_eq!(Shapes::of(&[[0.0, 0.0], [3.0, 0.0], [0.0, 4.0]], [5.0, 5.0]).triangles.len(), 1);
    }
}
