//! What can be said of other equipment before any is named.

use super::names::{Name, are_several};
use super::noise::SKY_LIMITED;
use super::say::percent;
use super::stars::join;
use crate::report::model::Report;

const WITH_PRICES: &str = "With prices: skygrain upgrade report.json --options options.toml";

pub fn answer(report: &Report, names: &[Name]) -> String {
    let mut known: Vec<(&str, f64)> = report
        .sessions
        .iter()
        .zip(names)
        .filter_map(|(s, name)| Some((name.within.as_str(), s.noise_budget.sky_share.value?)))
        .collect();
    known.sort_by(|a, b| a.1.total_cmp(&b.1));
    let noise = match &known[..] {
        [] => "Not known until the noise is.".to_owned(),
        // A noiseless camera with this pixel and quantum efficiency needs sky / (sky + dark + read) of the time.
        [(_, sky), ..] if *sky >= SKY_LIMITED => format!(
            "Lower noise would gain {} at most; only more light would: quantum efficiency, aperture, darker sky.",
            percent(1.0 - sky)
        ),
        [(_, sky)] if !are_several(report) => {
            format!(
                "Lower noise alone brings the integration to {} of today's at best, pixels and quantum efficiency as now.",
                percent(*sky)
            )
        }
        [(name, sky), rest @ ..] => {
            let other = rest.last().map_or_else(String::new, |(name, sky)| format!(", {name} to {}", percent(*sky)));
            format!("Lower noise alone brings {name} to {} of today's integration at best{other}.", percent(*sky))
        }
    };
    join([noise, WITH_PRICES.to_owned()])
}
