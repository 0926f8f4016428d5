//! What an option brings one session: hours and money, what each difference contributes, and what it hangs on.

use serde::Serialize;
use strum::VariantArray;

use super::altogether::Years;
use super::doubts::Doubt;
use super::lacking::{Known, Number};
use super::options::{Choice, Conditions};
use super::pairing::Pairing;
use super::ratio::{ALL_PARTS, Part, split};
use super::side_by_side::{Budget, Drawn, Exposures};
use super::uncertain::Uncertain;
use super::worth::{Worth, of_both, worth};
use crate::verdict::year::{Verdict, Year};

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
    pub input: Uncertain,
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
    pub cautions: Vec<Doubt>,
}

impl Gain {
    pub(crate) fn of(pairing: &Pairing, years: &Years, conditions: &Conditions, choice: &Choice) -> Known<Self> {
        let way = |years: &[Year], exposures| -> Known<Way> {
            Ok(Way { worth: worth(years, conditions, choice)?, new_exposure: pairing.new_budget(exposures) })
        };
        let (as_now, each_best) = (way(&years.as_now, Exposures::AsNow)?, way(&years.each_best, Exposures::EachBest)?);
        let centre = pairing.centre();
        let factors = split(|set| pairing.year(&centre, Exposures::AsNow, set).time_ratio());
        let parts = Part::ALL.into_iter().zip(factors).map(|(part, factor)| PartFactor { part, factor }).collect();
        let verdict = of_both(&as_now.worth, &each_best.worth);
        Ok(Self { as_now, each_best, parts, depends_most_on: hinge(pairing), verdict, cautions: pairing.doubts() })
    }
}

/// The number whose standard uncertainty moves the time ratio most.
fn hinge(pairing: &Pairing) -> Option<Hinge> {
    let centre = pairing.centre();
    let ratio = |p: &Drawn| pairing.year(p, Exposures::AsNow, ALL_PARTS).time_ratio();
    let change = |of: Uncertain| {
        let parameter = pairing.parameters[of];
        let at = |x: f64| {
            let mut moved = centre;
            moved[of] = x;
            ratio(&moved)
        };
        let (down, up) = ((parameter.value - parameter.sigma).max(parameter.min), parameter.value + parameter.sigma);
        0.5 * (at(up) - at(down)).abs()
    };
    let spread = Uncertain::VARIANTS.iter().filter(|of| pairing.parameters[**of].sigma > 0.0);
    let changes = spread.map(|of| Hinge { input: *of, change_of_time_ratio: change(*of) });
    let felt = changes.filter(|hinge| hinge.change_of_time_ratio > 0.0);
    felt.max_by(|a, b| a.change_of_time_ratio.total_cmp(&b.change_of_time_ratio))
}
