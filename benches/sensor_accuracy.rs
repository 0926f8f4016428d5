//! How true gain and read noise are: simulated small cameras through `sensor::characterise`, against their truth. Prints
//! Markdown tables.
//!
//! `cargo bench --bench sensor_accuracy` (a minute or two), `-- --quick` (an eighth of the cameras).

use rayon::prelude::*;
use skygrain::folder::FrameKind;
use skygrain::report::InWords;
use skygrain::sensor::{CalibrationFrame, SensorHints, SensorResult, characterise};
use skygrain::simulate::{SmallCamera, Tally};

const SEED: u64 = 20_260_211;
const SIDE_PX: usize = 256;
/// Cameras, full and quick: 480 tell a coverage of 68 % to 2.1 %.
const CAMERAS: [u64; 2] = [480, 60];
/// Cameras whose noise the codes hide.
const HIDDEN: [u64; 2] = [60, 12];

fn measured(camera: &SmallCamera) -> SensorResult {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let files = camera.write(folder.path()).expect("the folder can be written");
    let frame = |kind: FrameKind| {
        move |path: std::path::PathBuf| CalibrationFrame { path, kind, exposure_s: None, celsius: None, filter: None }
    };
    let biases = files.biases.into_iter().map(frame(FrameKind::Bias));
    let frames: Vec<CalibrationFrame> = biases.chain(files.flats.into_iter().map(frame(FrameKind::Flat))).collect();
    characterise(&frames, &SensorHints::default(), &|_| {}).result
}

fn main() {
    let quick = usize::from(std::env::args().any(|a| a == "--quick"));
    let started = std::time::Instant::now();
    let cases: Vec<(SmallCamera, SensorResult)> = (0..CAMERAS[quick])
        .into_par_iter()
        .map(|n| {
            let camera = SmallCamera::draw(SEED, n, SIDE_PX);
            let result = measured(&camera);
            (camera, result)
        })
        .collect();
    println!(
        "| cameras | n | gain bias % | within 1 sigma % | n | read noise bias % | within 1 sigma % | PRNU bias % | \
         not measurable |"
    );
    println!("|{}", "---|".repeat(9));
    let row = |name: &str, wanted: &dyn Fn(&SmallCamera) -> bool| {
        let [mut gain, mut read, mut prnu] = [(); 3].map(|()| Tally::default());
        for (camera, result) in cases.iter().filter(|(c, _)| wanted(c)) {
            gain.relative(result.gain_e_per_adu.pair(), camera.gain_e_per_adu);
            read.relative(result.read_noise_adu.pair(), camera.read_noise_adu);
            prnu.relative(result.prnu.first().and_then(|p| p.fraction.pair()), camera.prnu);
        }
        let (bias, error) = prnu.bias();
        println!(
            "| {name} | {} | {} | {:+.1} ± {:.1} | {} |",
            gain.markdown(),
            read.markdown(),
            100.0 * bias,
            100.0 * error,
            gain.missing() + read.missing()
        );
    };
    row("all", &|_| true);
    for (step, bits) in [(1, 16), (4, 14), (16, 12)] {
        row(&format!("{bits} bit, step {step} ADU"), &|c| c.step == step);
    }
    row("flats at one level", &|c| c.levels.len() == 1);
    row("flats at three levels", &|c| c.levels.len() == 3);
    row("read noise below a step", &|c| c.read_noise_adu < f64::from(c.step));
    row("pedestal below 3 sigma", &|c| c.pedestal_adu < 3.0 * c.read_noise_adu);
    row("gain below 0.5 e-/ADU", &|c| c.gain_e_per_adu < 0.5);
    let held = (0..HIDDEN[quick])
        .into_par_iter()
        .filter(|n| {
            let camera = SmallCamera::draw(SEED + 1, *n, SIDE_PX).hidden();
            let read = measured(&camera).read_noise_adu;
            let limit = read.remark().is_some_and(|note| note.contains("quantisation-limited"));
            limit && read.value.is_some_and(|v| v >= camera.read_noise_adu)
        })
        .count();
    println!();
    println!("Noise of 0.03 to 0.2 steps: {held} of {} cameras get a limit that holds.", HIDDEN[quick]);
    println!("{:.0} s", started.elapsed().as_secs_f64());
}
