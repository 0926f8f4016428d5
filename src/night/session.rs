//! One session: what its lights, its sensor and the verdicts make of it.

use crate::facts::happening::Happening;
use crate::facts::night::{NightMethod, NightMissing, NightNote};
use crate::facts::stars::{StarsMissing, StarsNote};
use crate::facts::{Quantity, Source};
use crate::folder::{Rig, SessionKey};
use crate::frame::NoiseAtLevel;
use crate::image::StarImage;
use crate::report::words::{self, WithSentence, darks, light, width};
use crate::report::{FrameCounts, Session, SessionSettings, Temperature};
use crate::sky::StarMatch;
use crate::stars::field::FieldResult;
use crate::stars::{CommonImage, FrameStars};
use crate::stats::{mean_and_std, median, median_with_error};
use crate::verdict::{
    BudgetInput, Cooling, CoolingInput, CoolingLaw, DarkMatch, HotCost, KnownImage, NoiseBudget, NoiseFinding,
    Photometry, PhotometryInput, Sampling, SamplingInput, SessionFindings, cooling, noise_budget, photometry, sampling,
};

use super::assumed_dark::assumed_dark;
use super::dark_match::{Lights, darks_for, hot_pixels_of};
use super::decision::{Decision, Measured, decision};
use super::intake::Intake;
use super::light_noise::held_against_its_noise;
use super::lights::MeasuredLight;
use super::over_field::over_field;
use super::over_frames::{ellipticity, over_frames, position_angle};
use super::sensors::{MeasuredSensor, text};
use super::session_scale::{OwnScale, followed, not_denied, session_scale};
use super::sky_rate::{dark_rate, sky_rate};
use super::star_match::OnTheSky;
use super::trails::drawn_out;

/// A session with what the answers need beside it.
pub struct Built {
    pub session: Session,
    /// Its noise against the budget.
    pub noise: NoiseFinding,
    /// Places in the list of files of the lights behind that, in its order.
    pub lights: Vec<usize>,
    /// Their dark rate, where no card tells their temperature.
    pub assumed_dark: Option<Quantity>,
    cooling: Cooling,
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
            noise: self.noise.check.verdict,
            darks_as_warm: self.assumed_dark.is_some(),
            cooling: &self.cooling,
        }
    }
}

/// All that a session is made from.
pub struct SessionParts<'a> {
    pub key: &'a SessionKey,
    pub id: &'a str,
    pub members: &'a [&'a MeasuredLight],
    pub sensor: &'a MeasuredSensor,
    /// All files: the darks among them are held against the lights.
    pub intakes: &'a [Intake],
    pub on_the_sky: &'a OnTheSky,
    pub image_scale: Quantity,
    /// Noise of the differences of neighbouring lights.
    pub noise: &'a [Vec<NoiseAtLevel>],
    /// What happened while they were taken.
    pub happenings: Vec<Happening>,
    pub rig: &'a Rig,
}

/// A session's own image scale, by its headers and the match of its stars.
pub fn own_scale<'a>(key: &'a SessionKey, members: &[&MeasuredLight], star_match: &StarMatch) -> OwnScale<'a> {
    let used: Vec<&MeasuredLight> = members.iter().copied().filter(|l| l.excluded.is_none()).collect();
    let focal_mm = members[0].read.header.focal_mm.as_ref().map(|f| f.value);
    OwnScale { key, focal_mm, scale: followed(session_scale(&used, members), star_match) }
}

/// Builds a session: what its lights show, what follows from it, and both as the report has them.
pub fn session(parts: &SessionParts) -> Built {
    let shown = shown(parts);
    let judged = judged(parts, &shown);
    let aperture_mm = parts.members[0].read.header.aperture_mm.as_ref().map(|a| a.value);
    let (cooling, airmass, noise) = (judged.cooling.clone(), shown.airmass, shown.noise.clone());
    let lights = shown.used.iter().map(|l| l.index).collect();
    // A law that is assumed makes an assumed rate as well, but at a temperature that is known.
    let without_temperature = !shown.temperature.median.is_known();
    let assumed_dark = Some(shown.dark.clone())
        .filter(|dark| without_temperature && dark.is_known() && dark.source == Source::Assumed);
    Built { session: gathered(parts, shown, judged), noise, lights, assumed_dark, cooling, aperture_mm, airmass }
}

/// What the lights of a session show.
struct Shown<'a> {
    used: Vec<&'a MeasuredLight>,
    exposure_s: Option<f64>,
    temperature: Temperature,
    image_scale: Quantity,
    fwhm_px: Quantity,
    recorded_fwhm_px: Quantity,
    moffat_beta: Quantity,
    /// The image of the light whose width stands for the session's.
    image: Option<CommonImage>,
    dark: Quantity,
    sky: Quantity,
    noise: NoiseFinding,
    field: FieldResult,
    airmass: Option<f64>,
}

