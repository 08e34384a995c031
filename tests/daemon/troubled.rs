//! The daemon when its store cannot be written: it goes on reading, says so, and loses nothing.
//! And backups made while it works.

use super::bench::{Device, Studio, Watch, command, eventually, line};
use rustix::process::{Pid, Resource, Rlimit, Signal, prlimit};
use std::fs;
use std::process::Command;
use std::time::Duration;

/// Some time of a source's own, s since 1970.
const T: f64 = 1.9e9;

/// A command for which no file may grow beyond so many blocks of 512 bytes (POSIX `ulimit -f`): to
/// the program it is a disk without room.
fn with_little_room(studio: &Studio, args: &[&str], blocks: u32) -> Command {
    let plain = command(studio, args);
    let mut limited = Command::new("sh");
    limited.arg("-c").arg(format!("trap '' XFSZ; ulimit -S -f {blocks}; exec \"$0\" \"$@\""));
    limited.arg(plain.get_program()).args(plain.get_args());
    limited.env_remove("WARECAST_LOG");
    limited
}

/// Runs `watch` so; the limit can be lifted from outside.
fn on_a_small_disk(studio: &Studio, port: &str, blocks: u32) -> Watch {
    Watch::spawn(with_little_room(studio, &["watch", "--port", port], blocks))
}

fn make_room(watch: &Watch) {
    let pid = Pid::from_raw(watch.pid() as i32).unwrap();
    prlimit(Some(pid), Resource::Fsize, Rlimit { current: None, maximum: None }).unwrap();
}

#[test]
fn a_full_disk_costs_no_reading() {
    let (studio, mut device) = (Studio::new(), Device::new());
    drop(studio.store());
    let mut watch = on_a_small_disk(&studio, &device.path, 500);
    watch.until("ready", 1);
    for i in 0..400 {
        device.send(line("cell", T + 60.0 * f64::from(i), f64::from(i)));
        std::thread::sleep(Duration::from_millis(2)); // transactions of their own
    }
    watch.until("reading goes on: ", 1);
    let stored = studio.samples("cell");
    assert!(stored < 400, "the disk was full");
    for i in 400..3000 {
        device.send(line("cell", T + 60.0 * f64::from(i), f64::from(i)));
    }
    watch.until("readings wait in memory, which has room for 200000", 2);
    make_room(&watch);
    watch.until("the store takes readings again; none was lost", 1);
    eventually("all stored", || studio.samples("cell") == 3000);
    assert!(watch.end(Signal::TERM).success(), "{}", watch.everything_said());
    assert_eq!(studio.values("cell"), (0..3000).map(f64::from).collect::<Vec<_>>());
    // What it wrote down of the trouble stays short.
    assert!(watch.said("wait in memory") < 5, "{}", watch.everything_said());
}

#[test]
fn a_full_disk_is_called_so_even_where_something_is_only_read() {
    let studio = Studio::new();
    drop(studio.store());
    for args in [&["report"][..], &["pot", "list"], &["body", "add", "dune"]] {
        let output = with_little_room(&studio, args, 1).output().unwrap();
        let said = String::from_utf8_lossy(&output.stderr);
        assert!(output.status.code() == Some(2) && said.contains("the disk is full"), "{said}");
    }
}

#[test]
fn an_end_before_there_is_room_says_what_was_lost() {
    let (studio, mut device) = (Studio::new(), Device::new());
    drop(studio.store());
    let mut watch = on_a_small_disk(&studio, &device.path, 300);
    watch.until("ready", 1);
    for i in 0..400 {
        device.send(line("cell", T + 60.0 * f64::from(i), f64::from(i)));
        std::thread::sleep(Duration::from_millis(2));
    }
    watch.until("reading goes on: ", 1);
    let status = watch.end(Signal::TERM);
    assert_eq!(status.code(), Some(2), "{}", watch.everything_said());
    let lost = 400 - studio.samples("cell");
    assert!(lost > 0);
    watch.until(&format!("{lost} readings could not be stored before the end"), 1);
}

