//! The comparison in words, a row for each thing told.

use super::names::{self, doubt, part, uncertain};
use super::reasons::not_computable;
use crate::upgrade::compare::{Comparison, OptionResult, Upgrade};
use crate::upgrade::free_measures::FreeMeasure;
use crate::upgrade::gain::Gain;
use crate::upgrade::lacking::Number;
use crate::upgrade::options::Kind;
use crate::upgrade::side_by_side::Budget;
use crate::upgrade::worth::{Interval, Worth};
use crate::verdict::year::Verdict;

/// Factors nearer to 1 than this are not told: they would read 1.00.
const LEAST_FACTOR: f64 = 0.005;

/// Share of the full well that sky and dark current may fill before it is said.
const MOST_BACKGROUND: f64 = 0.5;

/// What a row tells.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RowName {
    Scale,
    Field,
    Edges,
    Illumination,
    Time,
    TimeAsNow,
    TimeAtBest,
    By,
    NoiseNow,
    NoiseAtBest,
    HoursAYear,
    AnExtraHour,
    Verdict,
    Caution,
    Codes,
}

impl RowName {
    /// The name as it stands before the row.
    pub fn words(self) -> &'static str {
        match self {
            Self::Scale => "scale",
            Self::Field => "field",
            Self::Edges => "edges",
            Self::Illumination => "illumination",
            Self::Time => "time",
            Self::TimeAsNow => "time, exposures as now",
            Self::TimeAtBest => "time, best exposures",
            Self::By => "by",
            Self::NoiseNow => "noise now",
            Self::NoiseAtBest => "noise at best",
            Self::HoursAYear => "hours a year",
            Self::AnExtraHour => "an extra hour",
            Self::Verdict => "verdict",
            Self::Caution => "caution",
            Self::Codes => "codes",
        }
    }
}

/// A name and what is told under it.
pub type Row = (RowName, String);

/// What is told of an option against one session.
pub fn session_rows(result: &Upgrade, option: &OptionResult, c: &Comparison) -> Vec<Row> {
    let scale = match (&c.image_scale_arcsec_per_px, &c.px_per_fwhm, &c.sampling) {
        (Number { value: Some(scale), .. }, Number { value: Some(px), .. }, Number { value: Some(word), .. }) => {
            format!("{scale:.2} arcsec/px, a star is {px:.1} px wide: {}", word.word())
        }
        (Number { value: Some(scale), .. }, px, _) => {
            format!("{scale:.2} arcsec/px; sampling {}", not_computable(px))
        }
        (scale, ..) => not_computable(scale),
    };
    let mut rows = vec![(RowName::Scale, scale)];
    if option.kind != Kind::Cooler {
        let fits = match &c.target_fits {
            None => String::new(),
            Some(Number { value: Some(true), .. }) => "; the target fits".to_owned(),
            Some(Number { value: Some(false), .. }) => "; the target does not fit".to_owned(),
            Some(unknown) => format!("; target: {}", not_computable(unknown)),
        };
        let field = match &c.field_arcmin {
            Number { value: Some([w, h]), .. } => format!("{w:.0} x {h:.0} arcmin{fits}"),
            unknown => not_computable(unknown),
        };
        rows.push((RowName::Field, field));
    }
    if option.kind == Kind::Camera {
        match &c.coverage {
            Number { value: Some(coverage), .. } => {
                let [stars, light] = coverage.words();
                rows.extend([(RowName::Edges, stars), (RowName::Illumination, light)]);
            }
            unknown => rows.push((RowName::Edges, not_computable(unknown))),
        }
    }
    match &c.gain {
        Number { value: Some(gain), .. } => rows.extend(gain_rows(result, option, gain)),
        unknown => rows.push((RowName::Time, not_computable(unknown))),
    }
    rows
}

/// What is told of an option over the whole year.
pub fn altogether_rows(result: &Upgrade, option: &OptionResult) -> Vec<Row> {
    let currency = result.currency.as_deref().unwrap_or("");
    let mut rows = match &option.altogether {
        Number { value: Some(all), .. } => {
            [times(&all.as_now, &all.each_best), hours_and_cost(&all.as_now, currency)].concat()
        }
        unknown => vec![(RowName::Time, not_computable(unknown))],
    };
    rows.extend(codes(option).map(|note| (RowName::Codes, note)));
    rows
}

