//! `backup` and `restore`, and a studio that cannot be opened or written: a plain word, and what
//! was there stays as it was, byte for byte. Through the real binary.

#[path = "bench/mod.rs"]
mod bench;

use bench::{Bench, Said};
use std::collections::BTreeMap;
use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};

/// Every file of a folder, by name.
fn files(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let entries = fs::read_dir(folder).unwrap().map(Result::unwrap);
    let files = entries.filter(|entry| entry.path().is_file());
    let name = |entry: &fs::DirEntry| entry.file_name().into_string().unwrap();
    files.map(|entry| (name(&entry), fs::read(entry.path()).unwrap())).collect()
}

/// What the studio says of itself: all that `export` writes.
fn contents(bench: &Bench) -> BTreeMap<String, Vec<u8>> {
    let to = tempfile::tempdir().unwrap();
    let said = bench.run(&["export", to.path().to_str().unwrap()]);
    assert_eq!(said.status, 0, "{}", said.err);
    files(to.path())
}

fn path(bench: &Bench, name: &str) -> PathBuf {
    bench.0.path().join(name)
}

fn with_weights() -> Bench {
    let bench = Bench::with_pots();
    bench.done(&["weigh", "jar-1", "580", "--at", "2021-04-02 16:00"]);
    bench.done(&["note", "north", "cover", "draped", "--at", "2021-04-02 12:00"]);
    bench
}

fn backup(bench: &Bench, name: &str) -> String {
    let file = path(bench, name).to_str().unwrap().to_owned();
    let said = bench.run(&["backup", &file]);
    assert_eq!((said.status, said.out.as_str()), (0, ""), "{}", said.err);
    assert!(said.err.contains(name), "{}", said.err);
    file
}

#[track_caller]
fn refused(said: &Said, why: &str) {
    assert_eq!((said.status, said.out.as_str()), (2, ""), "{}", said.err);
    assert!(said.err.contains(why), "{}", said.err);
}

#[test]
fn what_was_backed_up_comes_back_and_what_was_there_is_kept() {
    let bench = with_weights();
    let early = contents(&bench);
    let file = backup(&bench, "early.db");
    bench.done(&["weigh", "jar-1", "560", "--at", "2021-04-02 18:00"]);
    let late = contents(&bench);
    assert_ne!(early, late);
    let said = bench.run(&["restore", &file]);
    assert_eq!(said.status, 0, "{}", said.err);
    assert!(said.err.contains("3 pots, 1 reading up to Fri 2 Apr 2021 16:00"), "{}", said.err);
    assert_eq!(contents(&bench), early);
    // What was there before is itself a backup.
    let (_, before) = said.err.split_once("What was there before is in ").unwrap();
    assert!(bench.dir().join(before.trim()).is_file(), "{before}");
    assert_eq!(bench.run(&["restore", before.trim()]).status, 0);
    assert!(contents(&bench) == late);
    // Into a studio that is not there.
    let other = Bench::new();
    let said = other.run(&["restore", &file]);
    assert!(said.status == 0 && !said.err.contains("[tell]"), "{}", said.err);
    assert_eq!(contents(&other), early);
    let names: Vec<String> = files(&other.dir()).into_keys().collect();
    assert_eq!(names, ["studio.db", "studio.toml"]);
}

#[test]
fn settings_come_with_it_where_there_are_none_of_ones_own() {
    let bench = with_weights();
    let toml = bench.dir().join("studio.toml");
    fs::write(&toml, "units = \"us\"\n").unwrap();
    let air = "time,celsius,humidity_percent\n2031-04-02T18:00:00Z,19,60\n";
    fs::write(bench.dir().join("air_forecast.csv"), air).unwrap();
    let file = backup(&bench, "a.db");
    fs::write(&toml, "units = \"metric\"\n").unwrap();
    let said = bench.run(&["restore", &file]);
    assert_eq!(said.status, 0, "{}", said.err);
    assert_eq!(fs::read_to_string(&toml).unwrap(), "units = \"metric\"\n");
    let (_, beside) =
        said.err.split_once("studio.toml stays as it is; that of the backup is in ").unwrap();
    assert_eq!(fs::read_to_string(beside.trim()).unwrap(), "units = \"us\"\n");
    let other = Bench::new();
    assert_eq!(other.run(&["restore", &file]).status, 0);
    assert_eq!(fs::read_to_string(other.dir().join("studio.toml")).unwrap(), "units = \"us\"\n");
    assert_eq!(fs::read_to_string(other.dir().join("air_forecast.csv")).unwrap(), air);
}

/// Whose backup it is may not be known; no program that `watch` would run is brought in silently.
#[test]
fn a_program_that_comes_with_a_backup_is_said() {
    let bench = with_weights();
    let text = "[tell]\nprogram = [\"/tmp/ring\", \"\u{202e}\"]\n";
    fs::write(bench.dir().join("studio.toml"), text).unwrap();
    let file = backup(&bench, "a.db");
    let said = Bench::new().run(&["restore", &file]);
    let told = "`watch` will run /tmp/ring \\u{202e} and tell it what changes: if that is not";
    assert!(said.status == 0 && said.err.contains(told), "{}", said.err);
}

