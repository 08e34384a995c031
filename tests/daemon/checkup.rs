//! `checkup` on real pseudo-terminals: what it finds, what it leaves alone, how it ends.

use super::bench::{Device, Studio, Watch, command, eventually, line};
use rand::{RngExt, SeedableRng, rngs::StdRng};
use rustix::process::Signal;
use serde_json::Value;
use std::fs::{self, OpenOptions};
use std::process::Stdio;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;
use std::time::{Duration, SystemTime, UNIX_EPOCH};
use warecast::records::{Quantity, Reading};
use warecast::store::Clash;
use warecast::units::Time;

/// What a checkup said, and its exit status.
struct Said {
    text: String,
    status: i32,
}

fn checkup(studio: &Studio, args: &[&str]) -> Said {
    let mut command = command(studio, &[&["checkup"], args].concat());
    let output = command.env("TZ", "Europe/Lisbon").env("COLUMNS", "80").output().unwrap();
    let text = String::from_utf8(output.stdout).unwrap() + &String::from_utf8_lossy(&output.stderr);
    let bad = text.chars().find(|c| *c != '\n' && warecast::records::is_hidden(*c));
    assert!(bad.is_none(), "{bad:?} in {text:?}");
    Said { text, status: output.status.code().unwrap() }
}

impl Said {
    #[track_caller]
    fn has(&self, words: &str) {
        let flowing = self.text.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(flowing.contains(words), "{words}\n{}", self.text);
    }

    #[track_caller]
    fn wrong(&self, words: &str) {
        assert_eq!(self.status, 1, "{}", self.text);
        self.has(&format!("WRONG: {words}"));
    }
}

/// A checkup of one port while its device does something again and again.
fn while_it_sends(
    studio: &Studio,
    device: &mut Device,
    args: &[&str],
    mut send: impl FnMut(&mut Device) + Send,
) -> Said {
    let (path, stop) = (device.path.clone(), AtomicBool::new(false));
    thread::scope(|scope| {
        scope.spawn(|| {
            while !stop.load(Ordering::Relaxed) {
                send(device);
                thread::sleep(Duration::from_millis(40));
            }
        });
        let said = checkup(studio, &[&["--port", &path], args].concat());
        stop.store(true, Ordering::Relaxed);
        said
    })
}

/// A studio that is there, with nothing in it.
fn studio() -> Studio {
    let studio = Studio::new();
    drop(studio.store());
    studio
}

fn now() -> Time {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap();
    Time::from_seconds(since.as_secs_f64())
}

fn reading(source: &str, quantity: Quantity, hours_ago: f64, value: f64) -> Reading {
    let time = now().plus(-3600.0 * hours_ago);
    Reading { time, source: source.into(), quantity, value, pot: None, count: None, spread: None }
}

fn weight(source: &str) -> String {
    format!("[{{\"n\":\"{source}\",\"u\":\"g\",\"v\":812.4}}]\n")
}

#[test]
fn a_good_port_is_fine_and_so_is_the_end() {
    let (studio, mut device) = (studio(), Device::new());
    let said = while_it_sends(&studio, &mut device, &["--listen", "2"], |device| {
        device.send(weight("shelf-a:cell-1"));
    });
    assert_eq!(said.status, 0, "{}", said.text);
    said.has(&format!("fine: port {}:", device.path));
    said.has("shelf-a:cell-1 2"); // some twenty a second
    said.has("fine: cell shelf-a:cell-1: speaks now, sends grams; no pot is noted on it");
    said.has("fine: disk:");
    said.has("fine: clock: it is");
    said.has("Nothing is wrong.");
}

#[test]
fn a_silent_port_says_so() {
    let (studio, device) = (studio(), Device::new());
    let said = checkup(&studio, &["--port", &device.path, "--listen", "1"]);
    said.wrong(&format!("port {}: silent: nothing came in 1 s", device.path));
    said.has("Is the board supplied");
}

