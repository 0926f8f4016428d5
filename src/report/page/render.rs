//! `report.html`: one file that needs nothing else, to read on a screen, a phone or paper.

use minijinja::context;
use minijinja::value::Serde;

use super::letter::letter;
use super::sheet::fill;
use crate::report::ReportError;
use crate::report::model::Report;

/// Fills the page. All text of headers and file names is escaped; charts are the only markup let through.
///
/// # Errors
///
/// A chart could not be drawn, or the page could not be filled.
pub fn html(report: &Report) -> Result<String, ReportError> {
    let letter = Serde(letter(report)?);
    fill("letter.html", include_str!("letter.html"), context! { letter })
}

#[cfg(test)]
mod tests {
    use base64::Engine as _;
    use sha2::{Digest, Sha256};

    use super::*;
    use crate::facts::sensor::{DarkModel, DarkRates};
    use crate::facts::{Caution, LeftOut};
    use crate::report::Parts;
    use crate::report::page::sheet::{SCRIPT, SCRIPT_HASH};
    use crate::report::sample;

    fn page() -> String {
        html(&sample::report()).unwrap()
    }

    #[test]
    fn hostile_names_are_shown_and_never_run() {
        let page = page();
        assert_eq!(page.matches("<script").count(), 1, "a script tag beside the page's own got through");
        assert!(page.contains("&lt;script&gt;"), "the name is not shown");
        assert!(page.contains("星"), "names beyond ASCII are lost");
    }

    #[test]
    fn every_text_of_a_header_is_escaped_wherever_it_stands() {
        let mut report = sample::report();
        let evil = || Some("\"><img onerror=x>".to_owned());
        for s in &mut report.sessions {
            s.settings.camera = evil();
            s.settings.filter = evil();
            s.settings.gain_setting = evil();
            s.settings.offset_setting = evil();
            s.settings.cfa = evil();
            s.night = evil();
            s.cooling_basis = evil().unwrap();
            s.sampling.sentence = evil().unwrap();
            s.sampling.detail = evil().unwrap();
            s.fwhm_px.method = evil().unwrap().as_str().into();
            s.fwhm_px.notes = vec![evil().unwrap().as_str().into()];
            s.sky_e_per_px_s.notes = vec![evil().unwrap().as_str().into()];
        }
        for s in &mut report.sensors {
            s.settings.camera = evil();
            s.settings.readout_mode = evil();
            s.result.dark_current.model = DarkModel::Quoted(evil().unwrap());
            s.result.dark_current.method = DarkRates::Quoted(evil().unwrap());
        }
        for f in &mut report.frames {
            f.path = evil().unwrap();
            f.filter = evil();
            f.left_out = evil().map(|file| LeftOut::LinkToSameFile { file });
        }
        for w in &mut report.warnings {
            w.caution = Caution::Quoted { code: evil().unwrap(), severity: w.severity(), sentence: evil().unwrap() };
            w.paths = vec![evil().unwrap()];
        }
        for a in &mut report.answers {
            a.sentence = evil().unwrap();
            a.detail = evil().unwrap();
            a.confidence.sentence = evil().unwrap();
        }
        let page = html(&report).unwrap();
        assert!(!page.contains("<img"), "markup got through");
    }

    #[test]
    fn the_page_needs_nothing_from_outside() {
        let page = page();
        for outside in ["http:", "https:", "src=", "url(", "@import", "<link", "href=\"/", "<iframe", "<object"] {
            assert!(!page.contains(outside), "{outside}");
        }
        let policy = format!("default-src 'none'; style-src 'unsafe-inline'; script-src '{SCRIPT_HASH}';");
        assert!(page.replace("&#x27;", "'").contains(&policy));
        assert!(["fetch(", "XMLHttpRequest", "import", "eval("].iter().all(|w| !SCRIPT.contains(w)));
    }

    #[test]
    fn the_policy_names_the_script_by_its_hash() {
        let digest = Sha256::digest(SCRIPT);
        assert_eq!(SCRIPT_HASH, format!("sha256-{}", base64::engine::general_purpose::STANDARD.encode(digest)));
    }

    #[test]
    fn every_chart_has_its_words() {
        let page = page();
        // Two sessions with five courses over the night and two pictures of the sampling each; one field, exposures and
        // cooling; four of the sensor.
        let charts = page.matches("role=\"img\" aria-label=\"").count();
        assert_eq!(charts, 21);
        assert_eq!(page.matches("class=\"marks\"").count(), charts, "every chart has values to point at");
        assert_eq!(page.matches("<svg").count(), 2 * charts);
    }

    #[test]
    fn no_number_on_the_page_is_not_finite() {
        let mut report = sample::report();
        report.frames[0].level_adu = Some(f64::NAN);
        report.frames[0].sky_adu = Some(f64::INFINITY);
        report.sensors[0].result.photon_transfer[0].mean_adu = f64::NAN;
        let page = html(&report).unwrap();
        for word in ["NaN", "inf ", ">inf", "Infinity"] {
            assert!(!page.contains(word), "{word}");
        }
    }

    #[test]
    fn a_long_table_of_files_is_folded_and_a_short_one_is_not() {
        let mut report = sample::report();
        assert!(!html(&report).unwrap().contains("<details"));
        let row = report.frames[0].clone();
        report.frames.resize(41, row);
        assert!(html(&report).unwrap().contains("<summary>Show all 41 rows</summary>"));
    }

    #[test]
    fn without_lights_the_page_leads_with_the_sensor() {
        let mut report = sample::report();
        report.sessions.clear();
        let page = html(&report).unwrap();
        assert!(page.contains("What is Tarnwhistle 3 like?") && !page.contains("What would cooling gain?"));
    }

    #[test]
    fn the_same_report_gives_the_same_page() {
        assert!(page() == page());
    }

    #[test]
    fn an_empty_report_still_makes_a_page() {
        let empty = Report::new(Parts::default());
        assert!(html(&empty).unwrap().contains("Of 0 files found"));
    }

    /// Writes the sample page for a look by eye: `SKYGRAIN_SAMPLE_PAGE=/tmp/x.html cargo test sample_page -- --ignored`.
    #[test]
    #[ignore = "writes a file for a look by eye"]
    fn sample_page() {
        let to = std::env::var("SKYGRAIN_SAMPLE_PAGE").expect("the variable names the file");
        std::fs::write(to, page()).unwrap();
    }
}
