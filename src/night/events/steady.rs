//! The stretch of a row of values over which they fall the most along a line.

use std::ops::Range;

use crate::stats::median;

/// Fewest values of a stretch.
const LEAST: usize = 6;
/// Values at both ends between which the fall is told.
const ENDS: usize = 3;
/// Shortest stretch, s: focus, wind and passing cloud are faster (common practice, no source).
const LEAST_S: f64 = 1200.0;
/// Share of the variance that the line explains at least: what wanders, or steps, is no steady fall.
const EXPLAINED: f64 = 0.8;

/// A steady fall.
#[derive(Debug, Clone, PartialEq)]
pub struct Steady {
    pub stretch: Range<usize>,
    /// From the middle of its first values to that of its last.
    pub fall: f64,
}

/// The stretch of values `(s, value)` with the largest fall along a line that it follows; `None` where none falls by `least`.
pub fn steadiest(values: &[(f64, f64)], least: f64) -> Option<Steady> {
    let sums = Sums::of(values);
    let mut best: Option<(f64, Range<usize>)> = None;
    for start in 0..values.len() {
        for end in start + LEAST..=values.len() {
            let Some((slope, explained)) = sums.line(start..end) else { continue };
            let span = values[end - 1].0 - values[start].0;
            // What lies level before or behind it makes the line longer and follows it less.
            let fall = -slope * span * explained;
            let more = fall > least && best.as_ref().is_none_or(|b| fall > b.0);
            if more && span > LEAST_S && explained > EXPLAINED {
                best = Some((fall, start..end));
            }
        }
    }
    let stretch = best?.1;
    let middle = |part: Range<usize>| median(&values[part].iter().map(|(_, v)| *v).collect::<Vec<_>>());
    let fall = middle(stretch.start..stretch.start + ENDS)? - middle(stretch.end - ENDS..stretch.end)?;
    Some(Steady { stretch, fall })
}

/// Slope of the line through values, and the share of their variance that it explains.
pub fn slope(values: &[(f64, f64)]) -> Option<(f64, f64)> {
    Sums::of(values).line(0..values.len())
}

/// Running sums of t, v, t^2, t v, v^2.
struct Sums(Vec<[f64; 5]>);

impl Sums {
    fn of(values: &[(f64, f64)]) -> Self {
        let mut sums = vec![[0.0; 5]];
        let origin = values.first().copied().unwrap_or_default();
        for (t, v) in values {
            let (t, v) = (t - origin.0, v - origin.1);
            let mut next = sums[sums.len() - 1];
            next.iter_mut().zip([t, v, t * t, t * v, v * v]).for_each(|(sum, term)| *sum += term);
            sums.push(next);
        }
        Self(sums)
    }

    fn line(&self, stretch: Range<usize>) -> Option<(f64, f64)> {
        let n = stretch.len() as f64;
        let [t, v, tt, tv, vv]: [f64; 5] = std::array::from_fn(|k| self.0[stretch.end][k] - self.0[stretch.start][k]);
        let (tt, tv, vv) = (tt - t * t / n, tv - t * v / n, vv - v * v / n);
        (tt > 0.0 && vv > 0.0).then(|| (tv / tt, tv * tv / (tt * vv)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_fall_is_found_where_it_is() {
        // Ten level values, then a fall by 0.1 each 300 s, a fixed scatter of 0.02.
        let noise = [0.4, -1.1, 0.7, 0.2, -0.6, 1.3, -0.9, 0.1, -0.3, 0.8];
        let value = |i: usize| 0.02 * noise[i % 10] - 0.1 * (i.max(10) - 10) as f64;
        let values: Vec<(f64, f64)> = (0..20).map(|i| (300.0 * i as f64, value(i))).collect();
        let found = steadiest(&values, 0.3).unwrap();
        assert!((8..=11).contains(&found.stretch.start) && found.stretch.end == 20, "{found:?}");
        // 0.9 by the values, less a step at the far end by the median of three.
        assert!((found.fall - 0.8).abs() < 0.1, "{found:?}");
        assert_eq!(steadiest(&values, 1.5), None);
        let rising: Vec<(f64, f64)> = values.iter().map(|(t, v)| (*t, -v)).collect();
        assert_eq!(steadiest(&rising, 0.3), None);
        // A wave is no steady fall, nor is what takes ten minutes.
        let wave: Vec<(f64, f64)> = (0..20).map(|i| (300.0 * i as f64, 0.3 * (1.6 * i as f64).sin())).collect();
        assert_eq!(steadiest(&wave, 0.3), None);
        let quick: Vec<(f64, f64)> = values.iter().map(|(t, v)| (t / 10.0, *v)).collect();
        assert_eq!(steadiest(&quick, 0.3), None);
    }
}
