//! Which values a session or a sensor carries, under which name and unit, and what they rest on.

use crate::facts::{Quantity, Source};
use crate::report::InWords;

use crate::report::model::{Report, SensorEntry, Session};
use crate::stars::field::FieldResult;

/// A value with the name and unit under which readers meet it.
#[derive(Debug, Clone, PartialEq)]
pub struct Named {
    pub label: &'static str,
    pub unit: &'static str,
    pub quantity: Quantity,
}

/// Label of the distance from the centre within which stars are good.
pub const GOOD_RADIUS: &str = "radius of good stars";

fn named(label: &'static str, unit: &'static str, quantity: &Quantity) -> Named {
    Named { label, unit, quantity: quantity.clone() }
}

fn percent(label: &'static str, quantity: &Quantity) -> Named {
    Named { label, unit: "%", quantity: quantity.scaled(100.0) }
}

/// The values of a session, in the order of reading.
pub fn of_session(s: &Session) -> Vec<Named> {
    let mut values = vec![
        named("FWHM before the pixel", "px", &s.fwhm_px),
        named("FWHM on the sky", "arcsec", &s.fwhm_arcsec),
        named("FWHM as recorded", "px", &s.recorded_fwhm_px),
        named("ellipticity", "", &s.ellipticity),
        named("direction of the long axis", "°", &s.position_angle_deg),
        named("Moffat beta", "", &s.moffat_beta),
        named("stars per frame", "", &s.star_count),
        named("image scale", "arcsec/px", &s.image_scale_arcsec_per_px),
        named("sensor temperature", "°C", &s.sensor_temperature_c.median),
        named("sky brightness", "e⁻/px/s", &s.sky_e_per_px_s),
        percent("aliased image power", &s.sampling.aliased_power_fraction),
        percent("widening by the pixel", &s.sampling.resolution_lost_fraction),
        percent("signal-to-noise kept of the ideal", &s.sampling.snr_efficiency),
        named("exposure where read noise adds 5 %", "s", &s.noise_budget.exposure_for_5_percent_read_s),
        named("exposure where read noise adds 10 %", "s", &s.noise_budget.exposure_for_10_percent_read_s),
    ];
    // What only a match with the catalogue gives is no loss where there is none.
    let m = &s.star_match;
    let of_match = [
        named("focal length from the stars", "mm", &m.focal_length_mm),
        named("displacement of the corners' stars inwards", "%", &m.corner_distortion_percent),
        named("scale along y over that along x", "", &m.pixel_aspect),
        named("position angle of +y, from north through east", "°", &m.position_angle_deg),
    ];
    let of_light = [
        named("VT magnitude of a star that gives 1 e⁻/s", "", &s.photometry.zero_point_vt_mag),
        named("sky brightness in VT", "mag/arcsec²", &s.photometry.sky_vt_mag_per_arcsec2),
    ];
    let of_sites = [
        named("FWHM of the red sites, before the pixel", "px", &s.red_fwhm_px),
        named("FWHM of the blue sites, before the pixel", "px", &s.blue_fwhm_px),
    ];
    values.extend(of_match.into_iter().chain(of_light).chain(of_sites).filter(|v| v.quantity.is_known()));
    values
}

/// The values of star images over the frame, in the order of reading.
pub fn of_field(f: &FieldResult) -> Vec<Named> {
    vec![
        named("gradient of the width, on a half diagonal", "%", &f.widening_one_side_percent),
        named("gradient of the width, on a millimetre", "%", &f.tilt_percent_per_mm),
        named("direction in which stars widen", "°", &f.tilt_direction_deg),
        named("growth of the width from centre to corner", "%", &f.widening_corner_percent),
        named("width at the corners over that at the centre", "", &f.corner_fwhm_ratio),
        named("ellipticity that all stars share", "", &f.constant_ellipticity),
        named("its direction", "°", &f.constant_direction_deg),
        named("ellipticity at the corners, linear part", "", &f.linear_ellipticity),
        named("ellipticity at the corners, radial part", "", &f.radial_ellipticity),
        named(GOOD_RADIUS, "px", &f.corrected_radius_px),
        named(GOOD_RADIUS, "mm", &f.corrected_radius_mm),
        named("defocus that would widen the corners as much", "µm", &f.corner_defocus_um),
    ]
}

