//! What is told of frames besides the result: those that cannot be used, and what the user should know of others.

use std::collections::BTreeSet;
use std::path::PathBuf;

use crate::facts::sensor_caution::SensorCaution;
use crate::fits::FitsError;

use super::flats::filter::FlatOutcome;
use super::plane::load::LoadError;

/// What the user should know, and of which frames.
#[derive(Debug, Clone, PartialEq)]
pub struct CautionedFrames {
    pub about: SensorCaution,
    pub paths: Vec<PathBuf>,
}

/// Gathered while the frames go by.
#[derive(Debug, Default)]
pub(crate) struct Gathered {
    pub refused: Vec<(PathBuf, LoadError)>,
    cautions: Vec<CautionedFrames>,
}

impl Gathered {
    pub fn caution(&mut self, about: SensorCaution, paths: Vec<PathBuf>) {
        self.cautions.push(CautionedFrames { about, paths });
    }

    /// A copy has no noise of its own: it would make a pair without noise.
    pub fn copies(&mut self, copies: Vec<[PathBuf; 2]>) {
        if !copies.is_empty() {
            self.caution(SensorCaution::IdenticalFrames, copies.into_iter().map(|[copy, _]| copy).collect());
        }
    }

    /// Takes over what is to be told of the flats of one filter.
    pub fn flats(&mut self, outcome: &mut FlatOutcome) {
        self.refused.append(&mut outcome.refused);
        if let Some((paths, correlation)) = outcome.smoothed.take() {
            self.caution(SensorCaution::FlatsResampled { correlation }, paths);
        }
        if !outcome.clipped.is_empty() {
            self.caution(SensorCaution::FlatClipped, std::mem::take(&mut outcome.clipped));
        }
        self.copies(std::mem::take(&mut outcome.copies));
        // A lamp that flickers does so in all: said once, with the strongest.
        let scatter = outcome.banded.iter().map(|(_, scatter)| *scatter).fold(0.0, f64::max);
        let banded: BTreeSet<PathBuf> = outcome.banded.drain(..).flat_map(|(pair, _)| pair.to_vec()).collect();
        if !banded.is_empty() {
            self.caution(SensorCaution::FlatFlicker { scatter }, banded.into_iter().collect());
        }
        // So does a sky that brightens: with the pair that differs most.
        let most =
            outcome.mismatched.iter().map(|(_, ratio)| *ratio).max_by(|a, b| a.ln().abs().total_cmp(&b.ln().abs()));
        let unlike: BTreeSet<PathBuf> = outcome.mismatched.drain(..).flat_map(|(pair, _)| pair.to_vec()).collect();
        if let Some(ratio) = most {
            self.caution(SensorCaution::FlatLevelsDiffer { ratio }, unlike.into_iter().collect());
        }
    }

    /// Files that cannot be read are failures; frames that do not fit are cautions.
    pub fn sorted(mut self) -> (Vec<(PathBuf, FitsError)>, Vec<CautionedFrames>) {
        let mut failures = Vec::new();
        for (path, error) in std::mem::take(&mut self.refused) {
            match error {
                LoadError::Fits(error) => failures.push((path, error)),
                LoadError::Unfit(about) => self.caution(about, vec![path]),
            }
        }
        (failures, self.cautions)
    }
}
