//! The command line: raw arguments, the progress bar, what is printed, the exit status.

mod args;
mod demo;
mod ending;
mod error;
mod job;
mod licences;
mod output;
mod progress;
mod status;
mod upgrade;
mod watch;

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::error::ErrorKind;
use clap::{CommandFactory, Parser};

use crate::fits::{read_apart_with, serve_if_asked};
use crate::folder::{Rig, RigError};
use crate::night::{NightInput, Scope, explain, run};
use crate::report::{FrameStatus, explained, frames_csv, key_table, schema_text};

use args::{Arguments, Command, FrameFormat, Inputs};
use error::CliError;
use job::Task;
use output::{print, print_bytes};
use progress::{Bar, Say};
use status::{ALL_HANDLED, NOTHING, SOME_LEFT_OUT, status_of};

/// Parses the arguments and does what they ask.
pub fn main() -> ExitCode {
    if let Some(served) = serve_if_asked(std::env::args_os()) {
        return ExitCode::from(if served.is_ok() { ALL_HANDLED } else { NOTHING });
    }
    if let Ok(program) = std::env::current_exe() {
        read_apart_with(program);
    }
    let arguments = match Arguments::try_parse() {
        Ok(arguments) => arguments,
        Err(error) => {
            let _ = error.print();
            if error.kind() == ErrorKind::InvalidSubcommand {
                eprintln!("To measure a folder: skygrain night FOLDER");
            }
            return ExitCode::from(if error.use_stderr() { NOTHING } else { ALL_HANDLED });
        }
    };
    let say = Say::of(arguments.quiet, arguments.verbose);
    match carry_out(arguments.command, say) {
        Ok(status) => ExitCode::from(status),
        // A reader that closed the pipe has seen what it wanted.
        Err(CliError::Output(error)) if error.kind() == std::io::ErrorKind::BrokenPipe => ExitCode::from(ALL_HANDLED),
        Err(error) => {
            eprintln!("skygrain: {error}");
            ExitCode::from(NOTHING)
        }
    }
}

fn carry_out(command: Command, say: Say) -> Result<u8, CliError> {
    match command {
        Command::Night { inputs, pointing, stars, watch } => {
            let (mut rig, inputs) = with_kinds(inputs)?;
            rig.pointing = pointing.or(rig.pointing);
            if let Some(file) = inputs.explain.clone() {
                return explain_one(&file, inputs, rig, say);
            }
            let task = task(inputs, rig, Scope::Night, stars);
            if watch { watch::watch(task, say) } else { Ok(job::once(task, say)?.status) }
        }
        Command::Sensor(inputs) => {
            let (rig, inputs) = with_kinds(inputs)?;
            if let Some(file) = inputs.explain.clone() {
                return explain_one(&file, inputs, rig, say);
            }
            Ok(job::once(task(inputs, rig, Scope::Sensor, false), say)?.status)
        }
        Command::Frames { files, rig, format } => frames(files, rig.as_deref(), format, say),
        Command::Completions { shell } => {
            let mut text = Vec::new();
            clap_complete::generate(shell, &mut Arguments::command(), "skygrain", &mut text);
            print_bytes(&text)
        }
        Command::Schema { keys } => print_bytes(if keys { key_table() } else { schema_text() }.as_bytes()),
        Command::Licences => print_bytes(licences::notices().as_bytes()),
        Command::Manual { command } => print_bytes(&manual(command.as_deref())?),
        Command::Upgrade { report, options, out } => upgrade::compare(&report, &options, out),
        Command::Demo { folder, out, seed } => demo::demo(folder, out, seed, say),
    }
}

/// The manual page of a command, or of the program.
fn manual(command: Option<&str>) -> Result<Vec<u8>, CliError> {
    let mut about = Arguments::command();
    about.build();
    let page = match command {
        None => about,
        Some(name) => match about.find_subcommand(name) {
            Some(found) => found.clone(),
            None => {
                let known: Vec<&str> = about.get_subcommands().map(clap::Command::get_name).collect();
                return Err(CliError::NoSuchCommand { name: name.to_owned(), known: known.join(", ") });
            }
        },
    };
    let mut text = Vec::new();
    clap_mangen::Man::new(page).render(&mut text)?;
    Ok(text)
}

/// Prints how one file is understood; nothing is written.
fn explain_one(file: &Path, inputs: Inputs, rig: Rig, say: Say) -> Result<u8, CliError> {
    let input = NightInput { folders: inputs.folders, out: inputs.out, rig, stars: false };
    let bar = Bar::new(say);
    let explanation = explain(file, &input, &|stage, done, total| bar.show(stage, done, total))?;
    bar.finish();
    print(&explained(&explanation))?;
    Ok(if explanation.row.status == FrameStatus::Used { ALL_HANDLED } else { SOME_LEFT_OUT })
}

fn task(inputs: Inputs, rig: Rig, scope: Scope, stars: bool) -> Task {
    let Inputs { folders, out, fresh, defects, .. } = inputs;
    Task { input: NightInput { folders, out, rig, stars }, scope, defects, fresh }
}

/// The rig file, with the folders of one kind; those are searched as well.
fn with_kinds(mut inputs: Inputs) -> Result<(Rig, Inputs), CliError> {
    let rig = read_rig(inputs.rig.as_deref())?;
    let kind_folders = inputs.kinds.all();
    inputs.folders.extend(kind_folders.iter().map(|(_, folder)| folder.clone()));
    Ok((Rig { kind_folders, ..rig }, inputs))
}

fn read_rig(path: Option<&Path>) -> Result<Rig, RigError> {
    path.map_or_else(|| Ok(Rig::default()), Rig::read)
}

fn frames(files: Vec<PathBuf>, rig: Option<&Path>, format: FrameFormat, say: Say) -> Result<u8, CliError> {
    let input = NightInput { folders: files, out: PathBuf::new(), rig: read_rig(rig)?, stars: false };
    let bar = Bar::new(say);
    let report = run(&input, Scope::Frames, &|stage, done, total| bar.show(stage, done, total))?;
    bar.finish();
    let text = match format {
        FrameFormat::Csv => frames_csv(&report)?,
        FrameFormat::Jsonl => {
            let lines = report.frames.iter().map(serde_json::to_string).collect::<Result<Vec<_>, _>>()?;
            lines.join("\n") + "\n"
        }
        FrameFormat::Table => crate::report::frame_table(&report),
    };
    print(&text)?;
    Ok(status_of(&report))
}
