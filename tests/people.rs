//! The commands of people, on the real binary: a studio is made, pots are noted and weighed, and
//! what is said back is what was meant. The pots and their weights are invented.

mod bench;

use bench::Bench;
use std::fs::{self, File};
use std::io::Read;
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

#[test]
fn a_potters_day() {
    let bench = Bench::new();
    let new = bench.done(&[
        "body",
        "add",
        "smooth-stone",
        "--bag-water-wet-percent",
        "22",
        "--trim-from-dry-percent",
        "24%",
        "--trim-to-dry-percent",
        "16",
    ]);
    assert_eq!(
        new,
        format!(
            "New studio in {}.\nBody smooth-stone added: bag water 22% of the wet clay (28.2% of \
             the dry clay); trims from 24% to 16% of the dry clay.\n",
            bench.dir().display()
        )
    );
    let pots = bench.done(&[
        "pot",
        "add",
        "planter-1",
        "planter-2",
        "--body",
        "smooth-stone",
        "--ball",
        "1 lb 6 oz",
        "--made-at",
        "2021-04-02 9:00",
        "--board",
        "north",
        "--wall-mm",
        "6mm",
        "--base-mm",
        "8",
    ]);
    assert_eq!(
        pots,
        "Added planter-1 and planter-2: of smooth-stone, made Fri 2 Apr 2021 09:00, ball \
         623.69 g, wall 6 mm, base 8 mm, board north.\n"
    );
    let noted = bench.done(&["note", "north", "cover", "wrapped", "--at", "2021-04-02 18:25"]);
    assert!(
        noted.starts_with("Noted: cover wrapped, Fri 2 Apr 2021 18:25 (")
            && noted.ends_with(" days ago), for planter-1 and planter-2.\n"),
        "{noted}"
    );
    let again = bench.done(&["note", "north", "cover", "wrapped", "--at", "2021-04-02 18:25"]);
    assert!(again.starts_with("Noted already: "), "{again}");
    let weighed = bench.done(&["weigh", "planter-1", "585.2", "--at", "2021-04-02 10:00"]);
    assert!(weighed.starts_with("Noted: planter-1 weighs 585.2 g, Fri 2 Apr 2021 10:00"));
    let weighed = bench.done(&["weigh", "planter-1", "1 lb 4 oz", "--at", "2021-04-02 18:20"]);
    assert!(
        weighed.contains("weighs 566.99 g")
            && weighed.ends_with(", 18 g less than Fri 2 Apr 2021 10:00.\n"),
        "{weighed}"
    );

    let json = bench.done(&["report", "--json", "--at", "2021-04-02T17:30:00Z"]);
    assert_eq!(json, bench.done(&["report", "--json", "--at", "2021-04-02 18:30"]));
    let report: serde_json::Value = serde_json::from_str(&json).unwrap();
    assert_eq!(report["at"], "2021-04-02T17:30:00Z");
    assert_eq!(report["pots"][0]["pot"], "planter-1");
    assert_eq!(report["pots"][0]["cover"], "wrapped");
    assert_eq!(report["pots"][0]["evidence"]["readings"], 2);
    assert_eq!(report["pots"][0]["evidence"]["last_reading_at"], "2021-04-02T17:20:00Z");

    let table = bench.done(&["report", "--at", "2021-04-02 18:30"]);
    assert!(table.starts_with("Pots as of Fri 2 Apr 2021 18:30\n\nTRIM NOW – "), "{table}");
    assert!(table.contains("planter-1") && table.contains("planter-2"), "{table}");
    assert!(table.lines().all(|line| line.chars().count() <= 80), "{table}");
    let shown = bench.done(&["pot", "show", "planter-1", "--at", "2021-04-02 18:30"]);
    assert!(shown.contains("\n  Fri 18:25  cover wrapped\n"), "{shown}");
    assert!(shown.contains("Weighed 2 times, last Fri 18:20 (10 min ago): 566.99 g"), "{shown}");
}

