//! What a time ratio is worth over a year, and what it costs.
//!
//! Derived: an hour with ratio rho is worth `1/rho` hours of the present camera; the same output needs `rho` hours.

/// Hours of a year under one set of conditions, and the time ratio there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Class {
    pub hours: f64,
    pub ratio: f64,
}

/// A year with the new gear against one with the present.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Year {
    /// Hours under the sky.
    pub hours: f64,
    /// Hours that the present camera would need for what the new one gathers in `hours`.
    pub equivalent_hours: f64,
    /// Hours that the new camera leaves over when it gathers no more than the present one.
    pub saved_hours: f64,
}

impl Year {
    /// Formula: `H = sum w`, `H_eff = sum w/rho`, saved `H - sum w rho`.
    pub fn of(classes: &[Class]) -> Self {
        let hours: f64 = classes.iter().map(|c| c.hours).sum();
        Self {
            hours,
            equivalent_hours: classes.iter().map(|c| c.hours / c.ratio).sum(),
            saved_hours: hours - classes.iter().map(|c| c.hours * c.ratio).sum::<f64>(),
        }
    }

    /// Several parts of a year together, each with its share of the hours; shares add up to 1.
    pub fn shared(parts: &[(f64, Self)]) -> Self {
        let sum = |of: fn(&Self) -> f64| parts.iter().map(|(share, year)| share * of(year)).sum();
        Self {
            hours: sum(|y| y.hours),
            equivalent_hours: sum(|y| y.equivalent_hours),
            saved_hours: sum(|y| y.saved_hours),
        }
    }

    /// `H_eff - H`: negative where the present camera is the better one.
    pub fn extra_hours(&self) -> f64 {
        self.equivalent_hours - self.hours
    }

    /// Time ratio over the year, `H/H_eff`.
    pub fn time_ratio(&self) -> f64 {
        self.hours / self.equivalent_hours
    }
}

/// Cost of an hour, `(C - V)/(Y G)`; `None` where there are no hours to gain.
pub fn cost_per_hour(net_cost: f64, years: f64, hours_a_year: f64) -> Option<f64> {
    (hours_a_year > 0.0).then(|| net_cost / (years * hours_a_year))
}

/// Nights until extra hours worth `hour_value` each have paid, `(C - V)/(v h (1/rho - 1))`; `None` where they never do.
pub fn break_even_nights(net_cost: f64, hour_value: f64, hours_per_night: f64, time_ratio: f64) -> Option<f64> {
    let gained = hour_value * hours_per_night * (time_ratio.recip() - 1.0);
    (gained > 0.0).then(|| net_cost.max(0.0) / gained)
}

/// Answer to whether the money is well spent.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    PaysOff,
    DoesNotPayOff,
    Depends,
}

impl Verdict {
    /// Against the most that an extra hour may cost: both ends of the interval of extra hours must agree.
    pub fn of(net_cost: f64, years: f64, most_per_hour: f64, fewest_hours: f64, most_hours: f64) -> Self {
        let worth = |hours: f64| hours > 0.0 && net_cost <= most_per_hour * years * hours;
        match (worth(fewest_hours), worth(most_hours)) {
            (true, true) => Self::PaysOff,
            (false, false) => Self::DoesNotPayOff,
            _ => Self::Depends,
        }
    }

    /// The answer that two ways of looking give together.
    pub fn and(self, other: Self) -> Self {
        if self == other { self } else { Self::Depends }
    }
}

#[cfg(test)]
mod tests {
    use super::super::variance::variance_rate;
    use super::*;

    /// Check values are printed with seven digits at least, ratios with six decimals.
    const PRINTED: f64 = 1e-6;

    #[track_caller]
    fn near(got: f64, want: f64) {
        assert!((got - want).abs() <= PRINTED * want.abs().max(1.0), "got {got}, want {want}");
    }

    #[test]
    fn c11_1_hours_saved_are_not_hours_gained() {
        let year = Year::of(&[Class { hours: 120.0, ratio: 0.7 }]);
        near(year.saved_hours, 36.0);
        near(year.equivalent_hours, 171.428_57);
        near(year.extra_hours(), 51.428_57);
    }

    /// C11.2, C11.3.
    #[test]
    fn c11_2_and_3_cost_of_an_hour_and_nights_until_even() {
        let year = Year::of(&[Class { hours: 120.0, ratio: 0.7 }]);
        near(cost_per_hour(1200.0, 5.0, year.extra_hours()).unwrap(), 4.666_667);
        near(cost_per_hour(1200.0, 5.0, year.saved_hours).unwrap(), 6.666_667);
        near(break_even_nights(1200.0, 10.0, 5.0, year.time_ratio()).unwrap(), 56.0);
    }

    #[test]
    fn c11_4_a_year_of_four_temperatures() {
        let expected = [0.921_326, 0.767_889, 0.517_526, 0.333_529];
        let mut classes = Vec::new();
        for ((ambient, hours), rho) in [(-5.0, 30.0), (5.0, 35.0), (15.0, 35.0), (22.0, 20.0)].into_iter().zip(expected)
        {
            let dark = |celsius: f64| 0.04 * (celsius / 6.5).exp2();
            let rate = |celsius: f64| variance_rate(0.02, 0.4, dark(celsius), 3.0, 180.0);
            let ratio = rate(-10.0) / rate(ambient + 8.0);
            near(ratio, rho);
            classes.push(Class { hours, ratio });
        }
        let year = Year::of(&classes);
        // Printed with four decimals.
        assert!((year.equivalent_hours - 205.7356).abs() < 0.5e-4);
        near(year.time_ratio(), 0.583_273);
    }

    #[test]
    fn halving_the_price_halves_the_cost_of_an_hour() {
        for (price, hours) in [(10.0, 3.0), (1500.0, 51.4), (9999.0, 0.01)] {
            let cost = |c: f64| cost_per_hour(c, 4.0, hours).unwrap();
            assert_eq!(cost(price / 2.0), cost(price) / 2.0);
        }
    }

    #[test]
    fn no_gain_has_no_cost_per_hour_and_never_pays_off() {
        assert_eq!(cost_per_hour(100.0, 5.0, 0.0), None);
        assert_eq!(break_even_nights(100.0, 5.0, 4.0, 1.1), None);
        assert_eq!(Verdict::of(0.0, 5.0, 10.0, -3.0, -1.0), Verdict::DoesNotPayOff);
    }

    #[test]
    fn the_verdict_needs_the_whole_interval_on_one_side() {
        let at = |most: f64| Verdict::of(1000.0, 5.0, most, 20.0, 40.0);
        // 1000/(5 x 20) = 10 and 1000/(5 x 40) = 5 an hour.
        assert_eq!(
            [at(10.0), at(9.9), at(5.0), at(4.9)],
            [Verdict::PaysOff, Verdict::Depends, Verdict::Depends, Verdict::DoesNotPayOff]
        );
    }
}
