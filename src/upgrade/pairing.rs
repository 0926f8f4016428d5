//! What a comparison needs of a session and an option, gathered; or what is lacking.

use super::keys::Key;
use super::lacking::{Known, Lacking};
use super::options::{Ambient, Choice, Conditions, Kind, Options};
use super::ratio::LEAST_LIGHT;
use super::read_options::{Stated, Values};
use super::report_file::{MeasuredReport, exposure_s, pixel_um};
use super::uncertain::{Each, Uncertain};
use crate::facts::{Input, Missing, Quantity, Source};
use crate::report::{SensorEntry, Session};
use crate::verdict::propagation::Parameter;
use crate::verdict::thermal::{CoolingLaw, ThermalStep};

/// Where the new sensor's dark current comes from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum NewDark {
    /// As now: only optics change.
    Present,
    /// The present law at the new temperature.
    PresentLaw,
    /// Its own, stated at a temperature, C.
    Own { at_celsius: f64 },
}

/// One session's present camera and one choice.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Pairing {
    pub(crate) parameters: Each<Parameter>,
    pub(super) exposure_s: f64,
    /// Present sensor in the measured night, C; not needed without an ambient temperature.
    pub(super) now_celsius: Option<f64>,
    pub(super) law: ThermalStep,
    pub(super) law_source: Source,
    /// Temperatures that the law was measured at, C.
    pub(super) law_range: Option<[f64; 2]>,
    pub(super) present_lowest: Option<f64>,
    pub(super) new_lowest: Option<f64>,
    pub(super) new_dark: NewDark,
    pub(super) classes: Vec<Ambient>,
    /// Whether more than one air temperature, or a new sensor temperature, comes in.
    pub(super) follows_air: bool,
}

impl Pairing {
    /// Gathers what both sides need.
    pub(crate) fn of(report: &MeasuredReport, session: &Session, options: &Options, choice: &Choice) -> Known<Self> {
        let sensor = report.sensor_of(session).ok_or(Lacking::NoSensorOfSession)?;
        let exposure_s = exposure_s(session).ok_or(Missing::ExposureTime)?;
        let measured = &sensor.result.dark_current;
        let law =
            CoolingLaw::from_parts(&measured.activation_energy_ev, &measured.doubling_celsius, measured.range_celsius);
        let mut parameters = measured_ones(session, sensor, exposure_s, law.step)?;
        let new_dark = match choice.kind {
            Kind::Camera => new_camera(&mut parameters, session, options, choice)?,
            Kind::Cooler => NewDark::PresentLaw,
            Kind::Optics => added_optics(&mut parameters, choice)?,
        };
        let classes = classes(&options.conditions);
        let follows_air = new_dark != NewDark::Present || classes.iter().any(|c| c.celsius.is_some());
        let now_celsius = session.sensor_temperature_c.median.value;
        if follows_air {
            parameters.set(&options.present, Key::SensorAboveAmbientC)?;
            now_celsius.ok_or(Lacking::LightsTemperature)?;
        }
        if new_dark != NewDark::Present {
            parameters.set(&choice.values, Key::CoolerDropC)?;
        }
        parameters[Uncertain::Hours] = hours(&classes);
        let noise = [Uncertain::Sky, Uncertain::ReadNoise, Uncertain::DarkCurrent];
        if noise.iter().all(|of| parameters[*of].value <= 0.0) {
            return Err(Lacking::NoNoise);
        }
        Ok(Self {
            parameters,
            exposure_s,
            now_celsius,
            law: law.step,
            law_source: law.source,
            law_range: measured.range_celsius,
            present_lowest: options.present.value(Key::LowestCelsius),
            new_lowest: choice.values.value(Key::LowestCelsius),
            new_dark,
            classes,
            follows_air,
        })
    }
}