/// ASTM C326: (102 − 95.6)/102 is 6.27 %, and 1 − (95.6/102)³ of the volume 17.7 %.
#[test]
fn lengths_that_were_noted_tell_how_far_a_pot_has_shrunk() {
    let bench = Bench::with_pots();
    let note = |length: &str, when: &str| {
        bench.done(&["note", "jar-1", "length", length, "--at", when]);
    };
    let shown = || bench.done(&["pot", "show", "jar-1"]);
    note("102", "20 min ago");
    assert!(!shown().contains("Shrunk"), "{}", shown());
    note("95.6", "10 min ago");
    let said = "when it was 102 mm: so far 6.3% (18% of the volume) (ASTM C326).";
    assert!(shown().contains(said), "{}", shown());
}

#[test]
fn wrong_input_says_what_is_wrong_and_what_to_do() {
    let empty = Bench::new();
    let missing = empty.run(&["report"]);
    assert_eq!((missing.status, missing.out.as_str()), (2, ""));
    assert_eq!(
        missing.err,
        format!(
            "warecast: there is no studio in {}: make one with `warecast body add` or \
             `warecast import`, or name another folder with --studio\n",
            empty.dir().display()
        )
    );
    assert!(!empty.dir().exists(), "asking makes nothing");

    let bench = Bench::with_pots();
    for (args, message) in [
        (
            &["note", "nroth", "cover", "open"][..],
            "\"nroth\" is neither a pot nor a board: did you mean \"north\"?",
        ),
        (
            &["note", "teapot", "cover", "open"],
            "\"teapot\" is neither a pot nor a board: see `warecast pot list`",
        ),
        (&["note", "jar-1", "covr", "open"], "\"covr\" is no action: did you mean \"cover\"?"),
        (&["note", "jar-1", "cover", "shut"], "cover wants open, draped, wrapped or cupboard"),
        (
            &["note", "jar-1", "trim", "--at", "yesterday"],
            "\"yesterday\" at what time? Write it like \"yesterday 9:10\"",
        ),
        (
            &["note", "north", "on", "cell-1"],
            "only one pot can stand on a scale: note them one by one",
        ),
        (&["weigh", "jar-2", "500"], "there is no pot \"jar-2\": did you mean \"jar-1\"?"),
        (
            &["weigh", "jar-1", "heavy"],
            "\"heavy\" is not a weight: write it like 812.4g, 1.2kg, 28.6oz or \"1 lb 12 oz\"",
        ),
        (&["weigh", "jar-1", "-5"], "-5 g is not the weight of a pot"),
        (
            &["weigh", "jar-1", "500", "--at", "2021-04-01 9:00"],
            "jar-1 was made only Fri 2 Apr 2021 09:00: say with --at when it was weighed, or \
             correct it with warecast pot add jar-1 --replace --made-at WHEN",
        ),
        (
            &["pot", "add", "jar-9", "--body", "smoth-stone"],
            "there is no body \"smoth-stone\": did you mean \"smooth-stone\"?",
        ),
        (
            &["pot", "add", "jar-9", "--body", "red"],
            "there is no body \"red\": add it with `warecast body add red`",
        ),
        (
            &["pot", "add", "jar-9", "--body", "smooth-stone", "--base-mm", "thick"],
            "--base-mm: millimetres are wanted, like 6 or 6.5",
        ),
        (
            &["body", "add", "red", "--trim-from-dry-percent", "15", "--trim-to-dry-percent", "24"],
            "trimming begins wet and ends dry: --trim-from-dry-percent (15%) must lie above \
             --trim-to-dry-percent (24%)",
        ),
        (
            &["body", "show", "smooth-ston"],
            "there is no body \"smooth-ston\": did you mean \"smooth-stone\"?",
        ),
    ] {
        let said = bench.run(args);
        assert_eq!((said.status, said.out.as_str()), (2, ""), "{args:?}");
        assert_eq!(said.err, format!("warecast: {message}\n"), "{args:?}");
    }
}

