//! Dark rate and doubling step over many simulated cameras: bias, and how often the truth lies within the stated error.
//!
//! `cargo bench --bench sensor_dark` prints a Markdown table; `SKYGRAIN_BENCH_CAMERAS` changes the number of cameras.

use std::time::Instant;

#[path = "../tests/it/dark_trials.rs"]
mod dark_trials;

use dark_trials::{Trial, summary, trial};

const CAMERAS: u64 = 200;

fn main() {
    // `cargo bench` passes its own flags; `cargo test --benches` must end at once.
    if !std::env::args().any(|a| a == "--bench") {
        return;
    }
    let cameras = std::env::var("SKYGRAIN_BENCH_CAMERAS").ok().and_then(|n| n.parse().ok()).unwrap_or(CAMERAS);
    let start = Instant::now();
    let trials: Vec<Trial> = (0..cameras).map(trial).collect();
    println!("{cameras} cameras, {:.0} s\n", start.elapsed().as_secs_f64());
    println!(
        "| dark rate, e-/px/s | cameras | bias of the rate, % | truth within one sigma, % | bias of the step, C | truth within one sigma, % |"
    );
    println!("| --- | --- | --- | --- | --- | --- |");
    let decades = [(0.0005, 0.005), (0.005, 0.05), (0.05, 0.5), (0.5, 5.0), (0.0005, 5.0)];
    for (low, high) in decades {
        let within: Vec<Trial> = trials.iter().filter(|t| t.rate >= low && t.rate <= high).copied().collect();
        let rate = summary(within.iter().map(|t| (t.relative_rate_error, t.relative_rate_sigma)));
        let step = summary(within.iter().filter_map(|t| t.step));
        println!(
            "| {low} to {high} | {} | {:.2} ± {:.2} | {:.0} | {:.3} ± {:.3} | {:.0} (of {}) |",
            within.len(),
            100.0 * rate.bias,
            100.0 * rate.bias_sigma,
            100.0 * rate.covered,
            step.bias,
            step.bias_sigma,
            100.0 * step.covered,
            step.n,
        );
    }
}
