//! The device of a port: whether it is there, may be opened, and is free.

use super::line::{self, Heard};
use super::{Finding, What, quoted};
use crate::records::shell_word;
use crate::sensing::access::{Access, Hurdle};
use crate::store::PortSettings;

/// A port, and what was found of it.
pub struct Port {
    /// Its settings.
    pub settings: PortSettings,
    /// Whether they are those of `studio.toml`, and so of `watch`.
    pub of_settings: bool,
    /// The name of the same device that stays the same, where that is another.
    pub stable: Option<String>,
    /// What was found.
    pub state: State,
}

/// What was found of a port.
pub enum State {
    /// Nothing is there; what is plugged in.
    Missing(Vec<String>),
    /// Something else than a serial port.
    NotSerial,
    /// It leads to the same device as that other port.
    Twin(String),
    /// This user may not open it.
    Denied(Access),
    /// Somebody has it.
    Held {
        /// Who, as far as can be seen.
        by: Vec<Holder>,
        /// That is `watch` on this studio.
        ours: bool,
    },
    /// It could not be opened for another reason, in the system's words.
    Failed(String),
    /// It is free, and was not to be listened to.
    Free,
    /// It was listened to.
    Heard(Box<Heard>),
}

/// A process that has a port open.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Holder {
    /// Its number.
    pub pid: u32,
    /// Its name.
    pub name: String,
}

/// Judges a port; `watched`: somebody watches this studio.
pub fn judge(port: &Port, watched: bool, program: &str) -> Finding {
    let path = &port.settings.path;
    let finding = match &port.state {
        State::Missing(plugged) => missing(path, plugged),
        State::NotSerial => Finding::wrong(What::Port, "not-serial", "this is no serial port")
            .say("Serial ports are called /dev/ttyUSB…, /dev/ttyACM… or /dev/serial/by-id/…"),
        State::Twin(other) => {
            let text = format!("leads to the same device as {other}");
            Finding::wrong(What::Port, "twin", text).say("Take one of the two out of studio.toml.")
        }
        State::Denied(access) => denied(path, access),
        State::Held { ours: true, .. } => Finding::fine(
            What::Port,
            "`watch` listens to it; what it stored last stands at the cells and the room",
        ),
        State::Held { by, ours: false } => held(path, by),
        State::Failed(why) => Finding::wrong(What::Port, "failed", why)
            .say("Unplug it, plug it in again, and look at what the system says of it:")
            .run("sudo dmesg | tail -n 20"),
        State::Free => Finding::fine(What::Port, "there and free; it was not listened to"),
        State::Heard(heard) => line::judge(heard, &port.settings, &again(port, program)),
    };
    let finding = match finding.wrong || !watched || !port.of_settings || is_held(port) {
        true => finding,
        false => Finding::wrong(
            What::Port,
            "not-watched",
            format!("`watch` runs but does not have this port open ({})", finding.text),
        )
        .say("Stop `watch` (Ctrl-C) and start it again: it reads its settings when it starts."),
    };
    stable_name(finding.of([path]), port)
}

/// How to look at the same port again.
fn again(port: &Port, program: &str) -> String {
    let PortSettings { path, baud, .. } = &port.settings;
    match port.of_settings {
        true => format!("{program} checkup"),
        false => format!("{program} checkup --port {} --baud {baud}", shell_word(path)),
    }
}

fn is_held(port: &Port) -> bool {
    matches!(port.state, State::Held { .. })
}

/// A name like `/dev/ttyUSB0` goes to whatever is plugged in first.
fn stable_name(finding: Finding, port: &Port) -> Finding {
    match &port.stable {
        Some(stable) if !finding.wrong => finding
            .say("After replugging this name may go to another device. The one that stays:")
            .write(&format!("path = {}", quoted(stable))),
        _ => finding,
    }
}

fn missing(path: &str, plugged: &[String]) -> Finding {
    let finding = Finding::wrong(What::Port, "missing", "there is nothing of that name");
    let finding =
        finding.say("Is it plugged in, and supplied? A cable for charging alone does not do.");
    match plugged {
        [] => finding.say("No serial device is plugged in at all, as far as this computer sees."),
        [one] => finding
            .say("Plugged in is one other. If that is it, in studio.toml:")
            .write(&format!("path = {}", quoted(one))),
        several => finding
            .say(format!("Plugged in are {}. In studio.toml, in place of {path}:", several.len()))
            .write(&several.iter().map(|p| format!("path = {}\n", quoted(p))).collect::<String>()),
    }
}

fn denied(path: &str, access: &Access) -> Finding {
    let hurdle = access.hurdle();
    let text = format!("you may not open it: {hurdle}");
    let finding = Finding::wrong(What::Port, "no-permission", text);
    match &hurdle {
        Hurdle::LogIn(group) => finding
            .say("Log out and in again (or restart the computer). For this terminal alone:")
            .run(format!("newgrp {}", shell_word(group))),
        Hurdle::Join(group) => finding
            .say("Join the group, then log out and in again:")
            .run(format!("sudo usermod -aG {} {}", shell_word(group), access.user_word())),
        Hurdle::NoGroup(_) => finding
            .say("Give it to the group dialout, join that, and plug it in again:")
            .run(
                "echo 'SUBSYSTEM==\"tty\", KERNEL==\"ttyUSB*|ttyACM*\", GROUP=\"dialout\", \
                 MODE=\"0660\"' | sudo tee /etc/udev/rules.d/70-scales.rules",
            )
            .run(format!("sudo usermod -aG dialout {}", access.user_word()))
            .say(format!("For now alone: sudo chmod a+rw {}", shell_word(path))),
    }
}

