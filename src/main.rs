//! The binary: arguments, one call, an exit status.

use std::process::ExitCode;

use clap::Parser;
use weighbridge::cli;

fn main() -> ExitCode {
    cli::execute(cli::Args::parse()).into()
}
