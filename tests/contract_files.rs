//! The studio files: what goes in as CSV, and that all of it comes out again unchanged.
//!
//! The rules are those of the project's studio files (README); CSV itself is RFC 4180, times are
//! RFC 3339, masses in ounces and pounds NIST SP 811 (1 oz = 28.349 523 125 g exactly).

mod studio_files;

use std::fs;
use std::path::Path;
use studio_files::{
    AT, BLENDS, HANDLING, LENIENT, READINGS, empty, folder, scenario, snapshots, take, with_bowl,
    with_moved_bowl,
};
use tempfile::TempDir;
use warecast::records::{Action, Cover, Drying, Ingredient, Quantity, Reading, Sample};
use warecast::store::Clash;
use warecast::store::files::{self, Counts, Imported, Options};
use warecast::units::Time;

#[test]
fn rows_are_taken_as_they_stand() {
    let (_dir, mut store) = empty();
    let files = scenario();
    let (imported, told) = take(&mut store, files.path(), LENIENT);
    assert_eq!(told, [""; 0]);
    let added = |added| Counts { added, ..Counts::default() };
    let counts = [
        ("bodies.csv", added(2)),
        ("pots.csv", added(3)),
        ("handling.csv", added(16)),
        ("readings.csv", added(9)),
        ("samples.csv", added(4)),
        ("blends.csv", added(2)),
        ("counts.csv", added(3)),
        ("calibrations.csv", added(3)),
        ("zero_drifts.csv", added(1)),
        ("comparisons.csv", added(2)),
        ("kiln_loads.csv", added(2)),
        ("planned.csv", added(1)),
    ];
    assert_eq!(imported, Imported { files: counts.into(), kept: true });
    let bodies = store.bodies().unwrap();
    assert_eq!(bodies[0].bag_water_wet, Some(0.225));
    assert_eq!(bodies[1].trim_to_dry, None);
    let studio = store.studio(Time::MAX).unwrap();
    assert_eq!(studio.pots["planter-2"].made_at.to_string(), "2031-04-02T07:40:00Z");
    assert_eq!(studio.pots["planter-2"].like.as_deref(), Some("planter-1"));
    let grams = |pot: &str| -> Vec<f64> {
        studio.weighings[pot].0.iter().map(|point| point.value).collect()
    };
    assert_eq!(grams("planter-1"), [1321.4, 1298.7, -0.4]);
    let jar = grams("lidded jar");
    assert_eq!(jar[..2], [32.0 * 28.349_523_125, 2.0 * 453.592_37]);
    // (408 600 − 8000 − 480) ÷ 400, and (408 480 − 8000 − 480) ÷ 400.
    assert!(jar.len() == 4 && (jar[2] - 1000.3).abs() < 1e-9 && (jar[3] - 1000.0).abs() < 1e-9);
    assert_eq!(studio.air[""].humidity[0].value, 0.547);
    assert!((studio.air["loft"].temperature[0].value - 20.0).abs() < 1e-12);
    assert_eq!(studio.handling["planter-2"][0].action, Action::Attach(Some(31.0)));
    assert_eq!(studio.handling["planter-1"][1].action, Action::Tare(195.0));
    assert_eq!(studio.handling["planter-1"][2].action, Action::Cover(Cover::Draped));
    let [wet, room, oven, rim] = studio.samples.as_slice() else { panic!("four weighings") };
    let offcut = |s: &Sample| (s.lot.clone(), s.mass_g, s.tare_g, s.humidity);
    assert_eq!(offcut(wet), (Some("bag-3".into()), 212.4, Some(12.5), None));
    assert_eq!(offcut(room), (Some("bag-3".into()), 171.9, Some(12.5), Some(0.547)));
    assert_eq!((oven.drying, oven.step_g), (Drying::Oven, Some(0.1)));
    assert_eq!((offcut(rim), rim.step_g), ((None, 98.0, None, None), None));
    let coarse = &studio.blends["terracotta, coarse"];
    assert_eq!((coarse[0].kind, coarse[0].mass_g), (Ingredient::Part, 3000.0));
    assert_eq!((coarse[1].kind, coarse[1].name.as_str()), (Ingredient::Addition, "grog, 0.5 mm"));
}