/// The parts of a session's noise: name, variance of one exposure, share of the total.
pub fn noise_parts(s: &Session) -> [(&'static str, &Quantity, Quantity); 4] {
    let b = &s.noise_budget;
    let quantisation = match (b.quantisation_e2.value, b.total_e2.value) {
        (Some(_), Some(total)) if total > 0.0 => b.quantisation_e2.scaled(1.0 / total),
        _ => Quantity::not_measurable(b.total_e2.because()),
    };
    [
        ("sky", &b.sky_e2, b.sky_share.clone()),
        ("dark current", &b.dark_e2, b.dark_share.clone()),
        ("read noise", &b.read_e2, b.read_share.clone()),
        ("quantisation", &b.quantisation_e2, quantisation),
    ]
}

/// The values of a sensor, in the order of reading.
pub fn of_sensor(s: &SensorEntry) -> Vec<Named> {
    let r = &s.result;
    let d = &r.dark_current;
    let mut values = vec![
        named("gain", "e⁻/ADU", &r.gain_e_per_adu),
        named("read noise", "e⁻", &r.read_noise_e),
        named("read noise", "ADU", &r.read_noise_adu),
        named("correlation of read noise along rows", "", &r.read_noise_correlation_x),
        named("correlation of read noise along columns", "", &r.read_noise_correlation_y),
        named("noise shared by a row", "ADU", &r.row_noise_adu),
        named("noise shared by a column", "ADU", &r.column_noise_adu),
        named("fixed pattern of the bias", "ADU", &r.fixed_pattern_adu),
        named("bias level", "ADU", &r.bias_level_adu),
        named("drift of the level from frame to frame", "ADU", &r.level_drift_adu),
        named("saturation", "ADU", &r.saturation_adu),
        named("dark current", "e⁻/px/s", &d.rate_e_per_px_s),
        named("doubling step of the dark current", "°C", &d.doubling_celsius),
        named("activation energy", "eV", &d.activation_energy_ev),
        named("dark current that stays when cold", "e⁻/px/s", &d.floor_e_per_px_s),
        percent("hot pixels", &r.hot_pixel_fraction.fraction),
    ];
    // Without a second temperature or enough hot pixels nothing is lost that a decision needs.
    if r.hot_pixel_doubling_celsius.is_known() {
        values.push(named("doubling step of the hot pixels", "°C", &r.hot_pixel_doubling_celsius));
    }
    let warmest = r
        .pixel_dark_rates
        .iter()
        .max_by(|a, b| a.celsius.unwrap_or(f64::MIN).total_cmp(&b.celsius.unwrap_or(f64::MIN)));
    if let Some(p) = warmest.filter(|p| p.ordinary_dsnu_e_per_px_s.is_known()) {
        values.push(named("spread of the pixels' dark current, warmest darks", "e⁻/px/s", &p.ordinary_dsnu_e_per_px_s));
    }
    // Most flats end before pixels are full: that is nothing missing.
    if let Some(fit) = r.photon_transfer_fit.as_ref().filter(|f| f.full_well_e.is_known()) {
        values.push(named("full well", "e⁻", &fit.full_well_e));
    }
    values.extend(r.prnu.iter().take(1).map(|p| percent("uneven response of the pixels", &p.fraction)));
    if r.read_noise_tail.median_adu.is_known() {
        values.push(named("read noise of the typical pixel", "ADU", &r.read_noise_tail.median_adu));
        values.push(percent("pixels with more than 2.5 times that", &r.read_noise_tail.noisy_pixel_fraction));
    }
    values
}

/// Where a value came from, in words.
pub fn origin(q: &Quantity) -> String {
    match q.source {
        _ if !q.is_known() => "missing".to_owned(),
        Source::Measured if q.n > 0 => format!("measured: {} (n = {})", q.how(), q.n),
        Source::Measured => format!("measured: {}", q.how()),
        Source::Header | Source::Rig => q.how(),
        Source::Assumed => format!("assumed: {}", q.how()),
    }
}

/// What the report rests on, told apart by origin. Each list holds every statement once, in the order of reading.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Basis {
    /// Names of values that come from pixels.
    pub measured: Vec<String>,
    /// Name and card of values that come from headers.
    pub header: Vec<String>,
    /// Name and key of values that come from the rig file.
    pub rig: Vec<String>,
    /// Name and assumption.
    pub assumed: Vec<String>,
    /// What is missing, and why: the reason, then the values that it costs, a text for those of the same sessions or sensors.
    pub missing: Vec<(String, Vec<String>)>,
    /// Cautions that values carry.
    pub cautions: Vec<String>,
}

/// Sorts all values of a report by what they rest on.
pub fn basis(report: &Report) -> Basis {
    let mut basis = Basis::default();
    let mut missing = Missing::default();
    let of_one = |s: &Session| -> Vec<Named> {
        let parts = noise_parts(s).map(|(_, variance, _)| Named {
            label: "noise budget",
            unit: "",
            quantity: variance.clone(),
        });
        let floor = named("gain from cooling", "", &s.cooling_floor_time_ratio);
        // A part of the field that is not significant is a finding, not something that is missing.
        let field = match &s.field.surface {
            Some(_) => of_field(&s.field).into_iter().filter(|v| v.quantity.is_known()).collect(),
            None => vec![named("star images over the frame", "", &s.field.corrected_radius_px)],
        };
        of_session(s).into_iter().chain(field).chain(parts).chain([floor]).collect()
    };
    let sessions = report.sessions.iter().map(|s| (s.id.as_str(), report.sessions.len(), of_one(s)));
    let sensors = report.sensors.iter().map(|s| (s.id.as_str(), report.sensors.len(), of_sensor(s)));
    for (owner, owners, values) in sessions.chain(sensors) {
        for value in values {
            match value.quantity.is_known() {
                true => add(&mut basis, &value),
                false => missing.add(&value, owner, owners),
            }
        }
    }
    basis.missing = missing.told();
    basis
}

