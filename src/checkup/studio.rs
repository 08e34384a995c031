//! Settings, store and `watch`.

use super::{Finding, What, quoted};
use crate::records::shell_word;
use crate::store::{DATABASE, SETTINGS, StoreError};
use crate::units::{Time, span};
use std::path::PathBuf;

/// Nothing stored for so long, while `watch` has its ports, is worth a word, s. A slow sensor
/// speaks once a minute (firmware-notes).
pub const QUIET_S: f64 = 900.0;

/// What is known of the studio.
pub struct Studio {
    /// Its folder.
    pub dir: PathBuf,
    /// Ports that the settings name; or why they cannot be read.
    pub settings: Result<usize, String>,
    /// Whether the store opens, is whole and can be written.
    pub store: Result<(), StoreError>,
    /// Who owns the folder, where that is somebody else than this user.
    pub owner: Option<String>,
    /// Who watches it, in words.
    pub watch: Option<String>,
    /// The last that was stored of any source on a port.
    pub stored: Option<Time>,
    /// Whether some port sends by itself; a bench scale that prints at a key does not.
    pub sends: bool,
    /// Ports were named by hand.
    pub by_hand: bool,
    /// When it was looked.
    pub at: Time,
}

/// Judges settings, store and `watch`.
pub fn judge(studio: &Studio, plugged: &[String], program: &str) -> Vec<Finding> {
    let dir = studio.dir.display();
    let settings = match &studio.settings {
        Err(why) => Finding::wrong(What::Settings, "bad-settings", why)
            .say("Put it right with a text editor; until then no command works on this studio."),
        Ok(0) => no_port(studio, plugged),
        Ok(1) => Finding::fine(What::Settings, format!("{dir}/{SETTINGS} names 1 port")),
        Ok(n) => Finding::fine(What::Settings, format!("{dir}/{SETTINGS} names {n} ports")),
    };
    let mut findings = vec![settings];
    findings.extend(store(studio, program));
    findings.extend(watch(studio, program));
    findings
}

/// The settings name no port: all is well in a studio with a kitchen scale.
fn no_port(studio: &Studio, plugged: &[String]) -> Finding {
    let text = format!("no port in {}/{SETTINGS}", studio.dir.display());
    let finding = Finding::fine(What::Settings, format!("{text}: weights are typed"));
    match plugged.first().filter(|_| !studio.by_hand) {
        None if studio.by_hand => Finding::fine(What::Settings, text),
        None => finding,
        Some(path) => finding
            .say(format!(
                "There is a serial device, {}. If a scale or board hangs on it, write it into {}:",
                plugged.join(", "),
                SETTINGS
            ))
            .write(&format!("[[port]]\npath = {}\nbaud = 9600", quoted(path))),
    }
}

fn store(studio: &Studio, program: &str) -> Option<Finding> {
    let dir = studio.dir.display().to_string();
    let error = match &studio.store {
        Ok(()) => {
            let text = format!("{dir}/{DATABASE} is whole and can be written");
            return Some(Finding::fine(What::Store, text));
        }
        // Said already.
        Err(StoreError::Settings(_)) => return None,
        Err(error) => error,
    };
    let wrong = |code| Finding::wrong(What::Store, code, error.to_string());
    Some(match error {
        StoreError::Missing(_) => wrong("no-studio"),
        StoreError::Share { .. } => wrong("network-share"),
        StoreError::Damaged(..) => wrong("damaged")
            .say("Keep the folder as it is, and bring back a backup; what was there is kept:")
            .run(format!("{program} restore FILE")),
        StoreError::InUse(_) => wrong("in-use"),
        _ => match &studio.owner {
            Some(owner) => wrong("not-writable")
                .say(format!("The folder belongs to {owner}. If it is to be yours:"))
                .run(format!("sudo chown -R \"$USER\" {}", shell_word(&dir))),
            None => wrong("not-writable"),
        },
    })
}

