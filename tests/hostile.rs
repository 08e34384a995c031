//! Text from devices, files and databases that means harm: it never commands a terminal, leads a
//! file name elsewhere, becomes markup in a picture or a formula in a table; and a device that has
//! gone mad neither fills the disk nor makes the pots of others stale. Through the real binary.
//!
//! What a terminal takes for a command: ECMA-48, control functions of the C0 and C1 sets (ESC and
//! U+0080–U+009F); what reorders text: Unicode Standard Annex #9; what a spreadsheet takes for a
//! formula: OWASP, "CSV Injection".

#[path = "bench/mod.rs"]
mod bench;

use bench::{Bench, Said};
use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

/// Names that would do something.
const HOSTILE: [&str; 14] = [
    "\u{1b}[2Jgone",
    "a\u{1b}]0;title\u{7}",
    "a\u{9b}31m",
    "a\u{90}q\u{9c}",
    "a\rb",
    "a\nb",
    "a\u{8}\u{8}b",
    "a\u{202e}gpj.exe",
    "a\u{2066}b",
    "a\u{61c}b",
    "\u{200b}",
    "\u{3164}",
    "a\u{e0041}b",
    "a\u{0}b",
];
/// Names that a spreadsheet would calculate.
const FORMULAS: [&str; 8] =
    ["=1+1", "+1", "-1", "@SUM(A1)", "=cmd|' /C calc'!A0", "\u{ff1d}1+1", "\u{ff0b}1", "\u{ff20}x"];
/// Names that are allowed and mean something in markup.
const MARKUP: [&str; 6] =
    ["<b>bold", "a & b &lt;", "\"onload=\"alert(1)", "'><script>alert(1)<", "]]><!--", "&#x1b;[2J"];

/// What no terminal should get from us where it is no terminal.
#[track_caller]
fn is_clean(text: &str, of: &str) {
    let bad = text.chars().find(|c| *c != '\n' && warecast::records::is_hidden(*c));
    assert!(bad.is_none(), "{of}: {bad:?} in {text:?}");
}

fn clean(bench: &Bench, args: &[&str]) -> Said {
    let output = bench.command(args).output().unwrap();
    let text = |bytes| String::from_utf8(bytes).expect("UTF-8");
    let status = output.status.code().expect("ended by itself");
    let said = Said { out: text(output.stdout), err: text(output.stderr), status };
    is_clean(&said.out, &format!("{args:?}"));
    is_clean(&said.err, &format!("{args:?}"));
    said
}

#[test]
fn no_command_takes_a_hostile_name_and_none_repeats_it_raw() {
    let bench = Bench::with_pots();
    for name in HOSTILE.iter().filter(|name| !name.contains('\0')).chain(&FORMULAS) {
        let of = |flag: &str| format!("{flag}={name}"); // as a value, whatever it begins with
        let (body, lot, board) = (of("--body"), of("--lot"), of("--board"));
        for args in [
            &["body", "add", "--", name][..],
            &["pot", "add", "--body", "smooth-stone", "--ball", "600g", "--", name],
            &["pot", "add", "fine", "--ball", "600g", &body],
            &["pot", "add", "fine", "--body", "smooth-stone", "--ball", "600g", &lot],
            &["pot", "add", "fine", "--body", "smooth-stone", "--ball", "600g", &board],
            &["pot", "show", "--", name],
            &["body", "show", "--", name],
            &["note", "jar-1", "on", "--", name],
            &["note", "jar-1", "move", "--", name],
            &["note", "jar-1", "lost", "--", name],
            &["note", "--", name, "trim"],
            &["weigh", "--", name, "500"],
            &["weigh", "jar-1", "--", name],
            &["weigh", "jar-1", "500", &of("--at")],
            &["plot", "--", name],
            &["report", &of("--at")],
            &["checkup", "--listen", "0", &of("--port")],
        ] {
            let said = clean(&bench, args);
            let is_weight = args[0] == "weigh" && name.parse::<f64>().is_ok();
            assert!(is_weight || said.status != 0, "{args:?}: {} {}", said.out, said.err);
        }
    }
    let rows = exported(&bench);
    assert!(!rows.contains("fine") && rows.contains("jar-1"), "{rows}");
}

