//! The whole night on real frames, which are not part of the project: `SKYGRAIN_REAL_FRAMES` names their folder.
//!
//! Expected values were measured independently with astropy, scipy and sep; they stand in the README beside the frames.

use std::path::Path;

use skygrain::facts::{KindSource, Source};
use skygrain::fits::{ImageFile, Pixels};
use skygrain::folder::{FrameKind, Rig};
use skygrain::frame::Lattice;
use skygrain::night::{NightInput, Scope, run};
use skygrain::report::{FrameStatus, Report, json};
use skygrain::stars::{MeasureOptions, measure};
use skygrain::verdict::NoiseVerdict;

/// Two independent estimators of the gain (tiles of another size, another clip) agree to this.
const GAIN_AGREEMENT: f64 = 0.015;
/// Agreement asked of star widths: other stars and another weighting enter the independent values.
/// The independent widths are those of Moffats, 2.4 to 5 % too narrow for turbulence of this width (`fixtures/star-images/`).
const FWHM_AGREEMENT: std::ops::Range<f64> = -0.02..0.07;

fn night(folder: &Path) -> Report {
    let input = NightInput {
        folders: vec![folder.to_owned()],
        out: "no-such-output".into(),
        rig: Rig::default(),
        stars: false,
    };
    run(&input, Scope::Night, &|_, _, _| {}).unwrap()
}

fn files_in(folder: &Path) -> usize {
    std::fs::read_dir(folder).unwrap().count()
}

#[test]
fn codings_of_the_same_pixels_give_the_same_pixels_and_stars() {
    let Some(root) = crate::real_frames("codings") else { return };
    let read = |name: &str| {
        let mut file = ImageFile::open(&root.join("small").join(name)).unwrap();
        let tiled = file.geometry.tile_compressed;
        (file.pixels().unwrap().planes.remove(0), tiled)
    };
    let stars = |p: &Pixels| {
        measure(p, &MeasureOptions { lattice: Lattice::All, e_per_adu: None, saturation_adu: None, diffraction: None })
            .unwrap()
    };
    let (plain, tiled) = read("scan_int16.fits");
    assert!(!tiled);
    let want = stars(&plain);
    // HCOMPRESS loses nothing at a scale of 0 or 1, and this file of it gives equal pixels; the float file of the same
    // folder holds other numbers and is not among them.
    for name in ["scan_int16_gzip1.fits", "scan_int16_rice.fits", "scan_int16_hcompress.fits"] {
        let (pixels, tiled) = read(name);
        assert!(tiled && pixels == plain, "{name}");
        assert_eq!(stars(&pixels), want, "{name}");
    }
}

#[test]
fn every_small_file_is_read_or_refused_with_a_reason() {
    let Some(root) = crate::real_frames("small files") else { return };
    let folder = root.join("small");
    let before = crate::raw_fits::snapshot(&folder);
    let report = night(&folder);
    assert!(crate::raw_fits::snapshot(&folder) == before);
    assert_eq!(report.frames.len(), files_in(&folder));
    for frame in &report.frames {
        eprintln!("{}: {} {} {:?}", frame.path, frame.kind.label(), frame.status.label(), frame.reason());
        assert!(frame.status != FrameStatus::Unreadable, "{}: {:?}", frame.path, frame.reason());
        assert!(frame.status == FrameStatus::Used || frame.reason().is_some_and(|r| !r.is_empty()));
    }
    let row = |name: &str| report.frames.iter().find(|f| f.path == name).unwrap();
    let kelvin = row("kelvin_temperature_raw.fits").sensor_celsius.unwrap();
    assert!((kelvin - (180.2 - 273.15)).abs() < 0.1, "{kelvin}");
    // Exposure in milliseconds under a name of its own: 1 to 60 s, not thousands.
    let exposure = row("ESIS1_01772.fit.gz").exposure_s.unwrap();
    assert!(exposure < 600.0, "{exposure}");
}

