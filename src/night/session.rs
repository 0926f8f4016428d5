//! One session: what its lights, its sensor and the verdicts make of it.

use crate::facts::{Method, Quantity, Source};
use crate::folder::{Rig, SessionKey};
use crate::report::InWords;
use crate::report::words::{self, Told, darks, light, width};
use crate::report::{FrameCounts, Session, SessionSettings, Temperature};
use crate::sensor::SensorResult;
use crate::sky::StarMatch;
use crate::stars::FrameStars;
use crate::stats::{MEDIAN_TO_MEAN_ERROR, mean_and_std, median};
use crate::verdict::{
    BudgetInput, CoolingInput, CoolingLaw, PhotometryInput, SamplingInput, SessionFindings, cooling, image_scale,
    noise_budget, photometry, sampling,
};

use super::dark_match::{Lights, darks_for};
use super::decision::{Measured, decision};
use super::intake::Intake;
use super::lights::MeasuredLight;
use super::over_field::over_field;
use super::same_stars::kept_error;
use super::sensors::{MeasuredSensor, text};
use super::star_match::OnTheSky;

/// A session with what the answers need beside it.
pub struct Built {
    pub session: Session,
    cooling: crate::verdict::Cooling,
    aperture_mm: Option<f64>,
    airmass: Option<f64>,
}

impl Built {
    pub fn findings<'a>(&'a self, label: &'a str) -> SessionFindings<'a> {
        SessionFindings {
            id: &self.session.id,
            label,
            exposure_s: self.session.settings.exposure_s,
            fwhm_arcsec: &self.session.fwhm_arcsec,
            image_scale: &self.session.image_scale_arcsec_per_px,
            aperture_mm: self.aperture_mm,
            airmass: self.airmass,
            sampling: &self.session.sampling,
            noise_budget: &self.session.noise_budget,
            cooling: &self.cooling,
        }
    }
}