#[test]
fn a_contradiction_is_refused_until_it_is_a_correction() {
    let bench = Bench::with_pots();
    let at = ["--at", "2021-04-02 18:00"];
    bench.done(&[&["note", "north", "cover", "wrapped"], &at[..]].concat());
    let refused = bench.run(&[&["note", "north", "cover", "draped"], &at[..]].concat());
    assert_eq!((refused.status, refused.out.as_str()), (1, ""));
    assert_eq!(
        refused.err,
        "warecast: cover noted otherwise at Fri 2 Apr 2021 18:00 for planter-1 and planter-2: add \
         --replace if that was wrong\n"
    );
    let corrected =
        bench.done(&[&["note", "north", "cover", "draped", "--replace"], &at[..]].concat());
    assert!(corrected.starts_with("Corrected: cover draped, "), "{corrected}");

    bench.done(&[&["weigh", "jar-1", "500"], &at[..]].concat());
    let refused = bench.run(&[&["weigh", "jar-1", "510"], &at[..]].concat());
    assert_eq!((refused.status, refused.out.as_str()), (1, ""));
    bench.done(&[&["weigh", "jar-1", "510", "--replace"], &at[..]].concat());

    let changed = bench.done(&["pot", "add", "jar-1", "--replace", "--wall-mm", "5", "--ball", ""]);
    assert_eq!(
        changed,
        "Changed jar-1: of smooth-stone, made Fri 2 Apr 2021 09:00, wall 5 mm, base 7 mm.\n"
    );
    let refused = bench.run(&["body", "add", "smooth-stone"]);
    assert_eq!(refused.status, 1);
    assert!(refused.err.contains("Add --replace to change it"), "{}", refused.err);
}

#[test]
fn a_board_leaves_out_pots_that_are_past_it() {
    let bench = Bench::with_pots();
    bench.done(&["note", "planter-1", "kiln", "--at", "2021-04-05 9:00"]);
    let noted = bench.done(&["note", "north", "flip", "--at", "2021-04-06 9:00"]);
    assert!(
        noted.contains(", for planter-2.\nLeft out of board north: planter-1 (in the kiln).\n")
    );
    let early = bench.done(&["note", "north", "flip", "--at", "2021-04-04 9:00"]);
    assert!(early.contains(", for planter-1 and planter-2.\n"), "{early}");
    let drying = bench.done(&["pot", "list"]);
    assert!(!drying.contains("planter-1") && drying.contains("planter-2"), "{drying}");
    assert!(bench.done(&["pot", "list", "--all"]).contains("in the kiln"));
    let table = bench.done(&["report", "--at", "2021-04-07 9:00"]);
    assert!(table.contains("Not shown: 1 in the kiln, finished or lost."), "{table}");
}

#[test]
fn plans_are_plans_and_other_futures_get_a_word() {
    let bench = Bench::with_pots();
    let plan = bench.done(&["note", "north", "cover", "open", "--at", "in 3 h"]);
    assert!(plan.starts_with("Planned: cover open, "), "{plan}");
    assert!(plan.contains(" (in 3 h), for planter-1 and planter-2."), "{plan}");
    let odd = bench.done(&["note", "jar-1", "trim", "--at", "in 3 h"]);
    assert!(odd.contains("That lies in the future. Forecasts follow only a planned cover"));
    let weight = bench.run(&["weigh", "jar-1", "500", "--at", "in 3 h"]);
    assert_eq!((weight.status, weight.out.as_str()), (2, ""));
    assert!(weight.err.ends_with("a weight is known only once it is weighed\n"), "{}", weight.err);
}

