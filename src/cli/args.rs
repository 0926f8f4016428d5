//! Arguments as typed.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};

use crate::folder::{FrameKind, POINTING_FORMS, Pointing, each_kind};

/// Measures what a night's own FITS frames say: star sharpness, sampling, sensor noise, and what cooling would gain.
#[derive(Debug, Parser)]
#[command(name = "skygrain", version, about, after_help = EXAMPLES, max_term_width = 80)]
pub struct Arguments {
    /// No progress and no notes on standard error; errors are still said
    #[arg(short, long, global = true, conflicts_with = "verbose")]
    pub quiet: bool,
    /// Say on standard error when each stage is through, with its frames and its time
    #[arg(short, long, global = true)]
    pub verbose: bool,
    #[command(subcommand)]
    pub command: Command,
}

const EXAMPLES: &str = "\
Examples:
  skygrain demo                          a simulated night, measured and compared with its truth
  skygrain night ~/astro/2031-10-04      report on a night: lights, and darks, bias and flats if there are any
  skygrain night lights darks --rig rig.toml --out report
  skygrain sensor ~/astro/calibration    the detector alone
  skygrain frames *.fits --format csv    one row per frame
  skygrain upgrade skygrain-report/report.json --options options.toml
  skygrain completions bash > ~/.local/share/bash-completion/completions/skygrain
  skygrain manual night | man -l -
  skygrain licences | less

Exit status: 0 all frames handled; 1 report written, some files could not be
read or used; 2 nothing produced.";

const NIGHT_EXAMPLES: &str = "\
Examples:
  skygrain night ~/astro/2031-10-04            writes ./skygrain-report
  skygrain night lights darks flats --rig rig.toml --out report
  skygrain night lights darks --defects map.fits --stars
  skygrain night tonight --dark ~/astro/library/60s    darks kept elsewhere
  skygrain night lights --explain lights/a.fits    how that file is understood
  skygrain night --explain a.fits                  the same of a file alone
  skygrain night ~/astro/tonight --watch       keeps the report current

Writes report.html (to read), report.json (all values) and frames.csv (a row
per frame); with --stars also stars.fits (a row per fitted star). What was
measured is kept in the folder cache beside them: a further run measures only
frames that are new or changed. The cache may be deleted at any time.
report.json obeys a JSON Schema: `skygrain schema` prints it, and
`skygrain schema --keys` the same as a table with units.

Exit status: 0 all frames handled; 1 report written, some files could not be
read or used; 2 nothing produced.";

const SENSOR_EXAMPLES: &str = "\
Examples:
  skygrain sensor ~/astro/calibration --out sensor-report
  skygrain sensor bias darks flats --defects map.fits";

/// Folders, rig file and place of the report.
#[derive(Debug, Args)]
pub struct Inputs {
    /// Folders that hold the frames; searched with all folders below them
    #[arg(required_unless_present_any = ["explain", "light", "dark", "flat", "bias", "dark_flat"])]
    pub folders: Vec<PathBuf>,
    #[command(flatten)]
    pub kinds: KindFolders,
    /// What the headers lack or get wrong (TOML)
    #[arg(long)]
    pub rig: Option<PathBuf>,
    /// Folder for the report
    #[arg(long, default_value = "skygrain-report")]
    pub out: PathBuf,
    /// Measure every frame anew, whatever earlier runs kept in the report's folder
    #[arg(long)]
    pub fresh: bool,
    /// Also write the pixels that the darks show to be defective, as a FITS image of bytes
    #[arg(long, value_name = "FILE.fits")]
    pub defects: Option<PathBuf>,
    /// Print how this one file is understood, alone or as one of the folders': each value with its card, what it
    /// belongs to, what was left out and why; writes nothing
    #[arg(long, value_name = "FILE")]
    pub explain: Option<PathBuf>,
}

