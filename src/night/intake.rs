//! First look at every file: header, a sample of rows, and the kind that both support.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};

use jiff::civil::DateTime;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::facts::header::HeaderCaution;
use crate::facts::{FrameKind, KindSource, LeftOut};
use crate::fits::{Cards, FitsError, Geometry, ImageFile};
use crate::folder::{Content, FoundFile, FrameHeader, Rig, SensorKey, content_of, read_header};
use crate::frame::{Survey, survey};
use crate::report::words::left_out::left_out;
use crate::report::{FrameRow, FrameStatus};

use super::cache::{Fingerprint, Kept, What};
use super::fault::unreadable;
use super::input::{Progress, Stage};
use super::kinds::{Told, kind_of};

/// A frame whose header and sample rows were read.
#[derive(Debug, Clone)]
pub struct Read {
    pub header: FrameHeader,
    pub geometry: Geometry,
    pub survey: Survey,
    /// Step to which lossy compression rounded its pixels, ADU.
    pub rounded_to_adu: Option<f64>,
    /// The kind it is used as.
    pub kind: FrameKind,
    pub kind_source: KindSource,
    /// Another kind that something of more trust says.
    pub denied: Option<FrameKind>,
    /// The kind that names of file and folders tell.
    pub named: Option<FrameKind>,
    pub sensor: SensorKey,
    /// Of a light that shows a part of that sensor.
    pub window: Option<Window>,
}

/// Where a light lies on its sensor.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Window {
    /// Column and row of the sensor that its first pixel is; `None` where no card tells.
    pub corner: Option<[usize; 2]>,
}

impl Read {
    /// Its place in time, then in the list of files, of which it is number `index`.
    pub fn in_time(&self, index: usize) -> (Option<DateTime>, usize) {
        (self.header.start_utc.as_ref().map(|start| start.value), index)
    }

    /// Whether its numbers are no codes of a camera, and no compression has rounded such.
    pub fn is_processed(&self) -> bool {
        self.survey.is_fractional() && self.rounded_to_adu.is_none() && !self.header.in_electrons
    }
}

/// One file and what became of it so far.
#[derive(Debug, Clone)]
pub struct Intake {
    pub file: FoundFile,
    /// As the file was at the first look; `None` where its measurements are not kept.
    pub fingerprint: Option<Fingerprint>,
    pub outcome: Outcome,
}

/// What the first look gave.
#[derive(Debug, Clone)]
pub enum Outcome {
    /// It may be measured.
    Read(Box<Read>),
    /// It is left out, with the reason; what was read of it, if anything.
    Excluded(LeftOut, Option<Box<Read>>),
    /// It cannot be read, with the reason.
    Unreadable(LeftOut),
}

impl Intake {
    /// The frame, if it may be measured.
    pub fn read(&self) -> Option<&Read> {
        match &self.outcome {
            Outcome::Read(read) => Some(read),
            _ => None,
        }
    }

    /// File and reason, for a message.
    pub fn first_words(&self) -> String {
        match &self.outcome {
            Outcome::Read(_) => self.file.shown.clone(),
            Outcome::Excluded(why, _) | Outcome::Unreadable(why) => format!("{}: {}", self.file.shown, left_out(why)),
        }
    }

    /// Leaves the frame out from here on.
    pub fn exclude(&mut self, why: LeftOut) {
        if let Outcome::Read(read) = &self.outcome {
            self.outcome = Outcome::Excluded(why, Some(read.clone()));
        }
    }

    /// The report's row, without measurements.
    pub fn row(&self) -> FrameRow {
        let (status, left_out, read) = match &self.outcome {
            Outcome::Read(read) => (FrameStatus::Used, None, Some(read)),
            Outcome::Excluded(why, read) => (FrameStatus::Excluded, Some(why.clone()), read.as_ref()),
            Outcome::Unreadable(why) => (FrameStatus::Unreadable, Some(why.clone()), None),
        };
        let kind = read.map_or(FrameKind::Unknown, |r| r.kind);
        let mut row = FrameRow::bare(self.file.shown.clone(), kind, status);
        row.left_out = left_out;
        if let Some(read) = read {
            let h = &read.header;
            row.kind_source.clone_from(&read.kind_source);
            row.exposure_s = h.exposure_s.as_ref().map(|e| e.value);
            row.sensor_celsius = h.celsius().map(|(c, _)| c);
            row.filter = h.filter.as_ref().map(|f| f.value.clone());
            row.camera = h.camera.as_ref().map(|c| c.value.clone());
            row.width = Some(read.geometry.width);
            row.height = Some(read.geometry.height);
            row.level_adu = Some(read.survey.level_adu);
            row.start_utc = h.start_utc.as_ref().map(|s| s.value);
        }
        row
    }
}

/// Looks at every file, in parallel, in the order given.
pub fn look_at_all(files: Vec<FoundFile>, rig: &Rig, kept: &Kept, progress: Progress) -> Vec<Intake> {
    let (done, total) = (AtomicUsize::new(0), files.len());
    let looked: Vec<(Intake, Option<u64>)> = files
        .into_par_iter()
        .map(|file| {
            let length = length_of(&file.path);
            let intake = look_at_one(file, rig, kept);
            progress(Stage::Looking, done.fetch_add(1, Ordering::Relaxed) + 1, total);
            (intake, length)
        })
        .collect();
    looked.into_par_iter().map(|(intake, length)| once_more(intake, length, rig, kept)).collect()
}