#[test]
fn a_studio_that_is_moved_away_and_back_costs_no_reading() {
    let (studio, mut device) = (Studio::new(), Device::new());
    let mut watch = Watch::on(&studio, &device.path);
    device.send(line("cell", T, 1.0));
    eventually("first stored", || studio.samples("cell") == 1);
    let away = studio.path().with_file_name("elsewhere");
    fs::rename(studio.path(), &away).unwrap();
    device.send(line("cell", T + 60.0, 2.0));
    watch.until("studio.db was moved, removed or replaced while it was open", 1);
    device.send(line("cell", T + 120.0, 3.0));
    fs::rename(&away, studio.path()).unwrap();
    watch.until("none was lost", 1);
    assert_eq!(studio.values("cell"), [1.0, 2.0, 3.0]);
    // Another file of that name is the studio from then on.
    let backup = studio.path().with_file_name("copy.db");
    let made = command(&studio, &["backup", backup.to_str().unwrap()]).output().unwrap();
    assert!(made.status.success(), "{made:?}");
    fs::rename(&backup, studio.path().join("studio.db")).unwrap();
    for suffix in ["-wal", "-shm"] {
        fs::remove_file(studio.path().join(format!("studio.db{suffix}"))).unwrap();
    }
    device.send(line("cell", T + 180.0, 4.0));
    watch.until("none was lost", 2);
    assert!(watch.end(Signal::TERM).success());
    assert_eq!(studio.values("cell"), [1.0, 2.0, 3.0, 4.0]);
}

#[test]
fn backups_while_readings_come_in_are_whole_and_hold_all_until_their_moment() {
    let (studio, mut device) = (Studio::new(), Device::new());
    let mut watch = Watch::on(&studio, &device.path);
    let mut sent = 0;
    for round in 0..6 {
        for _ in 0..150 {
            device.send(line("cell", T + 60.0 * f64::from(sent), f64::from(sent)));
            sent += 1;
        }
        let before = studio.samples("cell") as usize;
        let file = studio.path().with_file_name(format!("copy-{round}.db"));
        let made = command(&studio, &["backup", file.to_str().unwrap()]).output().unwrap();
        assert!(made.status.success(), "{made:?}");
        let other = Studio::new();
        let back = command(&other, &["restore", file.to_str().unwrap()]).output().unwrap();
        assert!(back.status.success(), "{back:?}");
        let values = other.values("cell");
        assert!((before..=sent as usize).contains(&values.len()), "{before} {}", values.len());
        assert_eq!(values, (0..values.len()).map(|n| n as f64).collect::<Vec<_>>());
    }
    // It is watched: nothing is put in its place.
    let file = studio.path().with_file_name("copy-0.db");
    let back = command(&studio, &["restore", file.to_str().unwrap()]).output().unwrap();
    assert_eq!(back.status.code(), Some(2));
    let said = String::from_utf8(back.stderr).unwrap();
    assert!(said.contains("this studio is being watched by process"), "{said}");
    eventually("all stored", || studio.samples("cell") == sent as u64);
    assert!(watch.end(Signal::TERM).success());
}

/// A daemon under a flood of lines, a long import, and a potter who types: nobody is turned away,
/// and all that each was told is there.
#[test]
fn daemon_import_and_commands_at_once() {
    let (studio, mut device) = (Studio::new(), Device::new());
    studio.put("jar", "bench", 1.6e9);
    let files = tempfile::tempdir().unwrap();
    let mut rows = String::from("time,source,quantity,value,unit,pot\n");
    for n in 0..40_000u32 {
        let (day, second) = (1 + n / 20_000, n % 20_000);
        let (hour, minute, second) = (second / 3600, second / 60 % 60, second % 60);
        rows += &format!("2019-05-{day:02}T{hour:02}:{minute:02}:{second:02}Z,old,mass,{n},g,\n");
    }
    fs::write(files.path().join("readings.csv"), rows).unwrap();
    let mut watch = Watch::on(&studio, &device.path);
    let mut import = command(&studio, &["import", files.path().to_str().unwrap()]);
    let mut import = import.stderr(std::process::Stdio::null()).spawn().unwrap();
    std::thread::scope(|scope| {
        scope.spawn(|| {
            for i in 0..3000 {
                device.send(line("cell", T + 60.0 * f64::from(i), f64::from(i)));
            }
        });
        for i in 0..8 {
            let (at, grams) = (format!("2021-03-1{i}T12:00:00Z"), format!("{}", 900 - i));
            let noted = command(&studio, &["weigh", "jar", &grams, "--at", &at]).output().unwrap();
            assert!(noted.status.success(), "{noted:?}");
            let report = command(&studio, &["report", "--json", "--at", "2021-03-18T13:00:00Z"]);
            let report = { report }.output().unwrap();
            assert!(report.status.success(), "{report:?}");
            let text = String::from_utf8(report.stdout).unwrap();
            assert!(text.contains("\"pots\""), "{text}");
        }
    });
    assert!(import.wait().unwrap().success());
    eventually("all stored", || studio.samples("cell") == 3000);
    assert!(watch.end(Signal::TERM).success(), "{}", watch.everything_said());
    assert_eq!((studio.samples("old"), studio.samples("bench")), (40_000, 8));
}
