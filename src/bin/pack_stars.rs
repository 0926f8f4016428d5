//! Packs a plain list of stars into the catalogue that the program carries: `pack_stars LIST PACKED`.

use std::process::ExitCode;

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [list, packed] = arguments.as_slice() else {
        eprintln!("usage: pack_stars LIST PACKED");
        return ExitCode::from(2);
    };
    let done = std::fs::read(list)
        .map_err(|e| format!("{list}: {e}"))
        .and_then(|bytes| skygrain::sky::pack(&bytes).map_err(|e| format!("{list}: {e}")))
        .and_then(|bytes| std::fs::write(packed, bytes).map_err(|e| format!("{packed}: {e}")));
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(why) => {
            eprintln!("pack_stars: {why}");
            ExitCode::from(2)
        }
    }
}