/// What the report measured; everything else at 1 without an uncertainty.
fn measured_ones(session: &Session, sensor: &SensorEntry, exposure_s: f64, law: ThermalStep) -> Known<Each<Parameter>> {
    let known = |q: &Quantity, what: Input| Parameter::of(q, 0.0).ok_or_else(|| Missing::input(what, q.because()));
    let mut parameters = Each([fixed(1.0); <Uncertain as strum::EnumCount>::COUNT]);
    parameters[Uncertain::Sky] = known(&session.sky_e_per_px_s, Input::Sky)?;
    let read = known(&sensor.result.read_noise_e, Input::ReadNoise)?;
    parameters[Uncertain::ReadNoise] = read;
    let dark = session.noise_budget.dark_e2.scaled(exposure_s.recip());
    parameters[Uncertain::DarkCurrent] = known(&dark, Input::DarkCurrent)?;
    let floor = &sensor.result.dark_current.floor_e_per_px_s;
    parameters[Uncertain::DarkFloor] = Parameter::of(floor, 0.0).unwrap_or(fixed(0.0));
    parameters[Uncertain::DarkLaw] = law.parameter();
    parameters[Uncertain::NewReadNoise] = read;
    Ok(parameters)
}

/// Light, noise and pixels of a new camera beside the present light and pixels.
fn new_camera(
    parameters: &mut Each<Parameter>,
    session: &Session,
    options: &Options,
    choice: &Choice,
) -> Known<NewDark> {
    if session.settings.cfa.is_some() && options.present.truth(Key::Mosaic) == Some(false) {
        return Err(Lacking::MosaicDenied);
    }
    for camera in [&options.present, &choice.values] {
        light(parameters, camera)?;
    }
    for key in [Key::ReadNoiseE, Key::DarkEPerPxS, Key::DarkDoublingC] {
        parameters.set(&choice.values, key)?;
    }
    let at_celsius = choice.values.needed(Key::DarkAtCelsius)?.value;
    let pixel = stated(&choice.values, Key::PixelUm)?;
    parameters[Uncertain::SkyPerPixel] = squared(pixel, present_pixel_um(&options.present, session)?.recip());
    Ok(NewDark::Own { at_celsius })
}

/// Efficiency, filter and lit share of one camera.
fn light(parameters: &mut Each<Parameter>, camera: &Values) -> Known<()> {
    parameters.set(camera, Key::PeakQuantumEfficiency)?;
    parameters.set(camera, Key::FilterFraction)?;
    match camera.truth(Key::Mosaic) {
        None => Err(camera.lacks(Key::Mosaic)),
        // Every pixel sees the target.
        Some(false) => Ok(()),
        Some(true) => parameters.set(camera, Key::LitPixelShare),
    }
}

fn added_optics(parameters: &mut Each<Parameter>, choice: &Choice) -> Known<NewDark> {
    let focal = stated(&choice.values, Key::FocalFactor)?;
    // The area goes with the inverse square; its relative error is the same.
    let inverse = Parameter { value: focal.value.recip(), sigma: focal.sigma / focal.value.powi(2), min: 0.0 };
    parameters[Uncertain::SkyPerPixel] = squared(inverse, 1.0);
    parameters.set(&choice.values, Key::Transmission)?;
    Ok(NewDark::Present)
}

/// The year's hours by temperatures of the air.
fn classes(conditions: &Conditions) -> Vec<Ambient> {
    match conditions.ambient.as_slice() {
        // The ratio of the night itself needs no hours.
        [] => vec![Ambient { celsius: None, hours: Stated { value: 1.0, sigma: 0.0 } }],
        stated => stated.to_vec(),
    }
}

/// Factor on all hours, 1 with the relative uncertainty of their sum.
fn hours(classes: &[Ambient]) -> Parameter {
    let hours: f64 = classes.iter().map(|c| c.hours.value).sum();
    let sigma = classes.iter().map(|c| c.hours.sigma.powi(2)).sum::<f64>().sqrt();
    Parameter { value: 1.0, sigma: sigma / hours, min: 0.0 }
}

impl Each<Parameter> {
    /// The number that a key sets in its table.
    fn set(&mut self, from: &Values, key: Key) -> Known<()> {
        let parameter = stated(from, key)?;
        if let Some(uncertain) = key.place(from.table).and_then(|place| place.sets) {
            self[uncertain] = parameter;
        }
        Ok(())
    }
}

