//! The year as a whole: all sessions together, each with its share of the hours.

use serde::Serialize;

use super::lacking::{Known, Lacking, Number};
use super::options::{Choice, Conditions};
use super::pairing::Pairing;
use super::ratio::ALL_PARTS;
use super::report_file::MeasuredReport;
use super::side_by_side::Exposures;
use super::uncertain::Each;
use super::worth::{Worth, of_both, worth};
use crate::verdict::propagation::Draws;
use crate::verdict::year::{Verdict, Year};

/// An option over the whole year, its hours divided between the filters.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Altogether {
    /// Sessions and the share of the hours that each stands for.
    pub shares: Vec<(String, f64)>,
    pub as_now: Worth,
    pub each_best: Worth,
    pub verdict: Number<Verdict>,
}

/// The years of one pairing with each of its draws.
pub(crate) struct Years {
    pub as_now: Vec<Year>,
    pub each_best: Vec<Year>,
}

impl Years {
    /// Draws from all uncertainties.
    pub(crate) fn of(pairing: &Pairing) -> Self {
        let draws = Draws::new(pairing.parameters.0);
        let with = |exposures| draws.values(|p| pairing.year(&Each(p), exposures, ALL_PARTS));
        Self { as_now: with(Exposures::AsNow), each_best: with(Exposures::EachBest) }
    }
}

/// The year with its hours divided between the filters; sessions of one filter share its hours evenly.
///
/// Draw k of every session is made with the same random numbers: what the sessions share, and by the way what each has of its
/// own, goes up and down together, so that the interval is rather too wide.
pub(crate) fn altogether(
    report: &MeasuredReport,
    pairings: &[Known<(Pairing, Years)>],
    shares: &Known<Vec<f64>>,
    conditions: &Conditions,
    choice: &Choice,
) -> Known<Altogether> {
    let shares = shares.as_ref().map_err(Clone::clone)?;
    let counted: Vec<(f64, &Years)> = shares
        .iter()
        .zip(pairings)
        .filter(|(share, _)| **share > 0.0)
        .map(|(share, pairing)| Ok((*share, &pairing.as_ref().map_err(Clone::clone)?.1)))
        .collect::<Known<_>>()?;
    let together = |of: fn(&Years) -> &Vec<Year>| {
        let years: Vec<(f64, &Vec<Year>)> = counted.iter().map(|(share, years)| (*share, of(years))).collect();
        let draws = years.iter().map(|(_, y)| y.len()).max().unwrap_or(0);
        // A session without any uncertainty has one value only.
        let at = |k: usize| years.iter().map(|(share, y)| (*share, y[k % y.len()])).collect::<Vec<_>>();
        worth(&(0..draws).map(|k| Year::shared(&at(k))).collect::<Vec<_>>(), conditions, choice)
    };
    let (as_now, each_best) = (together(|y| &y.as_now)?, together(|y| &y.each_best)?);
    let verdict = of_both(&as_now, &each_best);
    let sessions = report.sessions.iter().map(|s| s.id.clone());
    let named = sessions.zip(shares.iter().copied()).filter(|(_, share)| *share > 0.0);
    Ok(Altogether { shares: named.collect(), as_now, each_best, verdict })
}

/// Share of the year's hours that each session stands for.
pub(crate) fn shares(report: &MeasuredReport, conditions: &Conditions) -> Known<Vec<f64>> {
    let filters: Vec<Option<&str>> = report.sessions.iter().map(|s| s.settings.filter.as_deref()).collect();
    let alike = |filter: Option<&str>| filters.iter().filter(|f| **f == filter).count() as f64;
    if conditions.filters.is_empty() {
        return match filters.iter().all(|f| *f == filters[0]) {
            true => Ok(filters.iter().map(|f| 1.0 / alike(*f)).collect()),
            false => Err(Lacking::SharesNotStated),
        };
    }
    if let Some((name, _)) = conditions.filters.iter().find(|(n, share)| *share > 0.0 && alike(Some(n)) == 0.0) {
        return Err(Lacking::FilterNotMeasured { filter: name.clone() });
    }
    let share_of = |filter: &str| conditions.filters.iter().filter(|(n, _)| n == filter).map(|f| f.1).sum::<f64>();
    Ok(filters.iter().map(|f| f.map_or(0.0, share_of) / alike(*f)).collect())
}
