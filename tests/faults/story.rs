//! What happens in the studio while the power fails: a daemon and a command line write by turns,
//! the studio is brought up from an older layout, files are imported, the log is folded back into
//! the file, all programs end and begin again.
//!
//! Each step is one transaction. The state after step k is known by its digest, and what is there
//! after a fault must be the state after one of the steps that were under way: never half of one.

use super::vfs::Watched;
use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};
use warecast::calibration::Load;
use warecast::records::{
    Action, Blend, Body, HandlingRow, Ingredient, Point, Pot, Quantity, Reading,
};
use warecast::store::files::{self, Options};
use warecast::store::{Clash, Instead, Looked, Store, StoreError, Thinning};
use warecast::units::Time;

/// When it must be there.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Promise {
    /// After a loss of power, once the step has returned.
    Power,
    /// After the end of the program, once the step has returned.
    Process,
}

/// The programs that have the studio open.
pub struct World {
    dir: PathBuf,
    daemon: Option<Store>,
    command: Option<Store>,
}

type Step = (Promise, Box<dyn Fn(&mut World) -> Result<(), StoreError>>);

impl World {
    fn daemon(&mut self) -> Result<&mut Store, StoreError> {
        let dir = self.dir.clone();
        open(&mut self.daemon, &dir)
    }

    fn command(&mut self) -> Result<&mut Store, StoreError> {
        let dir = self.dir.clone();
        open(&mut self.command, &dir)
    }
}

/// Opened at its first use, and again after a step that closed it.
fn open<'a>(store: &'a mut Option<Store>, dir: &Path) -> Result<&'a mut Store, StoreError> {
    match store {
        Some(store) => Ok(store),
        None => Ok(store.insert(Store::open(dir)?)),
    }
}

/// Makes a studio of the first layout in `dir`, closed and whole; gives the files of its database.
pub fn begin(dir: &Path) {
    let sql = include_str!("../../fixtures/studios/layout-1.sql");
    let db = rusqlite::Connection::open(dir.join("studio.db")).unwrap();
    db.execute_batch(sql).unwrap();
    db.close().unwrap();
    fs::write(dir.join("studio.toml"), "units = \"metric\"\n").unwrap();
}

/// Plays the story in a studio that [`begin`] made. Marks 2k and 2k + 1 stand before and after
/// step k. Steps may fail where the disk does; says which have succeeded.
pub fn play(dir: &Path, steps: &[Step], watched: Option<&Watched>) -> Vec<bool> {
    let mut world = World { dir: dir.into(), daemon: None, command: None };
    let mut went_well = Vec::new();
    for (k, (_, step)) in steps.iter().enumerate() {
        watched.inspect(|watched| watched.mark(2 * k));
        let done = step(&mut world).is_ok();
        went_well.push(done);
        if done {
            watched.inspect(|watched| watched.mark(2 * k + 1));
        }
    }
    went_well
}