/// `intakes` are all files: the darks among them are held against the lights.
pub fn session(
    key: &SessionKey,
    id: &str,
    members: &[&MeasuredLight],
    sensor: &MeasuredSensor,
    intakes: &[Intake],
    on_the_sky: &OnTheSky,
    rig: &Rig,
) -> Built {
    let used: Vec<&MeasuredLight> = members.iter().copied().filter(|l| l.excluded.is_none()).collect();
    let header = &members[0].read.header;
    let exposure_s = header.exposure_s.as_ref().map(|e| e.value);
    let temperature = temperature(members);
    let image_scale = followed(session_scale(&used, members), &on_the_sky.star_match);
    let over = |pick: &dyn Fn(&FrameStars) -> Quantity, what: &str| over_frames(&used, pick, what);
    let resampled = used.iter().filter(|l| l.resampled().is_some()).count();
    let as_resampled = |quantity: Quantity, what: &str| match resampled {
        0 => quantity,
        n => quantity.noted(format!("{n} of {} lights were resampled or denoised: {what}", used.len())),
    };
    let fwhm_px = over(&|s| s.fwhm_px.clone(), "star image before the pixel, median over the frames");
    let fwhm_px = as_resampled(fwhm_px, "the interpolation's blur is in it");
    let moffat_beta = over(&|s| s.moffat_beta.clone(), "median over the frames");
    let dark = dark_rate(temperature.median.value, &sensor.result);
    let sky = sky_rate(&used, &sensor.result, &dark, exposure_s);
    let sky = as_resampled(sky, "their levels need not be the sensor's, nor the noise that follows from them");
    let result = &sensor.result;
    let sampling = sampling(&SamplingInput {
        fwhm_px: &fwhm_px,
        beta: &moffat_beta,
        image_scale: &image_scale,
        sky_e_per_px_s: &sky,
        dark_e_per_px_s: &dark,
        read_noise_e: &result.read_noise_e,
        exposure_s,
        colour: header.cfa.is_some(),
    });
    let noise_budget = noise_budget(&BudgetInput {
        sky_e_per_px_s: &sky,
        dark_e_per_px_s: &dark,
        read_noise_e: &result.read_noise_e,
        read_noise_includes_quantisation: false,
        gain_e_per_adu: &result.gain_e_per_adu,
        adu_step: result.adu_step,
        exposure_s,
    });
    let cooling_input = CoolingInput {
        sky_e_per_px_s: &sky,
        read_noise_e: &result.read_noise_e,
        exposure_s,
        now_celsius: temperature.median.value,
        dark_e_per_px_s: &dark,
        floor_e_per_px_s: &result.dark_current.floor_e_per_px_s,
        law: CoolingLaw::of(&result.dark_current),
    };
    let cooling = cooling(&cooling_input);
    let lights = Lights {
        sensor: &key.sensor,
        celsius: temperature.median.value,
        exposure_s,
        total_e2: &noise_budget.total_e2,
        count: used.len(),
    };
    let photometry = photometry(&PhotometryInput {
        zero_point_adu: &on_the_sky.star_light.zero_point_mag,
        star_scatter_mag: on_the_sky.star_light.star_scatter_mag,
        transparency: &on_the_sky.star_light.transparency,
        gain_e_per_adu: &result.gain_e_per_adu,
        sky_e_per_px_s: &sky,
        image_scale: &image_scale,
    });
    let dark_match = darks_for(&lights, result, intakes);
    let recorded_fwhm_px = over(&|s| s.recorded_fwhm_px.clone(), "star image as recorded, median over the frames");
    let field = over_field(&used, &image_scale);
    let airmasses: Vec<f64> = used.iter().filter_map(|l| l.read.header.airmass.as_ref()).map(|a| a.value).collect();
    let airmass = median(&airmasses);
    let decided = decision(&Measured {
        used: &used,
        light: &members[0].read,
        fwhm_px: &fwhm_px,
        recorded_fwhm_px: &recorded_fwhm_px,
        beta: &moffat_beta,
        image_scale: &image_scale,
        star_match: &on_the_sky.star_match,
        field: &field,
        airmass,
        sensor: result,
        cooling: &cooling_input,
        rig,
    });
    let fwhm_arcsec = fwhm_px.times(&image_scale, "FWHM in px times image scale");
    let session = Session {
        id: id.to_owned(),
        night: Some(key.night.clone()).filter(|n| n != "undated"),
        settings: SessionSettings {
            camera: text(&header.camera),
            filter: text(&header.filter),
            gain_setting: text(&header.gain_setting),
            offset_setting: text(&header.offset_setting),
            binning: header.binning,
            exposure_s,
            cfa: key.cfa.clone(),
        },
        frame_counts: FrameCounts { light: members.len(), used: used.len(), excluded: members.len() - used.len() },
        sensor_id: Some(sensor.id.clone()),
        sensor_temperature_c: temperature,
        fwhm_arcsec,
        recorded_fwhm_px,
        ellipticity: ellipticity(&used),
        position_angle_deg: position_angle(&used),
        star_count: over(&|s| Quantity::measured(s.star_count as f64, 0.0, "", 1), "median over the frames"),
        field: field.into(),
        fwhm_px,
        moffat_beta,
        sky_e_per_px_s: sky,
        sampling: words::sampling::worded(sampling, &image_scale),
        image_scale_arcsec_per_px: image_scale,
        noise_budget,
        cooling: cooling.rows.clone(),
        cooling_floor_time_ratio: cooling.floor_time_ratio.clone(),
        cooling_basis: words::cooling::basis(&cooling),
        cooling_gains_under_1_percent_below_celsius: cooling.gains_under_1_percent_below_celsius.clone(),
        cooling_year: decided.cooling_year,
        suited: decided.suited,
        width_budget: Told { sentence: width::width(&decided.width_budget), facts: decided.width_budget },
        saturation: Told { sentence: light::saturation(&decided.saturation), facts: decided.saturation },
        dark_match: Told { sentence: darks::darks(&dark_match), facts: dark_match },
        star_match: words::star_match::star_match(on_the_sky.star_match.clone()),
        photometry: Told { sentence: light::photometry(&photometry), facts: photometry },
    };
    let aperture_mm = header.aperture_mm.as_ref().map(|a| a.value);
    Built { session, cooling, aperture_mm, airmass }
}

/// Median over frames; its error holds the frame-to-frame scatter and the frames' own errors, whichever is larger.
fn over_frames(used: &[&MeasuredLight], pick: &dyn Fn(&FrameStars) -> Quantity, what: &str) -> Quantity {
    let known: Vec<(f64, f64)> = used.iter().filter_map(|l| pick(&l.stars).pair()).collect();
    let values: Vec<f64> = known.iter().map(|k| k.0).collect();
    let Some(centre) = median(&values) else {
        return Quantity::not_measurable("no light of this session could be used; the list of files says why for each");
    };
    let n = values.len() as f64;
    let own = known.iter().map(|k| k.1 * k.1).sum::<f64>().sqrt() / n;
    let scatter = match values.len() {
        1 => 0.0,
        _ => MEDIAN_TO_MEAN_ERROR * mean_and_std(&values).map_or(0.0, |(_, s)| s * (n / (n - 1.0)).sqrt()) / n.sqrt(),
    };
    Quantity::measured(centre, own.max(scatter), what, values.len())
}

