//! What is said on standard error while frames are measured: one bar where it is a terminal, or a line a stage.

use std::io::IsTerminal;
use std::sync::Mutex;
use std::time::Instant;

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use crate::night::Stage;

/// How much the user wants to hear.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Say {
    /// Errors only.
    Little,
    /// Progress, where standard error is a terminal, and the files that cannot be read.
    Usual,
    /// Also a line when a stage is through.
    Much,
}

impl Say {
    /// From the two switches, which exclude each other.
    pub fn of(quiet: bool, verbose: bool) -> Self {
        match (quiet, verbose) {
            (true, _) => Self::Little,
            (_, true) => Self::Much,
            _ => Self::Usual,
        }
    }
}

/// A bar that follows the stages of a run.
pub struct Bar {
    bar: ProgressBar,
    say: Say,
    /// The stage, its start, and whether its end was told.
    stage: Mutex<Option<(Stage, Instant, bool)>>,
}

impl Bar {
    /// A bar, hidden where standard error is not a terminal or the user wants quiet.
    pub fn new(say: Say) -> Self {
        let shown = say != Say::Little && std::io::stderr().is_terminal();
        let bar = ProgressBar::with_draw_target(
            None,
            if shown { ProgressDrawTarget::stderr() } else { ProgressDrawTarget::hidden() },
        );
        // 21 + 1 + 20 columns, counts, rate and time: within 80. No colour, so there is none to switch off.
        let style = ProgressStyle::with_template("{msg:<21} {bar:20} {pos} of {len}  {per_sec}  {eta} left");
        bar.set_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()));
        Self { bar, say, stage: Mutex::new(None) }
    }

    /// Shows that `done` of `total` frames of a stage are through.
    pub fn show(&self, stage: Stage, done: usize, total: usize) {
        let words = match stage {
            Stage::Looking => "looking at headers",
            Stage::Sensor => "measuring the sensor",
            Stage::Stars => "measuring stars",
        };
        let mut at = self.stage.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        let (start, told) = match *at {
            Some((of, start, told)) if of == stage => (start, told),
            _ => {
                self.bar.reset();
                self.bar.set_message(words);
                (Instant::now(), false)
            }
        };
        let through = done == total;
        *at = Some((stage, start, told || through));
        self.bar.set_length(total as u64);
        self.bar.set_position(done as u64);
        if self.say == Say::Much && through && !told {
            let seconds = start.elapsed().as_secs_f64();
            self.bar.suspend(|| eprintln!("skygrain: {words}: {total} frames in {seconds:.1} s"));
        }
    }

    /// Removes the bar.
    pub fn finish(&self) {
        self.bar.finish_and_clear();
    }
}