#[test]
fn ready_is_an_exit_status_for_scripts() {
    let bench = Bench::with_pots();
    let weigh = |pot, at| bench.done(&["weigh", pot, "585", "--at", at]);
    for pot in ["planter-1", "planter-2", "jar-1"] {
        weigh(pot, "2021-04-02 9:30");
    }
    // Half an hour off the wheel nothing is ready for the kiln.
    let fire = bench.run(&["ready", "fire", "--at", "2021-04-02 9:35"]);
    assert_eq!((fire.status, fire.out.as_str(), fire.err.as_str()), (1, "", ""));
    // A month later nobody can tell: the pots are named, on standard error.
    let stale = bench.run(&["ready", "fire", "jar-1", "--at", "2021-05-02 9:35"]);
    assert_eq!((stale.status, stale.out.as_str()), (2, ""));
    assert_eq!(
        stale.err,
        "warecast: not weighed lately: jar-1. Weigh again: warecast weigh POT GRAMS\n"
    );
    // A body that can be trimmed at any water above none is ready at once.
    bench.done(&[
        "body",
        "add",
        "smooth-stone",
        "--replace",
        "--trim-from-dry-percent",
        "90",
        "--trim-to-dry-percent",
        "1",
    ]);
    let trim = bench.run(&["ready", "trim", "north", "--at", "2021-04-02 9:35"]);
    assert_eq!((trim.status, trim.err.as_str()), (0, ""));
    let mut names: Vec<&str> = trim.out.lines().collect();
    names.sort_unstable();
    assert_eq!(names, ["planter-1", "planter-2"]);
    let wrong = bench.run(&["ready", "trim", "nroth"]);
    assert_eq!((wrong.status, wrong.out.as_str()), (2, ""));
    assert_eq!(bench.run(&["ready", "glaze"]).status, 2);
    assert_eq!(Bench::new().run(&["ready", "trim"]).status, 2);
}

#[test]
fn us_units_in_what_people_read_and_grams_in_files() {
    let bench = Bench::with_pots();
    let settings = "units = \"us\"\ntime_zone = \"America/New_York\"\n";
    fs::write(bench.dir().join("studio.toml"), settings).unwrap();
    let bare = bench.run(&["weigh", "jar-1", "500"]);
    assert_eq!(bare.err, "warecast: \"500\" of what? Write 500g, 500oz or 500lb\n");
    let at = ["--at", "2021-04-02 9:00"];
    let said = bench.done(&[&["weigh", "jar-1", "1", "lb", "12", "oz"], &at[..]].concat());
    assert!(said.starts_with("Noted: jar-1 weighs 1 lb 12 oz, Fri 2 Apr 2021 09:00"), "{said}");
    let table = bench.done(&["report", "--at", "2021-04-02 9:30"]);
    assert!(table.contains(" oz (") && !table.contains(" g ("), "{table}");
    let folder = bench.0.path().join("out");
    bench.run(&["export", folder.to_str().unwrap()]);
    let readings = fs::read_to_string(folder.join("readings.csv")).unwrap();
    // 1 lb 12 oz = 793.786648 g (NIST SP 811, Appendix B.8).
    assert!(readings.contains("2021-04-02T13:00:00Z,bench,mass,793.78664"), "{readings}");
}

#[test]
fn a_clock_change_is_said() {
    let bench = Bench::with_pots();
    let settings = "time_zone = \"America/New_York\"\n";
    fs::write(bench.dir().join("studio.toml"), settings).unwrap();
    // Clocks in New York went forward on 13 March 2022 at 2:00 (IANA time zone database).
    let said = bench.done(&["note", "jar-1", "flip", "--at", "2022-03-13 2:30"]);
    assert!(said.starts_with("Noted: flip, Sun 13 Mar 2022 03:30"), "{said}");
    assert!(
        said.contains(
            "\n02:30 does not exist on that day, the clocks go forward: taken as 03:30\n"
        )
    );
}

#[test]
fn hidden_characters_cannot_reach_the_terminal() {
    let bench = Bench::with_pots();
    let said = bench.run(&["note", "jar-1", "lost", "x\u{202e}y", "--at", "2021-04-03 9:00"]);
    assert!(said.status == 2 && said.err.contains("control characters"), "{}", said.err);
    let shown = bench.done(&["pot", "show", "jar-1"]);
    assert!(!shown.contains("lost") && !shown.contains('\u{202e}'), "{shown}");
    let said = bench.run(&["note", "\u{1b}[2J", "flip"]);
    assert!(said.err.contains("\\u{1b}[2J") && !said.err.contains('\u{1b}'), "{}", said.err);
}

