//! From measured frames to the report: rows, names of sessions, answers.

use std::collections::{BTreeMap, BTreeSet};

use crate::facts::happening::What;
use crate::facts::night::{NightMethod, NightNote};
use crate::facts::{Caution, Note, Quantity};
use crate::folder::{SensorKey, SessionKey};
use crate::frame::NoiseAtLevel;
use crate::report::{FrameRow, Parts, Report, Session, StarRow, Warning, words};
use crate::sensor::SensorResult;
use crate::stars::StarFlag;
use crate::stats::median;
use crate::verdict::{NoiseVerdict, SessionFindings, answers};

use super::assumed_dark::NIGHT_DRIFT_C;
use super::events::happenings;
use super::input::NightInput;
use super::intake::{Intake, Outcome};
use super::lights::MeasuredLight;
use super::notices::night_notices;
use super::over_sessions::{filters, free_measures};
use super::sensors::{MeasuredSensor, Sensors, entries};
use super::session::{Built, SessionParts, own_scale, session};
use super::session_scale::{OwnScale, shared};
use super::sky_rate::{sky_of_light, sky_rate};
use super::star_match::OnTheSky;

/// The report of the detector part alone.
pub fn report_of_sensors(intakes: Vec<Intake>, sensors: Sensors, warnings: Vec<Warning>) -> Report {
    let frames = rows(&intakes, &sensors, &[], &BTreeMap::new());
    Report::new(Parts { sensors: entries(sensors, |_| None), frames, warnings, ..Parts::default() })
}

/// The report of the frames alone.
pub fn report_of_frames(
    intakes: Vec<Intake>,
    lights: &[MeasuredLight],
    sensors: Sensors,
    warnings: Vec<Warning>,
) -> Report {
    let frames = rows(&intakes, &sensors, lights, &session_names(lights));
    Report::new(Parts { sensors: entries(sensors, |_| None), frames, warnings, ..Parts::default() })
}

/// What is known of sessions beside their lights.
pub struct Beside {
    pub matches: BTreeMap<SessionKey, OnTheSky>,
    /// Noise of the differences of neighbouring lights.
    pub noise: BTreeMap<SessionKey, Vec<Vec<NoiseAtLevel>>>,
}

/// The report of a night.
pub fn report_of_night(
    intakes: Vec<Intake>,
    lights: Vec<MeasuredLight>,
    sensors: Sensors,
    beside: &Beside,
    input: &NightInput,
    mut warnings: Vec<Warning>,
) -> Report {
    let mut groups: BTreeMap<&SessionKey, Vec<&MeasuredLight>> = BTreeMap::new();
    for light in &lights {
        groups.entry(&light.session).or_default().push(light);
    }
    let by_session = session_names(&lights);
    let mut rows = rows(&intakes, &sensors, &lights, &by_session);
    if input.stars {
        for light in &lights {
            let wcs = light.read.header.wcs.as_ref();
            rows[light.index].stars = light.stars.stars.iter().map(|s| StarRow::of(s, wcs)).collect();
        }
    }
    for on_the_sky in beside.matches.values() {
        for (light, transparency) in on_the_sky.lights.iter().zip(&on_the_sky.star_light.transparency) {
            rows[*light].transparency = Some(transparency.clone());
        }
    }
    let scales = scales(&groups, &beside.matches);
    let build = |(key, members): (&&SessionKey, &Vec<&MeasuredLight>)| {
        let sensor = sensors.get(&key.sensor)?;
        Some(session(&SessionParts {
            key,
            id: &by_session[*key],
            members,
            sensor,
            intakes: &intakes,
            on_the_sky: beside.matches.get(*key)?,
            image_scale: scales.get(*key)?.clone(),
            noise: beside.noise.get(*key).map_or(&[], Vec::as_slice),
            happenings: happenings(&lights, key, &sensors),
            rig: &input.rig,
        }))
    };
    let built: Vec<Built> = groups.iter().filter_map(build).collect();
    for session in &built {
        tell_sky(&mut rows, session, &lights, &sensors);
        tell_noise(&mut rows, session);
    }
    warnings.extend(built.iter().filter_map(temperature_assumed));
    warnings.extend(built.iter().filter_map(|b| widths_stepped(b, &rows)));
    let own = |b: &Built| [noise_unlike_the_budget(b, &intakes), dark_mismatch(&b.session)];
    warnings.extend(built.iter().flat_map(own).flatten());
    warnings.extend(night_notices(&intakes, &lights));
    let names = spoken_names(&built.iter().map(|b| &b.session).collect::<Vec<_>>());
    let findings: Vec<SessionFindings> = built.iter().zip(&names).map(|(b, name)| b.findings(name)).collect();
    let answers = words::questions::entries(&answers(&findings));
    let mut sessions: Vec<Session> = built.into_iter().map(|b| b.session).collect();
    Session::put_in_order(&mut sessions);
    let celsius = |key: &SensorKey| {
        let own = lights.iter().filter(|l| l.read.sensor == *key);
        median(&own.filter_map(|l| l.read.header.celsius()).map(|(c, _)| c).collect::<Vec<f64>>())
    };
    Report::new(Parts {
        answers,
        advice: free_measures(&sessions),
        filters: filters(&sessions),
        sessions,
        sensors: entries(sensors, celsius),
        frames: rows,
        warnings,
    })
}

