//! `export`: the whole studio as studio files (CSV).

use super::Context;
use crate::store::{Store, files};
use std::io::{self, Write};
use std::path::PathBuf;
use std::process::ExitCode;

/// Options of `export`.
#[derive(clap::Args, Debug)]
pub struct Args {
    /// The folder to write bodies.csv, pots.csv, handling.csv, readings.csv and the others into
    #[arg(value_hint = clap::ValueHint::DirPath)]
    pub folder: PathBuf,
    /// Overwrite these files where they are there already
    #[arg(long)]
    pub force: bool,
}

/// Runs `export`.
pub fn run(args: Args, context: &Context) -> anyhow::Result<ExitCode> {
    let store = Store::open(&context.studio)?;
    let mut out = io::stderr().lock();
    for (file, rows) in files::export(&store, &args.folder, args.force)? {
        writeln!(out, "{file}: {rows} written")?;
    }
    Ok(ExitCode::SUCCESS)
}
