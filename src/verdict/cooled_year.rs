//! Cooling over a year: classes of air temperature with their hours, each with its own time ratio, and the warm night.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::cooling::{CoolingInput, State, noise_reason, parameters};
use super::propagation::{Draws, missing, weakest};
use super::variance::variance_rate;
use super::year::{Class, Year};
use crate::facts::answers::{AnswersMethod, AnswersMissing, AnswersNote};
use crate::facts::{Input, Missing, Quantity, weaker};
use crate::folder::AirClass;

/// The user's air and the cooler thought of, as the rig file states them.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct CoolingPlan {
    pub air: Vec<AirClass>,
    /// How far below the air the cooler brings the sensor, C.
    pub cooler_drop_c: Option<f64>,
    /// Set temperature below which it never goes, C.
    pub lowest_celsius: Option<f64>,
    /// Present sensor above the air, C.
    pub sensor_above_air_c: Option<f64>,
    /// Air of a warm night, C; the warmest class where none is stated.
    pub warm_night_celsius: Option<f64>,
}

impl CoolingPlan {
    /// Whether anything of it is stated.
    pub fn is_stated(&self) -> bool {
        *self != Self::default()
    }
}

/// One temperature of the air.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CooledClass {
    /// Temperature of the air.
    #[schemars(extend("unit" = "°C"))]
    pub air_celsius: f64,
    /// Hours a year at it; null for the warm night.
    #[schemars(extend("unit" = "h"))]
    pub hours: Option<f64>,
    /// Present sensor in that air.
    #[schemars(extend("unit" = "°C"))]
    pub sensor_now_celsius: f64,
    /// Sensor with the cooler.
    #[schemars(extend("unit" = "°C"))]
    pub sensor_cooled_celsius: f64,
    /// Dark rate of the cooled sensor.
    #[schemars(extend("unit" = "e-/px/s"))]
    pub dark_e_per_px_s: Quantity,
    /// Time needed cooled over that with the present sensor in the same air.
    #[schemars(extend("unit" = "1"))]
    pub time_ratio: Quantity,
}

/// A year with the cooler against one without.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CooledYear {
    /// One for each temperature of the air in the rig file.
    pub classes: Vec<CooledClass>,
    /// What the cooler reaches on a warm night; null where no air temperature is stated.
    pub warm_night: Option<CooledClass>,
    /// Hours over the hours that the present sensor would need for the same.
    #[schemars(extend("unit" = "1"))]
    pub time_ratio: Quantity,
    /// Hours of the present sensor that the year would be worth more.
    #[schemars(extend("unit" = "h"))]
    pub extra_hours_per_year: Quantity,
    /// Hours left over for the same result.
    #[schemars(extend("unit" = "h"))]
    pub saved_hours_per_year: Quantity,
}

impl CooledYear {
    /// No year, and the reason.
    pub fn not_measurable(because: &Missing) -> Self {
        let none = || Quantity::not_measurable(because.clone());
        Self {
            classes: Vec::new(),
            warm_night: None,
            time_ratio: none(),
            extra_hours_per_year: none(),
            saved_hours_per_year: none(),
        }
    }
}

/// The year, or the reason why there is none; `None` where the rig file says nothing of it.
///
/// Each class: `rho = v(cooled)/v(now)` with the dark current of either sensor temperature by the measured law; over the
/// year `H_eff = sum w/rho`, saved `H - sum w rho` (derived). Errors by seeded draws, the same in all classes.
pub fn cooled_year(input: &CoolingInput, plan: &CoolingPlan) -> Option<Result<CooledYear, Missing>> {
    plan.is_stated().then(|| reached(input, plan))
}

