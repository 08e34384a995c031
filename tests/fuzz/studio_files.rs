//! One file of the studio, of any bytes: each row is kept or refused with its place, and what was
//! kept comes back from an export bit for bit.

use super::engine::Target;
use super::targets::prints;
use rusqlite::Connection;
use std::cell::RefCell;
use std::fs;
use std::path::{Path, PathBuf};
use tempfile::TempDir;
use warecast::records::{Action, Body, Cover, HandlingRow, Pot};
use warecast::store::files::{AirForecast, Counts, Defect, FILES, Note, Options, export, import};
use warecast::store::{Clash, DATABASE, Store};
use warecast::units::Time;

/// Two studios that are emptied for each input: making new ones would take a hundred times as long.
struct Desk {
    folder: TempDir,
    studios: [Studio; 2],
}

struct Studio {
    store: Store,
    db: Connection,
}

thread_local! {
    static DESK: RefCell<Option<Desk>> = const { RefCell::new(None) };
}

/// In memory where that can be had: the disk has nothing to do with it.
fn folder() -> TempDir {
    let memory = Path::new("/dev/shm");
    let in_memory = memory.is_dir().then(|| tempfile::tempdir_in(memory).ok()).flatten();
    in_memory.unwrap_or_else(|| tempfile::tempdir().unwrap())
}

impl Desk {
    fn new() -> Desk {
        let folder = folder();
        let studio = |name: &str| {
            let dir = folder.path().join(name);
            let store = Store::open_or_create(&dir).unwrap();
            Studio { store, db: Connection::open(dir.join(DATABASE)).unwrap() }
        };
        let studios = ["one", "other"].map(studio);
        fs::create_dir(folder.path().join("in")).unwrap();
        Desk { folder, studios }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }
}

impl Studio {
    fn empty(&self) {
        let tables = [
            "reading",
            "series",
            "planned",
            "handling",
            "sample_weighing",
            "sample",
            "blend",
            "load",
            "zero_drift",
            "allotment",
            "kiln_pot",
            "kiln_load",
            "pot",
            "body",
        ];
        let delete: String = tables.map(|table| format!("DELETE FROM {table};")).concat();
        self.db.execute_batch(&format!("BEGIN; {delete} COMMIT;")).unwrap();
        let _ = fs::remove_file(self.store.dir().join(FILES[10]));
    }

    /// What rows may refer to.
    fn furnish(&mut self) {
        let body = |name: &str| Body {
            name: name.into(),
            bag_water_wet: Some(0.225),
            trim_from_dry: None,
            trim_to_dry: None,
        };
        let made_at = Time(1_930_122_000_000_000);
        let pot = |name| Pot { ball_g: Some(600.0), ..Pot::bare(name, "dune", made_at) };
        self.store.put_bodies(&["dune", "tide"].map(body), Clash::Refuse).unwrap();
        self.store.put_pots(&["jar-1", "jar-2"].map(pot), Clash::Refuse).unwrap();
        let action = Action::Cover(Cover::Open);
        let row = HandlingRow { time: made_at.plus(60.0), pot: "jar-1".into(), action };
        self.store.put_handling(&[row], Clash::Refuse).unwrap();
    }