#[test]
fn a_wrong_baud_rate_is_told_from_its_noise_and_the_right_one_is_found() {
    let (studio, mut device) = (studio(), Device::new());
    let mut rng = StdRng::seed_from_u64(7);
    let noise = move |rng: &mut StdRng| (0..64).map(|_| rng.random()).collect::<Vec<u8>>();
    let said =
        while_it_sends(&studio, &mut device, &["--listen", "1"], |device| match device.baud() {
            57_600 => device.send(weight("cell")),
            _ => device.send(noise(&mut rng)),
        });
    said.wrong(&format!("port {}: noise:", device.path));
    said.has("it is set to 9600");
    said.has("At 57600 baud it is text. In studio.toml (by hand: --baud 57600):");
    assert!(said.text.contains("\n      baud = 57600\n"), "{}", said.text);
    // Set so, it is fine.
    let mut device = Device::new();
    let right = ["--listen", "1", "--baud", "57600"];
    let said = while_it_sends(&studio, &mut device, &right, |device| match device.baud() {
        57_600 => device.send(weight("cell")),
        _ => device.send(" "),
    });
    assert_eq!(said.status, 0, "{}", said.text);
    // Noise at every rate.
    let mut device = Device::new();
    let said = while_it_sends(&studio, &mut device, &["--listen", "1"], |device| {
        device.send(noise(&mut rng));
    });
    said.wrong("port");
    said.has("1200, 230400, 460800 baud it was no line either");
}

#[test]
fn lines_that_are_not_understood_are_shown_and_harmless() {
    let (studio, mut device) = (studio(), Device::new());
    let said = while_it_sends(&studio, &mut device, &["--listen", "1"], |device| {
        device.send("\u{1b}[2J\u{202e}ready\u{7}, all is well with this board\r\n");
    });
    said.wrong("port");
    said.has("nothing of what comes is understood");
    said.has("\"\\u{1b}[2J\\u{202e}ready\\u{7}, all is well with");
    let mut device = Device::new();
    let said = while_it_sends(&studio, &mut device, &["--listen", "1"], |device| {
        device.send("ST,GS,+  812.4 g\r\n");
    });
    said.wrong("port");
    assert!(said.text.contains("\n      format = \"text\"\n"), "{}", said.text);
}

#[test]
fn another_process_that_has_the_port_is_named_and_left_alone() {
    let (mine, other, mut device) = (studio(), studio(), Device::new());
    // For itself alone, as `watch` opens it.
    let mut watch = Watch::on(&other, &device.path);
    let said = checkup(&mine, &["--port", &device.path, "--listen", "1"]);
    said.wrong(&format!("port {}: another program has it open", device.path));
    said.has(&format!("process {} (warecast)", watch.pid()));
    device.send(line("cell", 1.9e9, 5.0));
    eventually("stored by who has it", || other.samples("cell") == 1);
    assert!(watch.end(Signal::TERM).success());
    // Not for itself alone: it would take a part of what comes.
    let open = OpenOptions::new().read(true).write(true).open(&device.path).unwrap();
    let mut stranger =
        std::process::Command::new("sleep").arg("60").stdin(Stdio::from(open)).spawn().unwrap();
    let said = checkup(&mine, &["--port", &device.path, "--listen", "1"]);
    stranger.kill().unwrap();
    stranger.wait().unwrap();
    said.has(&format!("process {} (sleep)", stranger.id()));
    said.has(&format!("kill {}", stranger.id()));
}

#[test]
fn a_port_of_our_own_watch_is_judged_by_what_is_stored() {
    let (studio, mut device) = (Studio::new(), Device::new());
    studio.settings(&format!("[[port]]\npath = \"{}\"\n", device.path));
    drop(studio.store());
    let said = checkup(&studio, &["--listen", "1"]);
    said.wrong("watch: not running");
    let mut watch = Watch::start(&studio, &[]);
    watch.until("ready", 1);
    checkup(&studio, &["--listen", "1"]).wrong("watch: running (process");
    let seconds = now().seconds();
    device.send(line("cell", seconds, 5.0));
    eventually("stored", || studio.samples("cell") == 1);
    let said = checkup(&studio, &["--listen", "1"]);
    assert_eq!(said.status, 0, "{}", said.text);
    said.has("`watch` listens to it");
    said.has("last reading stored just now");
    said.has("fine: cell cell: spoke just now, sends grams");
    device.send(line("cell", seconds + 60.0, 6.0));
    eventually("watch has its port still", || studio.samples("cell") == 2);
    assert!(watch.end(Signal::TERM).success());
}

#[test]
fn a_path_to_nothing_or_to_something_else_is_told() {
    let studio = studio();
    let said = checkup(&studio, &["--port", "/dev/ttyUSB77", "--listen", "1"]);
    said.wrong("port /dev/ttyUSB77: there is nothing of that name");
    let file = studio.path().join("studio.toml");
    let said = checkup(&studio, &["--port", file.to_str().unwrap()]);
    said.wrong(&format!("port {}: this is no serial port", file.display()));
    checkup(&studio, &["--port", "/dev/null"]).wrong("port /dev/null: this is no serial port");
    // Two names of one device.
    let device = Device::new();
    let link = studio.path().with_file_name("scale");
    device.plug(&link);
    let link = link.to_str().unwrap();
    let said = checkup(&studio, &["--port", &device.path, "--port", link, "--listen", "0"]);
    said.wrong(&format!("port {link}: leads to the same device as {}", device.path));
}