/// Runs a command whose standard output is a terminal.
fn on_terminal(bench: &Bench, args: &[&str], no_color: bool) -> String {
    let (near, path) = pseudo_terminal();
    let far = File::options().read(true).write(true).open(path).unwrap();
    let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_warecast"));
    command.args(args).env_clear().env("WARECAST_STUDIO", bench.dir());
    command.env("TZ", "Europe/Lisbon").env("TERM", "xterm-256color").env("COLUMNS", "80");
    if no_color {
        command.env("NO_COLOR", "1");
    }
    let mut child = command.stdout(far).spawn().unwrap();
    drop(command); // with the far end in it, so that the child alone holds it open
    let mut bytes = Vec::new();
    let mut near = File::from(near);
    let mut block = [0; 4096];
    // The far end is closed: a terminal then says so with an error, not with an end of file.
    while let Ok(n @ 1..) = near.read(&mut block) {
        bytes.extend_from_slice(&block[..n]);
    }
    assert!(child.wait().unwrap().success());
    String::from_utf8(bytes).unwrap().replace("\r\n", "\n")
}

/// A pseudo-terminal: the near end, and the path of the far end.
fn pseudo_terminal() -> (std::os::fd::OwnedFd, String) {
    use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
    let near = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).unwrap();
    grantpt(&near).unwrap();
    unlockpt(&near).unwrap();
    let path = ptsname(&near, Vec::new()).unwrap().into_string().unwrap();
    (near, path)
}

#[test]
fn a_settled_weight_is_taken_from_a_port() {
    let bench = Bench::with_pots();
    let none = bench.run(&["weigh", "jar-1"]);
    assert_eq!((none.status, none.out.as_str()), (2, ""));
    assert!(none.err.starts_with("warecast: what does the scale show? Type it ("), "{}", none.err);
    let (near, path) = pseudo_terminal();
    let settings = format!(
        "[[port]]\npath = \"{path}\"\nformat = \"text\"\nsource = \"bench\"\n\
         pattern = '(?P<mass>[-+]?\\d+(\\.\\d+)?)\\s*(?P<unit>g|kg|oz|lb)'\n"
    );
    fs::write(bench.dir().join("studio.toml"), settings).unwrap();
    let stop = AtomicBool::new(false);
    let said = std::thread::scope(|scope| {
        scope.spawn(|| {
            // An empty scale first, then a hand that sets the pot down, then the pot.
            let empty = std::iter::repeat_n(0.0, 10);
            let weights = empty.chain([230.0, 640.0, 512.0]).chain(std::iter::repeat(481.2));
            for weight in weights.take_while(|_| !stop.load(Ordering::Relaxed)) {
                let line = format!("  {weight:>7.1} g\r\n");
                rustix::io::write(&near, line.as_bytes()).unwrap();
                std::thread::sleep(Duration::from_millis(200));
            }
        });
        let said = bench.run(&["weigh", "jar-1", "--wait", "60"]);
        stop.store(true, Ordering::Relaxed);
        said
    });
    assert_eq!(said.status, 0, "{}", said.err);
    assert!(said.err.starts_with("Put jar-1 on the scale and take the hands away ("));
    assert!(said.out.starts_with("Noted: jar-1 weighs 481.2 g, "), "{}", said.out);
}

#[test]
fn colour_is_for_terminals_that_want_it() {
    let bench = Bench::with_pots();
    let args = ["report", "--at", "2021-04-02 9:30"];
    let coloured = on_terminal(&bench, &args, false);
    assert!(coloured.contains("\u{1b}["), "{coloured}");
    let plain = on_terminal(&bench, &args, true);
    assert_eq!(plain, bench.done(&args), "NO_COLOR: as into a file");
    assert!(!plain.contains('\u{1b}'));
    assert_eq!(anstream::adapter::strip_str(&coloured).to_string(), plain);
}

