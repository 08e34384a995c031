//! What the benchmarks share: a made-up studio of any size from a seed, written as studio files;
//! timing; and the program a user might have written instead.
//!
//! The pots dry by the simulator's diffusion model, not by the model that is fitted to them. Every
//! number in these files is invented.

#![allow(dead_code, reason = "each benchmark uses a part of it")]

use rand::SeedableRng;
use rand::rngs::Xoshiro256PlusPlus;
use std::fmt::Write as _;
use std::fs;
use std::io::{self, BufWriter, Write as _};
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::time::Instant;
use warecast::simulate::pot::{ClayPot, Shape, Throwing};
use warecast::simulate::room::Room;
use warecast::simulate::scale::{Cell, RoomSensor};
use warecast::simulate::scenario::{COARSE, FINE};
use warecast::simulate::surface::RoomAir;
use warecast::units::Time;

/// The pots come off the wheel at this moment: 2031-04-02T08:00:00Z.
pub const MADE_AT: Time = Time(1_932_883_200_000_000);
/// Weighings between two readings of the room.
const ROOM_EVERY: usize = 10;
/// Different drying pots; the others are these on other cells with other noise and size.
const KINDS: usize = 8;

/// How large the studio is.
pub struct Size {
    /// Pots, each on a cell of its own.
    pub pots: usize,
    /// Weighings of each.
    pub weighings: usize,
    /// Seconds between weighings of a pot.
    pub every: f64,
    /// Weighings between one pot and the next that comes off the wheel.
    pub apart: usize,
}

impl Size {
    /// Pots that are all made at once and weighed every minute.
    pub const fn at_once(pots: usize, weighings: usize) -> Size {
        Size { pots, weighings, every: 60.0, apart: 0 }
    }

    /// The studio of a season: a pot every four hours, each weighed 3,000 times in ten days, after
    /// which most are dry.
    pub const fn season(pots: usize) -> Size {
        Size { pots, weighings: 3_000, every: 288.0, apart: 50 }
    }

    /// Steps of the room's time.
    fn steps(&self) -> usize {
        self.weighings + self.apart * (self.pots - 1)
    }

    /// The moment of the last weighing.
    pub fn end(&self) -> Time {
        self.moment(self.steps())
    }

    /// Rows of `readings.csv`: weighings, and temperature and humidity of the room.
    pub fn rows(&self) -> usize {
        self.pots * self.weighings + 2 * (self.steps() / ROOM_EVERY)
    }

    fn moment(&self, step: usize) -> Time {
        MADE_AT.plus(self.every * step as f64)
    }
}

/// Writes a studio of that size from that seed into a fresh folder.
pub fn write(folder: &Path, size: &Size, seed: u64) -> io::Result<()> {
    let _ = fs::remove_dir_all(folder);
    fs::create_dir_all(folder)?;
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed);
    let air = room(size, &mut rng);
    let its_air = |pot: usize| &air[pot * size.apart..][..size.weighings];
    // Pots of one kind that are made at once dry alike.
    let different = if size.apart == 0 { KINDS.min(size.pots) } else { size.pots };
    let dried: Vec<Vec<f64>> =
        (0..different).map(|pot| dry_one(pot % KINDS, size.every, its_air(pot))).collect();
    let mut pots = String::from("pot,body,made_at,ball_g,tare_g,wall_mm,base_mm\n");
    let mut handling = String::from("time,pot,action,detail\n");
    let readings = fs::File::create(folder.join("readings.csv"))?;
    let mut readings = BufWriter::new(readings);
    writeln!(readings, "time,source,quantity,value,unit,pot")?;
    write_room(&mut readings, size, &air, &mut rng)?;
    for pot in 0..size.pots {
        let (kind, scale) = (pot % KINDS, 1.0 + 0.01 * (pot / KINDS) as f64);
        let (body, shape) = (["shore", "tide"][kind % 2], shape(kind));
        let ball = scale * shape.ball_g;
        let made = size.moment(pot * size.apart);
        let _ = writeln!(
            pots,
            "p{pot:03},{body},{made},{ball:.0},180,{},{}",
            shape.wall_mm, shape.base_mm
        );
        let _ = writeln!(handling, "{made},p{pot:03},on,cell-{pot:03}");
        let mut cell = Cell::new(Xoshiro256PlusPlus::from_rng(&mut rng));
        let masses = &dried[pot % different];
        for (index, (air, mass)) in its_air(pot).iter().zip(masses).enumerate() {
            let time = size.moment(pot * size.apart + index + 1);
            let grams = cell.read(size.every, 180.0 + scale * mass, air);
            writeln!(readings, "{time},cell-{pot:03},mass,{grams:.1},g,")?;
        }
        if size.apart > 0 && pot + 1 < size.pots {
            let taken = size.moment(pot * size.apart + size.weighings + 1);
            let _ = writeln!(handling, "{taken},p{pot:03},off,");
        }
    }
    fs::write(folder.join("pots.csv"), pots)?;
    fs::write(folder.join("handling.csv"), handling)?;
    fs::write(
        folder.join("bodies.csv"),
        "body,bag_water_wet_percent,trim_from_dry_percent,trim_to_dry_percent\n\
         shore,20.5,21,13\ntide,22.5,23,16\n",
    )?;
    readings.flush()
}

