//! Packs a plain list of stars into the catalogue that the program carries: `pack_stars LIST PACKED`.

use std::process::ExitCode;

use skygrain::sky::{PackError, pack};

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [list, packed] = arguments.as_slice() else {
        eprintln!("usage: pack_stars LIST PACKED");
        return ExitCode::from(2);
    };
    let done = std::fs::read(list)
        .map_err(|e| format!("{list}: {e}"))
        .and_then(|bytes| pack(&bytes).map_err(|e| format!("{list}: {}", in_words(e))))
        .and_then(|bytes| std::fs::write(packed, bytes).map_err(|e| format!("{packed}: {e}")));
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(why) => {
            eprintln!("pack_stars: {why}");
            ExitCode::from(2)
        }
    }
}

fn in_words(error: PackError) -> String {
    match error {
        PackError::Length(bytes) => format!("the list has {bytes} bytes, which is no multiple of 10"),
        PackError::Record(number) => {
            format!("record {number} has a declination beyond the poles, or is fainter than the packed form can hold")
        }
    }
}
