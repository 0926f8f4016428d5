//! The present and the new gear side by side, as functions of every number that has an uncertainty.

use super::options::Ambient;
use super::pairing::{NewDark, Pairing};
use super::ratio::{Detector, mixed};
use super::uncertain::Each;
use super::uncertain::Uncertain::*;
use crate::verdict::budget::READ_NOISE_SHARE;
use crate::verdict::variance::swamping_exposure_s;
use crate::verdict::year::{Class, Year};

/// A value for each number with an uncertainty.
pub(crate) type Drawn = Each<f64>;

/// How exposures are chosen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Exposures {
    /// Both as long as the present ones.
    AsNow,
    /// Each as long as drowns its read noise.
    EachBest,
}

impl Pairing {
    /// Values without their uncertainties.
    pub(crate) fn centre(&self) -> Drawn {
        Each(self.parameters.0.map(|p| p.value))
    }

    /// Light of the sky in photons per present pixel and second.
    fn flux(&self, p: &Drawn) -> f64 {
        p[Sky] / self.present_light(p)
    }

    fn present_light(&self, p: &Drawn) -> f64 {
        p[Efficiency].min(1.0) * p[Filter].min(1.0)
    }

    /// Temperatures of the present and the new sensor, C.
    pub(crate) fn temperatures(&self, p: &Drawn, class: &Ambient) -> Option<[f64; 2]> {
        let night = self.now_celsius?;
        let air = class.celsius.unwrap_or(night - p[AboveAmbient]);
        let not_below = |celsius: f64, lowest: Option<f64>| celsius.max(lowest.unwrap_or(f64::NEG_INFINITY));
        let present = match class.celsius {
            Some(air) => not_below(air + p[AboveAmbient], self.present_lowest),
            None => night,
        };
        Some([present, not_below(air - p[CoolerDrop], self.new_lowest)])
    }

    /// Present camera and new one in one class of the year.
    fn both(&self, p: &Drawn, class: &Ambient) -> [Detector; 2] {
        let law_at = |celsius: f64, night: f64| {
            let floor = p[DarkFloor].min(p[DarkCurrent]);
            floor + (p[DarkCurrent] - floor) * self.law.with(p[DarkLaw]).ratio(night, celsius)
        };
        let temperatures = if self.follows_air { self.temperatures(p, class) } else { None };
        let [now, then] = match (temperatures, self.now_celsius) {
            (Some([present, new]), Some(night)) => {
                let now = law_at(present, night);
                let then = match self.new_dark {
                    NewDark::Present => now,
                    NewDark::PresentLaw => law_at(new, night),
                    NewDark::Own { at_celsius } => p[NewDarkCurrent] * ((new - at_celsius) / p[NewDoublingStep]).exp2(),
                };
                [now, then]
            }
            _ => [p[DarkCurrent], p[DarkCurrent]],
        };
        let present = Detector {
            efficiency: p[Efficiency].min(1.0),
            filter: p[Filter].min(1.0),
            transmission: 1.0,
            lit: p[LitShare].min(1.0),
            area: 1.0,
            read_e: p[ReadNoise],
            dark: now,
        };
        let own = matches!(self.new_dark, NewDark::Own { .. });
        let new = Detector {
            efficiency: if own { p[NewEfficiency].min(1.0) } else { present.efficiency },
            filter: if own { p[NewFilter].min(1.0) } else { present.filter },
            transmission: p[Transmission].min(1.0),
            lit: if own { p[NewLitShare].min(1.0) } else { present.lit },
            area: p[SkyPerPixel],
            read_e: if own { p[NewReadNoise] } else { present.read_e },
            dark: then,
        };
        [present, new]
    }

    /// The year with the drawn values; `set` says which parts of the new gear are in place.
    pub(crate) fn year(&self, p: &Drawn, exposures: Exposures, set: usize) -> Year {
        let flux = self.flux(p);
        let classes = self.classes.iter().map(|class| {
            let [present, new] = self.both(p, class);
            let new = mixed(&present, &new, set);
            let [now, then] = match exposures {
                Exposures::AsNow => [self.exposure_s; 2],
                Exposures::EachBest => [best_exposure_s(&present, flux), best_exposure_s(&new, flux)],
            };
            Class { hours: class.hours.value * p[Hours], ratio: new.time(flux, then) / present.time(flux, now) }
        });
        Year::of(&classes.collect::<Vec<_>>())
    }

    /// Shares of sky, dark and read noise in the variance of a new exposure, its length, and its charge, over the year.
    pub(crate) fn new_budget(&self, exposures: Exposures) -> Budget {
        let p = self.centre();
        let flux = self.flux(&p);
        let hours: f64 = self.classes.iter().map(|c| c.hours.value).sum();
        let dark = self.classes.iter().map(|c| c.hours.value * self.both(&p, c)[1].dark).sum::<f64>() / hours;
        let new = Detector { dark, ..self.both(&p, &self.classes[0])[1] };
        let exposure_s = match exposures {
            Exposures::AsNow => self.exposure_s,
            Exposures::EachBest => best_exposure_s(&new, flux),
        };
        let (sky_e2, dark_e2, read_e2) = (new.rate(flux) * exposure_s, dark * exposure_s, new.read_e.powi(2));
        let total = sky_e2 + dark_e2 + read_e2;
        Budget {
            exposure_s,
            sky_share: sky_e2 / total,
            dark_share: dark_e2 / total,
            read_share: read_e2 / total,
            background_e: sky_e2 + dark_e2,
        }
    }
}

/// Noise of an exposure with the new gear, dark current averaged over the year's hours.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Budget {
    pub exposure_s: f64,
    pub sky_share: f64,
    pub dark_share: f64,
    pub read_share: f64,
    /// Charge of sky and dark current in a pixel, e-.
    pub background_e: f64,
}

/// Shortest best exposure, s: a camera without read noise would have none.
const SHORTEST_S: f64 = 1.0;

fn best_exposure_s(camera: &Detector, flux: f64) -> f64 {
    swamping_exposure_s(camera.read_e, camera.rate(flux) + camera.dark, READ_NOISE_SHARE).max(SHORTEST_S)
}
