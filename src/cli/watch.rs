//! `watch`: the daemon that reads the serial ports.

use super::{Context, baud_rate, whole_number};
use crate::store::settings::DEFAULT_BAUD;
use crate::store::{PortSettings, Settings};
use crate::watch::{self, Options};
use anyhow::bail;
use std::path::PathBuf;
use std::process::ExitCode;
use std::time::Duration;

/// Options of `watch`.
#[derive(clap::Args, Debug)]
#[command(after_help = "Runs until Ctrl-C (or SIGTERM), then stores all there is. \
    Without --port: the ports of studio.toml.")]
pub struct Args {
    /// A serial port to read; may be given more than once
    #[arg(long, value_name = "PATH")]
    pub port: Vec<String>,
    /// Its baud rate, in the order of the ports, or one for all [default: 9600]
    #[arg(long, value_name = "N", value_parser = baud_rate)]
    pub baud: Vec<u32>,
    /// Seconds between two assessments of a pot
    #[arg(long, value_name = "SECONDS", default_value_t = 60, hide_short_help = true)]
    #[arg(value_parser = whole_number::<u64>(1, 86_400), allow_negative_numbers = true)]
    pub refit_every: u64,
    /// Also write all that comes down the port into this new file, with its times, to look for a
    /// fault: of one port only
    #[arg(long, value_name = "FILE", value_hint = clap::ValueHint::FilePath)]
    pub record: Option<PathBuf>,
    /// End, all stored, as soon as this process, which started it, has ended
    #[arg(long, value_name = "PID", hide = true)]
    pub parent: Option<i32>,
}

/// Runs `watch`.
pub fn run(args: Args, context: &Context) -> anyhow::Result<ExitCode> {
    if let Some(parent) = args.parent {
        end_with(parent)?;
    }
    let settings = Settings::read(&context.studio)?;
    let options = Options {
        ports: ports(&args.port, &args.baud, &settings)?,
        refit_every: Duration::from_secs(args.refit_every),
        record: args.record,
    };
    watch::run(&context.studio, options)?;
    Ok(ExitCode::SUCCESS)
}

/// Asks the system to stop this program when the one that started it ends, however that ends.
/// Where it cannot do that, only an orderly end stops both.
fn end_with(parent: i32) -> anyhow::Result<()> {
    #[cfg(target_os = "linux")]
    rustix::process::set_parent_process_death_signal(Some(rustix::process::Signal::TERM))?;
    if rustix::process::getppid().map(|pid| pid.as_raw_nonzero().get()) != Some(parent) {
        bail!("process {parent}, which started this one, has ended already");
    }
    Ok(())
}

/// The ports that were named; one that the settings know keeps its format, and its baud rate
/// unless another is given.
pub fn ports(
    paths: &[String],
    bauds: &[u32],
    settings: &Settings,
) -> anyhow::Result<Vec<PortSettings>> {
    if bauds.len() > 1 && bauds.len() != paths.len() {
        bail!(
            "{} ports but {} baud rates: give one for all, or one for each, in the same order",
            paths.len(),
            bauds.len()
        );
    }
    if paths.is_empty() && !bauds.is_empty() {
        bail!("--baud belongs to a --port; the ports of studio.toml have theirs there");
    }
    let named = paths.iter().enumerate().map(|(at, path)| {
        let baud = bauds.get(at).or(bauds.last()).copied();
        match settings.port.iter().find(|port| port.path == *path) {
            Some(known) => PortSettings { baud: baud.unwrap_or(known.baud), ..known.clone() },
            None => PortSettings::senml(path, baud.unwrap_or(DEFAULT_BAUD)),
        }
    });
    Ok(named.collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::path::Path;

    #[test]
    fn bauds_go_with_their_ports_and_the_settings_fill_in() {
        let text = "[[port]]\npath = \"/dev/b\"\nbaud = 4800\nformat = \"text\"\n\
                    pattern = '(?P<mass>\\d+)'\nsource = \"bench\"\n";
        let settings = Settings::parse(text.as_bytes(), Path::new("studio.toml")).unwrap();
        let of = |port: &[&str], baud: &[u32]| {
            let port: Vec<String> = port.iter().map(|p| p.to_string()).collect();
            ports(&port, baud, &settings)
        };
        let bauds = |port: &[&str], baud: &[u32]| {
            of(port, baud).map(|p| p.iter().map(|p| p.baud).collect::<Vec<_>>())
        };
        assert_eq!(bauds(&["/dev/a", "/dev/b"], &[]).unwrap(), [9600, 4800]);
        assert_eq!(bauds(&["/dev/a", "/dev/b"], &[115_200]).unwrap(), [115_200, 115_200]);
        assert_eq!(bauds(&["/dev/a", "/dev/b"], &[1200, 2400]).unwrap(), [1200, 2400]);
        assert!(bauds(&[], &[]).unwrap().is_empty());
        assert!(bauds(&["/dev/a"], &[1200, 2400]).is_err());
        assert!(bauds(&[], &[1200]).is_err());
        assert_eq!(of(&["/dev/b"], &[]).unwrap()[0].source.as_deref(), Some("bench"));
    }
}