fn gain_rows(result: &Upgrade, option: &OptionResult, gain: &Gain) -> Vec<Row> {
    let currency = result.currency.as_deref().unwrap_or("");
    let felt = gain.parts.iter().filter(|p| (p.factor - 1.0).abs() >= LEAST_FACTOR);
    let parts: Vec<String> = felt.map(|p| format!("{} x{:.2}", part(p.part), p.factor)).collect();
    let best = &gain.each_best.new_exposure;
    let fills = match option.full_well_e.map(|well| best.background_e / well) {
        Some(share) if share > MOST_BACKGROUND => format!("; they fill {:.0} % of the full well", 100.0 * share),
        _ => String::new(),
    };
    let noise = |b: &Budget, more: &str| {
        let [sky, dark, read] = [b.sky_share, b.dark_share, b.read_share].map(|s| 100.0 * s);
        format!("{:.0} s: sky {sky:.0} %, dark {dark:.0} %, read {read:.0} %{more}", b.exposure_s)
    };
    let now = &gain.as_now.worth;
    let mut rows = times(now, &gain.each_best.worth);
    rows.extend([
        (RowName::By, if parts.is_empty() { "no difference".to_owned() } else { parts.join(", ") }),
        (RowName::NoiseNow, noise(&gain.as_now.new_exposure, "")),
        (RowName::NoiseAtBest, noise(best, &fills)),
    ]);
    rows.extend(hours_and_cost(now, currency));
    rows.push((RowName::Verdict, verdict(result, gain, currency)));
    rows.extend(gain.cautions.iter().map(|caution| (RowName::Caution, doubt(caution))));
    rows
}

/// Time needed with exposures chosen in either way.
fn times(as_now: &Worth, each_best: &Worth) -> Vec<Row> {
    vec![
        (RowName::TimeAsNow, format!("{} of the present time", share(&as_now.time_ratio))),
        (RowName::TimeAtBest, format!("{} of the present time, each at its own best", share(&each_best.time_ratio))),
    ]
}

fn hours_and_cost(worth: &Worth, currency: &str) -> Vec<Row> {
    vec![(RowName::HoursAYear, hours(worth)), (RowName::AnExtraHour, cost(worth, currency))]
}

fn cost(worth: &Worth, currency: &str) -> String {
    match &worth.cost_per_extra_hour {
        Number { value: Some(c), .. } => format!(
            "{} ({} to {}); {} nights until even",
            money(c.median, currency),
            money(c.low_16, ""),
            money(c.high_84, ""),
            worth.break_even_nights.value.map_or("unknown".to_owned(), |n| format!("{:.0}", n.ceil()))
        ),
        unknown => not_computable(unknown),
    }
}

fn hours(worth: &Worth) -> String {
    match (&worth.extra_hours_per_year, &worth.saved_hours_per_year) {
        (Number { value: Some(extra), .. }, Number { value: Some(saved), .. }) => format!(
            "{:+.0} ({:+.0} to {:+.0}) worth of the present camera, or {:.0} saved for the same result",
            extra.median, extra.low_16, extra.high_84, saved.median
        ),
        (unknown, _) => not_computable(unknown),
    }
}

fn verdict(result: &Upgrade, gain: &Gain, currency: &str) -> String {
    let hinge = match gain.depends_most_on {
        Some(hinge) => format!("it depends most on {}", uncertain(hinge.input)),
        None => "no input has a stated uncertainty".to_owned(),
    };
    match (gain.verdict.value, result.most_per_extra_hour) {
        (Some(Verdict::Depends), Some(most)) => {
            format!("depends, at {} an hour at most: {hinge}", money(most, currency))
        }
        (Some(word), Some(most)) => format!("{} at {} an hour at most", names::verdict(word), money(most, currency)),
        _ => format!("none: {}; {hinge}", gain.verdict.why()),
    }
}

fn share(ratio: &Interval) -> String {
    format!("{:.2} ({:.2} to {:.2})", ratio.median, ratio.low_16, ratio.high_84)
}

impl Comparison {
    /// The session in words.
    pub fn words(&self) -> String {
        let filter = self.filter.as_deref().unwrap_or("no filter");
        self.exposure_s.map_or(filter.to_owned(), |s| format!("{filter} {s:.0} s"))
    }
}

/// An amount with its currency.
pub(crate) fn money(amount: f64, currency: &str) -> String {
    let text = if amount.abs() < 100.0 { format!("{amount:.2}") } else { format!("{amount:.0}") };
    if currency.is_empty() { text } else { format!("{text} {currency}") }
}

/// A caution where the codes are coarser than the read noise that is stated.
fn codes(option: &OptionResult) -> Option<String> {
    let (step, read) = (option.code_step_e?, option.read_noise_e?);
    // Noise of rounding alone, step/sqrt(12), already exceeds the noise that is said to contain it.
    (step / 12.0_f64.sqrt() > read).then(|| {
        format!("steps of {step:.1} e- at full well alone are noisier than the stated read noise of {read:.1} e-")
    })
}

/// What a measure that costs nothing brings.
pub(crate) fn free(measure: &FreeMeasure) -> String {
    match (&measure.extra_hours_per_year, &measure.time_ratio) {
        (Number { value: Some(hours), .. }, _) => format!("{hours:+.1} h a year: {}", measure.words),
        (_, Number { value: Some(ratio), .. }) => format!("{ratio:.2} of the time: {}", measure.words),
        (unknown, _) => format!("{}; hours {}", measure.words, not_computable(unknown)),
    }
}