/// Folders whose frames are all of one kind.
#[derive(Debug, Args)]
pub struct KindFolders {
    /// Folder of lights, where headers do not say so; searched as well, and may be given several times
    #[arg(long, value_name = "FOLDER")]
    light: Vec<PathBuf>,
    /// Folder of darks: a library of another night, say
    #[arg(long, value_name = "FOLDER")]
    dark: Vec<PathBuf>,
    /// Folder of flats
    #[arg(long, value_name = "FOLDER")]
    flat: Vec<PathBuf>,
    /// Folder of bias frames
    #[arg(long, value_name = "FOLDER")]
    bias: Vec<PathBuf>,
    /// Folder of darks of the flats' exposure
    #[arg(long, value_name = "FOLDER")]
    dark_flat: Vec<PathBuf>,
}

impl KindFolders {
    /// Each folder with the kind of its frames.
    pub fn all(&self) -> Vec<(FrameKind, PathBuf)> {
        let lists: [&[PathBuf]; 5] = [&self.light, &self.dark, &self.flat, &self.bias, &self.dark_flat];
        each_kind(lists).map(|(kind, folder)| (kind, folder.clone())).collect()
    }
}

#[derive(Debug, Subcommand)]
pub enum Command {
    /// Measure every frame below the folders and write the report
    #[command(after_help = NIGHT_EXAMPLES)]
    Night {
        #[command(flatten)]
        inputs: Inputs,
        /// Also write stars.fits: one row per fitted star (binary table)
        #[arg(long)]
        stars: bool,
        /// Where the telescope pointed (J2000), for frames whose headers do not tell: hours and degrees in sixtieths, or
        /// both in degrees
        #[arg(long, value_name = "RA DEC", value_parser = pointing, allow_hyphen_values = true)]
        pointing: Option<String>,
        /// Keep the report current while frames come in, with a line for each on standard output; Ctrl-C ends
        #[arg(long)]
        watch: bool,
    },
    /// Measure the detector alone, from bias, dark and flat frames
    #[command(after_help = SENSOR_EXAMPLES)]
    Sensor(Inputs),
    /// Print one row per frame
    Frames {
        /// Files or folders
        #[arg(required = true)]
        files: Vec<PathBuf>,
        /// What the headers lack or get wrong (TOML)
        #[arg(long)]
        rig: Option<PathBuf>,
        /// Form of the rows
        #[arg(long, value_enum, default_value_t = FrameFormat::Table)]
        format: FrameFormat,
    },
    /// Compare cameras, a cooler or other optics with what a report measured
    Upgrade {
        /// The report.json of an earlier run
        report: PathBuf,
        /// What could be bought, and your conditions (TOML)
        #[arg(long)]
        options: PathBuf,
        /// Folder for upgrade.json
        #[arg(long, default_value = "skygrain-report")]
        out: PathBuf,
    },
    /// Print what a shell needs to complete this program's arguments
    Completions {
        /// The shell
        shell: clap_complete::Shell,
    },
    /// Print the JSON Schema of report.json
    Schema {
        /// Print a table of every key with its unit and meaning instead (Markdown)
        #[arg(long)]
        keys: bool,
    },
    /// Print the licences and notices that go with every copy of this program
    Licences,
    /// Print a manual page (roff, for `man -l -`)
    Manual {
        /// The command that it is about; without one, the program as a whole
        command: Option<String>,
    },
    /// Simulate a night with a rig of our own invention, measure it, compare with the truth
    Demo {
        /// New or empty folder for the frames
        #[arg(default_value = "skygrain-demo")]
        folder: PathBuf,
        /// Folder for the report
        #[arg(long, default_value = "skygrain-report")]
        out: PathBuf,
        /// Seed of the simulation
        #[arg(long, default_value_t = 1)]
        seed: u64,
    },
}

/// A pointing as typed, if it is one.
fn pointing(text: &str) -> Result<String, String> {
    let known = Pointing::parse(text).map(|_| text.to_owned());
    known.ok_or_else(|| format!("not {POINTING_FORMS}"))
}

/// Form of the rows of `skygrain frames`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum FrameFormat {
    /// For reading
    Table,
    /// For spreadsheets
    Csv,
    /// One JSON object a line
    Jsonl,
}