#[test]
fn what_goes_out_comes_in_as_the_same_studio() {
    let (_dir, mut store) = empty();
    take(&mut store, scenario().path(), LENIENT);
    let reduced = Reading {
        time: Time(1_932_900_000_123_456),
        source: "shelf-a:cell-1".into(),
        quantity: Quantity::Mass,
        value: 1300.1,
        pot: None,
        count: Some(100),
        spread: Some(0.3),
    };
    store.append(&[reduced], Clash::Refuse).unwrap();
    let out = tempfile::tempdir().unwrap();
    let written = files::export(&store, out.path(), false).unwrap();
    assert_eq!(written.map(|(_, rows)| rows), [2, 3, 16, 10, 4, 2, 3, 3, 1, 2, 0, 2, 1]);

    let (_dir2, mut other) = empty();
    let (imported, told) = take(&mut other, out.path(), LENIENT);
    assert_eq!((told, imported.kept, imported.any_refused()), (vec![], true, false));
    assert_eq!(other.bodies().unwrap(), store.bodies().unwrap());
    assert_eq!(other.pots().unwrap(), store.pots().unwrap());
    assert_eq!(other.handling().unwrap(), store.handling().unwrap());
    assert_eq!(other.samples().unwrap(), store.samples().unwrap());
    assert_eq!(other.blends().unwrap(), store.blends().unwrap());
    assert_eq!(other.loads().unwrap(), store.loads().unwrap());
    assert_eq!(other.zero_drifts().unwrap(), store.zero_drifts().unwrap());
    assert_eq!(other.allotments().unwrap(), store.allotments().unwrap());
    assert_eq!(other.kiln_pots().unwrap(), store.kiln_pots().unwrap());
    assert_eq!(other.planned().unwrap(), store.planned().unwrap());
    assert_eq!(store.planned().unwrap()[0].action, Action::Move("loft".into()));
    assert_eq!(snapshots(&other), snapshots(&store));

    let again = tempfile::tempdir().unwrap();
    files::export(&other, again.path(), false).unwrap();
    for file in files::FILES {
        let read = |dir: &TempDir| fs::read_to_string(dir.path().join(file)).unwrap();
        assert_eq!(read(&out), read(&again));
    }
    let readings = fs::read_to_string(out.path().join("readings.csv")).unwrap();
    assert!(
        readings.contains("\n2031-04-02T12:40:00.123456Z,shelf-a:cell-1,mass,1300.1,g,,100,0.3\n")
    );
    assert!(readings.contains("\n2031-04-02T09:10:00Z,room,humidity,54.7,%RH,,,\n"));
}

#[test]
fn importing_again_adds_nothing() {
    let (_dir, mut store) = empty();
    let files = scenario();
    take(&mut store, files.path(), LENIENT);
    let before = snapshots(&store);
    let (imported, told) = take(&mut store, files.path(), LENIENT);
    assert_eq!(told, [""; 0]);
    let known: Vec<Counts> = imported.files.iter().map(|(_, counts)| *counts).collect();
    let expected =
        [2, 3, 16, 9, 4, 2, 3, 3, 1, 2, 2, 1].map(|known| Counts { known, ..Counts::default() });
    assert_eq!(known, expected);
    assert_eq!(snapshots(&store), before);
}

