//! The present and the new gear side by side, as functions of every number that has an uncertainty.

use super::measured::{MeasuredReport, MeasuredSession};
use super::options::{Ambient, Choice, Kind, Options, Sensor, Stated};
use super::ratio::{Detector, mixed};
use crate::facts::{Quantity, Source};
use crate::report::InWords;
use crate::verdict::budget::READ_NOISE_SHARE;
use crate::verdict::propagation::Parameter;
use crate::verdict::thermal::{CoolingLaw, ThermalStep};
use crate::verdict::variance::swamping_exposure_s;
use crate::verdict::year::{Class, Year};

/// Inputs with an uncertainty, in the order of their draws.
pub const INPUTS: [&str; 19] = [
    "the measured sky",
    "the measured read noise",
    "the measured dark current",
    "the part of the dark current that does not cool",
    "how the dark current falls with temperature",
    "the present quantum efficiency",
    "the present filter fraction",
    "the present lit_pixel_share",
    "how far the present sensor is above ambient",
    "the new quantum efficiency",
    "the new filter fraction",
    "the new lit_pixel_share",
    "the new read noise",
    "the new dark current",
    "the new doubling step",
    "the new cooler's drop",
    "the hours per year",
    "the sky that a new pixel covers",
    "the transmission of the added optics",
];

/// Values of [`INPUTS`].
pub type Drawn = [f64; INPUTS.len()];

// Places of the inputs that a formula names; the present filter and lit share follow their efficiency, the new ones theirs.
const SKY: usize = 0;
const READ: usize = 1;
const DARK: usize = 2;
const FLOOR: usize = 3;
const LAW: usize = 4;
const EFFICIENCY: usize = 5;
const FILTER: usize = 6;
const LIT: usize = 7;
const ABOVE: usize = 8;
const NEW_EFFICIENCY: usize = 9;
const NEW_FILTER: usize = 10;
const NEW_LIT: usize = 11;
const NEW_READ: usize = 12;
const NEW_DARK: usize = 13;
const NEW_STEP: usize = 14;
const DROP: usize = 15;
const HOURS: usize = 16;
const AREA: usize = 17;
const PASSED: usize = 18;

/// Where the new sensor's dark current comes from.
#[derive(Debug, Clone, Copy, PartialEq)]
enum NewDark {
    /// As now: only optics change.
    Present,
    /// The present law at the new temperature.
    PresentLaw,
    /// Its own, stated at a temperature, C.
    Own { at_celsius: f64 },
}

/// How exposures are chosen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Exposures {
    /// Both as long as the present ones.
    AsNow,
    /// Each as long as drowns its read noise.
    EachBest,
}

/// One session's present camera and one choice.
#[derive(Debug, Clone, PartialEq)]
pub struct Pairing {
    pub parameters: [Parameter; INPUTS.len()],
    exposure_s: f64,
    /// Present sensor in the measured night, C; not needed without an ambient temperature.
    now_celsius: Option<f64>,
    law: ThermalStep,
    law_source: Source,
    /// Temperatures that the law was measured at, C.
    law_range: Option<[f64; 2]>,
    present_lowest: Option<f64>,
    new_lowest: Option<f64>,
    new_dark: NewDark,
    classes: Vec<Ambient>,
    /// Whether more than one air temperature, or a new sensor temperature, comes in.
    follows_air: bool,
}