fn room(size: &Size, rng: &mut Xoshiro256PlusPlus) -> Vec<RoomAir> {
    let mut room = Room::new(8.0 * 3600.0, Xoshiro256PlusPlus::from_rng(rng));
    (0..size.steps()).map(|_| room.step(size.every)).collect()
}

fn write_room(
    out: &mut impl io::Write,
    size: &Size,
    air: &[RoomAir],
    rng: &mut Xoshiro256PlusPlus,
) -> io::Result<()> {
    let mut sensor = RoomSensor::new(Xoshiro256PlusPlus::from_rng(rng));
    for (index, air) in air.iter().enumerate().skip(ROOM_EVERY - 1).step_by(ROOM_EVERY) {
        let (celsius, humidity) = sensor.read(air);
        let time = size.moment(index + 1);
        writeln!(out, "{time},room,temperature,{celsius:.1},Cel,")?;
        writeln!(out, "{time},room,humidity,{humidity:.1},%RH,")?;
    }
    Ok(())
}

fn shape(kind: usize) -> Shape {
    let large = kind as f64 / KINDS as f64;
    Shape {
        ball_g: (600.0 + 900.0 * large).round(),
        wall_mm: 5.0 + (3.0 * large).round(),
        base_mm: 7.0 + (4.0 * large).round(),
        base_share: 0.3,
        inside: 0.6,
        height: 0.12,
    }
}

/// Mass of one pot of that kind along the way, g.
fn dry_one(kind: usize, every: f64, air: &[RoomAir]) -> Vec<f64> {
    let clay = [COARSE, FINE][kind % 2];
    let throwing = Throwing { slip: 0.03, water: 0.01 };
    let mut pot = ClayPot::thrown(clay, shape(kind), throwing, 1.0);
    let each = air.iter().map(|air| {
        pot.step(every, air);
        pot.truth().mass_g
    });
    each.collect()
}

/// The folder for made-up data; it lies in the build folder.
pub fn scratch(name: &str) -> PathBuf {
    Path::new(env!("CARGO_TARGET_TMPDIR")).join(name)
}

/// Runs the program on a studio.
pub fn warecast(studio: &Path, arguments: &[&str]) -> Output {
    let output = Command::new(env!("CARGO_BIN_EXE_warecast"))
        .arg("--studio")
        .arg(studio)
        .args(arguments)
        .output()
        .expect("the program starts");
    let errors = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "warecast {arguments:?}: {errors}");
    output
}

/// Runs a Python script of this folder, if Python and what the script imports are there.
///
/// `WARECAST_BENCH_PYTHON` names another interpreter than `python3`.
pub fn rival(script: &str, arguments: &[&Path]) -> Option<Output> {
    let python = std::env::var("WARECAST_BENCH_PYTHON").unwrap_or_else(|_| "python3".into());
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("benches").join(script);
    let output = Command::new(python).arg(path).args(arguments).output().ok()?;
    if output.status.success() {
        return Some(output);
    }
    eprintln!("{script} did not run: {}", String::from_utf8_lossy(&output.stderr));
    None
}

/// Seconds of each of `repeats` runs, shortest first.
pub fn time(repeats: usize, mut run: impl FnMut()) -> Vec<f64> {
    let mut seconds: Vec<f64> = (0..repeats)
        .map(|_| {
            let start = Instant::now();
            run();
            start.elapsed().as_secs_f64()
        })
        .collect();
    seconds.sort_by(f64::total_cmp);
    seconds
}

/// Prints one line of figures and gives the median in seconds.
pub fn say(what: &str, seconds: &[f64]) -> f64 {
    let (first, last) = (seconds[0], seconds[seconds.len() - 1]);
    let median = seconds[seconds.len() / 2];
    println!(
        "{what:<52} {:>10.1} ms   (fastest {:.1}, slowest {:.1}, {} runs)",
        1e3 * median,
        1e3 * first,
        1e3 * last,
        seconds.len()
    );
    median
}

/// Prints the ratio of two medians.
pub fn say_ratio(what: &str, rival: f64, ours: f64) {
    println!("{what:<52} {:>10.1} x", rival / ours);
}