#[test]
fn a_row_that_contradicts_is_refused_unless_replaced() {
    let (_dir, mut store) = empty();
    take(&mut store, scenario().path(), LENIENT);
    let before = snapshots(&store);
    let changed = folder(&[
        ("bodies.csv", b"body,bag_water_wet_percent\nharbour stoneware,23\n"),
        (
            "pots.csv",
            b"pot,body,made_at,place\n\
              lidded jar,\"terracotta, coarse\",2031-04-03T10:00:00Z,cellar\n",
        ),
        ("handling.csv", b"time,pot,action,detail\n2031-04-02T18:00:00Z,planter-1,cover,wrapped\n"),
        (
            "readings.csv",
            b"time,source,quantity,value,unit,pot,spread\n\
              2031-04-02T09:10:00Z,room,humidity,54.8,%RH,,\n\
              2031-04-02T09:10:00Z,room,temperature,19.8,Cel,,0.1\n\
              2031-04-09T09:10:00Z,room,temperature,20,Cel,,\n\
              2031-04-09T09:10:00Z,room,temperature,21,Cel,,\n",
        ),
        (
            "samples.csv",
            b"time,sample,body,lot,drying,mass_g,tare_g,scale_step_g\n\
              2031-04-03T12:00:00Z,bag-3 offcut,harbour stoneware,bag-3,oven,168.2,12.5,0.1\n\
              2031-04-03T13:00:00Z,bag-3 offcut,harbour stoneware,bag-4,oven,168.1,12.5,0.1\n",
        ),
        (
            "blends.csv",
            b"body,kind,name,mass_g\n\"terracotta, coarse\",part,harbour stoneware,3100\n",
        ),
        ("counts.csv", b"time,source,raw\n2031-04-04T08:40:00Z,shelf-b:cell-1,408601\n"),
        (
            "calibrations.csv",
            b"source,from,at,mass_g,raw\n\
              shelf-b:cell-1,2031-04-02T08:00:00Z,2031-04-02T08:02:00Z,500,208001\n",
        ),
        (
            "zero_drifts.csv",
            b"source,from,raw_per_c,thermometer\n\
              shelf-b:cell-1,2031-04-02T08:00:00Z,-100,room\n",
        ),
        (
            "comparisons.csv",
            b"comparison,pot,treatment,rank,pair,seed,drawn_at\n\
              plastic,planter-1,wrapped,2,1,7,2031-04-02T10:00:00Z\n",
        ),
        // A pot that is new in a load brings no other time with it.
        (
            "kiln_loads.csv",
            b"load,packed_at,pot\n\"spring, first\",2031-04-09T11:00:00Z,planter-2\n",
        ),
    ]);
    let (imported, told) = take(&mut store, changed.path(), LENIENT);
    assert!(imported.any_refused());
    let text = |stored: &str| {
        format!("contradicts the stored row, which has {stored} here; --replace takes the new row")
    };
    assert_eq!(
        told,
        [
            format!("bodies.csv:2: bag_water_wet_percent: {}", text("\"22.5\"")),
            format!("pots.csv:2: place: {}", text("\"loft\"")),
            format!("handling.csv:2: detail: {}", text("\"draped\"")),
            format!("readings.csv:2: value: {}", text("\"54.7\"")),
            format!("readings.csv:3: spread: {}", text("nothing")),
            format!("readings.csv:5: value: {}", text("\"20\"")),
            format!("samples.csv:2: mass_g: {}", text("\"168.1\"")),
            format!("samples.csv:3: lot: {}", text("\"bag-3\"")),
            format!("blends.csv:2: mass_g: {}", text("\"3000\"")),
            format!("counts.csv:2: raw: {}", text("\"408600\"")),
            format!("calibrations.csv:2: limit_g: {}", text("\"0.5\"")),
            format!("zero_drifts.csv:2: raw_per_c_u: {}", text("\"12.5\"")),
            format!("comparisons.csv:2: treatment: {}", text("\"open\"")),
            format!("kiln_loads.csv:2: packed_at: {}", text("\"2031-04-09T10:00:00Z\"")),
        ]
    );
    let (readings, after) = (snapshots(&store), &before);
    assert_eq!(readings[..5], after[..5], "stored rows stay");
    assert_eq!(readings[5].samples, after[5].samples);

    let replace = Options { replace: true, ..LENIENT };
    let (imported, told) = take(&mut store, changed.path(), replace);
    assert_eq!((told, imported.any_refused()), (vec![], false));
    let replaced: Vec<usize> = imported.files.iter().map(|(_, c)| c.replaced).collect();
    assert_eq!(replaced, [1, 1, 1, 3, 2, 1, 1, 1, 1, 1, 1]);
    let studio = store.studio(Time::MAX).unwrap();
    assert_eq!(studio.bodies["harbour stoneware"].bag_water_wet, Some(0.23));
    assert_eq!(studio.pots["lidded jar"].place.as_deref(), Some("cellar"));
    assert_eq!(studio.air[""].temperature.last().map(|p| p.value), Some(21.0));
    let offcut: Vec<&Sample> =
        studio.samples.iter().filter(|s| s.sample == "bag-3 offcut").collect();
    assert!(offcut.len() == 4 && offcut.iter().all(|s| s.lot.as_deref() == Some("bag-4")));
    assert_eq!(studio.blends["terracotta, coarse"][0].mass_g, 3100.0);
}

