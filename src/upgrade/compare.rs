//! The comparison: every option against every session of a report.

use crate::report::InWords;
use serde::Serialize;

use super::altogether::{Altogether, Years, altogether, shares};
use super::geometry::{Geometry, Told};
use super::measured::{MeasuredReport, MeasuredSession};
use super::options::{Choice, Conditions, Kind, Options};
use super::pairing::{Budget, Drawn, Exposures, INPUTS, Pairing};
use super::ratio::{Part, split};
use crate::facts::Quantity;
use crate::report::words::advice::{measure, to_do};
use crate::stats::quantile;
use crate::verdict::advice::{AdviceInput, advice};
use crate::verdict::year::{Verdict, Year, break_even_nights, cost_per_hour};

/// Version of the keys of `upgrade.json`.
pub const SCHEMA_VERSION: u32 = 1;

/// Ends of the central interval that holds 68 % of the draws.
const LOW: f64 = 0.16;
const HIGH: f64 = 0.84;

/// All parts of the new gear in place.
pub const ALL_PARTS: usize = (1 << Part::ALL.len()) - 1;

/// Median and the interval that holds 68 % of the draws; without any uncertainty all three are the value.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Interval {
    pub median: f64,
    pub low_16: f64,
    pub high_84: f64,
}

impl Interval {
    fn of(values: &[f64]) -> Option<Self> {
        let at = |q| quantile(values, q).filter(|v| v.is_finite());
        Some(Self { median: at(0.5)?, low_16: at(LOW)?, high_84: at(HIGH)? })
    }
}

/// A number, or the reason why it is not computable.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Number<T> {
    pub value: Option<T>,
    pub not_computable_because: Option<String>,
}

impl<T> Number<T> {
    /// Why it is not computable.
    pub fn why(&self) -> &str {
        self.not_computable_because.as_deref().unwrap_or("it is unknown")
    }
}

impl<T> From<Told<T>> for Number<T> {
    fn from(told: Told<T>) -> Self {
        match told {
            Ok(value) => Self { value: Some(value), not_computable_because: None },
            Err(because) => Self { value: None, not_computable_because: Some(because) },
        }
    }
}

/// Hours and money with exposures chosen in one way.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Worth {
    /// Time needed over time needed now, over the year.
    pub time_ratio: Interval,
    pub extra_hours_per_year: Number<Interval>,
    pub saved_hours_per_year: Number<Interval>,
    /// Its ends are those of the hours: the dear end may have no bound, then there is no interval.
    pub cost_per_extra_hour: Number<Interval>,
    pub cost_per_saved_hour: Number<f64>,
    pub break_even_nights: Number<f64>,
    pub verdict: Number<Verdict>,
}

/// One session's hours and money, and the new exposure behind them.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Way {
    #[serde(flatten)]
    pub worth: Worth,
    pub new_exposure: Budget,
}

/// Factor of one difference.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct PartFactor {
    pub part: Part,
    pub factor: f64,
}

/// What the result hangs on.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Hinge {
    pub input: &'static str,
    /// Change of the time ratio for one standard uncertainty.
    pub change_of_time_ratio: f64,
}

/// The numbers that need both cameras.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Gain {
    /// Both cameras in the present exposures.
    pub as_now: Way,
    /// Each camera in its own best exposures.
    pub each_best: Way,
    /// Time ratio of `as_now` by its parts; their product is the whole.
    pub parts: Vec<PartFactor>,
    pub depends_most_on: Option<Hinge>,
    /// The answer of both ways together: `depends` where they differ.
    pub verdict: Number<Verdict>,
    pub cautions: Vec<String>,
}

/// An option against a session.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Comparison {
    pub session_id: String,
    pub filter: Option<String>,
    pub exposure_s: Option<f64>,
    pub image_scale_arcsec_per_px: Number<f64>,
    pub px_per_fwhm: Number<f64>,
    pub sampling: Number<&'static str>,
    pub field_arcmin: Number<[f64; 2]>,
    pub target_fits: Option<Number<bool>>,
    /// How far stars were seen to be good, and the illumination.
    pub coverage: Number<[String; 2]>,
    pub gain: Number<Gain>,
}