fn shown<'a>(parts: &SessionParts<'a>) -> Shown<'a> {
    let used: Vec<&MeasuredLight> = parts.members.iter().copied().filter(|l| l.excluded.is_none()).collect();
    let exposure_s = exposure(parts);
    let temperature = temperature(parts.members);
    let resampled = used.iter().filter(|l| l.resampled()).count();
    let perhaps = used.iter().filter(|l| l.perhaps_resampled()).count();
    let noted = |quantity: Quantity, note: NightNote, n: usize| if n == 0 { quantity } else { quantity.noted(note) };
    let fwhm_px = over_frames(&used, &|s| s.fwhm_px.pair(), NightMethod::StarImageOverFrames);
    let fwhm_px = noted(fwhm_px, NightNote::WidthsResampled { resampled, lights: used.len() }, resampled);
    let fwhm_px = noted(fwhm_px, NightNote::PerhapsResampled { perhaps, lights: used.len() }, perhaps);
    let image = common_image(&used, fwhm_px.value);
    let fwhm_px = match &image {
        Some(CommonImage { parts: None, misfit_percent, .. }) => {
            fwhm_px.noted(StarsNote::NoModelFits { residual_percent: *misfit_percent })
        }
        _ => fwhm_px,
    };
    let fwhm_px = match drawn_out(&used.iter().map(|l| &l.stars).collect::<Vec<_>>()) {
        Some(note) if fwhm_px.is_known() => fwhm_px.noted(note),
        _ => fwhm_px,
    };
    let image_scale = not_denied(parts.image_scale.clone(), &fwhm_px, believed_aperture(parts));
    let recorded = |s: &FrameStars| s.recorded_fwhm_px.pair();
    let dark = dark_of_lights(parts, &temperature, exposure_s);
    let sky = sky_rate(&used, &parts.sensor.result, &dark, exposure_s);
    let sky = noted(sky, NightNote::LevelsResampled { resampled, lights: used.len() }, resampled);
    let noise = held_against_its_noise(&used, parts.noise, temperature.median.value, &parts.sensor.result);
    let sky = match noise.withholds() {
        Some(why) if sky.is_known() => Quantity::not_measurable(why),
        _ => sky,
    };
    let airmasses: Vec<f64> = used.iter().filter_map(|l| l.read.header.airmass.as_ref()).map(|a| a.value).collect();
    Shown {
        exposure_s,
        temperature,
        recorded_fwhm_px: over_frames(&used, &recorded, NightMethod::RecordedStarImageOverFrames),
        moffat_beta: over_frames(&used, &|s| s.moffat_beta.pair(), NightMethod::MedianOverFrames),
        field: over_field(&used, &image_scale),
        airmass: median(&airmasses),
        used,
        image,
        image_scale,
        fwhm_px,
        dark,
        sky,
        noise,
    }
}

/// Width by the red (0) or blue (1) sites of a mosaic.
fn of_sites(used: &[&MeasuredLight], which: usize) -> Quantity {
    let pattern = used.first().and_then(|l| l.read.header.cfa.as_ref());
    match pattern {
        None if !used.is_empty() => Quantity::not_measurable(StarsMissing::OneColour),
        Some(told) if !told.value.tells_red() => Quantity::not_measurable(StarsMissing::RedNotKnown),
        _ => over_frames(used, &|s| s.site_fwhm_px.as_ref()?[which].pair(), NightMethod::ColourSitesOverFrames),
    }
}

/// Exposure of the lights, s: where clocks part theirs, the one that stands for all.
fn exposure(parts: &SessionParts) -> Option<f64> {
    let stated = parts.members.iter().find(|l| l.read.header.exposure_ms() == parts.key.exposure_ms);
    let light = stated.unwrap_or(&parts.members[0]);
    light.read.header.exposure_s.as_ref().map(|e| e.value)
}

/// Dark rate at the temperature of the lights; where no card tells that, of darks taken beside them.
fn dark_of_lights(parts: &SessionParts, temperature: &Temperature, exposure_s: Option<f64>) -> Quantity {
    let current = &parts.sensor.result.dark_current;
    match temperature.median.value {
        None => assumed_dark(parts.key, exposure_s, current, (parts.intakes, hot_ratio(parts.members))),
        Some(_) => None,
    }
    .unwrap_or_else(|| dark_rate(temperature.median.value, &parts.sensor.result))
}

/// Brightness of hot pixels over those of the darks, over the lights: its error holds their scatter.
fn hot_ratio(members: &[&MeasuredLight]) -> Option<(f64, f64)> {
    let told: Vec<(f64, f64)> = members.iter().filter(|l| l.excluded.is_none()).filter_map(|l| l.hot_ratio).collect();
    let (ratio, scatter) = median_with_error(&told.iter().map(|t| t.0).collect::<Vec<_>>())?;
    // The hot pixels are the same in all lights, and so is what they err by.
    let own = median(&told.iter().map(|t| t.1).collect::<Vec<_>>())?;
    Some((ratio, scatter.hypot(own)))
}