#[test]
fn bytes_that_are_not_utf8_cost_their_row() {
    let (_dir, mut store) = with_bowl();
    let files = folder(&[(
        "handling.csv",
        b"time,pot,action,detail\n\
          2031-04-02T09:00:00Z,bowl,lost,caf\xe9\n\
          2031-04-02T10:00:00Z,bowl,flip,\n",
    )]);
    let (imported, told) = take(&mut store, files.path(), LENIENT);
    let expected = "handling.csv:2: detail: not UTF-8; save the file as \"CSV UTF-8\"; \
                    got \"caf\u{fffd}\"";
    assert_eq!(told, [expected]);
    assert_eq!(imported.files[0].1, Counts { added: 1, refused: 1, ..Counts::default() });
}

#[test]
fn a_file_without_a_usable_header_is_refused_as_a_whole() {
    let head = "expected a first line like time,pot,action,detail";
    for (text, message) in [
        ("", "header: the file is empty; "),
        ("time,pot,action\n", "detail: this column is missing; "),
        ("time,pot,action,detail,pot\n", "pot: this column is there twice; "),
        (
            "time;pot;action;detail\n",
            "time: this column is missing (columns are told apart by commas, not semicolons); ",
        ),
        (
            "time\tpot\taction\tdetail\n",
            "time: this column is missing (columns are told apart by commas, not tabs); ",
        ),
    ] {
        let (_dir, mut store) = with_bowl();
        let bodies = b"body\nother\n";
        let files = folder(&[("handling.csv", text.as_bytes()), ("bodies.csv", bodies)]);
        let (imported, told) = take(&mut store, files.path(), LENIENT);
        assert_eq!(told, [format!("handling.csv:1: {message}{head}")]);
        assert_eq!(imported.files[0].1.added, 1, "the other file is read");
        assert!(imported.any_refused());
    }
    let (_dir, mut store) = with_bowl();
    let utf16: Vec<u8> = "\u{feff}time,pot\n".encode_utf16().flat_map(u16::to_le_bytes).collect();
    let files = folder(&[("handling.csv", &utf16)]);
    let (_, told) = take(&mut store, files.path(), LENIENT);
    assert!(told[0].contains("the file is not UTF-8: save it as \"CSV UTF-8\""), "{told:?}");
}

#[test]
fn columns_in_any_order_and_spreadsheet_habits_are_fine() {
    let (_dir, mut store) = with_bowl();
    let text = "\u{feff}remarks,detail, pot ,ACTION,action,time\r\n\
                \"wind, and\r\nrain\",draped,bowl,x,cover,2031-04-02T09:00:00Z\r\n\
                \r\n\
                ,,,,,\r\n\
                , 31 ,\"bowl\",x,attach,\"2031-04-02T10:00:00Z\"";
    let files = folder(&[("handling.csv", text.as_bytes())]);
    let (imported, told) = take(&mut store, files.path(), LENIENT);
    let left_out =
        |name| format!("warning: handling.csv: column \"{name}\" is not known and was left out");
    assert_eq!(told, [left_out("remarks"), left_out("ACTION")]);
    assert_eq!(imported.files[0].1, Counts { added: 2, ..Counts::default() });
    let actions: Vec<Action> =
        store.handling().unwrap().into_iter().map(|row| row.action).collect();
    assert_eq!(actions, [Action::Cover(Cover::Draped), Action::Attach(Some(31.0))]);
}