/// The image scale of each session.
fn scales<'a>(
    groups: &BTreeMap<&'a SessionKey, Vec<&MeasuredLight>>,
    matches: &BTreeMap<SessionKey, OnTheSky>,
) -> BTreeMap<&'a SessionKey, Quantity> {
    let own: Vec<OwnScale> = groups
        .iter()
        .filter_map(|(key, members)| Some(own_scale(key, members, &matches.get(*key)?.star_match)))
        .collect();
    let shared = shared(&own);
    own.iter().map(|s| s.key).zip(shared).collect()
}

/// Writes into the rows the sky of lights whose dark current is assumed.
fn tell_sky(rows: &mut [FrameRow], built: &Built, lights: &[MeasuredLight], sensors: &Sensors) {
    let Some(dark) = &built.assumed_dark else { return };
    for light in lights.iter().filter(|l| built.lights.contains(&l.index)) {
        let exposure_s = light.read.header.exposure_s.as_ref().map(|e| e.value);
        let sky = |s: &MeasuredSensor| sky_rate(&[light], &s.result, dark, exposure_s);
        rows[light.index].sky_e_per_px_s = sensors.get(&light.read.sensor).map(sky);
    }
}

/// Writes into the rows what the noise of a session's lights shows, and takes the sky out where it does not explain that.
fn tell_noise(rows: &mut [FrameRow], built: &Built) {
    if let Some(why) = built.noise.withholds() {
        for row in rows.iter_mut().filter(|row| row.session_id.as_ref() == Some(&built.session.id)) {
            row.sky_e_per_px_s = Some(Quantity::not_measurable(why.clone()));
        }
    }
    for (index, light) in built.lights.iter().zip(&built.noise.lights) {
        rows[*index].noise_ratio = Some(light.ratio.clone());
        if let Some(why) = &light.withheld {
            rows[*index].sky_e_per_px_s = Some(Quantity::not_measurable(why.clone()));
        }
    }
}

/// Lights whose noise the budget does not explain, those that are off by themselves by name.
fn noise_unlike_the_budget(built: &Built, intakes: &[Intake]) -> Option<Warning> {
    let session = &built.session;
    let (session_id, finding) = (session.id.clone(), session.noise_check.sentence.clone());
    let caution = match session.noise_check.verdict {
        NoiseVerdict::Unexplained => Caution::NoiseUnexplained { session_id, finding },
        NoiseVerdict::Differs => Caution::NoiseDiffers { session_id, finding },
        NoiseVerdict::Explained | NoiseVerdict::NotMeasurable => return None,
    };
    let off = built.lights.iter().zip(&built.noise.lights).filter(|(_, light)| light.withheld.is_some());
    Some(Warning { caution, paths: off.map(|(index, _)| intakes[*index].file.shown.clone()).collect() })
}