/// The aperture of a telescope that can be: an impossible f/ratio leaves none to be believed.
fn believed_aperture(parts: &SessionParts) -> Option<f64> {
    let header = &parts.members[0].read.header;
    header.aperture_mm.as_ref().map(|a| a.value).filter(|_| !header.has_impossible_focal_ratio())
}

/// The image of the light whose width comes nearest to the session's; among those that no model describes where they are the
/// half or more.
fn common_image(used: &[&MeasuredLight], fwhm_px: Option<f64>) -> Option<CommonImage> {
    let fwhm_px = fwhm_px?;
    let known = || used.iter().filter_map(|l| Some((l.stars.fwhm_px.value?, l.stars.image.as_ref()?)));
    let modelled = known().filter(|(_, i)| i.parts.is_some()).count();
    let by_model = 2 * modelled > known().count();
    let near = known().filter(|(_, i)| i.parts.is_some() == by_model);
    near.min_by(|a, b| (a.0 - fwhm_px).abs().total_cmp(&(b.0 - fwhm_px).abs())).map(|(_, image)| image.clone())
}

/// What follows from what the lights show.
struct Judged {
    sampling: Sampling,
    noise_budget: NoiseBudget,
    cooling: Cooling,
    photometry: Photometry,
    dark_match: DarkMatch,
    hot_pixels: HotCost,
    decision: Decision,
}

fn judged(parts: &SessionParts, shown: &Shown) -> Judged {
    let Shown { used, exposure_s, fwhm_px, moffat_beta, image_scale, dark, sky, .. } = shown;
    let (exposure_s, light) = (*exposure_s, &parts.members[0].read);
    let result = &parts.sensor.result;
    let whole = shown.image.as_ref().and_then(|i| i.parts).map(StarImage::new);
    let image = match (&shown.image, &whole) {
        (_, Some(whole)) => KnownImage::Whole(whole),
        (Some(_), None) => KnownImage::NoModel,
        (None, None) => KnownImage::Exponent,
    };
    let sampling = sampling(&SamplingInput {
        fwhm_px,
        beta: moffat_beta,
        image,
        image_scale,
        sky_e_per_px_s: sky,
        dark_e_per_px_s: dark,
        read_noise_e: &result.read_noise_e,
        exposure_s,
        colour: light.header.cfa.is_some(),
    });
    let noise_budget = noise_budget(&BudgetInput {
        sky_e_per_px_s: sky,
        dark_e_per_px_s: dark,
        read_noise_e: &result.read_noise_e,
        read_noise_includes_quantisation: false,
        gain_e_per_adu: &result.gain_e_per_adu,
        adu_step: result.adu_step,
        exposure_s,
    });
    let cooling_input = CoolingInput {
        sky_e_per_px_s: sky,
        read_noise_e: &result.read_noise_e,
        exposure_s,
        now_celsius: shown.temperature.median.value,
        dark_e_per_px_s: dark,
        floor_e_per_px_s: &result.dark_current.floor_e_per_px_s,
        law: CoolingLaw::of(&result.dark_current),
    };
    let each: Vec<f64> = used.iter().filter_map(|l| l.read.header.celsius()).map(|(celsius, _)| celsius).collect();
    let lights = Lights {
        each: &each,
        sensor: &parts.key.sensor,
        celsius: shown.temperature.median.value,
        exposure_s,
        total_e2: &noise_budget.total_e2,
        count: used.len(),
    };
    let decision = decision(&Measured {
        used,
        light,
        fwhm_px,
        recorded_fwhm_px: &shown.recorded_fwhm_px,
        beta: moffat_beta,
        image,
        image_scale,
        star_match: &parts.on_the_sky.star_match,
        field: &shown.field,
        airmass: shown.airmass,
        sensor: result,
        cooling: &cooling_input,
        for_5_percent_read_s: &noise_budget.exposure_for_5_percent_read_s,
        rig: parts.rig,
    });
    let dark_match = darks_for(&lights, result, parts.intakes);
    let hot_pixels = hot_pixels_of(&lights, result);
    let (cooling, photometry) = (cooling(&cooling_input), star_photometry(parts, shown));
    Judged { sampling, cooling, photometry, dark_match, hot_pixels, noise_budget, decision }
}

