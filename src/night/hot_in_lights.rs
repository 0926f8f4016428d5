//! Hot pixels of sensors without darks, as their lights tell them.

use std::collections::BTreeMap;
use std::path::Path;

use rayon::prelude::*;

use super::cache::{Kept, What};
use super::even_steps::at_even_steps;
use super::intake::{Intake, Read, reads_of};
use super::lights::{Mosaic, give_back, read_light};
use super::sensors::Sensors;
use crate::facts::{Caution, FrameKind, LeftOut};
use crate::folder::SensorKey;
use crate::report::Warning;
use crate::stars::{BrightPixel, bright_pixels, standing_pixels};

/// Lights that are compared, where there are as many, and the fewest.
const COMPARED: usize = 8;
const LEAST: usize = 4;

/// Lights of one sensor and exposure, ms: their hot pixels are as bright in all.
type Group = (SensorKey, Option<u64>);

/// Compares lights of every sensor that no dark tells of, and keeps its hot pixels with it.
pub fn learn(sensors: &mut Sensors, intakes: &[Intake], kept: &Kept, warnings: &mut Vec<Warning>) {
    let mut groups: BTreeMap<Group, Vec<(usize, Read)>> = BTreeMap::new();
    for (index, read) in reads_of(intakes, &[FrameKind::Light]) {
        let without_darks = sensors.get(&read.sensor).is_some_and(|s| s.defects.is_empty());
        if without_darks && read.geometry.planes == 1 && read.window.is_none() {
            groups.entry((read.sensor.clone(), read.header.exposure_ms())).or_default().push((index, read));
        }
    }
    for ((sensor, exposure_ms), mut lights) in groups.into_iter().filter(|(_, lights)| lights.len() >= LEAST) {
        lights.sort_by_key(|(index, read)| read.in_time(*index));
        let chosen = spread(&lights);
        let seen: Vec<Vec<BrightPixel>> = chosen
            .par_iter()
            .filter_map(|(index, read)| looked_at(&intakes[*index], Mosaic::of(read, sensors).as_ref(), kept).ok())
            .collect();
        let pixels = if seen.len() < LEAST { Vec::new() } else { standing_pixels(&seen, sensor.size) };
        if !pixels.is_empty() {
            let paths = lights.iter().map(|(index, _)| intakes[*index].file.shown.clone()).collect();
            let caution = Caution::HotPixelsOfLights { pixels: pixels.len(), compared: seen.len() };
            warnings.push(Warning { caution, paths });
            sensors.tell_standing(&sensor, exposure_ms, pixels);
        }
    }
}

fn spread<T>(lights: &[T]) -> Vec<&T> {
    at_even_steps(lights, if lights.len() >= COMPARED { COMPARED } else { LEAST })
}

fn looked_at(intake: &Intake, mosaic: Option<&Mosaic>, kept: &Kept) -> Result<Vec<BrightPixel>, LeftOut> {
    let path = intake.file.path.as_path();
    let files = [(path, intake.fingerprint.as_ref())];
    // The mosaic is all that decides what is looked at, besides the pixels.
    kept.or_measure(What::BrightPixels, files, &mosaic, || look(path, mosaic))
}

fn look(path: &Path, mosaic: Option<&Mosaic>) -> Result<Vec<BrightPixel>, LeftOut> {
    let image = read_light(path)?;
    let seen = bright_pixels(&image.planes[0], Mosaic::lattice(mosaic, &image.planes[0]).0);
    give_back(image);
    Ok(seen)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn more_lights_change_the_choice_only_when_they_are_twice_as_many() {
        let of = |n: usize| spread(&(0..n).collect::<Vec<_>>()).into_iter().copied().collect::<Vec<_>>();
        assert_eq!(of(3), [0, 1, 2]);
        assert_eq!(of(4), of(7));
        assert_eq!(of(8), of(15));
        assert_eq!(of(16), [0, 2, 4, 6, 8, 10, 12, 14]);
        assert_eq!(of(100), [0, 8, 16, 24, 32, 40, 48, 56]);
    }
}