/// Lights whose dark current is that of darks beside them.
fn temperature_assumed(built: &Built) -> Option<Warning> {
    let assumed = built.assumed_dark.as_ref()?;
    let (darks, session_id) = (assumed.n, built.session.id.clone());
    let hot_ratio = assumed.notes.iter().find_map(|note| match note {
        Note::Night(NightNote::HotPixelsOverDarks { ratio, .. } | NightNote::ShieldedPixelsOverDarks { ratio, .. }) => {
            Some(*ratio)
        }
        _ => None,
    });
    let warmer_celsius = assumed.notes.iter().find_map(|note| match note {
        Note::Night(NightNote::DarksAtLightsTemperature { warmer_celsius, .. }) => *warmer_celsius,
        _ => None,
    });
    let drift_celsius = NIGHT_DRIFT_C;
    let caution = Caution::DarkTemperatureAssumed { session_id, darks, drift_celsius, hot_ratio, warmer_celsius };
    Some(Warning { caution, paths: Vec::new() })
}

/// Lights behind a step of the star widths that is too small to leave those on one side of it out.
fn widths_stepped(built: &Built, rows: &[FrameRow]) -> Option<Warning> {
    let session_id = built.session.id.clone();
    let (at, before_px, after_px) = built.session.happenings.iter().find_map(|h| match h.what {
        What::WidthStep { before_px, after_px } if h.left_out == 0 => Some((h.from_utc, before_px, after_px)),
        _ => None,
    })?;
    let behind = built.lights.iter().map(|i| &rows[*i]).filter(|row| row.start_utc.is_some_and(|start| start >= at));
    let paths = behind.map(|row| row.path.clone()).collect();
    Some(Warning { caution: Caution::WidthsStepped { session_id, at: at.to_string(), before_px, after_px }, paths })
}

/// Darks that would leave more than they take off.
fn dark_mismatch(session: &Session) -> Option<Warning> {
    let finding = session.dark_match.sentence.clone();
    let caution = Caution::DarkMismatch { session_id: session.id.clone(), finding };
    session.dark_match.is_worth_a_warning().then_some(Warning { caution, paths: Vec::new() })
}

/// The sessions that these lights belong to, each with its name.
fn session_names(lights: &[MeasuredLight]) -> BTreeMap<&SessionKey, String> {
    let keys: BTreeSet<&SessionKey> = lights.iter().map(|l| &l.session).collect();
    let ids = session_ids(keys.iter().copied());
    keys.into_iter().zip(ids).collect()
}

/// Night, filter and exposure name a session; the camera is added where these are not enough.
fn session_ids<'a>(keys: impl Iterator<Item = &'a SessionKey>) -> Vec<String> {
    let named = |key: &SessionKey| {
        let exposure =
            key.exposure_ms.map_or_else(|| "unknown exposure".to_owned(), |ms| format!("{} s", ms as f64 / 1e3));
        let filter = key.filter.clone().unwrap_or_else(|| "no filter".to_owned());
        let focal = key.focal_mm.map_or_else(String::new, |mm| format!(" {mm} mm"));
        let window = key.window.map_or_else(String::new, |[wide, high]| format!(" {wide} x {high} px"));
        (
            format!("{} {filter} {exposure}{focal}{window}", key.night.date().unwrap_or("undated")),
            key.sensor.camera.clone(),
        )
    };
    let names: Vec<(String, String)> = keys.map(named).collect();
    let mut seen: BTreeMap<String, usize> = BTreeMap::new();
    let alone = |name: &str| names.iter().filter(|(n, _)| n == name).count() == 1;
    names
        .iter()
        .map(|(name, camera)| if alone(name) { name.clone() } else { format!("{name} {camera}") })
        .map(|id| {
            let count = seen.entry(id.clone()).or_default();
            *count += 1;
            if *count == 1 { id } else { format!("{id} ({count})") }
        })
        .collect()
}