impl Pairing {
    /// Gathers what both sides need; the reason where something is not known.
    pub fn of(
        report: &MeasuredReport,
        session: &MeasuredSession,
        options: &Options,
        choice: &Choice,
    ) -> Result<Self, String> {
        let present = &options.present;
        let sensor = report.sensor_of(session).ok_or("the report names no sensor for this session")?;
        let exposure_s = session.exposure_s().ok_or("the exposure time is not known (card EXPTIME)")?;
        let known = |q: &Quantity, name: &str, min: f64| {
            Parameter::of(q, min).ok_or_else(|| match q.why().as_str() {
                "" => format!("{name} is not known"),
                why => format!("{name} is not known: {why}"),
            })
        };
        let sky = known(&session.sky_e_per_px_s, "the sky", 0.0)?;
        let read = known(&sensor.read_noise_e, "the read noise", 0.0)?;
        let dark = known(&session.noise_budget.dark_e2.scaled(exposure_s.recip()), "the dark current", 0.0)?;
        let floor = Parameter::of(&sensor.dark_current.floor_e_per_px_s, 0.0).unwrap_or(fixed(0.0));
        let measured = &sensor.dark_current;
        let CoolingLaw { step: law, source: law_source, .. } =
            CoolingLaw::from_parts(&measured.activation_energy_ev, &measured.doubling_celsius, measured.range_celsius);
        let mut parameters = [fixed(1.0); INPUTS.len()];
        parameters[SKY] = sky;
        parameters[READ] = read;
        parameters[DARK] = dark;
        parameters[FLOOR] = floor;
        parameters[LAW] = law.parameter();
        parameters[NEW_READ] = read;
        let mut new_dark = NewDark::Present;
        match &choice.kind {
            Kind::Camera(camera) => {
                let own = |s: Option<Stated>, key: &str| needed(s, &format!("the option's `{key}`"));
                if session.settings.cfa.is_some() && present.sensor.mosaic == Some(false) {
                    return Err("the frames have a colour mosaic, [present] says `mosaic = false`".to_owned());
                }
                light(&mut parameters, &present.sensor, EFFICIENCY, "[present]")?;
                light(&mut parameters, &camera.sensor, NEW_EFFICIENCY, "the option")?;
                parameters[NEW_READ] = own(camera.read_noise_e, "read_noise_e")?;
                parameters[NEW_DARK] = own(camera.dark_e_per_px_s, "dark_e_per_px_s")?;
                parameters[NEW_STEP] =
                    Parameter { min: LOWEST_STEP_C, ..own(camera.dark_doubling_c, "dark_doubling_c")? };
                let at_celsius = camera.dark_at_celsius.ok_or("the option's `dark_at_celsius` is not stated")?;
                new_dark = NewDark::Own { at_celsius };
                let pixel = own(camera.sensor.pixel_um, "pixel_um")?;
                parameters[AREA] = squared(pixel, present_pixel_um(options, session)?.recip());
            }
            Kind::Cooler => new_dark = NewDark::PresentLaw,
            Kind::Optics { focal_factor, transmission: passed } => {
                let focal = needed(*focal_factor, "the option's `focal_factor`")?;
                // The area goes with the inverse square; its relative error is the same.
                let inverse =
                    Parameter { value: focal.value.recip(), sigma: focal.sigma / focal.value.powi(2), min: 0.0 };
                parameters[AREA] = squared(inverse, 1.0);
                parameters[PASSED] = Parameter { min: LEAST_LIGHT, ..needed(*passed, "the option's `transmission`")? };
            }
        }
        let classes = match options.conditions.ambient.as_slice() {
            // The ratio of the night itself needs no hours.
            [] => vec![Ambient { celsius: None, hours: Stated { value: 1.0, sigma: 0.0 } }],
            stated => stated.to_vec(),
        };
        let follows_air = new_dark != NewDark::Present || classes.iter().any(|c| c.celsius.is_some());
        if follows_air {
            parameters[ABOVE] = Parameter {
                min: f64::NEG_INFINITY,
                ..needed(present.sensor_above_ambient_c, "`sensor_above_ambient_c` of [present]")?
            };
            if !session.sensor_temperature_c.is_known() {
                return Err("the sensor temperature of the lights is not known (card CCD-TEMP)".to_owned());
            }
        }
        if new_dark != NewDark::Present {
            parameters[DROP] = needed(choice.cooler_drop_c, "the option's `cooler_drop_c`")?;
        }
        let hours: f64 = classes.iter().map(|c| c.hours.value).sum();
        let sigma = classes.iter().map(|c| c.hours.sigma.powi(2)).sum::<f64>().sqrt();
        parameters[HOURS] = Parameter { value: 1.0, sigma: sigma / hours, min: 0.0 };
        let both = [parameters[SKY], parameters[READ], parameters[DARK]];
        if both.iter().all(|p| p.value <= 0.0) {
            return Err("sky, read noise and dark current are all 0: those are not the values of a real sensor".into());
        }
        Ok(Self {
            parameters,
            exposure_s,
            now_celsius: session.sensor_temperature_c.value,
            law,
            law_source,
            law_range: measured.range_celsius,
            present_lowest: present.lowest_celsius,
            new_lowest: choice.lowest_celsius,
            new_dark,
            classes,
            follows_air,
        })
    }

