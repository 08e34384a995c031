//! `report`: what to trim now, what comes next, what is dry, what is doubtful and why.

use super::names::{Roll, list};
use super::screen::{self, Look};
use super::when::{self, Lean};
use super::{Context, words::Words};
use crate::answers;
use crate::core::report::Report;
use crate::store::Store;
use crate::store::files::Standing;
use crate::store::settings::Settings;
use crate::units::Time;
use std::io::{BufWriter, Write};
use std::process::ExitCode;

/// Options of `report`.
#[derive(clap::Args, Debug)]
#[command(after_long_help = "\
What the columns mean:
  grams    (or ounces) water that will still leave in this air; in brackets the
           range that holds in 8 of 10 cases. Too wide: weigh the pot again.
  percent  mean water of the pot, of its dry clay.
  times    in the studio's time zone. \"about\" is the middle of the forecast; in
           brackets the range that holds in 8 of 10 cases. \"kept like this\"
           means under the covers in the log, with those that are planned.

With --json only JSON goes to standard output; the same studio and time give the
same bytes.")]
pub struct Args {
    /// The report as it would have been at that time (18:25, yesterday 9:10, 2031-04-02 18:25 …)
    /// [default: now]
    #[arg(long, value_name = "WHEN")]
    pub at: Option<String>,
    /// As JSON, for programs
    #[arg(long)]
    pub json: bool,
}

/// Runs `report`.
pub fn run(args: Args, context: &Context) -> anyhow::Result<ExitCode> {
    let store = context.open()?;
    let words = looking_at(args.at.as_deref(), context, store.settings())?;
    let air_told_until = air_forecast(&store, &words);
    let mut report = answers::report(&store.studio(words.now)?);
    if args.json {
        write_json(&report, &mut BufWriter::new(std::io::stdout().lock()))?;
    } else {
        let (roll, all) = (Roll::read(&store)?, report.pots.len());
        report.pots.retain(|pot| roll.past_it(&pot.pot, words.now).is_none());
        let look = Look {
            width: screen::terminal_width(),
            command: context.command(),
            finished: all - report.pots.len(),
            air_told_until,
        };
        anstream::stdout().lock().write_all(screen::page(&report, &words, &look).as_bytes())?;
        if words.live {
            readings_of_the_future(&store, &words)?;
        }
    }
    Ok(ExitCode::SUCCESS)
}

/// Says what is wrong with the air forecast, if there is one; up to when it counts.
pub fn air_forecast(store: &Store, words: &Words) -> Option<Time> {
    let forecast = store.air_forecast()?;
    let remarks = forecast.remarks(words.now, |time| words.time(time));
    remarks.iter().for_each(|remark| screen::complain(remark));
    match forecast.standing(words.now) {
        Standing::Until(time) => Some(time),
        _ => None,
    }
}

/// Says which sources send times that are yet to come: a wrong clock, or a shelf played fast.
fn readings_of_the_future(store: &Store, words: &Words) -> anyhow::Result<()> {
    const SLACK_S: f64 = 600.0;
    let ahead = store.ahead_of(words.now.plus(SLACK_S))?;
    let Some(latest) = ahead.iter().map(|(_, time)| *time).max() else { return Ok(()) };
    screen::complain(&format!(
        "{} sent readings of the future (up to {}), which count from their time on: is the clock \
         right there? --at looks at a later time",
        list(ahead.iter().map(|(source, _)| source)),
        words.full_time(latest)
    ));
    Ok(())
}

/// How to say things at a time that was asked for: now, or an `--at`.
pub fn looking_at(
    at: Option<&str>,
    context: &Context,
    settings: &Settings,
) -> anyhow::Result<Words> {
    let words = context.words(settings, None)?;
    let Some(text) = at else { return Ok(words) };
    let when = when::parse(text, words.now, &words.zone, Lean::Past)?;
    if let Some(remark) = when.remark {
        screen::complain(&remark);
    }
    context.words(settings, Some(when.time))
}

/// The report as JSON: the same report gives the same bytes.
pub fn write_json(report: &Report, out: &mut impl Write) -> anyhow::Result<()> {
    serde_json::to_writer_pretty(&mut *out, report).map_err(std::io::Error::from)?;
    writeln!(out)?;
    out.flush()?;
    Ok(())
}
