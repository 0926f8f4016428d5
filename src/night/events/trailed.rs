//! Lights that a trail sets apart from their session.

use super::super::trails::drawn_out_beyond;
use super::course::Course;
use crate::facts::LeftOut;

pub fn left_out(course: &Course) -> Vec<Option<LeftOut>> {
    let mut why = vec![None; course.lights.len()];
    let members: Vec<usize> = (0..why.len()).filter(|i| course.lights[*i].excluded.is_none()).collect();
    let trailed = drawn_out_beyond(&members.iter().map(|i| &course.lights[*i].stars).collect::<Vec<_>>());
    for (i, trailed) in members.into_iter().zip(trailed) {
        why[i] = trailed;
    }
    why
}