#[test]
fn names_complete_from_the_studio() {
    let bench = Bench::with_pots();
    let offers = |words: &[&str]| {
        let index = (words.len() - 1).to_string();
        let output = bench
            .command(&[&["--"], words].concat())
            .env("COMPLETE", "bash")
            .env("_CLAP_COMPLETE_INDEX", index)
            .env("_CLAP_IFS", "\n")
            .env("_CLAP_COMPLETE_COMP_TYPE", "9")
            .env("_CLAP_COMPLETE_SPACE", "true")
            .output()
            .unwrap();
        let text = String::from_utf8(output.stdout).unwrap();
        text.lines().filter(|l| !l.starts_with('-')).map(String::from).collect::<Vec<_>>()
    };
    assert_eq!(offers(&["warecast", "note", "pl"]), ["planter-1", "planter-2"]);
    assert_eq!(offers(&["warecast", "note", "no"]), ["north"]);
    assert_eq!(offers(&["warecast", "note", "north", "co"]), ["cover"]);
    let covers = ["open", "draped", "wrapped", "cupboard"];
    assert_eq!(offers(&["warecast", "note", "north", "cover", ""]), covers);
    assert_eq!(offers(&["warecast", "pot", "add", "x", "--body", ""]), ["smooth-stone"]);
    assert_eq!(offers(&["warecast", "pot", "show", "j"]), ["jar-1"]);
    let dir = bench.dir();
    let other = ["warecast", "--studio", dir.to_str().unwrap(), "weigh", "j"];
    assert_eq!(offers(&other), ["jar-1"]);
    let nowhere = ["warecast", "--studio", "/nowhere", "weigh", "j"];
    assert!(offers(&nowhere).is_empty() && !Path::new("/nowhere").exists());
    for shell in ["bash", "zsh", "fish", "elvish", "powershell"] {
        let script = bench.done(&["completions", shell]);
        assert!(script.contains("warecast") && script.contains("COMPLETE"), "{shell}");
    }
}

#[test]
fn a_reader_that_goes_away_is_no_error() {
    let bench = Bench::with_pots();
    let mut child = std::process::Command::new(env!("CARGO_BIN_EXE_warecast"))
        .args(["report", "--json", "--at", "2021-04-02 9:30"])
        .env("WARECAST_STUDIO", bench.dir())
        .stdout(std::process::Stdio::piped())
        .stderr(std::process::Stdio::piped())
        .spawn()
        .unwrap();
    drop(child.stdout.take());
    let output = child.wait_with_output().unwrap();
    assert!(output.status.success());
    assert_eq!(String::from_utf8(output.stderr).unwrap(), "");
}

#[test]
fn a_weight_typed_wrongly_is_corrected_without_its_second() {
    let bench = Bench::with_pots();
    let now = bench.done(&["weigh", "jar-1", "500.5"]);
    assert!(now.starts_with("Noted: jar-1 weighs 500.5 g, "), "{now}");
    let corrected = bench.done(&["weigh", "jar-1", "550", "--replace"]);
    assert!(corrected.starts_with("Corrected: jar-1 weighs 550 g, "), "{corrected}");
    bench.done(&["weigh", "jar-1", "590", "--at", "2021-04-02T15:20:30Z"]);
    let minute = ["--at", "2021-04-02 16:20", "--replace"];
    let corrected = bench.done(&[&["weigh", "jar-1", "580"], &minute[..]].concat());
    assert!(corrected.starts_with("Corrected: jar-1 weighs 580 g, "), "{corrected}");
    let out = bench.0.path().join("out");
    assert_eq!(bench.run(&["export", out.to_str().unwrap()]).status, 0);
    let readings = fs::read_to_string(out.join("readings.csv")).unwrap();
    assert_eq!(readings.lines().count(), 3, "{readings}");
    assert!(readings.contains("2021-04-02T15:20:30Z,bench,mass,580,g,jar-1"), "{readings}");
    // Nothing of that pot was typed lately: which one is meant?
    let which = bench.run(&["weigh", "planter-1", "500", "--replace"]);
    assert_eq!((which.status, which.out.as_str()), (2, ""));
    assert!(which.err.contains("say with --at which one is wrong"), "{}", which.err);
}

