//! Copies of one frame: only the first by path counts, whatever the others are called or packed in.

use std::collections::BTreeMap;

use jiff::civil::DateTime;

use crate::fits::ImageFile;
use crate::folder::{FrameKind, SensorKey};

use super::intake::Intake;

/// What copies have in common before their pixels are compared: a camera takes one frame of a kind at a time.
type Moment = (SensorKey, FrameKind, DateTime, u64);

/// Leaves out every frame whose moment and pixels are those of an earlier one.
pub fn leave_out_copies(intakes: &mut [Intake]) {
    let mut at: BTreeMap<Moment, Vec<usize>> = BTreeMap::new();
    for (i, intake) in intakes.iter().enumerate() {
        let Some(read) = intake.read() else { continue };
        let Some(start) = &read.header.start_utc else { continue };
        let key = (read.sensor.clone(), read.kind, start.value, read.survey.level_adu.to_bits());
        at.entry(key).or_default().push(i);
    }
    for members in at.into_values().filter(|m| m.len() > 1) {
        let mut kept: Vec<usize> = Vec::new();
        for i in members {
            match kept.iter().find(|k| same_pixels(&intakes[**k], &intakes[i])) {
                Some(first) => {
                    let why = format!("the same frame as {}: its moment and every pixel", intakes[*first].file.shown);
                    intakes[i].exclude(why);
                }
                None => kept.push(i),
            }
        }
    }
}

fn same_pixels(a: &Intake, b: &Intake) -> bool {
    let pixels = |i: &Intake| ImageFile::open(&i.file.path).and_then(|mut f| f.pixels()).ok();
    match (pixels(a), pixels(b)) {
        // Undefined pixels are unequal to themselves; frames with some are told apart at worst.
        (Some(a), Some(b)) => a == b,
        _ => false,
    }
}
