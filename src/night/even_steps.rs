//! A few of many, spread over all of them.

/// Items at even steps, a power of two: further items change the choice only when they are twice as many, and with it the
/// measurements that rest on it.
pub fn at_even_steps<T>(items: &[T], count: usize) -> Vec<&T> {
    let most = (items.len() / count).max(1);
    items.iter().step_by(1 << most.ilog2()).take(count).collect()
}