/// Ellipticity over the frames, with the error of the choice of stars that all of them share.
fn ellipticity(used: &[&MeasuredLight]) -> Quantity {
    let told = over_frames(used, &|s| s.ellipticity.clone(), "1 - minor/major, median over the frames");
    let known = || used.iter().map(|l| &l.stars).filter(|s| s.ellipticity.is_known());
    let (values, sigmas): (Vec<f64>, Vec<f64>) = known().filter_map(|s| s.ellipticity.pair()).unzip();
    let (Some((centre, sigma)), Some((_, spread))) = (told.pair(), mean_and_std(&values).filter(|_| values.len() > 1))
    else {
        return told;
    };
    let unmeasured = known().map(|s| 1.0 - s.ellipticity.n as f64 / s.star_count.max(1) as f64).sum::<f64>();
    let kept = kept_error(&sigmas, spread, unmeasured / values.len() as f64);
    Quantity::measured(centre, sigma.hypot(kept), told.method, told.n)
}

/// Direction that the frames share: the mean of doubled angles, weighted by nothing.
fn position_angle(used: &[&MeasuredLight]) -> Quantity {
    let angles: Vec<f64> = used.iter().filter_map(|l| l.stars.position_angle_deg.value).map(f64::to_radians).collect();
    if angles.is_empty() {
        return Quantity::not_measurable("in no frame do the stars share a direction of elongation above its error");
    }
    let n = angles.len() as f64;
    let (c, s) = angles.iter().fold((0.0, 0.0), |(c, s), a| (c + (2.0 * a).cos() / n, s + (2.0 * a).sin() / n));
    let length = c.hypot(s);
    // Circular standard deviation of doubled angles, halved (Mardia & Jupp 2000, section 2.3; from memory).
    let spread = (-2.0 * length.max(1e-9).ln()).sqrt() / 2.0;
    // An even spread over all directions leaves a mean vector of about 1/sqrt(n).
    if n > 1.0 && length < 2.0 / n.sqrt() && length < 0.9 {
        return Quantity::not_measurable("the direction of elongation changes from frame to frame");
    }
    let degrees = (0.5 * s.atan2(c)).to_degrees().rem_euclid(180.0);
    Quantity::measured(
        degrees,
        spread.to_degrees() / n.sqrt(),
        "mean direction over the frames, from +x towards +y",
        used.len(),
    )
}

fn temperature(members: &[&MeasuredLight]) -> Temperature {
    let of = |l: &&MeasuredLight| l.read.header.celsius();
    let known: Vec<(f64, bool)> = members.iter().filter_map(of).collect();
    let values: Vec<f64> = known.iter().map(|k| k.0).collect();
    let Some(centre) = median(&values) else {
        let why = "no card CCD-TEMP, DET-TEMP or SET-TEMP in the lights; rig key sensor_celsius supplies it";
        return Temperature { median: Quantity::not_measurable(why), min: None, max: None };
    };
    let spread = mean_and_std(&values).map_or(0.0, |(_, s)| s);
    let h = &members[0].read.header;
    let carded = h.sensor_celsius.as_ref().or(h.set_point_celsius.as_ref());
    let (card, source) = carded.map_or(("", Source::Header), |c| (c.card.as_str(), c.source()));
    let mut quantity =
        Quantity::with(source, centre, Some(spread), format!("median of {card} over the lights"), values.len());
    if known.iter().any(|k| k.1) {
        quantity = quantity.noted("the set-point of the cooler, not a measured temperature");
    }
    let fold = |start: f64, pick: fn(f64, f64) -> f64| values.iter().copied().fold(start, pick);
    Temperature {
        median: quantity,
        min: Some(fold(f64::INFINITY, f64::min)),
        max: Some(fold(f64::NEG_INFINITY, f64::max)),
    }
}

/// Image scale: median over the frames' fitted WCS where there are some, else the first frame's optics.
fn session_scale(used: &[&MeasuredLight], members: &[&MeasuredLight]) -> Quantity {
    let lights = if used.is_empty() { members } else { used };
    let scales: Vec<Quantity> = lights.iter().map(|l| image_scale(&l.read.header)).collect();
    let fitted: Vec<f64> = scales.iter().filter(|s| s.source == Source::Measured).filter_map(|s| s.value).collect();
    match median(&fitted) {
        Some(centre) => {
            let spread = mean_and_std(&fitted).map_or(0.0, |(_, s)| s);
            let sigma = (fitted.len() > 1).then(|| MEDIAN_TO_MEAN_ERROR * spread / (fitted.len() as f64).sqrt());
            let first = scales.iter().find(|s| s.source == Source::Measured && s.is_known());
            let mut scale = Quantity::with(
                Source::Measured,
                centre,
                sigma,
                first.map_or(Method::NotMeasurable, |s| s.method.clone()),
                fitted.len(),
            );
            scale.notes = first.map(|s| s.notes.clone()).unwrap_or_default();
            scale
        }
        None => scales.into_iter().next().unwrap_or_else(|| Quantity::not_measurable("no light")),
    }
}

