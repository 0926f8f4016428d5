//! Pixels that are not to count: undefined ones are passed over by every later stage.

use crate::fits::{Holes, Pixels};

/// The plane with the pixels at these places (row times columns plus column) undefined.
///
/// Numbers of 16 bits stay so; without places nothing changes.
pub fn undefine(plane: Pixels, places: &[u32]) -> Pixels {
    match plane {
        Pixels::U16(whole) if !places.is_empty() => {
            let holes = Holes::none(whole.dim()).and(places);
            Pixels::Holed(whole, holes)
        }
        Pixels::Holed(whole, holes) => Pixels::Holed(whole, holes.and(places)),
        Pixels::F32(mut values) => {
            let columns = values.dim().1;
            for place in places.iter().map(|p| *p as usize) {
                if let Some(value) = values.get_mut([place / columns, place % columns]) {
                    *value = f32::NAN;
                }
            }
            Pixels::F32(values)
        }
        Pixels::U16(_) => plane,
    }
}

#[cfg(test)]
mod tests {
    use ndarray::arr2;

    use super::*;

    #[test]
    fn only_the_named_pixels_are_undefined() {
        let plane = Pixels::U16(arr2(&[[1, 2, 3], [4, 5, 65_535]]));
        assert_eq!(undefine(plane.clone(), &[]), plane);
        // Named in two steps.
        let got = undefine(undefine(plane, &[1]), &[3, 99]);
        let values: Vec<f64> = (0..6).map(|i| got.at(i % 3, i / 3)).collect();
        assert!(values[1].is_nan() && values[3].is_nan());
        assert_eq!([values[0], values[2], values[4], values[5]], [1.0, 3.0, 5.0, 65_535.0]);
    }
}