impl Comparison {
    /// The session in words.
    pub fn words(&self) -> String {
        let filter = self.filter.as_deref().unwrap_or("no filter");
        self.exposure_s.map_or(filter.to_owned(), |s| format!("{filter} {s:.0} s"))
    }
}

/// An option against all sessions.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OptionResult {
    pub name: String,
    pub kind: &'static str,
    /// Price less resale.
    pub net_cost: Option<f64>,
    /// Step between codes when the full well fills the scale, e-.
    pub code_step_e: Option<f64>,
    pub full_well_e: Option<f64>,
    pub read_noise_e: Option<f64>,
    pub altogether: Number<Altogether>,
    pub sessions: Vec<Comparison>,
}

/// A measure that costs nothing, and the hours that it would bring.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FreeMeasure {
    pub measure: &'static str,
    /// Time needed over time needed now.
    pub time_ratio: Number<f64>,
    pub extra_hours_per_year: Number<f64>,
    pub words: String,
}

/// What costs nothing, for one session.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SessionMeasures {
    pub session_id: String,
    /// Share of the year's hours that the session stands for; 1 where these are not divided.
    pub share_of_hours: f64,
    pub measures: Vec<FreeMeasure>,
}

/// The whole comparison: `upgrade.json`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Upgrade {
    pub schema_version: u32,
    pub program_version: &'static str,
    pub hours_per_year: Option<f64>,
    /// Years over which the price is spread.
    pub years: Option<f64>,
    pub currency: Option<String>,
    pub most_per_extra_hour: Option<f64>,
    /// Share of the hours that go into each filter, as stated.
    pub filters: Vec<(String, f64)>,
    pub options: Vec<OptionResult>,
    pub free_measures: Vec<SessionMeasures>,
    pub assumptions: Vec<&'static str>,
}

/// What every comparison takes for granted.
pub const ASSUMPTIONS: [&str; 7] = [
    "The target is far fainter than the sky and covers many pixels; signal-to-noise is compared per area of sky.",
    "Peak quantum efficiency and filter fraction scale sky and target alike.",
    "A session's own numbers take it to stand for all hours of the year; seeing, sky and optics stay as measured.",
    "Over all sessions, what each has of its own counts as going up and down together: the interval is rather too wide.",
    "A mosaic's lit_pixel_share is the share of pixels that see the colour aimed at; other colours fare otherwise.",
    "A best exposure counts noise alone: saturated stars, tracking and satellites set limits of their own.",
    "The parts of a ratio are averages over all orders in which the differences could be made; their product is the ratio.",
];

/// Compares every option with every session.
pub fn upgrade(report: &MeasuredReport, options: &Options) -> Upgrade {
    let conditions = &options.conditions;
    let hours = hours(conditions);
    let divided = shares(report, conditions);
    // Where the hours are not divided, each session counts as if it had all of them.
    let shares = divided.clone().unwrap_or_else(|_| vec![1.0; report.sessions.len()]);
    let free = |(s, share): (&MeasuredSession, &f64)| SessionMeasures {
        session_id: s.id.clone(),
        share_of_hours: *share,
        measures: free_measures(s, hours.map(|h| share * h)),
    };
    Upgrade {
        schema_version: SCHEMA_VERSION,
        program_version: env!("CARGO_PKG_VERSION"),
        hours_per_year: hours,
        years: conditions.years,
        currency: conditions.currency.clone(),
        most_per_extra_hour: conditions.most_per_extra_hour,
        filters: conditions.filters.clone(),
        options: options.choices.iter().map(|c| option_result(report, options, c, &divided)).collect(),
        free_measures: report.sessions.iter().zip(&shares).map(free).collect(),
        assumptions: ASSUMPTIONS.to_vec(),
    }
}

