//! Lines of equal value through a grid, by marching squares.

use std::collections::BTreeMap;

/// A place in the grid's own units.
pub type Place = (f64, f64);
/// An edge between two neighbouring nodes: the lower node, and whether it runs along x.
type Edge = (usize, usize, bool);

/// Lines on which `value` equals `level`, over `x` and `y` from -1 to 1 times `half`, `steps` cells along either axis.
pub fn contours(value: impl Fn(f64, f64) -> f64, half: [f64; 2], steps: usize, level: f64) -> Vec<Vec<Place>> {
    let at = |i: usize, n: f64| n * (2.0 * i as f64 / steps as f64 - 1.0);
    let node = |i: usize, j: usize| value(at(i, half[0]), at(j, half[1])) - level;
    let values: Vec<Vec<f64>> = (0..=steps).map(|j| (0..=steps).map(|i| node(i, j)).collect()).collect();
    let crossed = |(i, j, along): Edge| {
        let (p, q) = (values[j][i], if along { values[j][i + 1] } else { values[j + 1][i] });
        ((p >= 0.0) != (q >= 0.0)).then(|| {
            let share = p / (p - q);
            let (di, dj) = if along { (share, 0.0) } else { (0.0, share) };
            let place = |i: usize, d: f64, n: f64| n * (2.0 * (i as f64 + d) / steps as f64 - 1.0);
            (place(i, di, half[0]), place(j, dj, half[1]))
        })
    };
    let mut links: BTreeMap<Edge, Vec<Edge>> = BTreeMap::new();
    for j in 0..steps {
        for i in 0..steps {
            let edges = [(i, j, true), (i + 1, j, false), (i, j + 1, true), (i, j, false)];
            let cut: Vec<Edge> = edges.into_iter().filter(|e| crossed(*e).is_some()).collect();
            for pair in cut.chunks_exact(2) {
                links.entry(pair[0]).or_default().push(pair[1]);
                links.entry(pair[1]).or_default().push(pair[0]);
            }
        }
    }
    let mut lines = Vec::new();
    // Open lines first, from their ends; what is left are loops.
    while let Some(start) =
        links.iter().find(|(_, l)| l.len() == 1).or_else(|| links.iter().find(|(_, l)| !l.is_empty())).map(|(e, _)| *e)
    {
        let mut line: Vec<Place> = crossed(start).into_iter().collect();
        let mut here = start;
        while let Some(next) = links.get_mut(&here).and_then(Vec::pop) {
            if let Some(back) = links.get_mut(&next)
                && let Some(k) = back.iter().position(|e| *e == here)
            {
                back.swap_remove(k);
            }
            line.extend(crossed(next));
            here = next;
        }
        lines.push(line);
        links.retain(|_, l| !l.is_empty());
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_circle_is_one_closed_line_of_its_radius() {
        let lines = contours(|x, y| x * x + y * y, [0.8, 0.6], 40, 0.25);
        assert_eq!(lines.len(), 1);
        assert_eq!(lines[0].first(), lines[0].last());
        // Linear steps between nodes 0.04 apart miss a circle of 0.5 by 0.04^2 / 8 / 0.5.
        assert!(lines[0].iter().all(|(x, y)| (x.hypot(*y) - 0.5).abs() < 1e-3));
    }

    #[test]
    fn a_plane_gives_one_open_line_and_a_level_beyond_it_none() {
        let lines = contours(|x, _| x, [1.0, 1.0], 10, 0.33);
        assert_eq!(lines.len(), 1);
        assert_eq!(lines[0].len(), 11);
        assert!(lines[0].iter().all(|p| (p.0 - 0.33).abs() < 1e-12));
        assert!(contours(|x, _| x, [1.0, 1.0], 10, 2.0).is_empty());
    }
}