    /// What became of each file's rows, and what was refused.
    fn import(&mut self, from: &Path) -> (Vec<(&'static str, Counts)>, Vec<Defect>) {
        let mut defects = Vec::new();
        let mut tell = |note: Note| match note {
            Note::Defect(defect) => defects.push(defect),
            Note::Warning(text) => prints(&text),
        };
        let imported = import(&mut self.store, from, Options::default(), &mut tell).unwrap();
        assert!(imported.kept);
        (imported.files, defects)
    }
}

/// Any bytes as one of the files.
pub fn play(file: &str, bytes: &[u8]) {
    DESK.with_borrow_mut(|desk| check(desk.get_or_insert_with(Desk::new), file, bytes));
}

fn check(desk: &mut Desk, file: &str, bytes: &[u8]) {
    let [from, out, again] = ["in", "out", "again"].map(|name| desk.path(name));
    let path = from.join(file);
    fs::write(&path, bytes).unwrap();
    let [one, other] = &mut desk.studios;
    one.empty();
    one.furnish();
    let (files, defects) = one.import(&from);
    let [(name, counts)] = files[..] else { panic!("{files:?}") };
    assert_eq!(name, file);
    told(file, bytes, &counts, &defects);
    if file == FILES[10] {
        let remarks = AirForecast::read(&path).remarks(Time::MIN, |time| time.to_string());
        remarks.iter().for_each(|remark| prints(remark));
    }
    fs::remove_file(&path).unwrap();
    if counts.added == 0 {
        return;
    }
    export(&one.store, &out, true).unwrap();
    // All of it is there already …
    let (files, defects) = one.import(&out);
    assert_eq!(defects, []);
    assert!(files.iter().all(|(_, c)| (c.added, c.replaced, c.refused) == (0, 0, 0)), "{files:?}");
    // … and another studio gets the same.
    other.empty();
    let (files, defects) = other.import(&out);
    assert_eq!(defects, []);
    let added = files.iter().find(|(name, _)| *name == file).map(|(_, c)| c.added);
    let furniture = match FILES.iter().position(|known| *known == file) {
        Some(0 | 1) => 2,
        Some(2) => 1,
        _ => 0,
    };
    assert_eq!(added, Some(counts.added + furniture));
    export(&other.store, &again, true).unwrap();
    for file in FILES {
        let [first, second] = [&out, &again].map(|folder| fs::read(folder.join(file)).unwrap());
        assert_eq!(first, second, "{file}");
    }
}

/// Each row that was refused is told with its place, and each row was looked at.
fn told(file: &str, bytes: &[u8], counts: &Counts, defects: &[Defect]) {
    let Counts { added, known, replaced, refused } = *counts;
    assert_eq!((replaced, refused), (0, defects.len()));
    let lines = bytes.split(|byte| *byte == b'\n').count() as u64;
    for defect in defects {
        prints(&defect.to_string());
        assert_eq!(defect.file, file);
        assert!((1..=lines).contains(&defect.line), "{defect}");
        assert!(!defect.column.is_empty() && !defect.text.is_empty(), "{defect}");
    }
    let no_header = defects.iter().any(|d| d.text.contains("expected a first line like"));
    if no_header || bytes.contains(&b'"') {
        return;
    }
    let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
    let line = |line: &&[u8]| !line.is_empty() && **line != *b"\r";
    let blank = |byte: &u8| *byte == b',' || byte.is_ascii_whitespace();
    let rows = bytes.split(|byte| *byte == b'\n').filter(line).skip(1);
    let rows = rows.filter(|line| !line.iter().all(blank)).count();
    assert_eq!(added + known + refused, rows);
}

/// A target for one file of the studio.
macro_rules! file {
    ($name:ident, $file:literal, $words:expr) => {
        pub fn $name() -> Target {
            Target {
                name: concat!($file),
                play: |bytes| play(concat!($file, ".csv"), bytes),
                words: $words,
                inputs: 700,
            }
        }
    };
}

file!(
    bodies,
    "bodies",
    &[
        "body,bag_water_wet_percent,trim_from_dry_percent,trim_to_dry_percent\n",
        "shore,22.5,23,16\n",
        "dune",
        ",",
        ",,,",
        "\"",
        "\n",
        "\r\n",
        "1e-3",
        "22,5",
    ]
);
file!(
    pots,
    "pots",
    &[
        "pot,body,made_at\n",
        "pot,body,made_at,ball_g,tare_g,wall_mm,base_mm,lot,board,like,place\n",
        "jar-3,dune,2031-03-01T09:00:00Z,713,180,5,8,bag-3,board-2,jar-1,loft\n",
        "jar-1",
        "dune",
        ",",
        "\"",
        "\n",
        "2031-03-01T09:00:00+02:00",
        "2031-02-29",
        "-1",
    ]
);
file!(
    handling,
    "handling",
    &[
        "time,pot,action,detail\n",
        "2031-03-01T10:00:00Z,jar-1,",
        "cover,draped\n",
        "tare,180\n",
        "on,cell-1\n",
        "trim,\n",
        "attach,\n",
        "verdict,soft\n",
        "lost,fell\n",
        "outcome,sound\n",
        "length,100\n",
        "kiln,\n",
        "move,loft\n",
        "\"",
        ",",
        "\n",
    ]
);
file!(
    readings,
    "readings",
    &[
        "time,source,quantity,value,unit,pot\n",
        "time,source,quantity,value,unit,pot,count,spread\n",
        "2031-03-01T09:00:00Z,cell-1,mass,812.4,g,,20,0.3\n",
        "bench,mass,1.2,kg,jar-1\n",
        "room,temperature,20,Cel,\n",
        "room,humidity,50,%RH,\n",
        "Fahr",
        "lb",
        "oz",
        "/",
        ",",
        "\"",
        "\n",
        "2031-03-01T09:00:10.5Z",
        "1e300",
        "jar-1",
    ]
);
file!(
    samples,
    "samples",
    &[
        "time,sample,body,drying,mass_g\n",
        "time,sample,body,lot,drying,mass_g,tare_g,humidity_percent,scale_step_g\n",
        "2031-03-01T09:00:00Z,a,dune,bag-3,wet,212.5,12.5,,0.1\n",
        "oven",
        "room",
        ",",
        "\"",
        "\n",
    ]
);
file!(
    blends,
    "blends",
    &[
        "body,kind,name,mass_g\n",
        "shore,part,dune,2000\n",
        "dune,part,tide,1000\n",
        "add",
        "grog",
        "tide,part,dune,1\n",
        ",",
        "\"",
        "\n",
    ]
);
file!(
    raw_counts,
    "counts",
    &[
        "time,source,raw\n",
        "time,source,raw,samples,spread\n",
        "2031-03-01T09:00:00Z,cell-1,208003,20,12\n",
        ",",
        "\"",
        "\n",
        "-8388608",
    ]
);
file!(
    calibrations,
    "calibrations",
    &[
        "source,from,at,mass_g,raw\n",
        "source,from,at,mass_g,limit_g,raw,samples,spread,temperature_c\n",
        "cell-1,2031-03-01T09:00:00Z,2031-03-01T09:05:00Z,500,0.2,208003,20,12,20\n",
        ",",
        "\"",
        "\n",
    ]
);
file!(
    zero_drifts,
    "zero_drifts",
    &[
        "source,from,raw_per_c,thermometer\n",
        "source,from,raw_per_c,raw_per_c_u,thermometer\n",
        "cell-1,2031-03-01T09:00:00Z,-12.5,1,room\n",
        ",",
        "\"",
        "\n",
    ]
);
file!(
    comparisons,
    "comparisons",
    &[
        "comparison,pot,treatment,rank,seed,drawn_at\n",
        "comparison,pot,treatment,rank,pair,seed,drawn_at\n",
        "plastic,jar-1,draped,2,1,4294967295,2031-03-01T09:00:00Z\n",
        ",",
        "\"",
        "\n",
        "-1",
    ]
);
file!(
    kiln_loads,
    "kiln_loads",
    &[
        "load,packed_at,pot\n",
        "spring,2031-03-08T09:00:00Z,jar-1\n",
        "spring,2031-03-08T10:00:00Z,jar-2\n",
        ",",
        "\"",
        "\n",
    ]
);
file!(
    air_forecast,
    "air_forecast",
    &[
        "time,temperature_c,humidity_percent\n",
        "2031-03-01T09:00:00Z,18,70\n",
        "2031-03-01T15:00:00Z,16,78\n",
        ",",
        "\"",
        "\n",
        "-60",
        "110",
    ]
);
file!(
    planned,
    "planned",
    &[
        "time,pot,action,detail\n",
        "2031-03-01T09:01:00Z,jar-1,cover,open\n",
        "2031-03-01T09:01:00Z,jar-1,",
        "cover,draped\n",
        "flip,\n",
        ",",
        "\"",
        "\n",
    ]
);