/// The measures for one session; `hours` are those of the year.
fn free_measures(session: &MeasuredSession, hours: Option<f64>) -> Vec<FreeMeasure> {
    let all = advice(&AdviceInput {
        session_id: &session.id,
        exposure_s: session.exposure_s(),
        exposure_for_5_percent_read_s: &session.noise_budget.exposure_for_5_percent_read_s,
        darks: session.dark_match.as_ref().map(|found| (found.darks, &found.added_variance_share)),
        ellipticity: &session.ellipticity,
        corner_fwhm_ratio: &session.field.corner_fwhm_ratio,
        best_binning: session.sampling.best_binning,
    });
    let in_a_year = |per_100: f64| Ok(hours.ok_or("the hours per year are not stated")? * per_100 / 100.0);
    let told = |q: &Quantity| q.value.ok_or_else(|| q.why().to_owned());
    all.into_iter()
        .map(|a| FreeMeasure {
            measure: measure(a.measure),
            time_ratio: told(&a.time_ratio).into(),
            extra_hours_per_year: told(&a.extra_hours_per_100_hours).and_then(in_a_year).into(),
            words: to_do(&a.to_do),
        })
        .collect()
}

fn hours(conditions: &Conditions) -> Option<f64> {
    (!conditions.ambient.is_empty()).then(|| conditions.ambient.iter().map(|a| a.hours.value).sum())
}

fn option_result(report: &MeasuredReport, options: &Options, choice: &Choice, shares: &Told<Vec<f64>>) -> OptionResult {
    let camera = match &choice.kind {
        Kind::Camera(camera) => Some(camera),
        _ => None,
    };
    let full_well_e = camera.and_then(|c| c.full_well_e);
    let with_years = |session| {
        let pairing = Pairing::of(report, session, options, choice)?;
        let years = Years::of(&pairing);
        Ok((pairing, years))
    };
    let pairings: Vec<Told<(Pairing, Years)>> = report.sessions.iter().map(with_years).collect();
    OptionResult {
        name: choice.name.clone(),
        kind: match choice.kind {
            Kind::Camera(_) => "camera",
            Kind::Cooler => "cooler",
            Kind::Optics { .. } => "optics",
        },
        net_cost: choice.price.map(|p| p - choice.resale),
        code_step_e: full_well_e.zip(camera.and_then(|c| c.bits)).map(|(well, bits)| well / bits.exp2()),
        full_well_e,
        read_noise_e: camera.and_then(|c| c.read_noise_e).map(|r| r.value),
        altogether: altogether(report, &pairings, shares, &options.conditions, choice).into(),
        sessions: report
            .sessions
            .iter()
            .zip(&pairings)
            .map(|(session, pairing)| comparison(report, session, pairing, options, choice))
            .collect(),
    }
}

fn comparison(
    report: &MeasuredReport,
    session: &MeasuredSession,
    pairing: &Told<(Pairing, Years)>,
    options: &Options,
    choice: &Choice,
) -> Comparison {
    let geometry = Geometry::of(report, session, options, choice);
    let paired = pairing.as_ref().map_err(Clone::clone);
    let gain = paired.and_then(|(pairing, years)| gain(pairing, years, &options.conditions, choice));
    Comparison {
        session_id: session.id.clone(),
        filter: session.settings.filter.clone(),
        exposure_s: session.exposure_s(),
        sampling: geometry.sampling().into(),
        image_scale_arcsec_per_px: geometry.scale_arcsec_per_px.into(),
        px_per_fwhm: geometry.px_per_fwhm.into(),
        field_arcmin: geometry.field_arcmin.into(),
        target_fits: geometry.target_fits.map(Into::into),
        coverage: geometry.coverage.into(),
        gain: gain.into(),
    }
}

fn gain(pairing: &Pairing, years: &Years, conditions: &Conditions, choice: &Choice) -> Told<Gain> {
    let way = |years, exposures| {
        let worth = worth(years, conditions, choice)?;
        Ok::<Way, String>(Way { worth, new_exposure: pairing.new_budget(exposures) })
    };
    let (as_now, each_best) = (way(&years.as_now, Exposures::AsNow)?, way(&years.each_best, Exposures::EachBest)?);
    let centre = pairing.centre();
    let factors = split(|set| pairing.year(&centre, Exposures::AsNow, set).time_ratio());
    let parts = Part::ALL.into_iter().zip(factors).map(|(part, factor)| PartFactor { part, factor }).collect();
    let verdict = of_both(&as_now.worth, &each_best.worth);
    Ok(Gain { as_now, each_best, parts, depends_most_on: hinge(pairing), verdict, cautions: pairing.cautions() })
}

