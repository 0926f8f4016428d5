//! What a comparison names: inputs, parts, doubts, edges, and what is taken for granted.

use serde::{Serialize, Serializer};

use crate::report::words::quantity::missing;
use crate::upgrade::compare::Assumption;
use crate::upgrade::doubts::Doubt;
use crate::upgrade::geometry::{Coverage, GoodStars, Illumination, NewCorners};
use crate::upgrade::ratio::Part;
use crate::upgrade::uncertain::Uncertain;
use crate::verdict::Verdict;

/// Whether the money is well spent.
pub(crate) fn verdict(of: Verdict) -> &'static str {
    match of {
        Verdict::PaysOff => "pays off",
        Verdict::DoesNotPayOff => "does not pay off",
        Verdict::Depends => "depends",
    }
}

impl Serialize for Verdict {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.serialize_str(verdict(*self))
    }
}

/// A number that the result may hang on.
pub(crate) fn uncertain(of: Uncertain) -> &'static str {
    match of {
        Uncertain::Sky => "the measured sky",
        Uncertain::ReadNoise => "the measured read noise",
        Uncertain::DarkCurrent => "the measured dark current",
        Uncertain::DarkFloor => "the part of the dark current that does not cool",
        Uncertain::DarkLaw => "how the dark current falls with temperature",
        Uncertain::Efficiency => "the present quantum efficiency",
        Uncertain::Filter => "the present filter fraction",
        Uncertain::LitShare => "the present lit_pixel_share",
        Uncertain::AboveAmbient => "how far the present sensor is above ambient",
        Uncertain::NewEfficiency => "the new quantum efficiency",
        Uncertain::NewFilter => "the new filter fraction",
        Uncertain::NewLitShare => "the new lit_pixel_share",
        Uncertain::NewReadNoise => "the new read noise",
        Uncertain::NewDarkCurrent => "the new dark current",
        Uncertain::NewDoublingStep => "the new doubling step",
        Uncertain::CoolerDrop => "the new cooler's drop",
        Uncertain::Hours => "the hours per year",
        Uncertain::SkyPerPixel => "the sky that a new pixel covers",
        Uncertain::Transmission => "the transmission of the added optics",
    }
}

/// A difference between two cameras.
pub(crate) fn part(of: Part) -> &'static str {
    match of {
        Part::QuantumEfficiency => "quantum efficiency",
        Part::Filter => "filter",
        Part::Mosaic => "colour mosaic",
        Part::PixelSize => "sky per pixel",
        Part::Transmission => "added optics",
        Part::ReadNoise => "read noise",
        Part::DarkCurrent => "dark current and cooling",
    }
}

/// What the numbers are less sure for.
pub(crate) fn doubt(of: &Doubt) -> String {
    match of {
        Doubt::AssumedLaw => "how the present dark current falls with temperature is an assumption; darks at two \
                              temperatures would measure it"
            .to_owned(),
        Doubt::Extrapolated { measured_celsius: [coldest, warmest], to_celsius } => {
            let beyond: Vec<String> = to_celsius.iter().map(|t| format!("{t:.0}")).collect();
            format!(
                "the present camera's dark current was measured from {coldest:.0} to {warmest:.0} °C and is \
                 extrapolated to {} °C",
                beyond.join(" and ")
            )
        }
    }
}

/// What is taken for granted.
pub(crate) fn assumption(of: Assumption) -> &'static str {
    match of {
        Assumption::FaintExtendedTarget => {
            "The target is far fainter than the sky and covers many pixels; signal-to-noise is compared per area of sky."
        }
        Assumption::SkyAndTargetScaleAlike => "Peak quantum efficiency and filter fraction scale sky and target alike.",
        Assumption::SessionStandsForTheYear => {
            "A session's own numbers take it to stand for all hours of the year; seeing, sky and optics stay as measured."
        }
        Assumption::SessionsVaryTogether => {
            "Over all sessions, what each has of its own counts as going up and down together: the interval is rather too \
             wide."
        }
        Assumption::OneColourOfTheMosaic => {
            "A mosaic's lit_pixel_share is the share of pixels that see the colour aimed at; other colours fare otherwise."
        }
        Assumption::BestExposureByNoiseAlone => {
            "A best exposure counts noise alone: saturated stars, tracking and satellites set limits of their own."
        }
        Assumption::PartsOverAllOrders => {
            "The parts of a ratio are averages over all orders in which the differences could be made; their product is \
             the ratio."
        }
    }
}

impl Coverage {
    /// How far stars were seen to be good, and the illumination.
    pub fn words(&self) -> [String; 2] {
        let corner_mm = self.corner_mm;
        let stars = match &self.stars {
            GoodStars::NotKnown(because) => format!("good stars: not known ({})", missing(because)),
            GoodStars::ToTheCorners => format!("stars are good to its corners at {corner_mm:.1} mm"),
            GoodStars::AsFarAsSeen { good_mm: good } => format!(
                "stars were good as far as seen, {good:.1} mm; its corners at {corner_mm:.1} mm are extrapolation"
            ),
            GoodStars::Only { good_mm: good } => {
                format!("stars are good to {good:.1} mm only, its corners lie at {corner_mm:.1} mm")
            }
        };
        [stars, illumination(self.light.as_ref())]
    }
}

fn illumination(light: Option<&Illumination>) -> String {
    let Some(Illumination { share, at_mm, new_corners }) = light else {
        return "not known; flats of this filter would show it".to_owned();
    };
    let more = match new_corners {
        NewCorners::Beyond => "; further out nothing is known",
        NewCorners::Within => ", which is beyond its corners",
        NewCorners::There => ", where its corners lie",
    };
    format!("{:.0} % of that at the centre at {at_mm:.1} mm{more}", 100.0 * share)
}

impl Serialize for Uncertain {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.serialize_str(uncertain(*self))
    }
}

impl Serialize for Doubt {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.serialize_str(&doubt(self))
    }
}

impl Serialize for Assumption {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.serialize_str(assumption(*self))
    }
}

impl Serialize for Coverage {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        self.words().serialize(to)
    }
}