fn reached(input: &CoolingInput, plan: &CoolingPlan) -> Result<CooledYear, Missing> {
    let drop = plan.cooler_drop_c.ok_or(AnswersMissing::CoolerDropNotStated)?;
    let above = plan.sensor_above_air_c.ok_or(AnswersMissing::SensorAboveAirNotStated)?;
    let night = input.now_celsius.ok_or(Missing::SensorTemperature)?;
    let exposure_s = input.exposure_s.filter(|t| t.is_finite() && *t > 0.0);
    if let Some(because) = missing(&[(Input::DarkCurrent, input.dark_e_per_px_s)]) {
        return Err(because);
    }
    if let Some(because) = noise_reason(input, exposure_s) {
        return Err(because);
    }
    let t = exposure_s.unwrap_or(f64::NAN);
    let draws = Draws::new(parameters(input));
    let inputs = [input.sky_e_per_px_s, input.read_noise_e, input.dark_e_per_px_s];
    let source = weaker(weakest(&inputs), input.law.source);
    let told = |method: AnswersMethod, f: &dyn Fn(State) -> f64| {
        let (value, sigma) = draws.evaluate(|p| f(State::of(p)));
        Quantity::with(source, value, sigma, method, inputs[2].n)
    };
    let temperatures = |air: f64| {
        let cooled = (air - drop).max(plan.lowest_celsius.unwrap_or(f64::NEG_INFINITY));
        // A cooler is not switched on to warm the sensor.
        [air + above, cooled.min(air + above)]
    };
    let dark = |s: State, celsius: f64| s.dark_at(input.law.step.with(s.law).ratio(night, celsius));
    let rate = |s: State, celsius: f64| variance_rate(0.0, s.sky, dark(s, celsius), s.read, t);
    let ratio = |s: State, air: f64| {
        let [now, cooled] = temperatures(air);
        rate(s, cooled) / rate(s, now)
    };
    let class = |air: f64, hours: Option<f64>| {
        let [sensor_now_celsius, sensor_cooled_celsius] = temperatures(air);
        let mut dark_e_per_px_s = told(AnswersMethod::DarkRateOfClass, &|s| dark(s, sensor_cooled_celsius));
        if let Some([low, _]) = input.law.range_celsius.filter(|[low, _]| sensor_cooled_celsius < *low) {
            dark_e_per_px_s = dark_e_per_px_s.noted(AnswersNote::BelowTheMeasuredRange { low_celsius: low });
        }
        let time_ratio = told(AnswersMethod::TimeRatioOfClass, &|s| ratio(s, air));
        CooledClass { air_celsius: air, hours, sensor_now_celsius, sensor_cooled_celsius, dark_e_per_px_s, time_ratio }
    };
    let year = |s: State| {
        let classes: Vec<Class> =
            plan.air.iter().map(|a| Class { hours: a.hours, ratio: ratio(s, a.celsius) }).collect();
        Year::of(&classes)
    };
    let over =
        |method: AnswersMethod, f: &dyn Fn(&Year) -> f64| match plan.air.iter().map(|a| a.hours).sum::<f64>() > 0.0 {
            true => told(method, &|s| f(&year(s))),
            false => Quantity::not_measurable(AnswersMissing::NoHoursStated),
        };
    let warmest = plan.air.iter().map(|a| a.celsius).max_by(f64::total_cmp);
    Ok(CooledYear {
        classes: plan.air.iter().map(|a| class(a.celsius, Some(a.hours))).collect(),
        warm_night: plan.warm_night_celsius.or(warmest).map(|air| class(air, None)),
        time_ratio: over(AnswersMethod::TimeRatioOfYear, &Year::time_ratio),
        extra_hours_per_year: over(AnswersMethod::ExtraHours, &Year::extra_hours),
        saved_hours_per_year: over(AnswersMethod::SavedHours, &|y| y.saved_hours),
    })
}

#[cfg(test)]
mod tests {
    use super::super::thermal::{CoolingLaw, ThermalStep};
    use super::*;
    use crate::facts::{Method, Source};

    fn exact(value: f64) -> Quantity {
        Quantity::measured(value, 0.0, Method::NotMeasurable, 4)
    }