#[test]
fn the_cluster_night_from_folder_to_report() {
    let Some(root) = crate::real_frames("cluster night") else { return };
    let folder = root.join("cluster-night");
    let report = night(&folder);
    assert_eq!(report.frames.len(), files_in(&folder));
    let sensors: Vec<_> =
        report.sensors.iter().filter(|s| s.result.gain_e_per_adu.source == Source::Measured).collect();
    let sensor = sensors.iter().find(|s| s.result.gain_e_per_adu.is_known()).expect("a measured gain");
    let gain = sensor.result.gain_e_per_adu.value.unwrap();
    assert!((gain / 1.298 - 1.0).abs() < GAIN_AGREEMENT, "{gain}");
    // Bias pairs give 5.90, 5.88 and 5.73 ADU.
    let noise = sensor.result.read_noise_adu.value.unwrap();
    assert!((5.7..=5.9).contains(&noise), "{noise}");
    let lights: Vec<_> = report.frames.iter().filter(|f| f.kind == FrameKind::Light).collect();
    let widths = [("g", 3.66), ("g", 3.61), ("r", 3.42), ("r", 3.25), ("r", 3.46)];
    assert_eq!(lights.len(), widths.len());
    for (light, (filter, want)) in lights.iter().zip(widths) {
        assert_eq!(light.filter.as_deref(), Some(format!("sdss_{filter}").as_str()), "{}", light.path);
        let got = light.fwhm_px.as_ref().and_then(|q| q.value).unwrap();
        assert!(FWHM_AGREEMENT.contains(&(got / want - 1.0)), "{}: {got} px, independently {want} px", light.path);
        assert_eq!(light.sensor_id.as_deref(), Some(sensor.id.as_str()));
    }
    let mut keys: Vec<_> = report
        .sessions
        .iter()
        .map(|s| (s.settings.filter.clone().unwrap(), s.settings.exposure_s.unwrap(), s.frame_counts.light))
        .collect();
    keys.sort_by(|a, b| a.partial_cmp(b).unwrap());
    eprintln!("{keys:?}");
    let of = |filter: &str| keys.iter().filter(|k| k.0 == filter).map(|k| k.1).collect::<Vec<_>>();
    assert!(keys.iter().all(|k| k.0 == "sdss_g" || k.0 == "sdss_r"), "{keys:?}");
    assert_eq!(of("sdss_r"), [60.0, 120.0], "one session per exposure time");
    for session in &report.sessions {
        let scale = &session.image_scale_arcsec_per_px;
        assert_eq!(scale.source, Source::Measured);
        assert!((scale.value.unwrap() / 0.667_58 - 1.0).abs() < 1e-3, "{scale:?}");
        // 02 to 03 h mean solar time at the site: the evening before.
        assert_eq!(session.night.as_deref(), Some("2019-05-02"));
        // Raw lights of a globular cluster, whose stars crowd: the finest structure of their differences is 1.01 and 1.04 times as noisy
        // as expected (computed with numpy), whole pixels 1.35 and 1.24 times.
        if session.frame_counts.light > 1 {
            let check = &session.noise_check;
            assert_eq!(check.verdict, NoiseVerdict::Explained, "{}: {}", session.id, check.sentence);
            assert!((check.ratio.value.unwrap() - 1.03).abs() < 0.04, "{}: {}", session.id, check.sentence);
        }
    }
}

#[test]
fn the_dark_ladder_from_folder_to_report() {
    let Some(root) = crate::real_frames("dark ladder") else { return };
    let folder = root.join("dark-ladder");
    let report = night(&folder);
    assert_eq!(report.frames.len(), files_in(&folder));
    let flats: Vec<_> = report.frames.iter().filter(|f| f.path.starts_with("flat_labelled_as_light")).collect();
    assert_eq!(flats.len(), 4);
    for flat in flats {
        assert_eq!((flat.kind, &flat.kind_source), (FrameKind::Flat, &KindSource::Pixels), "{}", flat.path);
    }
    let measured = report.sensors.iter().filter(|s| s.result.gain_e_per_adu.source == Source::Measured);
    let sensor = measured
        .filter(|s| s.result.gain_e_per_adu.is_known())
        .max_by_key(|s| s.result.dark_current.points.len())
        .unwrap();
    let gain = sensor.result.gain_e_per_adu.value.unwrap();
    assert!((gain / 1.936 - 1.0).abs() < GAIN_AGREEMENT, "{gain}");
    // 4.6 to 5.0 C between neighbours, 0.2 C more for the errors of the temperatures (0.4 C steps).
    let step = sensor.result.dark_current.doubling_celsius.value.unwrap();
    assert!((4.4..=5.2).contains(&step), "{step}");
}

/// The report's bytes with one and with two threads.
fn on_threads(folder: &Path) -> [String; 2] {
    [1, 2].map(|threads| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| json(&night(folder)).unwrap())
    })
}

#[test]
fn a_real_night_gives_the_same_bytes_on_one_and_two_threads() {
    let Some(root) = crate::real_frames("threads") else { return };
    let [one, two] = on_threads(&root.join("cluster-night"));
    assert!(one == two);
}

#[test]
fn a_simulated_night_gives_the_same_bytes_on_one_and_two_threads() {
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("night");
    skygrain::simulate::write_night(&folder, 3, &|_, _| {}).unwrap();
    let [one, two] = on_threads(&folder);
    assert!(one == two);
}
