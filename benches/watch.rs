//! What the daemon costs: processor time and memory with 16 cells at 10 and at 80 readings a second
//! each behind a pseudo-terminal, on a studio of 16 pots with two days of weights, in real time.
//!
//! Figures are the kernel's (`/proc`), so this one runs on Linux only.

mod shelf;

use shelf::{Size, scratch, warecast, write};
use std::fs;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::thread;
use std::time::{Duration, Instant};
use warecast::simulate::pty::Pty;

const SIZE: Size = Size::at_once(16, 2_880);
/// Readings of each cell in a second: what converters of load cells offer.
const RATES: [f64; 2] = [10.0, 80.0];
/// How long the daemon is looked at; it fits each pot anew once a minute.
const SECONDS: f64 = 150.0;
/// Ticks of `/proc/PID/stat` in a second (`getconf CLK_TCK` on all common systems).
const TICKS: f64 = 100.0;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let files = scratch("watch-files");
    write(&files, &SIZE, 4)?;
    RATES.into_iter().try_for_each(|rate| one(&files, rate))
}

fn one(files: &Path, rate: f64) -> Result<(), Box<dyn std::error::Error>> {
    let studio = scratch("watch-studio");
    let _ = fs::remove_dir_all(&studio);
    warecast(&studio, &["import", &files.to_string_lossy()]);
    let pty = Pty::open(None)?;
    let mut daemon = Command::new(env!("CARGO_BIN_EXE_warecast"))
        .args(["--studio".as_ref(), studio.as_os_str(), "watch".as_ref(), "--port".as_ref()])
        .arg(pty.path())
        .stderr(Stdio::null())
        .spawn()?;
    let figures = play(&pty, &mut daemon, rate);
    rustix::process::kill_process(
        rustix::process::Pid::from_child(&daemon),
        rustix::process::Signal::TERM,
    )?;
    let status = daemon.wait()?;
    let (sent, busy, peak) = figures?;
    assert!(status.success(), "the daemon stopped with {status}");
    println!("watch: {} cells, {rate} readings a second each, {SECONDS} s", SIZE.pots);
    println!("  readings sent {sent}");
    println!("  processor time {busy:.2} s, {:.2} % of a core", 100.0 * busy / SECONDS);
    println!("  memory, peak of the resident set {peak:.1} MB");
    Ok(())
}

type Figures = Result<(usize, f64, f64), Box<dyn std::error::Error>>;

/// Sends lines in real time; gives readings sent, seconds of processor time, peak megabytes.
fn play(pty: &Pty, daemon: &mut Child, rate: f64) -> Figures {
    let patience = Instant::now();
    pty.wait_for_reader(&|| patience.elapsed() > Duration::from_secs(10));
    let before = processor_seconds(daemon.id())?;
    let start = Instant::now();
    let mut sent = 0;
    for turn in 1..=(rate * SECONDS) as usize {
        let seconds = turn as f64 / rate;
        pty.send(line(seconds).as_bytes(), &|| start.elapsed().as_secs_f64() > 2.0 * SECONDS)?;
        sent += SIZE.pots;
        if let Some(status) = daemon.try_wait()? {
            return Err(format!("the daemon stopped early: {status}").into());
        }
        thread::sleep(Duration::from_secs_f64(seconds).saturating_sub(start.elapsed()));
    }
    let busy = processor_seconds(daemon.id())? - before;
    Ok((sent, busy, peak_megabytes(daemon.id())?))
}

/// All cells once, that many seconds after the studio's last weight.
fn line(seconds: f64) -> String {
    let bt = SIZE.end().plus(seconds).seconds();
    let cells = (0..SIZE.pots).map(|cell| {
        let wobble = 0.1 * ((7 * cell) as f64 + 40.0 * seconds).sin();
        let grams = 700.0 + 60.0 * cell as f64 + wobble;
        let base = if cell == 0 { format!("\"bt\":{bt:.4},\"bu\":\"g\",") } else { String::new() };
        format!("{{{base}\"n\":\"cell-{cell:03}\",\"v\":{grams:.1}}}")
    });
    format!("[{}]\n", cells.collect::<Vec<_>>().join(","))
}

/// Fields 14 and 15 of `/proc/PID/stat` (proc(5)): time in the program and in the kernel for it.
fn processor_seconds(process: u32) -> Result<f64, Box<dyn std::error::Error>> {
    let stat = fs::read_to_string(format!("/proc/{process}/stat"))?;
    let fields = stat.rsplit(')').next().unwrap_or_default();
    let ticks = fields.split_whitespace().skip(11).take(2).map(str::parse::<f64>);
    Ok(ticks.sum::<Result<f64, _>>()? / TICKS)
}

/// `VmHWM` of `/proc/PID/status`.
fn peak_megabytes(process: u32) -> Result<f64, Box<dyn std::error::Error>> {
    let status = fs::read_to_string(format!("/proc/{process}/status"))?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:")).ok_or("no VmHWM")?;
    let kilobytes = line.trim().trim_end_matches(" kB").parse::<f64>()?;
    Ok(kilobytes / 1024.0)
}