/// Looks at one file.
pub fn look_at_one(file: FoundFile, rig: &Rig, kept: &Kept) -> Intake {
    let fits = file.content == Content::Fits;
    let fingerprint = if fits { kept.fingerprint(&file.path) } else { None };
    let outcome = look_at(&file, fingerprint.as_ref(), rig, kept);
    Intake { file, fingerprint, outcome }
}

/// Looks again, once, at a file that was not readable and has changed its length since: it was being written.
fn once_more(intake: Intake, length: Option<u64>, rig: &Rig, kept: &Kept) -> Intake {
    if !matches!(intake.outcome, Outcome::Unreadable(_)) || length_of(&intake.file.path) == length {
        return intake;
    }
    let content = content_of(&intake.file.path);
    let file = FoundFile { content, ..intake.file };
    let mut again = look_at_one(file, rig, kept);
    if let Outcome::Unreadable(why) = again.outcome {
        again.outcome = Outcome::Unreadable(LeftOut::StillBeingWritten { because: Box::new(why) });
    }
    again
}

fn length_of(path: &Path) -> Option<u64> {
    std::fs::metadata(path).ok().map(|m| m.len())
}

fn look_at(file: &FoundFile, fingerprint: Option<&Fingerprint>, rig: &Rig, kept: &Kept) -> Outcome {
    match &file.content {
        Content::Fits => {}
        Content::SameAs(other) => return Outcome::Excluded(LeftOut::LinkToSameFile { file: other.clone() }, None),
        Content::Other(what) => {
            let why = LeftOut::NotFits { content: *what, named_fits: file.named_fits };
            // A log or a picture among the frames is no fault; a file named as a frame that is none is.
            return if file.named_fits { Outcome::Unreadable(why) } else { Outcome::Excluded(why, None) };
        }
        Content::Unreadable(why) => return Outcome::Unreadable(LeftOut::NotReadable(why.clone())),
    }
    let seen = kept.or_measure(What::Look, [(file.path.as_path(), fingerprint)], &(), || see(file));
    match seen.map(|seen| read(seen, file, rig)) {
        Err(error) => Outcome::Unreadable(unreadable(&error)),
        Ok(None) => Outcome::Unreadable(LeftOut::NoValidPixels),
        Ok(Some(read)) => match read.kind {
            FrameKind::Master => Outcome::Excluded(LeftOut::Combination, Some(Box::new(read))),
            _ => Outcome::Read(Box::new(read)),
        },
    }
}

/// What a file holds, before anything is made of it.
#[derive(Serialize, Deserialize)]
struct Seen {
    cards: Cards,
    geometry: Geometry,
    /// Images behind the one that is measured.
    further: usize,
    /// `None` where every pixel is undefined.
    survey: Option<Survey>,
    /// Step to which lossy compression rounded the pixels, ADU.
    rounded_to_adu: Option<f64>,
}

fn see(file: &FoundFile) -> Result<Seen, FitsError> {
    let mut image = ImageFile::open(&file.path)?;
    let cards = image.cards()?;
    let further = image.further_images()?;
    let survey = survey(&mut image)?;
    let rounded_to_adu = image.rounded_to_adu();
    Ok(Seen { cards, geometry: image.geometry, further, survey, rounded_to_adu })
}

fn read(seen: Seen, file: &FoundFile, rig: &Rig) -> Option<Read> {
    let Seen { cards, geometry, further, survey, rounded_to_adu } = seen;
    let mut header = read_header(&cards);
    rig.apply(&mut header);
    if further > 0 {
        header.notes.push(HeaderCaution::FurtherImages { hdu: geometry.hdu, further });
    }
    let survey = survey?;
    let Told { kind, source: kind_source, denied, named } = kind_of(file, &header, &survey, rig);
    let sensor = SensorKey::of(&header, geometry.width, geometry.height, geometry.planes);
    Some(Read { header, geometry, survey, rounded_to_adu, kind, kind_source, denied, named, sensor, window: None })
}

/// Places in the list of the frames of each sensor.
pub fn by_sensor(intakes: &[Intake]) -> BTreeMap<SensorKey, Vec<usize>> {
    let mut sensors: BTreeMap<SensorKey, Vec<usize>> = BTreeMap::new();
    for (index, read) in intakes.iter().enumerate().filter_map(|(i, intake)| Some((i, intake.read()?))) {
        sensors.entry(read.sensor.clone()).or_default().push(index);
    }
    sensors
}

/// The reads of some kinds, with their place in the list.
pub fn reads_of(intakes: &[Intake], kinds: &[FrameKind]) -> Vec<(usize, Read)> {
    let wanted = |i: &Intake| i.read().filter(|r| kinds.contains(&r.kind)).cloned();
    intakes.iter().enumerate().filter_map(|(k, i)| wanted(i).map(|r| (k, r))).collect()
}