/// Most owners of a missing value that are named one by one.
const MOST_OWNERS: usize = 3;

/// A value that is missing, whose it is, and how many might have it.
struct Lacking<'a> {
    label: &'static str,
    owners: Vec<&'a str>,
    all: usize,
}

/// What is missing, by its reason.
#[derive(Default)]
struct Missing<'a>(Vec<(String, Vec<Lacking<'a>>)>);

impl<'a> Missing<'a> {
    fn add(&mut self, value: &Named, owner: &'a str, all: usize) {
        let why = value.quantity.why();
        let reason = if why.is_empty() { "no reason was given".to_owned() } else { why };
        let at = self.0.iter().position(|(r, _)| *r == reason).unwrap_or_else(|| {
            self.0.push((reason, Vec::new()));
            self.0.len() - 1
        });
        let values = &mut self.0[at].1;
        match values.iter_mut().find(|v| v.label == value.label) {
            Some(found) if found.owners.contains(&owner) => {}
            Some(found) => found.owners.push(owner),
            None => values.push(Lacking { label: value.label, owners: vec![owner], all }),
        }
    }

    /// Each reason with the values that it costs, those of the same owners together; whose they are where others have them.
    fn told(self) -> Vec<(String, Vec<String>)> {
        self.0.into_iter().map(|(reason, values)| (reason, by_owners(&values))).collect()
    }
}

fn by_owners(values: &[Lacking]) -> Vec<String> {
    let mut groups: Vec<(&[&str], usize, Vec<&str>)> = Vec::new();
    for value in values {
        match groups.iter_mut().find(|(owners, all, _)| (*owners, *all) == (value.owners.as_slice(), value.all)) {
            Some((.., labels)) => labels.push(value.label),
            None => groups.push((&value.owners, value.all, vec![value.label])),
        }
    }
    let told = |(owners, all, labels): (&[&str], usize, Vec<&str>)| {
        let labels = labels.join(", ");
        match owners {
            _ if owners.len() >= all => labels,
            [one] => format!("{labels} ({one} alone)"),
            _ if owners.len() > MOST_OWNERS => format!("{labels} ({} of {all})", owners.len()),
            _ => format!("{labels} ({})", owners.join(", ")),
        }
    };
    groups.into_iter().map(told).collect()
}

fn add(basis: &mut Basis, value: &Named) {
    let (label, q) = (value.label, &value.quantity);
    match q.source {
        Source::Measured => once(&mut basis.measured, label.to_owned()),
        Source::Header => once(&mut basis.header, format!("{label} ({})", q.how())),
        Source::Rig => once(&mut basis.rig, format!("{label} ({})", q.how())),
        Source::Assumed => once(&mut basis.assumed, format!("{label}: {}", q.how())),
    }
    if let Some(note) = q.remark() {
        once(&mut basis.cautions, format!("{label}: {note}"));
    }
}

fn once(list: &mut Vec<String>, item: String) {
    if !list.contains(&item) {
        list.push(item);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample;

    #[test]
    fn each_origin_has_its_own_list() {
        let b = basis(&sample::report());
        assert!(b.measured.contains(&"gain".to_owned()) && b.measured.contains(&GOOD_RADIUS.to_owned()));
        assert!(b.header.iter().any(|h| h.contains("CCD-TEMP")));
        assert!(b.assumed.iter().any(|a| a.contains("largest 16-bit code")));
        assert!(b.cautions.iter().any(|c| c.starts_with("sky brightness")));
    }

    #[test]
    fn one_missing_thing_is_named_once_with_all_that_it_costs() {
        let b = basis(&sample::report());
        // The second session of the sample has too few stars for its field as well.
        assert_eq!(b.missing.len(), 2, "{:?}", b.missing);
        assert_eq!(
            b.missing[1].1,
            ["star images over the frame (b-Ha-30s alone)"],
            "only one of two sessions lacks it"
        );
        let (reason, costs) = &b.missing[0];
        assert!(reason.contains("no flat frames"));
        assert!(costs[0].contains("sky brightness") && costs[0].ends_with("(b-Ha-30s alone)"), "{costs:?}");
    }
}