/// The shortest names that tell all sessions apart: filter, with exposure, with night, else their ids.
fn spoken_names(sessions: &[&Session]) -> Vec<String> {
    // A letter or two would be lost in a sentence.
    let filter = |s: &Session| match s.settings.filter.as_deref() {
        Some(f) if f.chars().count() <= 2 => format!("filter {f}"),
        Some(f) => f.to_owned(),
        None => "no filter".to_owned(),
    };
    let timed = |s: &Session| match s.settings.exposure_s {
        Some(t) => format!("{} at {t} s", filter(s)),
        None => format!("{} at unknown exposure", filter(s)),
    };
    let dated = |s: &Session| format!("{} on {}", timed(s), s.night.as_deref().unwrap_or("an unknown night"));
    let ways: [&dyn Fn(&Session) -> String; 3] = [&filter, &timed, &dated];
    ways.iter()
        .map(|way| sessions.iter().map(|s| way(s)).collect::<Vec<_>>())
        .find(|names| names.iter().collect::<std::collections::BTreeSet<_>>().len() == names.len())
        .unwrap_or_else(|| sessions.iter().map(|s| s.id.clone()).collect())
}

fn rows(
    intakes: &[Intake],
    sensors: &Sensors,
    lights: &[MeasuredLight],
    sessions: &BTreeMap<&SessionKey, String>,
) -> Vec<FrameRow> {
    let by_index: BTreeMap<usize, &MeasuredLight> = lights.iter().map(|l| (l.index, l)).collect();
    let of = |(index, intake): (usize, &Intake)| {
        let mut row = intake.row();
        if let Outcome::Read(read) | Outcome::Excluded(_, Some(read)) = &intake.outcome {
            row.sensor_id = sensors.get(&read.sensor).map(|s| s.id.clone());
        }
        if let Some(light) = by_index.get(&index) {
            row.session_id = sessions.get(&light.session).cloned();
            measured(&mut row, light, sensors.get(&light.read.sensor).map(|s| &s.result));
        }
        row
    };
    intakes.iter().enumerate().map(of).collect()
}

/// Fills in what the stars of a light say.
fn measured(row: &mut FrameRow, light: &MeasuredLight, sensor: Option<&SensorResult>) {
    let stars = &light.stars;
    let bias = sensor.and_then(|s| s.bias_level_adu.value);
    row.night = light.session.night.date().map(str::to_owned);
    row.sky_adu = bias.map(|b| stars.sky_adu - b);
    row.sky_sigma_adu = Some(stars.sky_sigma_adu);
    row.star_count = Some(stars.star_count);
    row.fitted_stars = Some(stars.stars.len());
    row.fwhm_px = Some(stars.fwhm_px.clone());
    row.plane_fwhm_px.clone_from(&light.plane_fwhm_px);
    row.minor_fwhm_px = Some(stars.minor_fwhm_px.clone());
    row.recorded_fwhm_px = Some(stars.recorded_fwhm_px.clone());
    row.ellipticity = Some(stars.ellipticity.clone());
    row.position_angle_deg = Some(stars.position_angle_deg.clone());
    row.trail_length_px = stars.trailed.then(|| stars.trail_length_px.clone());
    row.moffat_beta = Some(stars.moffat_beta.clone());
    if let Some(c) = &light.correlation {
        let of = |(r, sigma): (f64, f64)| {
            let quantity = Quantity::measured(r, sigma, NightMethod::NoiseOfNeighbours, c.tiles);
            light.correlated.map_or(quantity.clone(), |c| quantity.noted(NightNote::CorrelatedNoise(c)))
        };
        row.noise_correlation_x = Some(of(c.x));
        row.noise_correlation_y = Some(of(c.y));
    }
    row.saturated_count = Some(stars.flags.get(&StarFlag::Saturated).copied().unwrap_or(0));
    row.sky_e_per_px_s = sensor.map(|s| sky_of_light(light, s));
    row.star_flags = stars.flags.iter().map(|(f, n)| (words::stars::flag(*f).to_owned(), *n)).collect();
}
