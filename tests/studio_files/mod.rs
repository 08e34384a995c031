//! What the tests of the studio files share: folders, stores, a scenario.
//!
//! The scenario — planters and lidded jars in a shared coastal studio — and every number in it
//! are invented.

#![allow(dead_code, reason = "each test uses a part of it")]

use std::fs;
use std::path::Path;
use tempfile::TempDir;
use warecast::records::Studio;
use warecast::store::Store;
use warecast::store::files::{self, Imported, Note, Options};
use warecast::units::Time;

pub const BODIES: &str = "body,bag_water_wet_percent,trim_from_dry_percent,trim_to_dry_percent\n";
pub const POTS: &str = "pot,body,made_at,ball_g,tare_g,wall_mm,base_mm,lot,board,like,place\n";
pub const HANDLING: &str = "time,pot,action,detail\n";
pub const READINGS: &str = "time,source,quantity,value,unit,pot,count,spread\n";
pub const SAMPLES: &str =
    "time,sample,body,lot,drying,mass_g,tare_g,humidity_percent,scale_step_g\n";
pub const BLENDS: &str = "body,kind,name,mass_g\n";
pub const COUNTS: &str = "time,source,raw,samples,spread\n";
pub const CALIBRATIONS: &str = "source,from,at,mass_g,limit_g,raw,samples,spread,temperature_c\n";
pub const ZERO_DRIFTS: &str = "source,from,raw_per_c,raw_per_c_u,thermometer\n";

pub const COMPARISONS: &str = "comparison,pot,treatment,rank,pair,seed,drawn_at\n";

pub const KILN: &str = "load,packed_at,pot\n";
pub const AIR: &str = "time,temperature_c,humidity_percent\n";

/// A folder with these files.
pub fn folder(texts: &[(&str, &[u8])]) -> TempDir {
    let dir = tempfile::tempdir().unwrap();
    for (file, text) in texts {
        fs::write(dir.path().join(file), text).unwrap();
    }
    dir
}

/// A store in a folder of its own.
pub fn empty() -> (TempDir, Store) {
    let dir = tempfile::tempdir().unwrap();
    let store = Store::open_or_create(dir.path()).unwrap();
    (dir, store)
}

/// Imports; what was told, line by line.
pub fn take(store: &mut Store, folder: &Path, options: Options) -> (Imported, Vec<String>) {
    let mut told = Vec::new();
    let mut tell = |note: Note| {
        told.push(match note {
            Note::Defect(defect) => defect.to_string(),
            Note::Warning(text) => format!("warning: {text}"),
        });
    };
    let imported = files::import(store, folder, options, &mut tell).unwrap();
    (imported, told)
}

pub const LENIENT: Options = Options { strict: false, replace: false };