fn watch(studio: &Studio, program: &str) -> Option<Finding> {
    let Some(holder) = &studio.watch else {
        return match studio.settings {
            Ok(1..) if !studio.by_hand => Some(
                Finding::wrong(
                    What::Watch,
                    "not-running",
                    "not running: what the ports send is stored nowhere",
                )
                .say("Start it, and let it run:")
                .run(format!("{program} watch")),
            ),
            _ => None,
        };
    };
    let quiet = studio.stored.map(|stored| studio.at.since(stored));
    let last = match quiet {
        None => "nothing stored so far".into(),
        Some(s) if s < 60.0 => "last reading stored just now".into(),
        Some(s) => format!("last reading stored {} ago", span(s)),
    };
    let text = format!("running ({holder}); {last}");
    Some(match quiet.is_none_or(|s| s > QUIET_S) && studio.sends {
        true => Finding::wrong(What::Watch, "stores-nothing", text).say(
            "Look at what it says, in the terminal where it runs. If it says nothing of a port, \
             the board or scale sends nothing: look at its supply, its cable and its baud rate. \
             To have the port listened to here, stop `watch` first (Ctrl-C), then:",
        )
        .run(format!("{program} checkup")),
        false => Finding::fine(What::Watch, text),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOW: Time = Time(1_900_000_000_000_000);

    fn studio() -> Studio {
        Studio {
            dir: "/home/ana/pots".into(),
            settings: Ok(1),
            store: Ok(()),
            owner: None,
            watch: Some("process 41, since Tue 18 Mar 2030 18:00".into()),
            stored: Some(NOW.plus(-4.0)),
            sends: true,
            by_hand: false,
            at: NOW,
        }
    }

    fn found(studio: &Studio) -> Vec<(bool, &'static str)> {
        judge(studio, &[], "warecast").iter().map(|f| (f.wrong, f.code)).collect()
    }

    #[test]
    fn a_studio_that_works_is_fine() {
        assert_eq!(found(&studio()), [(false, "fine"); 3]);
        // A kitchen scale and a notebook need neither port nor daemon.
        let typed = Studio { settings: Ok(0), watch: None, stored: None, ..studio() };
        assert_eq!(found(&typed), [(false, "fine"); 2]);
        let plugged = ["/dev/serial/by-id/usb-board".into()];
        let hint = &judge(&typed, &plugged, "warecast")[0];
        assert!(!hint.wrong && format!("{:?}", hint.to_do).contains("by-id/usb-board"), "{hint:?}");
    }

    #[test]
    fn a_daemon_that_does_not_run_or_stores_nothing_is_said() {
        let stopped = Studio { watch: None, ..studio() };
        assert_eq!(found(&stopped)[2], (true, "not-running"));
        // Whoever names a port by hand is trying it out.
        assert_eq!(found(&Studio { by_hand: true, ..stopped }).len(), 2);
        for stored in [None, Some(NOW.plus(-QUIET_S - 1.0))] {
            assert_eq!(found(&Studio { stored, ..studio() })[2], (true, "stores-nothing"));
            let at_a_key = Studio { stored, sends: false, ..studio() };
            assert_eq!(found(&at_a_key)[2], (false, "fine"));
        }
    }

    #[test]
    fn troubles_of_the_store_have_their_words() {
        let trouble = |error| found(&Studio { store: Err(error), ..studio() })[1];
        let dir = || PathBuf::from("/home/ana/pots");
        assert_eq!(trouble(StoreError::Missing(dir())), (true, "no-studio"));
        let share = StoreError::Share { path: dir(), kind: "nfs4".into() };
        assert_eq!(trouble(share), (true, "network-share"));
        assert_eq!(trouble(StoreError::Damaged(dir(), "row 7".into())), (true, "damaged"));
        let read_only = || StoreError::Folder {
            path: dir(),
            error: std::io::ErrorKind::ReadOnlyFilesystem.into(),
        };
        assert_eq!(trouble(read_only()), (true, "not-writable"));
        let roots = Studio { store: Err(read_only()), owner: Some("root".into()), ..studio() };
        let said = format!("{:?}", judge(&roots, &[], "warecast")[1].to_do);
        assert!(said.contains("chown -R") && said.contains("/home/ana/pots"), "{said}");
    }

    #[test]
    fn settings_that_cannot_be_read_are_said_once() {
        let why = "studio.toml:3:1: unknown setting".to_owned();
        let error = crate::store::Settings::parse(b"x = 1", "studio.toml".as_ref()).unwrap_err();
        let broken =
            Studio { settings: Err(why), store: Err(error.into()), watch: None, ..studio() };
        assert_eq!(found(&broken), [(true, "bad-settings")]);
    }
}