#[test]
fn cells_without_calibration_and_a_silent_room_are_told() {
    let studio = studio();
    studio.put("planter", "shelf-a:cell-2", now().seconds() - 7200.0);
    let readings = [
        reading("shelf-a:cell-1", Quantity::Count, 0.1, 208_000.0),
        reading("shelf-a:cell-2", Quantity::Mass, 1.5, 812.4),
        reading("room", Quantity::Temperature, 5.0, 19.8),
        reading("room", Quantity::Humidity, 5.0, 0.54),
    ];
    studio.store().append(&readings, Clash::Refuse).unwrap();
    let said = checkup(&studio, &[]);
    said.wrong("cell shelf-a:cell-1: not calibrated");
    said.has("calibrate shelf-a:cell-1 0 500 1000 500 0");
    said.has("WRONG: cell shelf-a:cell-2: silent for 1 h 30 min, with planter on it");
    said.has("WRONG: room sensor room: silent for 5 h; the last it said was 19.8 °C (68 °F), 54 %");
    said.has("3 things are wrong");
    let json = checkup(&studio, &["--json"]);
    let answer: Value = serde_json::from_str(&json.text).unwrap();
    assert_eq!((json.status, &answer["wrong"]), (1, &Value::from(3)));
    let codes: Vec<&str> = answer["findings"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|finding| finding["wrong"] == true)
        .map(|finding| finding["code"].as_str().unwrap())
        .collect();
    assert_eq!(codes, ["stale", "no-calibration", "stale-room"]);
}

#[test]
fn a_clock_that_was_set_back_is_known_by_what_is_stored() {
    let studio = studio();
    let later = [reading("cell", Quantity::Mass, -26.0, 5.0)];
    studio.store().append(&later, Clash::Refuse).unwrap();
    let said = checkup(&studio, &[]);
    said.wrong("clock: it is");
    said.has("a reading of cell is stored for 26 h later");
}

#[test]
fn a_room_that_is_silent_is_told_though_a_reading_of_it_lies_in_the_future() {
    let studio = studio();
    let readings = [
        reading("cell-1", Quantity::Mass, 0.01, 500.0),
        reading("room", Quantity::Temperature, 215.0, 20.0),
        reading("room", Quantity::Humidity, 215.0, 0.50),
        reading("room", Quantity::Humidity, -8544.5, 0.91),
    ];
    studio.store().append(&readings, Clash::Refuse).unwrap();
    let said = checkup(&studio, &[]);
    said.wrong("room sensor room: silent for 9 days; the last it said was 20.0 °C (68 °F), 50 %");
    said.has("WRONG: room sensor room: a reading of it lies 356 days in the future");
    said.has("fine: cell cell-1: spoke just now");
    assert!(!said.text.contains("91 %"), "{}", said.text);
}

#[test]
fn broken_settings_a_damaged_store_and_no_studio_are_findings() {
    let nowhere = Studio::new();
    checkup(&nowhere, &[]).wrong("store: there is no studio in");
    assert!(!nowhere.path().exists(), "nothing is made");
    let broken = studio();
    broken.settings("[[port]]\npath = \"/dev/a\"\nspeed = 9600\n");
    let said = checkup(&broken, &[]);
    said.wrong("settings:");
    said.has("studio.toml:3:1: ");
    assert!(!said.text.contains("store"), "said once: {}", said.text);
    let damaged = studio();
    damaged.put("planter", "cell", 1e9);
    let path = damaged.path().join("studio.db");
    let mut bytes = fs::read(&path).unwrap();
    let end = bytes.len();
    bytes[4096..end].fill(0xa5);
    fs::write(&path, bytes).unwrap();
    let said = checkup(&damaged, &[]);
    said.wrong("store:");
    said.has("damaged");
    said.has("restore FILE");
}

#[test]
fn what_is_asked_wrongly_ends_with_two() {
    let studio = studio();
    for (args, words) in [
        (&["--baud", "9600"][..], "--baud belongs to a --port"),
        (&["--listen", "soon"], "invalid value 'soon'"),
        (&["--port", "/dev/a", "--baud", "0"], "invalid value '0'"),
        (&["--port", "/dev/a", "--baud", "1200", "--baud", "2400"], "1 ports but 2 baud rates"),
        (&["shelf"], "unexpected argument"),
    ] {
        let said = checkup(&studio, args);
        assert_eq!(said.status, 2, "{args:?}: {}", said.text);
        said.has(words);
    }
}