/// All files of an export in one text.
fn exported(bench: &Bench) -> String {
    let to = tempfile::tempdir().unwrap();
    let said = clean(bench, &["export", to.path().to_str().unwrap()]);
    assert_eq!(said.status, 0, "{}", said.err);
    let files = fs::read_dir(to.path()).unwrap().map(|entry| entry.unwrap().path());
    files.map(|file| fs::read_to_string(file).unwrap()).collect()
}

/// A field as RFC 4180 wants it.
fn quoted(text: &str) -> String {
    format!("\"{}\"", text.replace('"', "\"\""))
}

#[test]
fn hostile_text_in_files_is_refused_and_told_clean() {
    let bench = Bench::with_pots();
    let folder = bench.0.path().join("files");
    fs::create_dir(&folder).unwrap();
    let mut refused = 0;
    for text in HOSTILE.iter().chain(&FORMULAS) {
        let name = quoted(text);
        for (file, header, rows) in [
            ("bodies.csv", "body,bag_water_wet_percent", vec![format!("{name},20")]),
            (
                "pots.csv",
                "pot,body,made_at,lot,like",
                vec![
                    format!("{name},smooth-stone,2021-04-02T09:00:00Z,,"),
                    format!("x,{name},2021-04-02T09:00:00Z,,"),
                    format!("x,smooth-stone,{name},,"),
                    format!("x,smooth-stone,2021-04-02T09:00:00Z,{name},"),
                    format!("x,smooth-stone,2021-04-02T09:00:00Z,,{name}"),
                ],
            ),
            (
                "handling.csv",
                "time,pot,action,detail",
                vec![
                    format!("2021-04-02T10:00:00Z,{name},trim,"),
                    format!("2021-04-02T10:00:00Z,jar-1,{name},"),
                    format!("2021-04-02T10:00:00Z,jar-1,on,{name}"),
                    format!("2021-04-02T10:00:00Z,jar-1,lost,{name}"),
                ],
            ),
            (
                "readings.csv",
                "time,source,quantity,value,unit,pot",
                vec![
                    format!("{name},cell,mass,500,g,"),
                    format!("2021-04-02T10:00:00Z,{name},mass,500,g,"),
                    format!("2021-04-02T10:00:00Z,cell,{name},500,g,"),
                    format!("2021-04-02T10:00:00Z,cell,mass,5,{name},"),
                    format!("2021-04-02T10:00:00Z,cell,mass,500,g,{name}"),
                ],
            ),
            (
                "counts.csv",
                "time,source,raw",
                vec![
                    format!("{name},cell,208003"),
                    format!("2021-04-02T10:00:00Z,{name},208003"),
                    format!("2021-04-02T10:00:00Z,cell,{name}"),
                ],
            ),
        ] {
            let body = rows.join("\n");
            // An unknown column is named in a warning.
            fs::write(folder.join(file), format!("{header},{name}\n{body}\n").replace('\0', "\0"))
                .unwrap();
            let said = clean(&bench, &["import", folder.to_str().unwrap()]);
            assert_eq!((said.status, said.out.as_str()), (1, ""), "{}", said.err);
            refused += rows.len();
            fs::write(folder.join(file), format!("{header}\n{body}\n")).unwrap();
            let said = clean(&bench, &["import", folder.to_str().unwrap()]);
            let lines = said.err.lines().filter(|line| line.starts_with(&format!("{file}:")));
            assert!(lines.count() >= rows.len(), "{text:?}: {}", said.err);
            fs::remove_file(folder.join(file)).unwrap();
        }
    }
    assert!(refused > 300, "{refused}");
    let rows = exported(&bench);
    assert!(!rows.contains("x,smooth-stone") && !rows.contains("lost"), "{rows}");
}