#[test]
fn a_backup_overwrites_nothing_unasked_and_never_the_studio() {
    let bench = with_weights();
    let file = backup(&bench, "a.db");
    let first = fs::read(&file).unwrap();
    refused(&bench.run(&["backup", &file]), "is there already");
    assert!(fs::read(&file).unwrap() == first);
    // A link is replaced by the backup; what it leads to stays.
    let (link, target) = (path(&bench, "link.db"), path(&bench, "precious"));
    fs::write(&target, "mine").unwrap();
    std::os::unix::fs::symlink(&target, &link).unwrap();
    let link = link.to_str().unwrap();
    refused(&bench.run(&["backup", link]), "is there already");
    assert_eq!(bench.run(&["backup", link, "--force"]).status, 0);
    assert_eq!(fs::read_to_string(&target).unwrap(), "mine");
    let own = bench.dir().join("studio.db");
    let before = contents(&bench);
    for own in [own.to_str().unwrap(), &format!("{}-wal", own.display())] {
        refused(&bench.run(&["backup", own, "--force"]), "the studio's own files");
    }
    assert!(contents(&bench) == before);
    let nowhere = path(&bench, "nowhere/a.db");
    refused(&bench.run(&["backup", nowhere.to_str().unwrap()]), "there is nothing of that name");
    for force in [&[][..], &["--force"]] {
        let folder = ["backup", bench.0.path().to_str().unwrap()];
        refused(&bench.run(&[&folder, force].concat()), "this is a folder, not a file");
    }
}

/// The studio's files before and after: nothing that was given instead of a backup changes them.
#[test]
fn what_is_no_backup_changes_nothing() {
    let bench = with_weights();
    let good = fs::read(backup(&bench, "good.db")).unwrap();
    let before = files(&bench.dir());
    let tried = |name: &str, bytes: &[u8], why: &str| {
        let file = path(&bench, name);
        fs::write(&file, bytes).unwrap();
        let said = bench.run(&["restore", file.to_str().unwrap()]);
        refused(&said, why);
        assert!(said.err.contains(name), "{}", said.err);
        assert!(fs::read(&file).unwrap() == bytes, "{name}");
        let mut after = files(&bench.dir());
        after.remove("watch.lock");
        assert!(after == before, "{name}");
        let strays =
            fs::read_dir(bench.dir()).unwrap().filter(|e| e.as_ref().unwrap().path().is_dir());
        assert_eq!(strays.count(), 0);
    };
    let not_ours = "is not a studio's database, and nothing was changed";
    tried("empty", b"", not_ours);
    tried("pots.csv", b"pot,body,made_at\n", not_ours);
    let foreign = path(&bench, "foreign.db");
    let db = rusqlite::Connection::open(&foreign).unwrap();
    db.execute_batch("CREATE TABLE t (a); INSERT INTO t VALUES (1)").unwrap();
    db.close().unwrap();
    tried("other.db", &fs::read(&foreign).unwrap(), not_ours);
    // The number of the layout stands at offset 60 of the first page (SQLite file format, 1.3).
    let mut newer = good.clone();
    newer[60..64].copy_from_slice(&999u32.to_be_bytes());
    tried("newer.db", &newer, "was written by a later version of this program");
    // Cut off, as by a disk that was full, and with pages of rubbish.
    let half = good.len() / 4096 / 2 * 4096;
    tried("half.db", &good[..half], "is damaged, and nothing was changed");
    let mut damaged = good.clone();
    damaged[4096..].fill(0xA5);
    tried("damaged.db", &damaged, "is damaged, and nothing was changed");
    refused(&bench.run(&["restore", "nowhere.db"]), "nowhere.db: there is nothing of that name");
    refused(&bench.run(&["restore", bench.0.path().to_str().unwrap()]), "this is a folder");
}

/// One page of each kind garbled by turns: a command says so or works; a backup is whole or none.
#[test]
fn a_damaged_studio_gives_no_damaged_backup_and_is_kept_when_a_backup_comes_back() {
    let bench = with_weights();
    let good = backup(&bench, "good.db");
    let whole = contents(&bench);
    let database = bench.dir().join("studio.db");
    let original = fs::read(&database).unwrap();
    let pages = original.len() / 4096;
    assert!(pages > 10, "{pages}");
    let mut told = 0;
    for page in 1..pages {
        let mut damaged = original.clone();
        damaged[page * 4096..(page + 1) * 4096].fill(0xA5);
        fs::write(&database, &damaged).unwrap();
        let file = path(&bench, &format!("copy-{page}.db"));
        let said = bench.run(&["backup", file.to_str().unwrap()]);
        match said.status {
            0 => {} // a page that was free
            2 => {
                told += 1;
                assert!(said.err.contains("damaged"), "{}", said.err);
                assert!(said.err.contains("`restore`"), "{}", said.err);
                assert!(!file.exists());
                assert!(fs::read(&database).unwrap() == damaged, "left as it was");
            }
            other => panic!("{other}: {}", said.err),
        }
    }
    assert!(told > pages / 2, "{told} of {pages}");
    let damaged = fs::read(&database).unwrap();
    let said = bench.run(&["restore", &good]);
    assert_eq!(said.status, 0, "{}", said.err);
    let (_, before) = said.err.split_once("What was there before is in ").unwrap();
    // The first page says that it is complete in one file; the others are as they were.
    assert!(fs::read(before.trim()).unwrap()[4096..] == damaged[4096..]);
    assert_eq!(contents(&bench), whole);
}

