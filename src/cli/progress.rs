//! The one progress bar: on standard error, and only where that is a terminal.

use std::io::IsTerminal;

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use crate::night::Stage;

/// A bar that follows the stages of a run.
pub struct Bar(ProgressBar);

impl Bar {
    /// A bar, hidden where standard error is not a terminal.
    pub fn new() -> Self {
        let target =
            if std::io::stderr().is_terminal() { ProgressDrawTarget::stderr() } else { ProgressDrawTarget::hidden() };
        let bar = ProgressBar::with_draw_target(None, target);
        let style = ProgressStyle::with_template("{msg:<22} {bar:30} {pos}/{len}  {per_sec}  {eta} left");
        bar.set_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()));
        Self(bar)
    }

    /// Shows that `done` of `total` frames of a stage are through.
    pub fn show(&self, stage: Stage, done: usize, total: usize) {
        let words = match stage {
            Stage::Looking => "looking at headers",
            Stage::Sensor => "measuring the sensor",
            Stage::Stars => "measuring stars",
        };
        if done <= 1 {
            self.0.reset();
            self.0.set_message(words);
        }
        self.0.set_length(total as u64);
        self.0.set_position(done as u64);
    }

    /// Removes the bar.
    pub fn finish(&self) {
        self.0.finish_and_clear();
    }
}