/// Planters and lidded jars: one of each kind of row.
pub fn scenario() -> TempDir {
    folder(&[
        (
            "bodies.csv",
            b"body,bag_water_wet_percent,trim_from_dry_percent,trim_to_dry_percent\n\
              harbour stoneware,22.5,24.5,17.9\n\
              \"terracotta, coarse\",,,\n",
        ),
        (
            "pots.csv",
            b"pot,body,made_at,ball_g,tare_g,wall_mm,base_mm,lot,board,like,place\n\
              planter-1,harbour stoneware,2031-04-02T09:10:00Z,1200,180.5,7.5,9,bag-3,board-a,,\n\
              planter-2,harbour stoneware,2031-04-02T09:40:00+02:00,,,,,bag-3,board-a,planter-1,\n\
              lidded jar,\"terracotta, coarse\",2031-04-03T10:00:00Z,,,,,,,,loft\n",
        ),
        (
            "handling.csv",
            b"time,pot,action,detail\n\
              2031-04-02T09:10:00Z,planter-1,on,shelf-a:cell-1\n\
              2031-04-02T18:00:00Z,planter-1,cover,draped\n\
              2031-04-02T18:00:00Z,planter-1,tare,195\n\
              2031-04-03T08:00:00Z,planter-1,cover,open\n\
              2031-04-03T09:00:00Z,planter-1,verdict,right\n\
              2031-04-03T09:00:00Z,planter-1,trim,\n\
              2031-04-03T09:05:00Z,planter-1,length,102.5\n\
              2031-04-03T11:00:00Z,lidded jar,attach,\n\
              2031-04-03T11:00:00Z,planter-2,attach,31\n\
              2031-04-03T12:00:00Z,planter-1,off,\n\
              2031-04-04T08:00:00Z,planter-1,flip,\n\
              2031-04-04T08:30:00Z,lidded jar,on,shelf-b:cell-1\n\
              2031-04-04T09:00:00Z,planter-1,move,loft\n\
              2031-04-09T09:00:00Z,planter-2,outcome,cracked-drying\n\
              2031-04-09T09:00:00Z,planter-2,lost,\"fell, alas\"\n\
              2031-04-09T10:00:00Z,planter-1,kiln,\n",
        ),
        (
            "readings.csv",
            b"time,source,quantity,value,unit,pot\n\
              2031-04-02T09:10:00Z,shelf-a:cell-1,mass,1321.4,g,\n\
              2031-04-02T17:55:00.25Z,shelf-a:cell-1,mass,1.2987,kg,\n\
              2031-04-03T11:55:00Z,shelf-a:cell-1,mass,-0.4,g,\n\
              2031-04-03T11:00:00Z,bench,mass,32,oz,lidded jar\n\
              2031-04-03T13:00:00Z,bench,mass,2,lb,lidded jar\n\
              2031-04-02T09:10:00Z,room,temperature,19.8,Cel,\n\
              2031-04-02T09:10:00Z,room,humidity,54.7,%RH,\n\
              2031-04-03T09:10:00Z,room:loft,temperature,68,degF,\n\
              2031-04-04T08:00:00Z,room:loft,temperature,20,Cel,\n",
        ),
        (
            "samples.csv",
            b"time,sample,body,lot,drying,mass_g,tare_g,humidity_percent,scale_step_g\n\
              2031-04-02T09:00:00Z,bag-3 offcut,harbour stoneware,bag-3,wet,212.4,12.5,,0.1\n\
              2031-04-03T09:00:00Z,bag-3 offcut,harbour stoneware,bag-3,room,171.9,12.5,54.7,0.1\n\
              2031-04-03T11:00:00Z,\"coarse, rim\",\"terracotta, coarse\",,wet,98,,,\n\
              2031-04-03T12:00:00Z,bag-3 offcut,harbour stoneware,bag-3,oven,168.1,12.5,,0.1\n",
        ),
        (
            "blends.csv",
            b"body,kind,name,mass_g\n\
              \"terracotta, coarse\",part,harbour stoneware,3000\n\
              \"terracotta, coarse\",add,\"grog, 0.5 mm\",412.5\n",
        ),
        // 400 counts per gram; 4.8 °C colder than when it was calibrated, it shows 480 counts more.
        (
            "counts.csv",
            b"time,source,raw,samples,spread\n\
              2031-04-04T08:20:00Z,shelf-b:cell-1,8120,98,21.5\n\
              2031-04-04T08:40:00Z,shelf-b:cell-1,408600,,\n\
              2031-04-04T08:40:10Z,shelf-b:cell-1,408480,100,0\n",
        ),
        (
            "calibrations.csv",
            b"source,from,at,mass_g,limit_g,raw,samples,spread,temperature_c\n\
              shelf-b:cell-1,2031-04-02T08:00:00Z,2031-04-02T08:00:00Z,0,,8000,100,20,24.8\n\
              shelf-b:cell-1,2031-04-02T08:00:00Z,2031-04-02T08:02:00Z,500,0.5,208000,,,\n\
              shelf-b:cell-1,2031-04-02T08:00:00Z,2031-04-02T08:04:00Z,1000,1,408000,100,20,\n",
        ),
        (
            "zero_drifts.csv",
            b"source,from,raw_per_c,raw_per_c_u,thermometer\n\
              shelf-b:cell-1,2031-04-02T08:00:00Z,-100,12.5,room:loft\n",
        ),
        (
            "comparisons.csv",
            b"comparison,pot,treatment,rank,pair,seed,drawn_at\n\
              plastic,planter-1,open,1,1,7,2031-04-02T10:00:00Z\n\
              plastic,a pot to come,draped,2,1,7,2031-04-02T10:00:00Z\n",
        ),
        (
            "kiln_loads.csv",
            b"load,packed_at,pot\n\
              \"spring, first\",2031-04-09T10:00:00Z,planter-1\n\
              \"spring, first\",2031-04-09T12:00:00+02:00,lidded jar\n",
        ),
        (
            "planned.csv",
            b"time,pot,action,detail\n\
              2031-04-04T09:00:00Z,planter-1,move,loft\n",
        ),
    ])
}

pub const AT: [&str; 6] = [
    "2031-04-02T09:09:59Z",
    "2031-04-02T09:10:00Z",
    "2031-04-02T18:00:00Z",
    "2031-04-03T10:30:00Z",
    "2031-04-03T12:00:00Z",
    "2031-05-01T00:00:00Z",
];

pub fn times() -> impl Iterator<Item = Time> {
    AT.iter().map(|text| Time::parse_rfc3339(text).unwrap())
}

pub fn snapshots(store: &Store) -> Vec<Studio> {
    times().map(|at| store.studio(at).unwrap()).collect()
}

/// A studio with the body `clay` and the pot `bowl`.
pub fn with_bowl() -> (TempDir, Store) {
    let (dir, mut store) = empty();
    let files = folder(&[
        ("bodies.csv", b"body\nclay\n"),
        ("pots.csv", b"pot,body,made_at\nbowl,clay,2031-04-02T08:00:00Z\n"),
    ]);
    let (imported, _) = take(&mut store, files.path(), LENIENT);
    assert!(!imported.any_refused());
    (dir, store)
}

/// The same with a row in its log that may be planned.
pub fn with_moved_bowl() -> (TempDir, Store) {
    let (dir, mut store) = with_bowl();
    let row = format!("{HANDLING}2031-04-02T12:00:00Z,bowl,move,loft\n");
    let files = folder(&[("handling.csv", row.as_bytes())]);
    take(&mut store, files.path(), LENIENT);
    (dir, store)
}