fn fixed(value: f64) -> Parameter {
    Parameter { value, sigma: 0.0, min: f64::NEG_INFINITY }
}

fn stated(from: &Values, key: Key) -> Known<Parameter> {
    let Stated { value, sigma } = from.needed(key)?;
    Ok(Parameter { value, sigma, min: key.least_drawn() })
}

/// `(k x)^2`, with twice the relative uncertainty; never quite 0.
fn squared(x: Parameter, k: f64) -> Parameter {
    let value = (k * x.value).powi(2);
    Parameter { value, sigma: 2.0 * value * x.sigma / x.value, min: LEAST_LIGHT * value }
}

/// Pitch of a present pixel, um: the report's own (with its binning), else that of the options file.
pub(crate) fn present_pixel_um(present: &Values, session: &Session) -> Known<f64> {
    pixel_um(session).or(present.value(Key::PixelUm)).ok_or(Lacking::PresentPixelNotStated)
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::report::{json, sample};
    use crate::upgrade::keys::{Holds, Table};
    use crate::upgrade::ratio::ALL_PARTS;
    use crate::upgrade::side_by_side::Exposures;

    /// A table with all its keys in the middle of their ranges, one of them with an uncertainty.
    fn table(heading: &str, table: Table, unsure: Key) -> String {
        let line = |key: Key| {
            let name = key.name();
            Some(match key.declared().holds {
                Holds::Number { low, high, .. } if key == unsure => {
                    format!("{name} = [{}, {}]\n", 0.5 * (low + high), 0.1 * (high - low))
                }
                // Hours are stated in one way or the other.
                Holds::Number { .. } if key == Key::HoursPerYear && unsure == Key::Hours => return None,
                Holds::Number { low, high, .. } => format!("{name} = {}\n", 0.5 * (low + high)),
                Holds::Text => format!("{name} = 'x'\n"),
                Holds::Word(_) => format!("{name} = '{}'\n", format!("{table:?}").to_lowercase()),
                Holds::Truth => format!("{name} = true\n"),
                Holds::Tables => return None,
            })
        };
        format!("{heading}\n{}", table.keys().filter_map(line).collect::<String>())
    }

    fn pairing(report: &MeasuredReport, option: Table, unsure: Key) -> Pairing {
        let mut text = table("[present]", Table::Present, unsure) + &table("[conditions]", Table::Conditions, unsure);
        if unsure == Key::Hours {
            text += &table("[[conditions.ambient]]", Table::Ambient, unsure);
        }
        text += &table("[[option]]", option, unsure);
        let options = Options::parse(&text, Path::new("options.toml")).unwrap();
        Pairing::of(report, &report.sessions[0], &options, &options.choices[0]).unwrap()
    }

    #[test]
    fn every_key_that_sets_a_number_does_so_and_moves_the_year() {
        let report = json(&sample::report()).unwrap();
        let report = MeasuredReport::parse(&report, Path::new("report.json")).unwrap();
        let mut seen = 0;
        for (option, tables) in [
            (Table::Camera, &[Table::Present, Table::Conditions, Table::Ambient, Table::Camera][..]),
            (Table::Cooler, &[Table::Cooler]),
            (Table::Optics, &[Table::Optics]),
        ] {
            for (key, sets) in tables.iter().flat_map(|t| t.keys().filter_map(|k| Some((k, k.place(*t)?.sets?)))) {
                let pairing = pairing(&report, option, key);
                assert!(pairing.parameters[sets].sigma > 0.0, "{key:?} does not set {sets:?}");
                let year = |p| pairing.year(&p, Exposures::AsNow, ALL_PARTS).equivalent_hours;
                let mut moved = pairing.centre();
                moved[sets] *= 0.9;
                assert_ne!(year(moved), year(pairing.centre()), "{key:?} sets {sets:?}, which moves nothing");
                seen += 1;
            }
        }
        assert!(seen > 10);
    }
}