    /// What the numbers are less sure for.
    pub fn cautions(&self) -> Vec<String> {
        if !self.follows_air {
            return Vec::new();
        }
        if self.law_source == Source::Assumed {
            let words = "how the present dark current falls with temperature is an assumption; darks at two temperatures \
                         would measure it";
            return vec![words.to_owned()];
        }
        let Some([coldest, warmest]) = self.law_range else { return Vec::new() };
        let of_law = |[present, new]: [f64; 2]| match self.new_dark {
            NewDark::PresentLaw => vec![present, new],
            _ => vec![present],
        };
        let temperatures = self.classes.iter().filter_map(|class| self.temperatures(&self.centre(), class));
        let mut beyond: Vec<f64> = temperatures
            .flat_map(of_law)
            .filter(|t| *t < coldest - AT_THE_RANGE_C || *t > warmest + AT_THE_RANGE_C)
            .collect();
        beyond.sort_by(f64::total_cmp);
        beyond.dedup();
        if beyond.is_empty() {
            return Vec::new();
        }
        let beyond: Vec<String> = beyond.iter().map(|t| format!("{t:.0}")).collect();
        vec![format!(
            "the present camera's dark current was measured from {coldest:.0} to {warmest:.0} °C and is extrapolated to {} °C",
            beyond.join(" and ")
        )]
    }

    /// Values without their uncertainties.
    pub fn centre(&self) -> Drawn {
        self.parameters.map(|p| p.value)
    }

    /// Light of the sky in photons per present pixel and second.
    fn flux(&self, p: &Drawn) -> f64 {
        p[SKY] / self.present_light(p)
    }

    fn present_light(&self, p: &Drawn) -> f64 {
        p[EFFICIENCY].min(1.0) * p[FILTER].min(1.0)
    }

    /// Temperatures of the present and the new sensor, C.
    fn temperatures(&self, p: &Drawn, class: &Ambient) -> Option<[f64; 2]> {
        let night = self.now_celsius?;
        let air = class.celsius.unwrap_or(night - p[ABOVE]);
        let not_below = |celsius: f64, lowest: Option<f64>| celsius.max(lowest.unwrap_or(f64::NEG_INFINITY));
        let present = match class.celsius {
            Some(air) => not_below(air + p[ABOVE], self.present_lowest),
            None => night,
        };
        Some([present, not_below(air - p[DROP], self.new_lowest)])
    }

    /// Present camera and new one in one class of the year.
    fn both(&self, p: &Drawn, class: &Ambient) -> [Detector; 2] {
        let law_at = |celsius: f64, night: f64| {
            let floor = p[FLOOR].min(p[DARK]);
            floor + (p[DARK] - floor) * self.law.with(p[LAW]).ratio(night, celsius)
        };
        let temperatures = if self.follows_air { self.temperatures(p, class) } else { None };
        let [now, then] = match (temperatures, self.now_celsius) {
            (Some([present, new]), Some(night)) => {
                let now = law_at(present, night);
                let then = match self.new_dark {
                    NewDark::Present => now,
                    NewDark::PresentLaw => law_at(new, night),
                    NewDark::Own { at_celsius } => p[NEW_DARK] * ((new - at_celsius) / p[NEW_STEP]).exp2(),
                };
                [now, then]
            }
            _ => [p[DARK], p[DARK]],
        };
        let present = Detector {
            efficiency: p[EFFICIENCY].min(1.0),
            filter: p[FILTER].min(1.0),
            transmission: 1.0,
            lit: p[LIT].min(1.0),
            area: 1.0,
            read_e: p[READ],
            dark: now,
        };
        let own = matches!(self.new_dark, NewDark::Own { .. });
        let new = Detector {
            efficiency: if own { p[NEW_EFFICIENCY].min(1.0) } else { present.efficiency },
            filter: if own { p[NEW_FILTER].min(1.0) } else { present.filter },
            transmission: p[PASSED].min(1.0),
            lit: if own { p[NEW_LIT].min(1.0) } else { present.lit },
            area: p[AREA],
            read_e: if own { p[NEW_READ] } else { present.read_e },
            dark: then,
        };
        [present, new]
    }

