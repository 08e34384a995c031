//! Parse, set up the log, run one command, exit status.
//!
//! Exit status of every command: 0 done; 1 some rows were refused, (for `ready`) nothing is ready,
//! or (for `checkup`) something is wrong; 2 wrong usage, or it could not be done.

use clap::{CommandFactory, Parser};
use clap_complete::CompleteEnv;
use std::process::ExitCode;
use warecast::cli::{self, Cli};

fn main() -> ExitCode {
    CompleteEnv::with_factory(Cli::command).complete();
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) => return cli::say_usage(&error),
    };
    cli::log::start();
    match cli.run() {
        Ok(status) => status,
        Err(error) if cli::reader_went_away(&error) => ExitCode::SUCCESS,
        Err(error) => {
            cli::say_error(&error);
            ExitCode::from(cli::FAILED)
        }
    }
}
