//! The comparison: every option against every session of a report.

use serde::Serialize;
use strum::VariantArray;

use super::altogether::{Altogether, Years, altogether, shares};
use super::free_measures::{SessionMeasures, free_measures};
use super::gain::Gain;
use super::geometry::{Coverage, Geometry};
use super::keys::Key;
use super::lacking::{Known, Number};
use super::options::{Choice, Kind, Options};
use super::pairing::Pairing;
use super::report_file::{MeasuredReport, exposure_s};
use crate::report::Session;
use crate::verdict::SamplingVerdict;

/// Version of the keys of `upgrade.json`.
pub const SCHEMA_VERSION: u32 = 1;

/// An option against a session.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Comparison {
    pub session_id: String,
    pub filter: Option<String>,
    pub exposure_s: Option<f64>,
    pub image_scale_arcsec_per_px: Number<f64>,
    pub px_per_fwhm: Number<f64>,
    pub sampling: Number<SamplingVerdict>,
    pub field_arcmin: Number<[f64; 2]>,
    pub target_fits: Option<Number<bool>>,
    /// How far stars were seen to be good, and the illumination.
    pub coverage: Number<Coverage>,
    pub gain: Number<Gain>,
}

/// An option against all sessions.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OptionResult {
    pub name: String,
    pub kind: Kind,
    /// Price less resale.
    pub net_cost: Option<f64>,
    /// Step between codes when the full well fills the scale, e-.
    pub code_step_e: Option<f64>,
    pub full_well_e: Option<f64>,
    pub read_noise_e: Option<f64>,
    pub altogether: Number<Altogether>,
    pub sessions: Vec<Comparison>,
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
    pub assumptions: Vec<Assumption>,
}

/// What every comparison takes for granted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, VariantArray)]
pub enum Assumption {
    FaintExtendedTarget,
    SkyAndTargetScaleAlike,
    SessionStandsForTheYear,
    SessionsVaryTogether,
    OneColourOfTheMosaic,
    BestExposureByNoiseAlone,
    PartsOverAllOrders,
}

/// Compares every option with every session.
pub fn upgrade(report: &MeasuredReport, options: &Options) -> Upgrade {
    let conditions = &options.conditions;
    let hours = conditions.hours();
    let divided = shares(report, conditions);
    // Where the hours are not divided, each session counts as if it had all of them.
    let shares = divided.clone().unwrap_or_else(|_| vec![1.0; report.sessions.len()]);
    let free = |(s, share): (&Session, &f64)| SessionMeasures {
        session_id: s.id.clone(),
        share_of_hours: *share,
        measures: free_measures(s, hours.map(|h| share * h)),
    };
    Upgrade {
        schema_version: SCHEMA_VERSION,
        program_version: env!("CARGO_PKG_VERSION"),
        hours_per_year: hours,
        years: conditions.values.value(Key::Years),
        currency: conditions.values.word(Key::Currency),
        most_per_extra_hour: conditions.values.value(Key::MostPerExtraHour),
        filters: conditions.filters.clone(),
        options: options.choices.iter().map(|c| option_result(report, options, c, &divided)).collect(),
        free_measures: report.sessions.iter().zip(&shares).map(free).collect(),
        assumptions: Assumption::VARIANTS.to_vec(),
    }
}

fn option_result(
    report: &MeasuredReport,
    options: &Options,
    choice: &Choice,
    shares: &Known<Vec<f64>>,
) -> OptionResult {
    let with_years = |session| {
        let pairing = Pairing::of(report, session, options, choice)?;
        let years = Years::of(&pairing);
        Ok((pairing, years))
    };
    let pairings: Vec<Known<(Pairing, Years)>> = report.sessions.iter().map(with_years).collect();
    let full_well_e = choice.values.value(Key::FullWellE);
    OptionResult {
        name: choice.name.clone(),
        kind: choice.kind,
        net_cost: choice.net_cost().ok(),
        code_step_e: full_well_e.zip(choice.values.value(Key::Bits)).map(|(well, bits)| well / bits.exp2()),
        full_well_e,
        read_noise_e: choice.values.value(Key::ReadNoiseE),
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
    session: &Session,
    pairing: &Known<(Pairing, Years)>,
    options: &Options,
    choice: &Choice,
) -> Comparison {
    let geometry = Geometry::of(report, session, options, choice);
    let paired = pairing.as_ref().map_err(Clone::clone);
    let gain = paired.and_then(|(pairing, years)| Gain::of(pairing, years, &options.conditions, choice));
    Comparison {
        session_id: session.id.clone(),
        filter: session.settings.filter.clone(),
        exposure_s: exposure_s(session),
        sampling: geometry.sampling().into(),
        image_scale_arcsec_per_px: geometry.scale_arcsec_per_px.into(),
        px_per_fwhm: geometry.px_per_fwhm.into(),
        field_arcmin: geometry.field_arcmin.into(),
        target_fits: geometry.target_fits.map(Into::into),
        coverage: geometry.coverage.into(),
        gain: gain.into(),
    }
}