    fn year(plan: &CoolingPlan, sigma_c: f64) -> Option<Result<CooledYear, Missing>> {
        let step = ThermalStep::Doubling { celsius: 6.5, sigma_c };
        cooled_year(
            &CoolingInput {
                // C11.4 has S = 0.02 beside B = 0.4: in the variance they are one.
                sky_e_per_px_s: &exact(0.42),
                read_noise_e: &exact(3.0),
                exposure_s: Some(180.0),
                now_celsius: Some(0.0),
                dark_e_per_px_s: &exact(0.04),
                floor_e_per_px_s: &exact(0.0),
                law: CoolingLaw { step, source: Source::Measured, range_celsius: Some([0.0, 20.0]) },
            },
            plan,
        )
    }

    fn plan() -> CoolingPlan {
        let air = [(-5.0, 30.0), (5.0, 35.0), (15.0, 35.0), (22.0, 20.0)];
        CoolingPlan {
            air: air.map(|(celsius, hours)| AirClass { celsius, hours }).into(),
            cooler_drop_c: Some(40.0),
            lowest_celsius: Some(-10.0),
            sensor_above_air_c: Some(8.0),
            warm_night_celsius: None,
        }
    }

    #[test]
    fn c11_4_each_class_of_air_has_its_own_ratio() {
        // Check value C11.4: sensor 8 C above the air, cooled to -10 C; rho of each class, H_eff and H/H_eff.
        let got = year(&plan(), 0.0).unwrap().unwrap();
        for (class, rho) in got.classes.iter().zip([0.921_326, 0.767_889, 0.517_526, 0.333_529]) {
            assert!((class.time_ratio.value.unwrap() - rho).abs() < 1e-6, "{class:?}");
            assert_eq!(class.sensor_cooled_celsius, -10.0);
        }
        assert!((got.extra_hours_per_year.value.unwrap() - (205.7356 - 120.0)).abs() < 1e-4);
        assert!((got.time_ratio.value.unwrap() - 0.583_273).abs() < 1e-6);
        assert!(year(&plan(), 1.0).unwrap().unwrap().extra_hours_per_year.sigma.unwrap() > 0.0);
    }

    #[test]
    fn a_warm_night_sets_what_the_cooler_reaches() {
        let got = year(&CoolingPlan { warm_night_celsius: Some(35.0), ..plan() }, 0.0).unwrap().unwrap();
        let warm = got.warm_night.unwrap();
        assert_eq!((warm.sensor_cooled_celsius, warm.sensor_now_celsius), (-5.0, 43.0));
        // 0.04 at 0 C, 5 C colder by steps of 6.5 C.
        assert!((warm.dark_e_per_px_s.value.unwrap() - 0.04 * (-5.0_f64 / 6.5).exp2()).abs() < 1e-12);
        assert_eq!(warm.dark_e_per_px_s.notes, [AnswersNote::BelowTheMeasuredRange { low_celsius: 0.0 }.into()]);
    }

    #[test]
    fn colder_is_never_worse_over_the_year() {
        let at = |drop| year(&CoolingPlan { cooler_drop_c: Some(drop), ..plan() }, 0.0).unwrap().unwrap();
        let hours: Vec<f64> = [0.0, 5.0, 12.0, 30.0, 60.0].map(|d| at(d).extra_hours_per_year.value.unwrap()).into();
        assert!(hours.windows(2).all(|w| w[1] >= w[0]) && hours[0] >= 0.0, "{hours:?}");
    }

    #[test]
    fn what_the_rig_file_lacks_is_named_and_nothing_stated_gives_no_year() {
        assert_eq!(year(&CoolingPlan::default(), 0.0), None);
        let lacking = year(&CoolingPlan { cooler_drop_c: None, ..plan() }, 0.0).unwrap();
        assert_eq!(lacking, Err(AnswersMissing::CoolerDropNotStated.into()));
        let no_hours = year(&CoolingPlan { air: Vec::new(), warm_night_celsius: Some(25.0), ..plan() }, 0.0).unwrap();
        let no_hours = no_hours.unwrap();
        assert_eq!(no_hours.extra_hours_per_year.because(), AnswersMissing::NoHoursStated.into());
        assert!(no_hours.warm_night.is_some());
    }
}