#[test]
fn lines_are_counted_as_an_editor_counts_them() {
    let (_dir, mut store) = with_bowl();
    let text = "time,pot,action,detail,note\r\n\r\n\
                2031-04-02T09:00:00Z,bowl,flip,,\"two\r\nlines\"\r\n\
                2031-04-02T10:00:00Z,vase,flip,,\r\n\
                2031-04-02T11:00:00Z,bowl,flip,,\"\r\n\
                2031-04-02T12:00:00Z,vase,flip,,\r\n";
    let files = folder(&[("handling.csv", text.as_bytes())]);
    let (imported, told) = take(&mut store, files.path(), LENIENT);
    let places: Vec<&str> = told[1..].iter().map(|t| &t[.."handling.csv:5: pot".len()]).collect();
    assert_eq!(places, ["handling.csv:5: pot", "handling.csv:6: not", "handling.csv:7: pot"]);
    assert_eq!(imported.files[0].1.added, 1);
}

#[test]
fn the_ends_of_the_ranges_are_taken() {
    let (_dir, mut store) = with_bowl();
    let rows = "1970-01-01T00:00:00Z,room,temperature,-60,Cel,,,\n\
                2200-01-01T00:00:00Z,room,temperature,120,Cel,,,\n\
                2031-04-02T09:00:00Z,room,temperature,-76,degF,,,\n\
                2031-04-02T09:01:00Z,room,temperature,248,degF,,,\n\
                2031-04-02T09:00:00Z,room,humidity,0,%RH,,,\n\
                2031-04-02T09:01:00Z,room,humidity,110,%RH,,1,0\n\
                2031-04-02T09:00:00Z,cell,mass,-1e6,kg,,4294967295,12\n";
    let files = folder(&[("readings.csv", format!("{READINGS}{rows}").as_bytes())]);
    let (imported, told) = take(&mut store, files.path(), LENIENT);
    assert_eq!((told, imported.files[0].1.added), (vec![], 7));
}

/// The header, and the rows that `keep` keeps, given their fields.
fn filtered(text: &str, keep: impl Fn(&[&str]) -> bool) -> String {
    let (header, rows) = text.split_once('\n').unwrap();
    let kept = rows.lines().filter(|line| keep(&line.split(',').collect::<Vec<_>>()));
    format!("{header}\n{}", kept.map(|line| format!("{line}\n")).collect::<String>())
}

#[test]
fn a_time_sees_what_was_known_then_and_the_plans() {
    let pots = "pot,body,made_at,like\n\
                planter,clay,2031-04-02T08:00:00Z,\n\
                jar,clay,2031-04-02T12:00:00Z,planter\n\
                lid,clay,2031-04-02T08:30:00Z,jar\n";
    let samples = "time,sample,body,drying,mass_g\n\
                   2031-04-02T09:00:00Z,offcut,clay,wet,80\n\
                   2031-04-02T14:00:00Z,offcut,clay,oven,62.4\n";
    let handling = "time,pot,action,detail\n\
                    2031-04-02T08:00:00Z,planter,on,cell\n\
                    2031-04-02T10:00:00Z,planter,cover,draped\n\
                    2031-04-02T12:00:00Z,jar,on,cell\n\
                    2031-04-02T13:00:00Z,planter,on,cell\n\
                    2031-04-02T13:00:00Z,jar,cover,wrapped\n\
                    2031-04-02T14:00:00Z,planter,tare,200\n\
                    2031-04-02T14:00:00Z,planter,flip,\n\
                    2031-04-02T15:00:00Z,planter,off,\n\
                    2031-04-02T16:00:00Z,planter,move,loft\n";
    let mut readings = String::from("time,source,quantity,value,unit,pot\n");
    for minute in (480..=1020).step_by(10) {
        let time = format!("2031-04-02T{:02}:{:02}:00Z", minute / 60, minute % 60);
        readings += &format!("{time},cell,mass,{},g,\n", 1500 - minute);
        readings += &format!("{time},bench,mass,{},g,jar\n", 2000 - minute);
        readings += &format!("{time},shelf:room,humidity,5{},%RH,\n", minute % 7);
        if minute > 700 {
            readings += &format!("{time},room,humidity,6{},%RH,\n", minute % 7);
        }
    }
    let import = |pots: &str, handling: &str, readings: &str, samples: &str| {
        let (dir, mut store) = empty();
        let files = folder(&[
            ("bodies.csv", b"body\nclay\n"),
            ("pots.csv", pots.as_bytes()),
            ("handling.csv", handling.as_bytes()),
            ("readings.csv", readings.as_bytes()),
            ("samples.csv", samples.as_bytes()),
        ]);
        let (imported, told) = take(&mut store, files.path(), LENIENT);
        assert!(!imported.any_refused(), "{told:?}");
        (dir, store)
    };
    // Readings may name a pot before it was made; whole, it is there from the beginning.
    let (_dir, all) = import(pots, handling, &readings, samples);
    for minute in (470..=1030).step_by(10) {
        let text = format!("2031-04-02T{:02}:{:02}:00Z", minute / 60, minute % 60);
        let at = Time::parse_rfc3339(&text).unwrap();
        let by_then = |time: &str| Time::parse_rfc3339(time).unwrap() <= at;
        let pots_then = filtered(pots, |pot| by_then(pot[2]));
        let knows = |name: &str| pots_then.lines().any(|l| l.split(',').next() == Some(name));
        let handling_then = filtered(handling, |row| {
            let plan = ["cover", "flip", "move"].contains(&row[2]);
            knows(row[1]) && (plan || by_then(row[0]))
        });
        let readings_then =
            filtered(&readings, |row| by_then(row[0]) && (row[5].is_empty() || knows(row[5])));
        let samples_then = filtered(samples, |row| by_then(row[0]));
        let (_dir, then) = import(&pots_then, &handling_then, &readings_then, &samples_then);
        assert_eq!(then.studio(at).unwrap(), all.studio(at).unwrap(), "{text}");
    }
}

