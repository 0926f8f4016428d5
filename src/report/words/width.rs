//! Words for what makes stars as wide as they are.

use crate::report::InWords;
use crate::verdict::WidthBudget;

/// What makes stars as wide as they are.
pub(crate) fn width(b: &WidthBudget) -> String {
    let named = [
        ("diffraction", &b.diffraction_arcsec),
        ("what draws all stars out alike", &b.elongation_arcsec),
        ("growth towards the corners", &b.field_arcsec),
    ];
    let known: Vec<String> =
        named.iter().filter(|(_, q)| q.is_known()).map(|(name, q)| format!("{name} {}", q.text("arcsec"))).collect();
    if !b.rest_arcsec.is_known() {
        return format!("What limits the width is not measurable, because {}.", b.rest_arcsec.why());
    }
    let zenith = match b.rest_at_zenith_arcsec.is_known() {
        true => format!(", {} at the zenith were it all seeing", b.rest_at_zenith_arcsec.text("arcsec")),
        false => String::new(),
    };
    let of_these = if known.is_empty() { String::new() } else { format!("{} and, ", known.join(", ")) };
    format!(
        "The width is made of {of_these}what frames in one focus cannot separate, seeing, focus and its drift and round \
         wander of the guiding: {} together{zenith}. The pixel adds {} to what is recorded.",
        b.rest_arcsec.text("arcsec"),
        b.pixel_arcsec.text("arcsec")
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::facts::Quantity;
    use crate::facts::verdict::{VerdictMethod, VerdictMissing};
    use crate::verdict::{WidthInput, width_budget};

    fn known(value: f64) -> Quantity {
        Quantity::measured(value, 0.01, VerdictMethod::WidthLessParts, 9)
    }

    fn budget(recorded_px: f64, corners: &Quantity, airmass: Option<f64>) -> WidthBudget {
        width_budget(&WidthInput {
            fwhm_px: &known(recorded_px - 0.1),
            recorded_fwhm_px: &known(recorded_px),
            image_scale: &known(1.0),
            shared_ellipticity: &known(0.1),
            corner_fwhm_ratio: corners,
            aperture_mm: &Quantity::header(80.0, "APTDIA"),
            image: None,
            airmass,
        })
    }

    #[test]
    fn the_zenith_is_named_where_the_airmass_is_known() {
        let corners = known(1.1);
        let told = width(&budget(4.0, &corners, Some(2.0)));
        assert!(
            told.contains("at the zenith were it all seeing") && told.contains("growth towards the corners"),
            "{told}"
        );
        assert!(!width(&budget(4.0, &corners, None)).contains("zenith"));
    }

    #[test]
    fn a_part_that_is_not_known_is_not_listed() {
        let told = width(&budget(4.0, &Quantity::not_measurable(VerdictMissing::NoStarsFitted), None));
        assert!(told.contains("diffraction") && !told.contains("corners"), "{told}");
    }

    #[test]
    fn no_budget_is_told_with_its_reason() {
        let told = width(&budget(1.2, &known(1.1), None));
        assert!(told.starts_with("What limits the width is not measurable, because the parts together"), "{told}");
        let mut none = budget(4.0, &known(1.1), None);
        none.rest_arcsec = Quantity::not_measurable(VerdictMissing::NoPixelPitch);
        assert!(width(&none).contains("not measurable, because the pixel pitch is not known"));
    }
}