/// The steps; `folder` is where the files to import are written.
pub fn steps(folder: &Path) -> Vec<Step> {
    write_files(folder);
    let mut steps: Vec<Step> = Vec::new();
    fn add(
        steps: &mut Vec<Step>,
        promise: Promise,
        step: impl Fn(&mut World) -> Result<(), StoreError> + 'static,
    ) {
        steps.push((promise, Box::new(step)));
    }
    use Promise::{Power, Process};
    add(&mut steps, Power, |w| w.daemon().map(drop)); // the new layout
    add(&mut steps, Power, |w| {
        let bodies = ["dune", "umber"].map(|name| body(name, 0.2));
        w.command()?.put_bodies(&bodies, Clash::Refuse).map(drop)
    });
    add(&mut steps, Power, |w| {
        let pots: Vec<Pot> = (0..6).map(|i| pot(&format!("jar-{i}"))).collect();
        w.command()?.put_pots(&pots, Clash::Refuse).map(drop)
    });
    for round in 0..5 {
        for part in 0..3 {
            let size = [1, 7, 40][part as usize] * (1 + round % 2);
            let batch = readings(1000 * round + 100 * part, size);
            add(&mut steps, Process, move |w| {
                w.daemon()?.append_soon(&batch, Clash::Refuse).map(drop)
            });
        }
        add(&mut steps, Power, move |w| {
            let rows: Vec<HandlingRow> = (0..3).map(|i| note(10 * round + i)).collect();
            w.command()?.put_handling(&rows, Clash::Refuse).map(drop)
        });
        let one = readings(1000 * round + 900, 1);
        add(&mut steps, Process, move |w| w.daemon()?.append_soon(&one, Clash::Refuse).map(drop));
        add(&mut steps, Power, |w| w.daemon()?.sync());
    }
    let from = folder.to_owned();
    add(&mut steps, Power, move |w| {
        let options = Options { strict: false, replace: true };
        files::import(w.command()?, &from, options, &mut |_| {}).map(drop)
    });
    add(&mut steps, Power, |w| {
        let parts = [part("shore", "dune", 2000.0), part("shore", "tide", 1000.0)];
        w.command()?.put_blended(&body("shore", 0.19), &parts, Clash::Refuse)
    });
    for clash in [Clash::Refuse, Clash::Replace] {
        let grams =
            if clash == Clash::Refuse { vec![0.0, 500.0, 1000.0] } else { vec![0.0, 1000.0] };
        let loads: Vec<Load> = grams.into_iter().map(load).collect();
        add(&mut steps, Power, move |w| w.command()?.put_calibration(&loads, clash).map(drop));
    }
    add(&mut steps, Power, |w| {
        let span = (Time::MIN, Time::from_seconds(1.9e9 + 150_000.0)); // what has come so far
        let thinning = Thinning { of: Looked::Window(0, 0), span, how: &means };
        w.daemon()?.thin(&thinning).map(drop)
    });
    // The log goes back into the file while both have it open, and begins again from its front.
    add(&mut steps, Process, |w| fold(&w.dir, "PASSIVE"));
    for i in 0..3 {
        let batch = readings(20_000 + 100 * i, 30);
        add(&mut steps, Process, move |w| w.daemon()?.append_soon(&batch, Clash::Refuse).map(drop));
    }
    add(&mut steps, Power, |w| {
        let parts = [part("shore", "umber", 500.0)];
        w.command()?.put_blended(&body("shore", 0.21), &parts, Clash::Replace)
    });
    add(&mut steps, Process, |w| fold(&w.dir, "TRUNCATE"));
    let batch = readings(30_000, 60);
    add(&mut steps, Process, move |w| w.daemon()?.append_soon(&batch, Clash::Refuse).map(drop));
    // All programs end, the last one folds the log back and takes it away; then they come again.
    add(&mut steps, Process, |w| {
        (w.daemon, w.command) = (None, None);
        Ok(())
    });
    let batch = readings(40_000, 20);
    add(&mut steps, Process, move |w| w.daemon()?.append_soon(&batch, Clash::Refuse).map(drop));
    let weight = readings(50_000, 1);
    add(&mut steps, Power, move |w| w.command()?.append(&weight, Clash::Refuse).map(drop));
    add(&mut steps, Process, |w| {
        (w.daemon, w.command) = (None, None);
        Ok(())
    });
    steps
}

fn fold(dir: &Path, how: &str) -> Result<(), StoreError> {
    let db = rusqlite::Connection::open(dir.join("studio.db"))?;
    db.query_row(&format!("PRAGMA wal_checkpoint({how})"), [], |_| Ok(()))?;
    Ok(())
}

fn body(name: &str, bag_water_wet: f64) -> Body {
    let bag_water_wet = Some(bag_water_wet);
    Body { name: name.into(), bag_water_wet, trim_from_dry: Some(0.23), trim_to_dry: None }
}

fn pot(name: &str) -> Pot {
    Pot {
        name: name.into(),
        body: "dune".into(),
        made_at: Time::from_seconds(1.9e9),
        ball_g: Some(713.0),
        tare_g: Some(180.0),
        wall_mm: Some(5.0),
        base_mm: None,
        lot: None,
        board: Some("north".into()),
        like: None,
        place: None,
    }
}

fn note(n: i64) -> HandlingRow {
    let (pot, time) = (format!("jar-{}", n % 6), Time::from_seconds(1.9e9 + 60.0 * n as f64));
    HandlingRow { time, pot, action: Action::Tare(n as f64) }
}

