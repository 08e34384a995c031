//! `report`: what to trim now, what comes next, what is dry, what is doubtful and why.

use super::Context;
use crate::core::report::Report;
use crate::store::Store;
use crate::units::Time;
use crate::{answers, clock};
use std::io::Write;
use std::process::ExitCode;

/// Options of `report`.
#[derive(clap::Args, Debug)]
pub struct Args {
    /// The report as it would have been at that time [default: now]
    #[arg(long, value_name = "WHEN")]
    pub at: Option<String>,
    /// As JSON, for programs
    #[arg(long)]
    pub json: bool,
}

/// Runs `report`.
pub fn run(args: Args, context: &Context) -> anyhow::Result<ExitCode> {
    let at = match &args.at {
        Some(text) => Time::parse_rfc3339(text)?,
        None => clock::now(),
    };
    let store = Store::open(&context.studio)?;
    let report = answers::report(&store.studio(at)?);
    write_json(&report, &mut std::io::stdout().lock())?;
    Ok(ExitCode::SUCCESS)
}

/// The report as JSON: the same report gives the same bytes.
pub fn write_json(report: &Report, out: &mut impl Write) -> anyhow::Result<()> {
    serde_json::to_writer_pretty(&mut *out, report).map_err(std::io::Error::from)?;
    writeln!(out)?;
    Ok(())
}