    /// The year with the drawn values; `set` says which parts of the new gear are in place.
    pub fn year(&self, p: &Drawn, exposures: Exposures, set: usize) -> Year {
        let flux = self.flux(p);
        let classes = self.classes.iter().map(|class| {
            let [present, new] = self.both(p, class);
            let new = mixed(&present, &new, set);
            let [now, then] = match exposures {
                Exposures::AsNow => [self.exposure_s; 2],
                Exposures::EachBest => [best_exposure_s(&present, flux), best_exposure_s(&new, flux)],
            };
            Class { hours: class.hours.value * p[HOURS], ratio: new.time(flux, then) / present.time(flux, now) }
        });
        Year::of(&classes.collect::<Vec<_>>())
    }

    /// Shares of sky, dark and read noise in the variance of a new exposure, its length, and its charge, over the year.
    pub fn new_budget(&self, exposures: Exposures) -> Budget {
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

/// Lowest doubling step drawn, C: the lowest that an options file may state.
const LOWEST_STEP_C: f64 = 2.0;

/// How far beyond the measured range a law still counts as measured, C: thermometers read in such steps.
const AT_THE_RANGE_C: f64 = 1.0;

/// Shortest best exposure, s: a camera without read noise would have none.
const SHORTEST_S: f64 = 1.0;

fn best_exposure_s(camera: &Detector, flux: f64) -> f64 {
    swamping_exposure_s(camera.read_e, camera.rate(flux) + camera.dark, READ_NOISE_SHARE).max(SHORTEST_S)
}

fn fixed(value: f64) -> Parameter {
    Parameter { value, sigma: 0.0, min: f64::NEG_INFINITY }
}

fn needed(stated: Option<Stated>, name: &str) -> Result<Parameter, String> {
    let Stated { value, sigma } = stated.ok_or_else(|| format!("{name} is not stated"))?;
    Ok(Parameter { value, sigma, min: 0.0 })
}

/// `(k x)^2`, with twice the relative uncertainty; never quite 0.
fn squared(x: Parameter, k: f64) -> Parameter {
    let value = (k * x.value).powi(2);
    Parameter { value, sigma: 2.0 * value * x.sigma / x.value, min: LEAST_LIGHT * value }
}

/// Pitch of a present pixel, um: the report's own (with its binning), else that of the options file.
pub fn present_pixel_um(options: &Options, session: &MeasuredSession) -> Result<f64, String> {
    let stated = options.present.sensor.pixel_um.map(|s| s.value);
    session.pixel_um().or(stated).ok_or_else(|| {
        "the present pixel size is neither in the report nor stated as `pixel_um` of [present]".to_owned()
    })
}

/// Smallest throughput drawn, as a share: a pixel that sees no light has no time ratio.
const LEAST_LIGHT: f64 = 1e-3;

/// Efficiency, filter and lit share of one side, at three places from `first` on.
fn light(parameters: &mut Inputs, sensor: &Sensor, first: usize, whose: &str) -> Result<(), String> {
    let of =
        |stated, key: &str| needed(stated, &format!("`{key}` of {whose}")).map(|p| Parameter { min: LEAST_LIGHT, ..p });
    parameters[first] = of(sensor.peak_quantum_efficiency, "peak_quantum_efficiency")?;
    parameters[first + 1] = of(sensor.filter_fraction, "filter_fraction")?;
    parameters[first + 2] = match sensor.mosaic {
        None => return Err(format!("`mosaic` of {whose} is not stated")),
        Some(false) => fixed(1.0),
        Some(true) => of(sensor.lit_pixel_share, "lit_pixel_share")?,
    };
    Ok(())
}

type Inputs = [Parameter; INPUTS.len()];