#[test]
fn a_weight_that_does_not_fit_the_ball_is_asked_about() {
    let bench = Bench::with_pots();
    let at = ["--at", "2021-04-02 18:00"];
    bench.done(&["pot", "add", "jar-1", "--tare", "300g", "--replace"]);
    let weigh =
        |weight| bench.run(&[&["weigh", "jar-1", weight], &at[..], &["--replace"]].concat());
    // A ball of 620 g on a bat of 300 g.
    let heavy = weigh("1100").out;
    assert!(
        heavy.contains("\nThat is 800 g of clay (without the tare of 300 g) from a"),
        "{heavy}"
    );
    assert!(heavy.contains("note jar-1 tare WEIGHT --at \"2021-04-02 18:00\"\n"), "{heavy}");
    let light = weigh("590").out;
    assert!(light.contains("note jar-1 trim --at WHEN\n"), "{light}");
    let kilograms = weigh("0.89");
    assert_eq!((kilograms.status, kilograms.out.as_str()), (2, ""));
    assert!(kilograms.err.contains("by its tare, 300 g: nothing is noted."), "{}", kilograms.err);
    assert_eq!(weigh("890").out.lines().count(), 1);
    bench.done(&["note", "jar-1", "trim", "--at", "2021-04-02 17:00"]);
    assert_eq!(weigh("590").out.lines().count(), 1, "it was trimmed");
    // The report names it as long as the log does not explain it.
    let report = |at| bench.done(&["report", "--json", "--at", at]);
    let doubtful = "\"weight-doubtful\"";
    assert!(!report("2021-04-02T19:00:00Z").contains(doubtful));
    bench.done(&["weigh", "planter-1", "890", "--at", "2021-04-02 18:00"]);
    bench.done(&["weigh", "planter-2", "310", "--at", "2021-04-02 18:00"]);
    let found = report("2021-04-02T18:30:00Z");
    assert_eq!(found.matches(doubtful).count(), 1, "{found}");
}

#[test]
fn a_pot_that_is_past_it_has_no_forecast() {
    let bench = Bench::with_pots();
    bench.done(&["note", "jar-1", "lost", "--at", "2021-04-03 9:00"]);
    let shown = bench.done(&["pot", "show", "jar-1"]);
    assert!(shown.contains("It is lost: nothing more is forecast. If that is wrong: "), "{shown}");
    let weighed = bench.done(&["weigh", "jar-1", "500"]);
    assert!(weighed.contains("By the log it is lost: this changes no answer. If"), "{weighed}");
    // What it says to do about it does it.
    assert!(weighed.ends_with(" note jar-1 lost --undo\n"), "{weighed}");
    bench.done(&["note", "jar-1", "lost", "--undo"]);
    assert!(bench.done(&["pot", "show", "jar-1"]).contains("\nIt stands on its foot.\n"));
}

#[test]
fn a_fraction_is_no_percentage() {
    let bench = Bench::new();
    let wrong = bench.run(&["body", "add", "stone", "--bag-water-wet-percent", "0.21"]);
    assert_eq!((wrong.status, bench.dir().exists()), (2, false));
    assert!(wrong.err.contains("was 21% meant?"), "{}", wrong.err);
}

#[test]
fn a_port_that_watch_has_is_no_riddle() {
    let bench = Bench::with_pots();
    let (_near, path) = pseudo_terminal();
    let _port = serialport::new(&path, 9600).open().unwrap();
    let weigh = || bench.run(&["weigh", "jar-1", "--port", &path]);
    assert!(weigh().err.contains("is held by another program"), "{}", weigh().err);
    let _lock = warecast::watch::lock::Lock::take(&bench.dir()).unwrap();
    let said = weigh();
    assert_eq!((said.status, said.out.as_str()), (2, ""));
    assert!(said.err.contains("note jar-1 on SCALE"), "{}", said.err);
}

#[test]
fn readings_of_the_future_are_told_of() {
    let bench = Bench::with_pots();
    let files = bench.0.path().join("files");
    fs::create_dir(&files).unwrap();
    let rows = "time,source,quantity,value,unit,pot\n2150-01-01T00:00:00Z,cell-7,mass,500,g,\n";
    fs::write(files.join("readings.csv"), rows).unwrap();
    bench.done(&["report"]);
    assert_eq!(bench.run(&["import", files.to_str().unwrap()]).status, 0);
    let said = bench.run(&["report"]);
    assert_eq!(said.status, 0);
    assert!(said.err.starts_with("warecast: cell-7 sent readings of the future"), "{}", said.err);
    for looking in [&["report", "--json"][..], &["report", "--at", "2021-04-03 9:00"]] {
        bench.done(looking);
    }
}