#[test]
fn no_cell_of_an_exported_table_is_a_formula() {
    let bench = Bench::with_pots();
    bench.done(&["note", "jar-1", "tare", "0", "--at", "2021-04-02 10:00"]);
    let folder = bench.0.path().join("files");
    fs::create_dir(&folder).unwrap();
    let rows = "time,source,quantity,value,unit,pot\n2021-04-02T10:00:00Z,cell,mass,-3.5,g,\n";
    fs::write(folder.join("readings.csv"), rows).unwrap();
    bench.run(&["import", folder.to_str().unwrap()]);
    for name in MARKUP {
        bench.done(&["pot", "add", "--body", "smooth-stone", "--ball", "600g", "--", name]);
    }
    let to = tempfile::tempdir().unwrap();
    assert_eq!(bench.run(&["export", to.path().to_str().unwrap()]).status, 0);
    let mut cells = 0;
    for entry in fs::read_dir(to.path()).unwrap() {
        let mut table = csv::Reader::from_path(entry.unwrap().path()).unwrap();
        for cell in table
            .records()
            .flat_map(|row| row.unwrap().iter().map(String::from).collect::<Vec<_>>())
        {
            cells += 1;
            let formula = warecast::records::begins_a_formula(&cell);
            assert!(!formula || cell.parse::<f64>().is_ok(), "{cell}");
        }
    }
    assert!(cells > 50);
}

