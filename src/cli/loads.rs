//! Known masses put on a cell one after the other, for `calibrate`: what is asked, typed and shown.

use super::calibrate::{Args, FEWEST, mass};
use super::words::{Words, printable};
use super::{Context, screen};
use crate::sensing::plateau::Seen;
use crate::store::settings::DEFAULT_BAUD;
use crate::store::{PortSettings, Store};
use crate::watch::loads::{Loads, Next, Taken};
use crate::watch::lock::Lock;
use anyhow::bail;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::io::{BufRead, IsTerminal};
use std::sync::mpsc::{Receiver, TryRecvError, channel};
use std::time::{Duration, Instant};

/// Loads as they are put on.
pub fn live(
    args: &Args,
    source: &str,
    masses: &[f64],
    store: &Store,
    words: &Words,
    context: &Context,
) -> anyhow::Result<Vec<Taken>> {
    let mut loads = match (&args.port, Lock::holder(&context.studio)) {
        (None, Some(_)) => {
            screen::tell(&format!(
                "`warecast watch` has the ports: its readings of {} are followed. Let each load \
                 stand for a minute.",
                printable(source)
            ));
            Loads::in_store(store, source)
        }
        _ => Loads::on_port(&port(args, store)?, source)?,
    };
    let mut bench = Bench { args, source, words, typed: None, bar: bar() };
    if masses.is_empty() {
        bench.typed = Some(lines());
        bench.ask(&mut loads)?;
    } else {
        for (i, mass) in masses.iter().enumerate() {
            let what = bench.words.weighed(*mass);
            let what = if *mass == 0.0 { "Nothing".into() } else { what };
            screen::tell(&format!(
                "{what} on {}, please ({} of {}) …",
                printable(source),
                i + 1,
                masses.len()
            ));
            bench.wait_for(&mut loads, *mass)?;
        }
    }
    bench.bar.finish_and_clear();
    Ok(loads.taken().to_vec())
}

/// The port that the cell hangs on.
fn port(args: &Args, store: &Store) -> anyhow::Result<PortSettings> {
    let ports = &store.settings().port;
    let only = if let [only] = ports.as_slice() { Some(only) } else { None };
    let port = match &args.port {
        None => only.cloned(),
        Some(path) => {
            let known = ports.iter().find(|port| port.path == *path).cloned();
            Some(known.unwrap_or_else(|| PortSettings::senml(path, DEFAULT_BAUD)))
        }
    };
    let Some(mut port) = port else {
        bail!("on which port does it send? Name it with --port, or start `warecast watch`");
    };
    port.baud = args.baud.unwrap_or(port.baud);
    Ok(port)
}

/// Lines that are typed, or come from a file or another program.
fn lines() -> Receiver<String> {
    let (sender, receiver) = channel();
    std::thread::spawn(move || {
        for line in std::io::stdin().lock().lines().map_while(Result::ok) {
            if sender.send(line).is_err() {
                return;
            }
        }
    });
    receiver
}

fn bar() -> ProgressBar {
    let target = match std::io::stderr().is_terminal() {
        true => ProgressDrawTarget::stderr(),
        false => ProgressDrawTarget::hidden(),
    };
    let bar = ProgressBar::with_draw_target(Some(100), target);
    // The template is a constant; the default style serves if it ever should not parse.
    if let Ok(style) = ProgressStyle::with_template("  {bar:20} {msg}") {
        bar.set_style(style);
    }
    bar
}

/// Somebody puts masses on a cell.
struct Bench<'a> {
    args: &'a Args,
    source: &'a str,
    words: &'a Words,
    typed: Option<Receiver<String>>,
    bar: ProgressBar,
}

impl Bench<'_> {
    /// Asks what stands there, load by load, until nothing more is said.
    fn ask(&mut self, loads: &mut Loads) -> anyhow::Result<()> {
        screen::tell(
            "Put a load on, take the hands away, and type what it weighs; begin with 0 for the \
             empty cell with all that always stands on it. An empty line ends.",
        );
        let mut line = self.next_line(loads)?;
        while let Some(text) = line.take().filter(|text| !text.trim().is_empty()) {
            match mass(&text, self.words) {
                Ok(mass) => line = self.wait_for(loads, mass)?,
                Err(error) => screen::tell(&error.to_string()),
            }
            if line.is_none() {
                line = self.next_line(loads)?;
            }
        }
        let count = loads.taken().len();
        if count < FEWEST {
            bail!(
                "{count} loads are too few: nothing and two known masses at least. Nothing was stored"
            );
        }
        Ok(())
    }

    /// The next line that is typed; meanwhile the cell is listened to. `None` at the end.
    fn next_line(&self, loads: &mut Loads) -> anyhow::Result<Option<String>> {
        loop {
            match self.typed.as_ref().map(Receiver::try_recv) {
                Some(Ok(line)) => return Ok(Some(line)),
                Some(Err(TryRecvError::Empty)) => self.show(loads.turn()?),
                Some(Err(TryRecvError::Disconnected)) | None => return Ok(None),
            }
        }
    }

    /// Waits until that mass stands still, and takes it. What is typed meanwhile is given back,
    /// and nothing taken.
    fn wait_for(&self, loads: &mut Loads, mass: f64) -> anyhow::Result<Option<String>> {
        let begun = Instant::now();
        let mut told = false;
        while begun.elapsed() < Duration::from_secs(self.args.wait) {
            self.show(loads.turn()?);
            match loads.next(mass) {
                Next::Wait => {}
                Next::Other(grams) if !told => {
                    told = true;
                    self.bar.suspend(|| {
                        screen::tell(&format!(
                            "That reads like {}; waiting for {}.",
                            self.words.mass(grams),
                            self.words.weighed(mass)
                        ));
                    });
                }
                Next::Other(_) => {}
                Next::Load(plateau) => {
                    loads.take(mass, plateau);
                    self.bar.suspend(|| {
                        screen::tell(&format!(
                            "{}: {:.0} counts, give or take {:.0} each.",
                            self.words.weighed(mass),
                            plateau.raw,
                            plateau.spread
                        ));
                    });
                    return Ok(None);
                }
            }
            if let Some(Ok(line)) = self.typed.as_ref().map(Receiver::try_recv) {
                return Ok(Some(line));
            }
        }
        self.bar.finish_and_clear();
        bail!(self.in_vain(loads));
    }

    fn show(&self, seen: Seen) {
        let (position, text) = match seen {
            Seen::Moving => (0, "moving"),
            Seen::Reading(part) => ((100.0 * part) as u64, "at rest, reading"),
            Seen::Read => (100, "at rest, read"),
        };
        self.bar.set_position(position);
        self.bar.set_message(text);
    }

    /// Why no load was seen.
    fn in_vain(&self, loads: &mut Loads) -> String {
        let (source, wait) = (printable(self.source), self.args.wait);
        let seen = loads.turn().unwrap_or(Seen::Moving);
        let (others, fault) = loads.heard();
        if seen != Seen::Moving {
            return format!(
                "{source} stood still for {wait} s, but not with the next load on it. Nothing was \
                 stored"
            );
        }
        let others: Vec<_> = others.iter().map(|name| printable(name)).collect();
        let hint = match (others.is_empty(), fault) {
            (false, _) => format!(" (heard: {})", others.join(", ")),
            (true, Some(fault)) => format!(" (what came was: {})", fault.words()),
            _ => String::new(),
        };
        format!(
            "{source} did not come to rest within {wait} s{hint}. Does it send raw counts, and \
             does nothing touch its plate? Nothing was stored"
        )
    }
}
