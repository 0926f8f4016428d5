//! Results on standard output.

use std::io::Write;

use super::error::CliError;
use super::status::ALL_HANDLED;

pub fn print(text: &str) -> Result<(), CliError> {
    print_bytes(text.as_bytes()).map(|_| ())
}

pub fn print_bytes(text: &[u8]) -> Result<u8, CliError> {
    let mut out = std::io::stdout().lock();
    out.write_all(text)?;
    out.flush()?;
    Ok(ALL_HANDLED)
}