/// The picture holds the names as text and nothing else that was not drawn without them.
#[test]
fn pictures_hold_names_as_text_never_as_markup() {
    let bench = Bench::with_pots();
    let elements = |name: &str, file: &str| {
        let path = bench.0.path().join(file);
        let to = path.to_str().unwrap();
        let said = clean(&bench, &["plot", "--at", "2021-04-03 9:00", "-o", to, "--", name]);
        assert_eq!(said.status, 0, "{}", said.err);
        let text = fs::read_to_string(&path).unwrap();
        let picture = roxmltree::Document::parse(&text).unwrap();
        let shown = picture.descendants().any(|n| n.text().is_some_and(|t| t.contains(name)));
        assert!(shown, "{name} is shown");
        for node in picture.descendants().filter(|node| node.is_element()) {
            let bad = |a: roxmltree::Attribute| a.name().starts_with("on") || a.name() == "href";
            assert!(!node.attributes().any(bad), "{name}");
        }
        let names = picture.descendants().filter(|n| n.is_element());
        names.map(|n| n.tag_name().name().to_owned()).collect::<BTreeSet<_>>()
    };
    bench.done(&["weigh", "jar-1", "560", "--at", "2021-04-02 18:00"]);
    let plain = elements("jar-1", "plain.svg");
    for (n, name) in MARKUP.iter().enumerate() {
        bench.done(&[
            "pot",
            "add",
            "--body",
            "smooth-stone",
            "--ball",
            "620g",
            "--made-at",
            "2021-04-02 9:00",
            "--",
            name,
        ]);
        bench.done(&["weigh", "--at", "2021-04-02 18:00", "--", name, "560"]);
        assert_eq!(elements(name, &format!("{n}.svg")), plain, "{name}");
    }
    assert!(!plain.contains("script"), "{plain:?}");
    // A file name that was made of a pot's name stays in the folder.
    for name in ["..", "...", ".hidden", "C:\\x", "a|b", "~root", "$(id)"] {
        bench.done(&[
            "pot",
            "add",
            "--body",
            "smooth-stone",
            "--ball",
            "620g",
            "--made-at",
            "2021-04-02 9:00",
            "--",
            name,
        ]);
        let here = tempfile::tempdir().unwrap();
        let mut plot = bench.command(&["plot", "--at", "2021-04-03 9:00", "--", name]);
        assert!(plot.current_dir(here.path()).output().unwrap().status.success(), "{name}");
        let files: Vec<_> =
            fs::read_dir(here.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
        assert_eq!(files.len(), 1, "{name}: {files:?}");
        let file = files[0].to_str().unwrap();
        assert!(file.ends_with(".svg") && !file.starts_with('.'), "{name}: {file}");
    }
}

#[test]
fn links_are_not_followed_out_of_where_files_are_written() {
    let bench = Bench::with_pots();
    let precious = bench.0.path().join("precious");
    let target = precious.to_str().unwrap();
    let linked = |path: &Path| {
        fs::write(&precious, "mine").unwrap();
        std::os::unix::fs::symlink(&precious, path).unwrap();
    };
    let out = bench.0.path().join("out");
    fs::create_dir(&out).unwrap();
    for file in ["bodies.csv", "pots.csv", "handling.csv", "readings.csv"] {
        linked(&out.join(file));
    }
    let folder = out.to_str().unwrap();
    assert_eq!(clean(&bench, &["export", folder]).status, 2);
    assert_eq!(clean(&bench, &["export", folder, "--force"]).status, 0);
    assert_eq!(fs::read_to_string(target).unwrap(), "mine");
    assert!(fs::read_to_string(out.join("pots.csv")).unwrap().contains("jar-1"));
    for file in ["a.svg", "a.png"] {
        let link = bench.0.path().join(file);
        linked(&link);
        let args = ["plot", "jar-1", "--at", "2021-04-03 9:00", "-o", link.to_str().unwrap()];
        assert_eq!(clean(&bench, &args).status, 2);
        assert_eq!(clean(&bench, &[&args[..], &["--force"]].concat()).status, 0);
        assert_eq!(fs::read_to_string(target).unwrap(), "mine");
    }
    // Links in the studio's own folder: the daemon's lock, and a new studio's settings.
    linked(&bench.dir().join("watch.lock"));
    let said = clean(&bench, &["watch", "--port", "/dev/null"]);
    assert!(said.status == 2 && said.err.contains("a link stands there"), "{}", said.err);
    let other = Bench::new();
    fs::create_dir(other.dir()).unwrap();
    linked(&other.dir().join("studio.db"));
    let said = clean(&other, &["body", "add", "dune"]);
    assert!(said.status == 2 && said.err.contains("is not a studio's database"), "{}", said.err);
    assert_eq!(fs::read_to_string(target).unwrap(), "mine");
}

#[test]
fn a_device_or_a_pipe_is_neither_replaced_by_a_file_nor_waited_for() {
    use rustix::fs::{CWD, FileType, Mode, mknodat};
    use std::os::unix::fs::FileTypeExt;
    let bench = Bench::with_pots();
    let folder = bench.0.path().join("in");
    fs::create_dir(&folder).unwrap();
    let pipes = ["a.db", "a.svg", "a.ics", "in/readings.csv"].map(|name| bench.0.path().join(name));
    for pipe in &pipes {
        mknodat(CWD, pipe, FileType::Fifo, Mode::RUSR | Mode::WUSR, 0).unwrap();
    }
    let [db, svg, ics, _] = pipes.each_ref().map(|pipe| pipe.to_str().unwrap());
    let folder = folder.to_str().unwrap();
    let plan = ["plan", "--hours", "9-18", "--at", "2021-04-02 10:00"];
    for args in [
        &["backup", db, "--force"][..],
        &["plot", "jar-1", "--at", "2021-04-03 9:00", "-o", svg, "--force"],
        &[&plan[..], &["--calendar", ics, "--force"]].concat(),
        &["export", folder, "--force"],
        &["import", folder],
        &["restore", db],
    ] {
        let said = clean(&bench, args);
        assert_eq!(said.status, 2, "{args:?}: {}", said.out);
        assert!(said.err.contains("a device or a pipe, not a file"), "{args:?}: {}", said.err);
    }
    assert!(pipes.iter().all(|pipe| pipe.symlink_metadata().unwrap().file_type().is_fifo()));
}

#[test]
fn settings_that_mean_harm_are_told_clean() {
    let bench = Bench::with_pots();
    let toml = bench.dir().join("studio.toml");
    let escaped = "\\u001b[2J\\u202e";
    for text in [
        format!("time_zone = \"{escaped}\"\n"),
        format!("units = \"{escaped}\"\n"),
        format!("\"{escaped}\" = 1\n"),
        format!("[[port]]\npath = \"/dev/{escaped}\"\nformat = \"{escaped}\"\n"),
        format!("[[port]]\npath = \"/dev/x\"\nformat = \"text\"\nsource = \"{escaped}\"\n"),
        format!("[[port]]\npath = \"/dev/x\"\nformat = \"text\"\npattern = \"(?P<{escaped}>x)\"\n"),
        "units = \"\u{1b}[2J\"\n".into(),
        "# \u{1b}[2J\nunits = \u{1b}\n".into(),
        format!("air_forecast = \"/nowhere/{escaped}\"\nunits = 3\n"),
        format!("# {}\n", "x".repeat(2 << 20)),
    ] {
        fs::write(&toml, text).unwrap();
        let said = clean(&bench, &["report"]);
        assert_eq!((said.status, said.out.as_str()), (2, ""), "{}", said.err);
        assert!(said.err.contains("studio.toml"), "{}", said.err);
    }
}

/// A database that somebody else filled: all commands keep their output clean, an export refuses
/// what could not be read back, and a backup with foreign machinery in it is no backup.
#[test]
fn a_database_that_means_harm_commands_no_terminal() {
    let bench = Bench::with_pots();
    let db = rusqlite::Connection::open(bench.dir().join("studio.db")).unwrap();
    let harm = "a\u{1b}[2J\u{202e}\u{9b}31m";
    db.execute("INSERT INTO body VALUES (?, 0.2, 0.23, 0.16)", [harm]).unwrap();
    db.execute(
        "INSERT INTO pot VALUES (?1, ?1, 1617350400000000, 620.0, NULL, 5.0, 7.0, ?1, ?1, NULL, ?1)",
        [harm],
    )
    .unwrap();
    db.execute("INSERT INTO handling VALUES (1617354000000000, ?, 'cover', 'draped')", [harm])
        .unwrap();
    let series = "INSERT INTO series (source, quantity, pot) VALUES (?1, 'mass', ?1)";
    db.execute(series, [harm]).unwrap();
    let id = db.last_insert_rowid();
    for n in 0..20 {
        let row =
            rusqlite::params![id, 1_617_357_600_000_000i64 + n * 600_000_000, 600.0 - n as f64];
        db.execute("INSERT INTO reading VALUES (?, ?, ?, NULL, NULL)", row).unwrap();
    }
    drop(db);
    let svg = bench.0.path().join("a.svg");
    for args in [
        &["report", "--at", "2021-04-02 20:00"][..],
        &["report", "--at", "2021-04-12 20:00"],
        &["pot", "list", "--all"],
        &["pot", "show", "jar-1"],
        &["pot", "show", harm],
        &["body", "list"],
        &["body", "show", harm],
        &["ready", "trim", "--at", "2021-04-02 20:00"],
        &["ready", "fire", "--at", "2021-04-12 20:00"],
        &["scorecard"],
        &["note", harm, "trim", "--at", "2021-04-02 21:00"],
        &["weigh", harm, "500", "--at", "2021-04-02 21:30"],
        &["plot", harm, "--at", "2021-04-02 20:00", "-o", svg.to_str().unwrap()],
        &["pot", "add", "x", "--body", "nope", "--ball", "600g"],
    ] {
        clean(&bench, args);
    }
    let picture = fs::read_to_string(&svg).unwrap();
    let parsed = roxmltree::Document::parse(&picture);
    assert!(parsed.is_ok() && !picture.contains('\u{1b}'), "{parsed:?}");
    let to = bench.0.path().join("out");
    let said = clean(&bench, &["export", to.to_str().unwrap()]);
    assert!(said.status == 2 && said.err.contains("breaks the rules"), "{}", said.err);
    assert_eq!(fs::read_dir(&to).unwrap().count(), 0);
    // Machinery of its own: a trigger that undoes what is written, a view in a table's place.
    let good = Bench::with_pots();
    let before = exported(&good);
    for (n, sql) in [
        "CREATE TRIGGER t AFTER INSERT ON reading BEGIN DELETE FROM pot; END",
        "CREATE VIEW v AS SELECT * FROM pot",
        "CREATE TABLE extra (a)",
        "CREATE INDEX i ON pot (body)",
        "DROP TABLE blend",
    ]
    .iter()
    .enumerate()
    {
        let file = good.0.path().join(format!("{n}.db"));
        assert_eq!(good.run(&["backup", file.to_str().unwrap()]).status, 0);
        let db = rusqlite::Connection::open(&file).unwrap();
        db.execute_batch("DROP TABLE kept_file").unwrap();
        db.execute_batch(sql).unwrap();
        drop(db);
        let said = clean(&good, &["restore", file.to_str().unwrap()]);
        assert!(said.status == 2 && said.err.contains("is damaged"), "{sql}: {}", said.err);
        assert_eq!(exported(&good), before, "{sql}");
    }
}
