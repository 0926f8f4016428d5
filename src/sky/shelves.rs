//! Things in numbered shelves: which stand where once they are sorted by their shelf.

/// For each shelf the place of its first thing, and one more number for the end of the last shelf.
pub(crate) fn first_of_each(shelves: usize, of_things: impl Iterator<Item = usize>) -> Vec<u32> {
    let mut first = vec![0u32; shelves + 1];
    for shelf in of_things {
        first[shelf + 1] += 1;
    }
    for k in 0..shelves {
        first[k + 1] += first[k];
    }
    first
}

/// Things sorted by their shelf, those of one shelf in their order, and [`first_of_each`] of them.
pub(crate) fn shelve<T: Copy + Default>(shelves: usize, things: &[(usize, T)]) -> (Vec<u32>, Vec<T>) {
    let first = first_of_each(shelves, things.iter().map(|(shelf, _)| *shelf));
    let mut free = first.clone();
    let mut sorted = vec![T::default(); things.len()];
    for (shelf, thing) in things {
        sorted[free[*shelf] as usize] = *thing;
        free[*shelf] += 1;
    }
    (first, sorted)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn empty_shelves_begin_where_the_next_one_does() {
        assert_eq!(first_of_each(5, [3, 1, 3, 0].into_iter()), [0, 1, 2, 2, 4, 4]);
        assert_eq!(first_of_each(2, std::iter::empty()), [0, 0, 0]);
    }

    #[test]
    fn things_of_one_shelf_keep_their_order() {
        let (first, sorted) = shelve(3, &[(2, 'a'), (0, 'b'), (2, 'c'), (0, 'd')]);
        assert_eq!((first, sorted), (vec![0, 2, 2, 4], vec!['b', 'd', 'a', 'c']));
    }
}