fn held(path: &str, by: &[Holder]) -> Finding {
    let Some(first) = by.first() else {
        return Finding::wrong(What::Port, "held", "another program has it open")
            .say("Close that. Which one it is:")
            .run(format!("sudo fuser -v {}", shell_word(path)));
    };
    let who: Vec<String> =
        by.iter().map(|holder| format!("process {} ({})", holder.pid, holder.name)).collect();
    let finding = Finding::wrong(
        What::Port,
        "held",
        format!("another program has it open: {}", who.join(", ")),
    );
    match first.name == env!("CARGO_PKG_NAME") {
        true => {
            finding.say("That is `watch` on another studio, or this program in another terminal.")
        }
        false => finding.say("Close that program, or stop it:").run(format!("kill {}", first.pid)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn port(state: State) -> Port {
        let settings = PortSettings::senml("/dev/ttyUSB0", 9600);
        Port { settings, of_settings: true, stable: None, state }
    }

    fn judged(state: State) -> (&'static str, String) {
        let found = judge(&port(state), false, "warecast");
        assert_eq!(found.names, ["/dev/ttyUSB0"]);
        (found.code, format!("{} {:?}", found.text, found.to_do))
    }

    #[test]
    fn a_path_to_nothing_says_what_is_plugged_in() {
        assert!(judged(State::Missing(vec![])).1.contains("No serial device"));
        let board = "/dev/serial/by-id/usb-board-if00".to_owned();
        let (code, said) = judged(State::Missing(vec![board.clone()]));
        assert!(code == "missing" && said.contains(&board), "{said}");
        let both = State::Missing(vec![board, "/dev/ttyACM1".into()]);
        assert!(judged(both).1.contains("Plugged in are 2"));
    }

    #[test]
    fn the_way_in_is_by_the_device_s_own_group() {
        let access = Access {
            mode: 0o20660,
            group: 986,
            group_name: Some("uucp".into()),
            user: 1000,
            user_name: Some("ana".into()),
            groups: vec![1000],
            ..Access::default()
        };
        let (code, said) = judged(State::Denied(access.clone()));
        assert_eq!(code, "no-permission");
        assert!(said.contains("belongs to the group uucp, and you are not in it"), "{said}");
        assert!(said.contains("sudo usermod -aG uucp ana"), "{said}");
        let entered = judged(State::Denied(Access { entered: true, ..access.clone() })).1;
        assert!(entered.contains("only from your next login on"), "{entered}");
        assert!(entered.contains("newgrp uucp"), "{entered}");
        let roots = Access { group: 0, group_name: Some("root".into()), ..access };
        let said = judged(State::Denied(roots)).1;
        assert!(!said.contains("-aG root") && said.contains("udev"), "{said}");
    }

    #[test]
    fn whoever_has_the_port_is_named() {
        let by = |name: &str| vec![Holder { pid: 4711, name: name.into() }];
        let (code, said) = judged(State::Held { by: by("terminal\u{1b}[2J"), ours: false });
        assert_eq!(code, "held");
        assert!(said.contains("process 4711 (terminal\\u{1b}[2J)"), "{said}");
        assert!(said.contains("kill 4711"), "{said}");
        assert!(
            judged(State::Held { by: vec![], ours: false }).1.contains("fuser -v /dev/ttyUSB0")
        );
        let other = judged(State::Held { by: by("warecast"), ours: false }).1;
        assert!(other.contains("another studio") && !other.contains("kill"), "{other}");
        assert_eq!(judged(State::Held { by: by("warecast"), ours: true }).0, "fine");
    }

    #[test]
    fn a_daemon_that_does_not_have_its_port_is_told() {
        let free = || port(State::Free);
        assert_eq!(judge(&free(), true, "warecast").code, "not-watched");
        assert_eq!(judge(&free(), false, "warecast").code, "fine");
        let by_hand = Port { of_settings: false, ..free() };
        assert_eq!(judge(&by_hand, true, "warecast").code, "fine");
        assert_eq!(judge(&port(State::NotSerial), true, "warecast").code, "not-serial");
        let silent = || State::Heard(Box::default());
        let says = |port| format!("{:?}", judge(&port, false, "warecast").to_do);
        assert!(says(port(silent())).contains("warecast checkup --listen 70"));
        let by_hand = Port { of_settings: false, ..port(silent()) };
        let again = "warecast checkup --port /dev/ttyUSB0 --baud 9600 --listen 70";
        assert!(says(by_hand).contains(again));
    }

    #[test]
    fn a_name_that_stays_is_offered_where_all_is_well() {
        let stable = Some("/dev/serial/by-id/usb-board".to_owned());
        let found = judge(&Port { stable, ..port(State::Free) }, false, "warecast");
        assert!(!found.wrong && format!("{:?}", found.to_do).contains("by-id/usb-board"));
    }
}
