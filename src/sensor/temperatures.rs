//! Frames of one temperature together.

/// Neighbours in temperature that are further apart than this belong to different groups, C: regulated sensors wander
/// by a few tenths, their thermometers step by up to 0.5 C, and set-points are a degree apart at least.
const CHAIN_C: f64 = 0.75;
/// Widest group, C: a sensor that drifts without regulation is cut into such pieces (dark current changes by 20 % over it).
const WIDEST_C: f64 = 2.0;

/// Indices by temperature, coldest group first; those without a temperature make the last group.
pub(crate) fn groups(celsius: &[Option<f64>]) -> Vec<Vec<usize>> {
    let mut known: Vec<(usize, f64)> = celsius.iter().enumerate().filter_map(|(i, c)| Some((i, (*c)?))).collect();
    known.sort_by(|a, b| a.1.total_cmp(&b.1).then(a.0.cmp(&b.0)));
    let mut groups: Vec<Vec<usize>> = Vec::new();
    let (mut first, mut last) = (f64::NAN, f64::NAN);
    for (i, c) in known {
        let joins = c - last <= CHAIN_C && c - first <= WIDEST_C;
        match groups.last_mut().filter(|_| joins) {
            Some(group) => group.push(i),
            None => {
                groups.push(vec![i]);
                first = c;
            }
        }
        last = c;
    }
    groups.iter_mut().for_each(|g| g.sort_unstable());
    let unknown: Vec<usize> = (0..celsius.len()).filter(|i| celsius[*i].is_none()).collect();
    if !unknown.is_empty() {
        groups.push(unknown);
    }
    groups
}

/// Mean of those that are known.
pub(crate) fn mean(celsius: impl Iterator<Item = Option<f64>>) -> Option<f64> {
    crate::stats::mean_and_std(&celsius.flatten().collect::<Vec<_>>()).map(|m| m.0)
}

/// Step of the thermometer: the smallest difference between temperatures of one group; 0 where there is none.
pub(crate) fn resolution_c(celsius: &[Option<f64>]) -> f64 {
    let mut known: Vec<f64> = celsius.iter().copied().flatten().collect();
    known.sort_by(f64::total_cmp);
    let steps = known.windows(2).map(|w| w[1] - w[0]).filter(|d| *d > 1e-3 && *d <= CHAIN_C);
    let smallest = steps.fold(f64::INFINITY, f64::min);
    if smallest.is_finite() { smallest } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn wandering_temperatures_stay_together_and_set_points_apart() {
        let t = [Some(-10.2), None, Some(-5.23), Some(-4.82), Some(-10.1), Some(0.0)];
        assert_eq!(groups(&t), [vec![0, 4], vec![2, 3], vec![5], vec![1]]);
        assert!((resolution_c(&t) - 0.1).abs() < 1e-9);
        assert_eq!(resolution_c(&[Some(-10.0), Some(0.0)]), 0.0);
    }

    #[test]
    fn a_drift_without_regulation_is_cut_into_pieces() {
        let drift: Vec<Option<f64>> = (0..11).map(|i| Some(f64::from(i) * 0.5)).collect();
        assert_eq!(groups(&drift).len(), 3);
    }
}
