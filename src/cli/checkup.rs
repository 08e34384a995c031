//! `checkup`: what is wrong with ports, cells, sensors, disk and clock, in plain words, and what
//! to do.

use super::{Context, REFUSED, screen, watch};
use crate::checkup::{self, Finding, Step};
use crate::store::Settings;
use anstyle::{AnsiColor, Style};
use anyhow::Context as _;
use serde::Serialize;
use std::fmt::Write as _;
use std::io::IsTerminal;
use std::process::ExitCode;
use std::time::Duration;

/// Options of `checkup`.
#[derive(clap::Args, Debug)]
#[command(after_help = "\
What is wrong stands first, each with what to do. Nothing is changed, and a port
that another program has is left alone: while `watch` runs, what it stored last is
looked at.
Exit status: 0 all is fine; 1 something is wrong; 2 it could not be looked at.")]
pub struct Args {
    /// A serial port to look at, in place of those of studio.toml; may be given more than once
    #[arg(long, value_name = "PATH", value_hint = clap::ValueHint::FilePath)]
    pub port: Vec<String>,
    /// Its baud rate, in the order of the ports, or one for all [default: 9600]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..))]
    pub baud: Vec<u32>,
    /// How long to listen to each free port, all at once; 0: not at all
    #[arg(long, value_name = "SECONDS", default_value_t = 12,
          value_parser = clap::value_parser!(u64).range(..=3600))]
    pub listen: u64,
    /// For programs
    #[arg(long)]
    pub json: bool,
}

/// What programs are told.
#[derive(Serialize)]
struct Answer<'a> {
    at: String,
    wrong: usize,
    findings: &'a [Finding],
}

/// Runs `checkup`.
pub fn run(args: Args, context: &Context) -> anyhow::Result<ExitCode> {
    // Settings that cannot be read are a finding, not the end.
    let settings = Settings::read(&context.studio).unwrap_or_default();
    let by_hand = watch::ports(&args.port, &args.baud, &settings)?;
    let listen = Duration::from_secs(args.listen);
    let tell = || {
        if std::io::stderr().is_terminal() {
            screen::tell(&format!("Listening for {} s …", args.listen));
        }
    };
    let facts = checkup::look::look(&context.studio, by_hand, listen, tell)
        .context("this computer could not be looked at")?;
    let findings = checkup::judge(&facts, &context.command());
    let wrong = findings.iter().filter(|finding| finding.wrong).count();
    if args.json {
        let at = facts.studio.at.timestamp().to_string();
        let answer = Answer { at, wrong, findings: &findings };
        screen::print(&format!("{}\n", serde_json::to_string_pretty(&answer)?))?;
    } else {
        screen::print(&page(&findings, screen::terminal_width()))?;
    }
    Ok(if wrong == 0 { ExitCode::SUCCESS } else { ExitCode::from(REFUSED) })
}

/// One line and more for each thing, what is wrong first.
fn page(findings: &[Finding], width: u16) -> String {
    let mut page = String::new();
    for finding in findings {
        page += &entry(finding, width);
    }
    let wrong = findings.iter().filter(|finding| finding.wrong).count();
    let last = match wrong {
        0 => "Nothing is wrong.".into(),
        1 => "1 thing is wrong; what stands first is often the cause of the rest.".into(),
        n => format!("{n} things are wrong; what stands first is often the cause of the rest."),
    };
    page + &format!("\n{last}\n")
}

fn entry(finding: &Finding, width: u16) -> String {
    let (word, colour) = match finding.wrong {
        true => ("WRONG", AnsiColor::Red),
        false => ("fine", AnsiColor::Green),
    };
    let text = format!("{word}: {}: {}", finding.about(), finding.text);
    let text = screen::hanging(&text, (0, 4), width);
    let style = Style::new().bold().fg_color(Some(colour.into()));
    let mut entry = text.replacen(word, &format!("{style}{word}{style:#}"), 1);
    for step in &finding.to_do {
        match step {
            Step::Say(text) => entry += &screen::hanging(text, (4, 4), width),
            // To copy: never broken.
            Step::Run(text) | Step::Write(text) => {
                for line in text.lines() {
                    let _ = writeln!(entry, "      {line}");
                }
            }
        }
    }
    entry
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::checkup::What;

    #[test]
    fn what_is_wrong_says_what_to_do_and_commands_stay_in_one_piece() {
        let port = "/dev/serial/by-id/usb-a-board-with-a-long-name-that-goes-on-and-on-if00-port0";
        let wrong = Finding::wrong(
            What::Port,
            "no-permission",
            "you may not open it: it belongs \
            to the group dialout, and you are not in it",
        )
        .of([port])
        .say("Join the group, then log out and in again:")
        .run("sudo usermod -aG dialout ana-with-a-very-long-name-that-fits-no-line-of-a-terminal");
        let fine = Finding::fine(What::Disk, "50 GB free");
        let page = page(&[wrong, fine], 80);
        let page = anstream::adapter::strip_str(&page).to_string();
        let expected = [
            "WRONG: port",
            "    /dev/serial/by-id/usb-a-board-with-a-long-name-that-goes-on-and-on-if00-port0:",
            "    you may not open it: it belongs to the group dialout, and you are not in it",
            "    Join the group, then log out and in again:",
            "      sudo usermod -aG dialout ana-with-a-very-long-name-that-fits-no-line-of-a-terminal",
            "fine: disk: 50 GB free",
            "",
            "1 thing is wrong; what stands first is often the cause of the rest.",
        ];
        assert_eq!(page.lines().collect::<Vec<_>>(), expected);
    }
}
