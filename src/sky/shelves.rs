//! Things in numbered shelves: which stand where once they are sorted by their shelf.

/// For each shelf the place of its first thing, and one more number for the end of the last shelf.
pub(super) fn first_of_each(shelves: usize, of_things: impl Iterator<Item = usize>) -> Vec<u32> {
    let mut first = vec![0u32; shelves + 1];
    for shelf in of_things {
        first[shelf + 1] += 1;
    }
    for k in 0..shelves {
        first[k + 1] += first[k];
    }
    first
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn empty_shelves_begin_where_the_next_one_does() {
        assert_eq!(first_of_each(5, [3, 1, 3, 0].into_iter()), [0, 1, 2, 2, 4, 4]);
        assert_eq!(first_of_each(2, std::iter::empty()), [0, 0, 0]);
    }
}
