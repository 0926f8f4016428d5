//! Copies of one frame: only the first by path counts, whatever the others are called or packed in.

use std::collections::{BTreeMap, HashMap};
use std::hash::{DefaultHasher, Hasher};

use jiff::civil::DateTime;

use crate::facts::LeftOut;
use crate::fits::{Image, ImageFile};
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
        // By the sum of their pixels: of many frames with one stamped moment each is read once.
        let mut by_sum: HashMap<u64, Vec<usize>> = HashMap::new();
        for i in members {
            let Some(image) = image_of(&intakes[i]) else { continue };
            let alike = by_sum.entry(sum_of(&image)).or_default();
            // Undefined pixels are unequal to themselves; frames with some are told apart at worst.
            match alike.iter().find(|first| image_of(&intakes[**first]).as_ref() == Some(&image)) {
                Some(first) => {
                    let file = intakes[*first].file.shown.clone();
                    intakes[i].exclude(LeftOut::SameFrameAs { file });
                }
                None => alike.push(i),
            }
        }
    }
}

fn image_of(intake: &Intake) -> Option<Image> {
    ImageFile::open(&intake.file.path).and_then(|mut f| f.pixels()).ok()
}

fn sum_of(image: &Image) -> u64 {
    let mut hasher = DefaultHasher::new();
    image.planes.iter().for_each(|plane| plane.hash_rows(0..plane.dim().0, &mut hasher));
    hasher.finish()
}