fn star_photometry(parts: &SessionParts, shown: &Shown) -> Photometry {
    let star_light = &parts.on_the_sky.star_light;
    photometry(&PhotometryInput {
        zero_point_adu: &star_light.zero_point_mag,
        star_scatter_mag: star_light.star_scatter_mag,
        transparency: &star_light.transparency,
        gain_e_per_adu: &parts.sensor.result.gain_e_per_adu,
        sky_e_per_px_s: &shown.sky,
        image_scale: &shown.image_scale,
    })
}

/// The session as the report has it.
fn gathered(parts: &SessionParts, shown: Shown, judged: Judged) -> Session {
    let (key, members, header) = (parts.key, parts.members, &parts.members[0].read.header);
    let (used, cooling, decided) = (&shown.used, &judged.cooling, judged.decision);
    let star_count = |s: &FrameStars| Some((s.star_count as f64, 0.0));
    Session {
        id: parts.id.to_owned(),
        night: key.night.date().map(str::to_owned),
        settings: SessionSettings {
            camera: text(&header.camera),
            filter: text(&header.filter),
            gain_setting: text(&header.gain_setting),
            offset_setting: text(&header.offset_setting),
            binning: header.binning,
            exposure_s: shown.exposure_s,
            cfa: key.cfa.clone(),
        },
        frame_counts: FrameCounts { light: members.len(), used: used.len(), excluded: members.len() - used.len() },
        sensor_id: Some(parts.sensor.id.clone()),
        sensor_temperature_c: shown.temperature,
        fwhm_arcsec: shown.fwhm_px.times(&shown.image_scale, NightMethod::WidthTimesScale),
        recorded_fwhm_px: shown.recorded_fwhm_px,
        ellipticity: ellipticity(used),
        position_angle_deg: position_angle(used),
        star_count: over_frames(used, &star_count, NightMethod::MedianOverFrames),
        field: shown.field.into(),
        fwhm_px: shown.fwhm_px,
        red_fwhm_px: of_sites(used, 0),
        blue_fwhm_px: of_sites(used, 1),
        moffat_beta: shown.moffat_beta,
        star_image: shown.image,
        sky_e_per_px_s: shown.sky,
        sampling: words::sampling::worded(judged.sampling, &shown.image_scale),
        image_scale_arcsec_per_px: shown.image_scale,
        happenings: parts.happenings.iter().cloned().map(words::happenings::worded).collect(),
        noise_budget: judged.noise_budget,
        cooling: cooling.rows.clone(),
        cooling_floor_time_ratio: cooling.floor_time_ratio.clone(),
        cooling_basis: words::cooling::basis(cooling),
        cooling_gains_under_1_percent_below_celsius: cooling.gains_under_1_percent_below_celsius.clone(),
        cooling_year: decided.cooling_year,
        suited: decided.suited,
        width_budget: WithSentence { sentence: width::width(&decided.width_budget), facts: decided.width_budget },
        noise_check: WithSentence { sentence: words::noise_check::noise_check(&shown.noise), facts: shown.noise.check },
        sub_length: WithSentence { sentence: light::sub_length(&decided.sub_length), facts: decided.sub_length },
        saturation: WithSentence { sentence: light::saturation(&decided.saturation), facts: decided.saturation },
        dark_match: WithSentence { sentence: darks::darks(&judged.dark_match), facts: judged.dark_match },
        hot_pixels: WithSentence { sentence: darks::hot_pixels(&judged.hot_pixels), facts: judged.hot_pixels },
        star_match: words::star_match::star_match(parts.on_the_sky.star_match.clone()),
        photometry: WithSentence { sentence: light::photometry(&judged.photometry), facts: judged.photometry },
    }
}

fn temperature(members: &[&MeasuredLight]) -> Temperature {
    let of = |l: &&MeasuredLight| l.read.header.celsius();
    let known: Vec<(f64, bool)> = members.iter().filter_map(of).collect();
    let values: Vec<f64> = known.iter().map(|k| k.0).collect();
    let Some(centre) = median(&values) else {
        let median = Quantity::not_measurable(NightMissing::NoTemperatureCard);
        return Temperature { median, min: None, max: None };
    };
    let spread = mean_and_std(&values).map_or(0.0, |(_, s)| s);
    let h = &members[0].read.header;
    let carded = h.sensor_celsius.as_ref().or(h.set_point_celsius.as_ref());
    let (card, source) = carded.map_or((String::new(), Source::Header), |c| (c.card.clone(), c.source()));
    let method = NightMethod::CardOverLights { card };
    let mut quantity = Quantity::with(source, centre, Some(spread), method, values.len());
    if known.iter().any(|k| k.1) {
        quantity = quantity.noted(NightNote::SetPoint);
    }
    let fold = |start: f64, pick: fn(f64, f64) -> f64| values.iter().copied().fold(start, pick);
    Temperature {
        median: quantity,
        min: Some(fold(f64::INFINITY, f64::min)),
        max: Some(fold(f64::NEG_INFINITY, f64::max)),
    }
}
