//! Lights that show a part of a sensor whose calibration frames show all of it.

use std::collections::{BTreeMap, BTreeSet};

use super::intake::{Intake, Outcome, Read, Window};
use crate::facts::{Caution, FrameKind};
use crate::folder::SensorKey;
use crate::report::Warning;

/// Gives lights without calibration frames of their own size to the larger frame of their camera that has some.
pub fn find_windows(intakes: &mut [Intake], warnings: &mut Vec<Warning>) {
    let calibrated: BTreeSet<SensorKey> =
        intakes.iter().filter_map(Intake::read).filter(is_calibration).map(|r| r.sensor.clone()).collect();
    let mut told: BTreeMap<(SensorKey, [usize; 2], bool), Vec<String>> = BTreeMap::new();
    for intake in intakes.iter_mut() {
        let Outcome::Read(read) = &mut intake.outcome else { continue };
        if read.kind != FrameKind::Light || calibrated.contains(&read.sensor) {
            continue;
        }
        let [wide, high] = read.sensor.size;
        let holds = |key: &&SensorKey| {
            let alike = SensorKey { size: read.sensor.size, ..(*key).clone() } == read.sensor;
            alike && key.size[0] >= wide && key.size[1] >= high
        };
        let mut whole = calibrated.iter().filter(holds);
        // Of several sizes none is known to be the one.
        let (Some(key), None) = (whole.next(), whole.next()) else { continue };
        let inside = |[x, y]: &[usize; 2]| x + wide <= key.size[0] && y + high <= key.size[1];
        let corner = read.header.corner_px.as_ref().map(|c| c.value).filter(inside);
        let group = (key.clone(), [wide, high], corner.is_some());
        told.entry(group).or_default().push(intake.file.shown.clone());
        (read.sensor, read.window) = (key.clone(), Some(Window { corner }));
    }
    warnings.extend(told.into_iter().map(|((key, size_px, placed), paths)| {
        let caution = Caution::SubFrames { lights: paths.len(), size_px, sensor_px: key.size, placed };
        Warning { caution, paths }
    }));
}

fn is_calibration(read: &&Read) -> bool {
    matches!(read.kind, FrameKind::Bias | FrameKind::Dark | FrameKind::DarkFlat | FrameKind::Flat)
}