/// The verdict that both ways of exposing give together.
pub fn of_both(as_now: &Worth, each_best: &Worth) -> Number<Verdict> {
    match (&as_now.verdict.value, &each_best.verdict.value) {
        (Some(a), Some(b)) => Ok(a.and(*b)).into(),
        _ => as_now.verdict.clone(),
    }
}

/// Hours and money of the drawn years.
pub fn worth(years: &[Year], conditions: &Conditions, choice: &Choice) -> Told<Worth> {
    let over = |f: fn(&Year) -> f64| {
        let values: Vec<f64> = years.iter().map(f).collect();
        Interval::of(&values).ok_or_else(|| "a drawn value left no noise or no light at all".to_owned())
    };
    let time_ratio = over(Year::time_ratio)?;
    let has_hours = || match conditions.ambient.is_empty() {
        true => Err("neither `hours_per_year` nor [[conditions.ambient]] is stated".to_owned()),
        false => Ok(()),
    };
    let extra = has_hours().and_then(|()| over(Year::extra_hours));
    let saved = has_hours().and_then(|()| over(|y| y.saved_hours));
    let net = choice.price.map(|p| p - choice.resale).ok_or_else(|| "the option's `price` is not stated".to_owned());
    let years = conditions.years.ok_or_else(|| "`years` of [conditions] is not stated".to_owned());
    let most = conditions.most_per_extra_hour;
    let most = most.ok_or_else(|| "`most_per_extra_hour` of [conditions] is not stated".to_owned());
    let cost = |hours: f64| -> Told<f64> {
        cost_per_hour(net.clone()?, years.clone()?, hours).ok_or_else(|| NO_HOURS.to_owned())
    };
    let nights = || -> Told<f64> {
        let per_night = conditions.hours_per_night.ok_or("`hours_per_night` of [conditions] is not stated")?;
        break_even_nights(net.clone()?, most.clone()?, per_night, time_ratio.median).ok_or_else(|| NO_HOURS.to_owned())
    };
    let cost_per_extra_hour = extra.clone().and_then(|e| {
        let [a, b] = [cost(e.low_16)?, cost(e.high_84)?];
        Ok(Interval { median: cost(e.median)?, low_16: a.min(b), high_84: a.max(b) })
    });
    let verdict =
        extra.clone().and_then(|e| Ok(Verdict::of(net.clone()?, years.clone()?, most.clone()?, e.low_16, e.high_84)));
    Ok(Worth {
        time_ratio,
        cost_per_extra_hour: cost_per_extra_hour.into(),
        cost_per_saved_hour: saved.clone().and_then(|s| cost(s.median)).into(),
        break_even_nights: nights().into(),
        verdict: verdict.into(),
        extra_hours_per_year: extra.into(),
        saved_hours_per_year: saved.into(),
    })
}

const NO_HOURS: &str = "it brings no hours, or may bring none";

/// The input whose standard uncertainty moves the time ratio most.
fn hinge(pairing: &Pairing) -> Option<Hinge> {
    let centre = pairing.centre();
    let ratio = |p: &Drawn| pairing.year(p, Exposures::AsNow, ALL_PARTS).time_ratio();
    let change = |i: usize| {
        let parameter = pairing.parameters[i];
        let at = |x: f64| {
            let mut moved = centre;
            moved[i] = x;
            ratio(&moved)
        };
        let (down, up) = ((parameter.value - parameter.sigma).max(parameter.min), parameter.value + parameter.sigma);
        0.5 * (at(up) - at(down)).abs()
    };
    let changes = (0..INPUTS.len()).filter(|i| pairing.parameters[*i].sigma > 0.0).map(|i| (i, change(i)));
    let (input, change_of_time_ratio) = changes.filter(|(_, c)| *c > 0.0).max_by(|a, b| a.1.total_cmp(&b.1))?;
    Some(Hinge { input: INPUTS[input], change_of_time_ratio })
}