/// Disagreement of the stars and what is stated above which it is said.
const SCALE_DISAGREEMENT: f64 = 0.005;

/// The stars' own scale where there is one and no fitted WCS; a WCS is used as it is, and either checks the other.
fn followed(stated: Quantity, star_match: &StarMatch) -> Quantity {
    let stars = &star_match.image_scale_arcsec_per_px;
    let Some(measured) = stars.value else { return stated };
    let off = stated.value.map(|s| s / measured - 1.0);
    let disagrees = off.filter(|o| o.abs() > SCALE_DISAGREEMENT);
    if stated.source == Source::Measured && stated.is_known() {
        return match disagrees {
            Some(o) => stated.noted(format!(
                "the stars themselves give {}, {:+.1} % from it",
                stars.text("arcsec/px"),
                -100.0 * o
            )),
            None => stated,
        };
    }
    match disagrees {
        Some(o) => stars.clone().noted(format!(
            "{} gives {}, {:+.1} % from it",
            stated.how(),
            stated.text("arcsec/px"),
            100.0 * o
        )),
        None => stars.clone(),
    }
}

/// Dark rate at the temperature of the lights.
fn dark_rate(celsius: Option<f64>, sensor: &SensorResult) -> Quantity {
    let why = "the sensor temperature of the lights is not known (CCD-TEMP, or rig key sensor_celsius)";
    celsius.map_or_else(|| Quantity::not_measurable(why), |celsius| sensor.dark_current.rate_at(celsius))
}

/// Sky rate of one light, at its own temperature.
pub fn sky_of_light(light: &MeasuredLight, sensor: &SensorResult) -> Quantity {
    let header = &light.read.header;
    let dark = dark_rate(header.celsius().map(|(c, _)| c), sensor);
    sky_rate(&[light], sensor, &dark, header.exposure_s.as_ref().map(|e| e.value))
}

/// Sky rate of a session: level above bias and dark, times gain, over the exposure.
fn sky_rate(used: &[&MeasuredLight], sensor: &SensorResult, dark: &Quantity, exposure_s: Option<f64>) -> Quantity {
    let Some(t) = exposure_s.filter(|t| *t > 0.0) else {
        return Quantity::not_measurable("the exposure time of the lights is not known (card EXPTIME)");
    };
    let Some((gain, sigma_gain)) = sensor.gain_e_per_adu.pair() else {
        return Quantity::not_measurable(format!("no gain: {}", sensor.gain_e_per_adu.why()));
    };
    let Some((bias, sigma_bias)) = sensor.bias_level_adu.pair() else {
        return Quantity::not_measurable(format!("no bias level: {}", sensor.bias_level_adu.why()));
    };
    let levels: Vec<f64> = used.iter().map(|l| l.stars.sky_adu).collect();
    let Some(level) = median(&levels) else {
        return Quantity::not_measurable("no light of this session could be used; the list of files says why for each");
    };
    let n = levels.len() as f64;
    let scatter = mean_and_std(&levels).map_or(0.0, |(_, s)| s);
    let sigma_level = match used.len() {
        1 => used[0].stars.sky_error_adu,
        _ => MEDIAN_TO_MEAN_ERROR * scatter / (n - 1.0).sqrt(),
    };
    let total = (level - bias) * gain / t;
    // What the camera has already taken off the level must not be taken off twice.
    let (dark_rate, sigma_dark) =
        if sensor.dark_current.suppressed_in_camera { (0.0, 0.0) } else { dark.pair().unwrap_or((0.0, 0.0)) };
    let sigma = [sigma_level * gain / t, sigma_bias * gain / t, total * sigma_gain / gain, sigma_dark]
        .iter()
        .map(|s| s * s)
        .sum::<f64>()
        .sqrt();
    let source = crate::facts::weaker(Source::Measured, sensor.gain_e_per_adu.source);
    let sky = Quantity::with(
        source,
        total - dark_rate,
        Some(sigma),
        "median sky level above bias and dark, times gain, over the exposure",
        used.len(),
    );
    if dark.is_known() { sky } else { sky.noted("dark current is not known and is still in it") }
}