#[test]
fn export_never_overwrites_unless_told() {
    let (_dir, mut store) = empty();
    take(&mut store, scenario().path(), LENIENT);
    let out = folder(&[("handling.csv", b"mine")]);
    let error = files::export(&store, out.path(), false).unwrap_err().to_string();
    assert!(
        error.ends_with(
            "handling.csv is there already: take another name, or replace it with --force"
        )
    );
    let names = |dir: &TempDir| {
        let mut names: Vec<_> =
            fs::read_dir(dir.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
        names.sort();
        names
    };
    assert_eq!(names(&out), ["handling.csv"], "nothing else was written");
    assert_eq!(fs::read(out.path().join("handling.csv")).unwrap(), b"mine");
    files::export(&store, out.path(), true).unwrap();
    let mut all = files::FILES;
    all.sort_unstable();
    assert_eq!(names(&out), all);
    assert!(fs::read(out.path().join("handling.csv")).unwrap().starts_with(HANDLING.as_bytes()));
}

#[test]
fn the_report_of_a_studio_that_went_out_and_in_is_the_same_to_the_byte() {
    let dir = tempfile::tempdir().unwrap();
    let run = |studio: &str, args: &[&str]| {
        let mut command = assert_cmd::Command::cargo_bin("warecast").unwrap();
        let output = command.current_dir(&dir).args(["--studio", studio]).args(args).unwrap();
        output.stdout
    };
    run("first", &["import", scenario().path().to_str().unwrap()]);
    run("first", &["export", "files"]);
    run("second", &["import", "files"]);
    for (at, pots) in AT.into_iter().zip([1, 2, 2, 3, 3, 3]) {
        let [first, second] =
            ["first", "second"].map(|studio| run(studio, &["report", "--json", "--at", at]));
        let report: serde_json::Value = serde_json::from_slice(&first).unwrap();
        assert_eq!(report["pots"].as_array().unwrap().len(), pots, "{at}");
        assert_eq!(first, second, "{at}");
    }
}

#[test]
fn the_commands_say_what_happened_and_exit_accordingly() {
    let dir = tempfile::tempdir().unwrap();
    let studio = dir.path().join("studio");
    let run = |args: &[&str]| {
        let mut command = assert_cmd::Command::cargo_bin("warecast").unwrap();
        let output = command.arg("--studio").arg(&studio).args(args).output().unwrap();
        assert!(output.stdout.is_empty(), "standard output is for programs");
        (output.status.code(), String::from_utf8(output.stderr).unwrap())
    };
    let path = |p: &Path| p.to_str().unwrap().to_owned();
    let (status, _) = run(&["export", &path(&dir.path().join("out"))]);
    assert_eq!(status, Some(2), "no studio yet");
    let nothing = tempfile::tempdir().unwrap();
    let (status, said) = run(&["import", &path(nothing.path())]);
    assert!(said.contains("holds none of bodies.csv"), "{said}");
    assert_eq!((status, studio.exists()), (Some(2), false));

    let nowhere = path(&nothing.path().join("x"));
    let expected = format!("warecast: {nowhere}: there is nothing of that name\n");
    assert_eq!(run(&["import", &nowhere]), (Some(2), expected));

    let files = scenario();
    let (status, said) = run(&["import", &path(files.path())]);
    assert_eq!(status, Some(0), "{said}");
    assert!(said.contains("readings.csv: 9 added\n"), "{said}");
    let (status, said) = run(&["import", &path(files.path())]);
    assert_eq!(status, Some(0), "{said}");
    assert!(said.contains("readings.csv: 0 added, 9 there already\n"), "{said}");

    let bad =
        folder(&[("handling.csv", b"time,pot,action,detail\n2031-04-02T10:00:00Z,x,flip,\n")]);
    let complaint = "handling.csv:2: pot: no pot named \"x\" in this studio; add the pot first\n";
    for strict in [&["--strict"][..], &[]] {
        let (status, said) = run(&[&["import", &path(bad.path())], strict].concat());
        assert!(said.starts_with(complaint), "{said}");
        assert_eq!((status, said.contains("nothing was kept")), (Some(1), !strict.is_empty()));
        let good = if strict.is_empty() { "0 added, 1 refused" } else { "0 new, 1 refused" };
        assert!(said.contains(good), "{said}");
    }

    let out = dir.path().join("out");
    let (status, said) = run(&["export", &path(&out)]);
    assert_eq!(status, Some(0), "{said}");
    let (status, said) = run(&["export", &path(&out)]);
    assert!(said.contains("is there already"), "{said}");
    assert_eq!(status, Some(2));
    assert_eq!(run(&["export", "--force", &path(&out)]).0, Some(0));
}

#[test]
fn what_is_planned_stands_in_the_log_as_it_is_planned() {
    let (_dir, mut store) = with_moved_bowl();
    let rows = "2031-04-02T12:00:00Z,bowl,move,loft\n2031-04-02T09:00:00Z,bowl,trim,\n\
                2031-04-02T09:00:00Z,bowl,flip,\n2031-04-02T12:00:00Z,bowl,move,shed\n\
                2031-04-02T12:00:00Z,bowl,move,loft\n";
    let files = folder(&[("planned.csv", format!("{HANDLING}{rows}").as_bytes())]);
    let (imported, told) = take(&mut store, files.path(), LENIENT);
    let expected = [
        "planned.csv:3: action: only a cover, flip or move can be planned",
        "planned.csv:4: time: handling.csv has no such row: a plan is a row of the log first",
        "planned.csv:5: detail: the log has \"loft\" there",
    ];
    assert_eq!(told, expected);
    assert_eq!(imported.files[0].1, Counts { added: 1, known: 1, refused: 3, ..Counts::default() });
    // What leaves the log is not planned any more; what is confirmed stays in it.
    let planned = store.planned().unwrap();
    assert_eq!(store.confirm(&planned).unwrap(), [true]);
    assert_eq!((store.planned().unwrap().len(), store.handling().unwrap()), (0, planned.clone()));
    assert_eq!(store.confirm(&planned).unwrap(), [false]);
    take(&mut store, files.path(), LENIENT);
    store.take_back_notes(&planned).unwrap();
    assert_eq!(store.planned().unwrap(), []);
}

#[test]
fn no_body_is_a_part_of_itself_however_deep() {
    let (_dir, mut store) = with_bowl();
    let rows = format!("{BLENDS}a,part,b,1\nb,part,clay,1\nclay,part,a,1\nb,add,a,1\n");
    let files = folder(&[("bodies.csv", b"body\na\nb\n"), ("blends.csv", rows.as_bytes())]);
    let (imported, told) = take(&mut store, files.path(), LENIENT);
    assert_eq!(told, ["blends.csv:4: name: \"clay\" would be a part of itself"]);
    assert_eq!(imported.files[1].1.added, 3);
}