fn part(whole: &str, name: &str, mass_g: f64) -> Blend {
    Blend { body: whole.into(), kind: Ingredient::Part, name: name.into(), mass_g }
}

fn load(mass_g: f64) -> Load {
    Load {
        source: "shelf-a:cell-0".into(),
        from: Time::from_seconds(1.9e9),
        at: Time::from_seconds(1.9e9 + mass_g),
        mass_g,
        limit_g: Some(0.05),
        raw: 84_000.0 + 431.0 * mass_g,
        samples: Some(80),
        spread: Some(12.0),
        celsius: None,
    }
}

/// One reading in the place of those of five minutes.
fn means(points: &[Point]) -> Instead {
    let (mut instead, mut end) = (Instead::new(), 0);
    for group in points.chunk_by(|a, b| a.time.0 / 300_000_000 == b.time.0 / 300_000_000) {
        let of = end..end + group.len();
        end = of.end;
        if group.len() > 1 {
            instead.push((of, vec![group[group.len() / 2]]));
        }
    }
    instead
}

/// Readings of four sources by turns.
fn readings(from: i64, count: i64) -> Vec<Reading> {
    let reading = |n: i64| Reading {
        time: Time::from_seconds(1.9e9 + 10.0 * n as f64),
        source: format!("shelf-a:cell-{}", n % 4),
        quantity: Quantity::Mass,
        value: 800.0 - n as f64 / 7.0,
        pot: None,
        count: Some(100),
        spread: Some(0.25),
    };
    (from..from + count).map(reading).collect()
}

fn write_files(folder: &Path) {
    fs::write(folder.join("bodies.csv"), "body,bag_water_wet_percent\number,21.5\n").unwrap();
    let mut rows = String::from("time,source,quantity,value,unit,pot\n");
    for n in 0..400 {
        let (minute, second) = (n / 60, n % 60);
        let value = 812.0 - f64::from(n) / 10.0;
        let time = format!("2031-04-02T18:{minute:02}:{second:02}Z");
        writeln!(rows, "{time},bench,mass,{value},g,jar-{}", n % 6).unwrap();
    }
    fs::write(folder.join("readings.csv"), rows).unwrap();
}

/// What a studio holds, in one number; complains of what is not whole.
///
/// The studio is opened as the program opens it. Then every row of every table counts.
pub fn digest(dir: &Path) -> Result<u64, String> {
    let store = Store::open(dir).map_err(|e| format!("does not open: {e}"))?;
    store.studio(Time::MAX).map_err(|e| format!("cannot be read: {e}"))?;
    let db = rusqlite::Connection::open(dir.join("studio.db")).unwrap();
    read_all(&db).map_err(|e| format!("cannot be read: {e}"))?
}

fn read_all(db: &rusqlite::Connection) -> rusqlite::Result<Result<u64, String>> {
    let verdict: String = db.query_row("PRAGMA integrity_check", [], |row| row.get(0))?;
    if verdict != "ok" {
        return Ok(Err(format!("not whole: {verdict}")));
    }
    if db.prepare("PRAGMA foreign_key_check")?.exists([])? {
        return Ok(Err("a row names another that is not there".into()));
    }
    let crc = crc::Crc::<u64>::new(&crc::CRC_64_XZ);
    let mut digest = crc.digest();
    // The numbers of the series are the store's own affair: their names count.
    let readings = "SELECT source, quantity, pot, time, value, count, spread
        FROM series LEFT JOIN reading ON series = id ORDER BY 1, 2, 3, 4";
    let mut queries = vec![readings.to_owned()];
    let tables = "SELECT name FROM sqlite_schema
        WHERE type = 'table' AND name NOT IN ('series', 'reading') ORDER BY name";
    let mut tables = db.prepare(tables)?;
    for table in tables.query_map([], |row| row.get::<_, String>(0))? {
        queries.push(format!("SELECT * FROM {}", table?)); // each has a key, and is in its order
    }
    for query in queries {
        digest.update(query.as_bytes());
        let mut statement = db.prepare(&query)?;
        let width = statement.column_count();
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            for at in 0..width {
                digest.update(format!("{:?}|", row.get_ref(at)?).as_bytes());
            }
        }
    }
    Ok(Ok(digest.finalize()))
}
