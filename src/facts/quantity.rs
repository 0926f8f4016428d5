//! A number with its uncertainty and its origin: what every stage hands on and the report prints.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{Method, Missing, Note};

/// Where a value came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Source {
    /// Computed from pixels, or from a WCS that was fitted to stars.
    Measured,
    /// Read from a header card; `method` names the card.
    Header,
    /// Given by the user's rig file.
    Rig,
    /// Taken as a stated assumption; `note` says which.
    Assumed,
}

/// A value, its one-sigma uncertainty, and how both were had.
///
/// An unknown value is `None`, never 0; `missing` then tells why.
/// Non-finite numbers are turned into `None` on construction, so none reaches a report.
///
/// # Examples
///
/// ```
/// use skygrain::facts::{Help, Missing, Quantity};
/// use skygrain::report::InWords;
///
/// let scale = Quantity::rig(1.5, "pixel_um");
/// assert_eq!((scale.text("arcsec/px").as_str(), scale.sigma), ("1.5 arcsec/px", None));
///
/// let unknown = Quantity::not_measurable(Missing::ExposureTime);
/// assert_eq!((unknown.value, unknown.because().would_help()), (None, vec![Help::Card("EXPTIME")]));
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct Quantity {
    /// The value, in the unit that the name of the field carries.
    pub value: Option<f64>,
    /// One standard uncertainty of `value`, same unit.
    pub sigma: Option<f64>,
    /// Origin.
    pub source: Source,
    /// How it was had.
    pub method: Method,
    /// Number of frames, stars, pixels or pairs behind it, as `method` says.
    pub n: usize,
    /// Why there is no value; `None` where there is one.
    pub missing: Option<Missing>,
    /// Cautions and circumstances.
    pub notes: Vec<Note>,
}

fn finite(x: f64) -> Option<f64> {
    x.is_finite().then_some(x)
}

impl Quantity {
    /// A measured value with its one-sigma uncertainty.
    pub fn measured(value: f64, sigma: f64, method: impl Into<Method>, n: usize) -> Self {
        Self::with(Source::Measured, value, Some(sigma), method, n)
    }

    /// A value as a header card gave it; its uncertainty is not known.
    pub fn header(value: f64, card: &str) -> Self {
        Self::with(Source::Header, value, None, Method::Card { card: card.to_owned() }, 1)
    }

    /// A value from the user's rig file.
    pub fn rig(value: f64, key: &str) -> Self {
        Self::with(Source::Rig, value, None, Method::RigKey { key: key.to_owned() }, 1)
    }

    /// A stated assumption with the spread that is believed of it.
    pub fn assumed(value: f64, sigma: Option<f64>, method: impl Into<Method>) -> Self {
        Self::with(Source::Assumed, value, sigma, method, 0)
    }

    /// A value of any origin.
    pub fn with(source: Source, value: f64, sigma: Option<f64>, method: impl Into<Method>, n: usize) -> Self {
        let value = finite(value);
        let missing = value.is_none().then_some(Missing::Unstated);
        let sigma = value.and(sigma.and_then(finite));
        Self { value, sigma, source, method: method.into(), n, missing, notes: Vec::new() }
    }

    /// No value, and the reason: what is missing and which frames or keys would supply it.
    pub fn not_measurable(because: impl Into<Missing>) -> Self {
        Self {
            value: None,
            sigma: None,
            source: Source::Measured,
            method: Method::NotMeasurable,
            n: 0,
            missing: Some(because.into()),
            notes: Vec::new(),
        }
    }

    /// The same quantity with a note attached, behind earlier ones.
    #[must_use]
    pub fn noted(mut self, note: impl Into<Note>) -> Self {
        self.notes.push(note.into());
        self
    }

    /// The quantity times a constant without error (a change of unit).
    #[must_use]
    pub fn scaled(&self, factor: f64) -> Self {
        Self {
            value: self.value.and_then(|v| finite(v * factor)),
            sigma: self.sigma.and_then(|s| finite(s * factor.abs())),
            ..self.clone()
        }
    }

    /// The product of two independent quantities; relative uncertainties add in quadrature.
    ///
    /// The weaker source of the two is kept: a product with an assumption is an assumption.
    #[must_use]
    pub fn times(&self, other: &Self, method: impl Into<Method>) -> Self {
        let (Some(a), Some(b)) = (self.value, other.value) else {
            let missing = if self.value.is_none() { self } else { other };
            return Self::not_measurable(missing.because());
        };
        let sigma = match (self.sigma, other.sigma) {
            (None, None) => None,
            (sa, sb) => Some((b * sa.unwrap_or(0.0)).hypot(a * sb.unwrap_or(0.0))),
        };
        let source = weaker(self.source, other.source);
        Self::with(source, a * b, sigma, method, self.n.max(other.n))
    }

    /// Value and uncertainty where both are known, uncertainty 0 where only the value is.
    pub fn pair(&self) -> Option<(f64, f64)> {
        self.value.map(|v| (v, self.sigma.unwrap_or(0.0)))
    }

    /// Whether there is a value.
    pub fn is_known(&self) -> bool {
        self.value.is_some()
    }

    /// Why there is no value.
    pub fn because(&self) -> Missing {
        self.missing.clone().unwrap_or(Missing::Unstated)
    }
}

/// The less trustworthy of two sources: measured, then header, then rig, then assumed.
pub fn weaker(a: Source, b: Source) -> Source {
    fn rank(s: Source) -> u8 {
        match s {
            Source::Measured => 0,
            Source::Header => 1,
            Source::Rig => 2,
            Source::Assumed => 3,
        }
    }
    if rank(a) >= rank(b) { a } else { b }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_non_finite_value_becomes_unknown() {
        assert_eq!(Quantity::measured(f64::NAN, 1.0, "x", 1).value, None);
        assert_eq!(Quantity::measured(1.0, f64::INFINITY, "x", 1).sigma, None);
    }

    #[test]
    fn a_product_adds_relative_errors_and_keeps_the_weaker_source() {
        let a = Quantity::measured(10.0, 0.3, "a", 5);
        let b = Quantity::rig(2.0, "k");
        let c = a.times(&b, "a*b");
        assert_eq!(c.value, Some(20.0));
        assert!((c.sigma.unwrap() - 0.6).abs() < 1e-12);
        assert_eq!(c.source, Source::Rig);
    }

    #[test]
    fn a_product_with_an_unknown_says_why() {
        let a = Quantity::not_measurable("no flats");
        let c = a.times(&Quantity::rig(2.0, "k"), "a*b");
        assert_eq!((c.value, c.because()), (None, "no flats".into()));
    }
}
