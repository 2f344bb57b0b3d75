//! The `fanlight` command: arguments in, messages to standard error, data to standard output, an exit status.

use clap::Parser;
use std::process::ExitCode;

fn main() -> ExitCode {
    let arguments = fanlight::cli::Arguments::parse();
    fanlight::messages::start(arguments.verbosity());
    match fanlight::cli::run(arguments) {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            fanlight::messages::report(&failure);
            ExitCode::from(failure.status())
        }
    }
}
