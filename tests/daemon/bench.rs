//! What the tests work with: a far end of a serial line, a studio, a running `watch`.

use rustix::process::{Pid, Signal, kill_process};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};
use std::fs::{self, File};
use std::io::{BufRead, BufReader, Read, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::{Duration, Instant};
use warecast::records::{Action, Body, HandlingRow, Pot};
use warecast::store::{Clash, Store, files};
use warecast::units::Time;

/// Longest wait for something that must come; a busy machine is slow.
const PATIENCE: Duration = Duration::from_secs(30);

/// Waits until it is so.
#[track_caller]
pub fn eventually(what: &str, mut is_so: impl FnMut() -> bool) {
    let start = Instant::now();
    while !is_so() {
        assert!(start.elapsed() < PATIENCE, "in vain: {what}");
        thread::sleep(Duration::from_millis(20));
    }
}

/// The device's end of a pseudo-terminal; dropped, it is unplugged.
pub struct Device {
    end: File,
    pub path: String,
}

impl Device {
    pub fn new() -> Device {
        let end = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
        grantpt(&end).unwrap();
        unlockpt(&end).unwrap();
        let mut settings = tcgetattr(&end).unwrap();
        settings.make_raw();
        tcsetattr(&end, OptionalActions::Now, &settings).unwrap();
        let path = ptsname(&end, Vec::new()).unwrap().into_string().unwrap();
        Device { end: end.into(), path }
    }

    /// The next bytes that are sent to the device; waits for so many.
    pub fn receive<const N: usize>(&mut self) -> [u8; N] {
        let mut buffer = [0; N];
        self.end.read_exact(&mut buffer).unwrap();
        buffer
    }

    pub fn send(&mut self, bytes: impl AsRef<[u8]>) {
        self.end.write_all(bytes.as_ref()).unwrap();
    }

    /// The baud rate to which whoever has the other end has set it.
    pub fn baud(&self) -> u32 {
        tcgetattr(&self.end).unwrap().input_speed()
    }

    /// Makes `link` lead to this device.
    pub fn plug(&self, link: &Path) {
        let fresh = link.with_extension("new");
        std::os::unix::fs::symlink(&self.path, &fresh).unwrap();
        fs::rename(fresh, link).unwrap();
    }
}

/// A line with one weight, at a time of the source's own (s since 1970).
pub fn line(source: &str, t: f64, grams: f64) -> String {
    format!("[{{\"n\":\"{source}\",\"t\":{t:.3},\"u\":\"g\",\"v\":{grams}}}]\n")
}

/// One stored reading.
#[derive(Clone, PartialEq, Debug)]
pub struct Row {
    pub time: f64,
    pub source: String,
    pub value: f64,
    pub count: u64,
}

/// A studio in a folder of its own.
pub struct Studio {
    dir: tempfile::TempDir,
}

impl Studio {
    pub fn new() -> Studio {
        Studio { dir: tempfile::tempdir().unwrap() }
    }

    pub fn path(&self) -> PathBuf {
        self.dir.path().join("studio")
    }

    pub fn store(&self) -> Store {
        Store::open_or_create(&self.path()).unwrap()
    }

    /// With these settings.
    pub fn settings(&self, text: &str) {
        fs::create_dir_all(self.path()).unwrap();
        fs::write(self.path().join("studio.toml"), text).unwrap();
    }

    /// Every stored reading, as `export` writes them.
    pub fn rows(&self) -> Vec<Row> {
        let to = tempfile::tempdir().unwrap();
        files::export(&self.store(), to.path(), true).unwrap();
        let mut table = csv::Reader::from_path(to.path().join("readings.csv")).unwrap();
        let header = table.headers().unwrap().clone();
        let at = |name: &str| header.iter().position(|column| column == name).unwrap();
        let (time, source, value) = (at("time"), at("source"), at("value"));
        let count = header.iter().position(|column| column == "count");
        let count_of = |row: &csv::StringRecord| match count.map(|at| &row[at]) {
            None | Some("") => 1,
            Some(text) => text.parse().unwrap(),
        };
        let rows = table.records().map(|row| {
            let row = row.unwrap();
            Row {
                time: Time::parse_rfc3339(&row[time]).unwrap().seconds(),
                source: row[source].into(),
                value: row[value].parse().unwrap(),
                count: count_of(&row),
            }
        });
        rows.collect()
    }

    /// Values of one source in order of time.
    pub fn values(&self, source: &str) -> Vec<f64> {
        let rows = self.rows().into_iter().filter(|row| row.source == source);
        rows.map(|row| row.value).collect()
    }

    /// How many samples of a source the stored readings stand for.
    pub fn samples(&self, source: &str) -> u64 {
        let rows = self.rows().into_iter().filter(|row| row.source == source);
        rows.map(|row| row.count).sum()
    }

    /// Puts a pot of a body of its own onto a scale: 1 kg of clay, 0.8 kg of it dry, trimmed at
    /// a mean water of 23 to 16 % of that.
    pub fn put(&self, name: &str, source: &str, made_at: f64) {
        let body = Body {
            name: format!("clay of {name}"),
            bag_water_wet: Some(0.2),
            trim_from_dry: Some(0.23),
            trim_to_dry: Some(0.16),
        };
        let pot = Pot {
            name: name.into(),
            body: body.name.clone(),
            made_at: Time::from_seconds(made_at),
            ball_g: Some(1000.0),
            tare_g: None,
            wall_mm: Some(6.0),
            base_mm: Some(8.0),
            lot: None,
            board: None,
            like: None,
            place: None,
        };
        let action = Action::On(source.into());
        let row = HandlingRow { time: pot.made_at, pot: name.into(), action };
        let mut store = self.store();
        store.put_bodies(&[body], Clash::Refuse).unwrap();
        store.put_pots(&[pot], Clash::Refuse).unwrap();
        store.put_handling(&[row], Clash::Refuse).unwrap();
    }
}

/// A command of the program on a studio.
pub fn command(studio: &Studio, args: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_warecast"));
    command.arg("--studio").arg(studio.path()).args(args);
    command.env_remove("WARECAST_LOG").stdin(Stdio::null());
    command
}

/// What it ends with, and says, on a screen of 80 columns.
pub fn output(studio: &Studio, args: &[&str]) -> (Option<i32>, String, String) {
    let output = command(studio, args).env("TZ", "UTC").env("COLUMNS", "80").output().unwrap();
    let text = |bytes| String::from_utf8(bytes).unwrap();
    (output.status.code(), text(output.stdout), text(output.stderr))
}

/// The page of one that ends well; it fits the screen.
#[track_caller]
pub fn run(studio: &Studio, args: &[&str]) -> String {
    let (status, out, errors) = output(studio, args);
    assert_eq!(status, Some(0), "{out}{errors}");
    assert!(out.lines().all(|line| line.chars().count() <= 80), "{out}");
    out
}

/// A running `watch`; killed when dropped.
pub struct Watch {
    child: Child,
    said: Arc<Mutex<Vec<String>>>,
}

impl Watch {
    pub fn start(studio: &Studio, args: &[&str]) -> Watch {
        Watch::spawn(command(studio, &[&["watch"], args].concat()))
    }

    /// By a command that runs it.
    pub fn spawn(mut command: Command) -> Watch {
        let mut child = command.stdin(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap();
        let said = Arc::new(Mutex::new(Vec::new()));
        let (lines, kept) = (BufReader::new(child.stderr.take().unwrap()), said.clone());
        thread::spawn(move || {
            for line in lines.lines().map_while(Result::ok) {
                kept.lock().unwrap().push(line);
            }
        });
        Watch { child, said }
    }

    /// On one port, once that is ready.
    pub fn on(studio: &Studio, path: &str) -> Watch {
        let watch = Watch::start(studio, &["--port", path]);
        watch.until(&format!("{path}: ready"), 1);
        watch
    }

    pub fn pid(&self) -> u32 {
        self.child.id()
    }

    /// Lines with these words so far.
    pub fn said(&self, words: &str) -> usize {
        self.said.lock().unwrap().iter().filter(|line| line.contains(words)).count()
    }

    pub fn everything_said(&self) -> String {
        self.said.lock().unwrap().join("\n")
    }

    /// Waits until these words were said so many times.
    #[track_caller]
    pub fn until(&self, words: &str, times: usize) {
        let start = Instant::now();
        while self.said(words) < times {
            let said = self.everything_said();
            assert!(start.elapsed() < PATIENCE, "never said {times} times: {words}\n{said}");
            thread::sleep(Duration::from_millis(10));
        }
    }

    pub fn signal(&self, signal: Signal) {
        let pid = Pid::from_raw(self.child.id() as i32).unwrap();
        kill_process(pid, signal).unwrap();
    }

    /// Asks it to end, and waits until it has.
    pub fn end(&mut self, signal: Signal) -> ExitStatus {
        self.signal(signal);
        let mut status = None;
        eventually("watch ends", || {
            status = self.child.try_wait().unwrap();
            status.is_some()
        });
        status.unwrap()
    }

    /// `kill -9`.
    pub fn kill(&mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }
}

impl Drop for Watch {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