#[test]
fn a_studio_as_it_lay_after_a_loss_of_power_comes_back_with_its_log() {
    let bench = with_weights();
    // Another program has it open: the log is not folded back.
    let db = rusqlite::Connection::open(bench.dir().join("studio.db")).unwrap();
    let _: i64 = db.query_row("SELECT count(*) FROM pot", [], |row| row.get(0)).unwrap();
    bench.done(&["weigh", "jar-1", "570", "--at", "2021-04-02 17:00"]);
    for suffix in ["", "-wal"] {
        let from = bench.dir().join(format!("studio.db{suffix}"));
        assert!(fs::metadata(&from).unwrap().len() > 0);
        fs::copy(from, path(&bench, &format!("card.db{suffix}"))).unwrap();
    }
    let (whole, other) = (contents(&bench), Bench::new());
    let said = other.run(&["restore", path(&bench, "card.db").to_str().unwrap()]);
    assert_eq!(said.status, 0, "{}", said.err);
    assert_eq!(contents(&other), whole);
}

#[test]
fn a_studio_of_a_later_version_is_left_alone_by_all_commands() {
    let bench = with_weights();
    let database = bench.dir().join("studio.db");
    let mut bytes = fs::read(&database).unwrap();
    bytes[60..64].copy_from_slice(&999u32.to_be_bytes());
    fs::write(&database, &bytes).unwrap();
    let before = files(&bench.dir());
    for args in [&["report"][..], &["weigh", "jar-1", "5"], &["watch", "--port", "/dev/null"]] {
        refused(&bench.run(args), "was written by a later version of this program");
    }
    refused(&bench.run(&["backup", "x.db"]), "was written by a later version of this program");
    let mut after = files(&bench.dir());
    after.remove("watch.lock");
    assert!(after == before);
}

/// The folder may only be read: commands say so and touch nothing. A backup that may only be read
/// comes back all the same. (Root may write everywhere: then the program runs as nobody.)
#[test]
fn a_folder_that_may_only_be_read() {
    let bench = with_weights();
    let file = backup(&bench, "a.db");
    let root = rustix::process::geteuid().is_root();
    let program = path(&bench, "warecast");
    fs::copy(env!("CARGO_BIN_EXE_warecast"), &program).unwrap();
    let mode = |path: &Path, mode| fs::set_permissions(path, fs::Permissions::from_mode(mode));
    mode(bench.0.path(), 0o755).unwrap();
    mode(&program, 0o755).unwrap();
    let run = |args: &[&str], dir: &Path| {
        let mut command = std::process::Command::new(&program);
        command.args(args).env_clear().env("WARECAST_STUDIO", dir).env("HOME", "/nowhere");
        if root {
            command.uid(65_534).gid(65_534);
        }
        let output = command.output().unwrap();
        let text = |bytes| String::from_utf8(bytes).unwrap();
        let status = output.status.code().expect("ended by itself");
        Said { out: text(output.stdout), err: text(output.stderr), status }
    };
    let dir = bench.dir();
    for (name, bits) in [("studio.db", 0o444), ("studio.toml", 0o444)] {
        mode(&dir.join(name), bits).unwrap();
    }
    mode(&dir, 0o555).unwrap();
    let before = files(&dir);
    // It can be looked at all the same.
    let report = run(&["report"], &dir);
    assert_eq!((report.status, report.err.as_str()), (0, ""), "{}", report.out);
    assert!(report.out.contains("jar-1"), "{}", report.out);
    for args in [
        &["weigh", "jar-1", "5"][..],
        &["note", "jar-1", "trim"],
        &["watch", "--port", "/dev/null"],
        &["import", "."],
        &["restore", &file],
    ] {
        let said = run(args, &dir);
        assert_eq!(said.status, 2, "{args:?}: {}", said.err);
        let plain =
            ["cannot be written; check its permissions", "no permission; check who owns it"];
        let import = args[0] == "import" && said.err.contains("holds none of");
        assert!(import || plain.iter().any(|p| said.err.contains(p)), "{args:?}: {}", said.err);
    }
    assert!(files(&dir) == before);
    mode(&dir, 0o755).unwrap();
    // The file is somebody else's: it is only read.
    mode(Path::new(&file), 0o444).unwrap();
    let free = path(&bench, "free");
    fs::create_dir(&free).unwrap();
    mode(&free, 0o777).unwrap();
    let said = run(&["restore", &file], &free.join("studio"));
    assert_eq!(said.status, 0, "{}", said.err);
}
