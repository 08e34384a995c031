//! `body show` on the real binary: what finished pots have taught, as a table and as a picture.
//!
//! The studio is invented: pots of one body lose water at a steady rate and then ever more slowly,
//! until they hold the water of their air.

mod bench;

use bench::Bench;
use std::fmt::Write as _;
use std::fs;

/// Mass of dry clay of each pot, g.
const CLAY_G: f64 = 455.0;

/// Water of the pots after some hours, dry basis.
fn water(hours: f64) -> f64 {
    let turn: f64 = 18.0;
    let wet = 0.29 - 0.0085 * hours;
    if hours < turn { wet } else { 0.018 + 0.119 * (-(hours - turn) * 0.0085 / 0.119).exp() }
}

/// Pots made on 2 April 2021 at 8:00 UTC, weighed for ten days; and one that is still wet.
fn studio(finished: usize) -> Bench {
    let bench = Bench::new();
    let folder = bench.0.path().join("in");
    fs::create_dir(&folder).unwrap();
    let mut pots = "pot,body,made_at,ball_g,wall_mm,base_mm\n".to_string();
    let mut readings = "time,source,quantity,value,unit,pot\n".to_string();
    let stamp = |hours: usize| {
        format!("2021-04-{:02}T{:02}:00:00Z", 2 + (8 + hours) / 24, (8 + hours) % 24)
    };
    for hours in 0..240 {
        let at = stamp(hours);
        let _ = writeln!(readings, "{at},room,temperature,19,Cel,\n{at},room,humidity,55,%RH,");
    }
    for n in 1..=finished {
        let _ = writeln!(pots, "planter-{n},tide,{},600,6,8", stamp(0));
        for hours in (0..236).step_by(4) {
            let g = (CLAY_G + n as f64) * (1.0 + water(hours as f64));
            let _ = writeln!(readings, "{},bench,mass,{g:.1},g,planter-{n}", stamp(hours));
        }
    }
    let body =
        "body,bag_water_wet_percent,trim_from_dry_percent,trim_to_dry_percent\ntide,22,24,16\n";
    for (name, text) in [("bodies", body), ("pots", &pots), ("readings", &readings)] {
        fs::write(folder.join(format!("{name}.csv")), text).unwrap();
    }
    let said = bench.run(&["import", folder.to_str().unwrap()]);
    assert_eq!(said.status, 0, "{}", said.err);
    bench
}

const LATER: [&str; 2] = ["--at", "2021-04-12 9:00"];

fn show(bench: &Bench, more: &[&str]) -> String {
    bench.done(&[&["body", "show", "tide"], more, &LATER[..]].concat())
}

#[test]
fn nothing_is_learnt_before_a_pot_is_dry() {
    let bench = studio(3);
    let early = bench.done(&["body", "show", "tide", "--at", "2021-04-02 20:00"]);
    assert!(early.contains("Nothing learnt of it yet"), "{early}");
    assert!(!early.contains("BEFORE"), "{early}");
}

#[test]
fn finished_pots_and_verdicts_are_told_before_and_now() {
    let bench = studio(4);
    bench.done(&["note", "planter-1", "verdict", "soft", "--at", "2021-04-02 17:00"]);
    let shown = show(&bench, &[]);
    assert!(shown.contains("Learnt from 4 finished pots and 1 verdict of the hand"), "{shown}");
    let row = |what: &str| {
        let line = shown.lines().find(|line| line.starts_with(what));
        line.unwrap_or_else(|| panic!("{what}: {shown}")).to_string()
    };
    for what in ["lost as slip", "taken up in throwing", "dries draped", "kept in air", "trimming"]
    {
        assert!(row(what).contains('%') && row(what).contains('('), "{shown}");
    }
    assert!(row("dries in the open").contains(" ×"), "{shown}");
    // The band as the potter gave it, and moved: soft lowers what it may be trimmed from.
    let trimming: Vec<&str> = shown.lines().filter(|l| l.starts_with("trimming from")).collect();
    let limits: Vec<f64> = trimming[0]
        .split_whitespace()
        .filter_map(|word| word.strip_suffix('%')?.parse().ok())
        .collect();
    assert_eq!(limits[0], 24.0, "{shown}");
    assert!(limits[1] < 24.0, "{shown}");
}

#[test]
fn the_picture_of_a_body_goes_into_a_file_of_its_own() {
    let bench = studio(2);
    for ending in ["svg", "png"] {
        let path = bench.0.path().join(format!("tide.{ending}"));
        let path = path.to_str().unwrap();
        let said = show(&bench, &["-o", path]);
        assert_eq!(said, format!("wrote {path}\n"));
        assert!(fs::metadata(path).unwrap().len() > 2000);
        let again = bench.run(&[&["body", "show", "tide", "-o", path], &LATER[..]].concat());
        assert_eq!((again.status, again.out.as_str()), (2, ""));
        assert!(again.err.contains("overwrite it with --force"), "{}", again.err);
        show(&bench, &["-o", path, "--force"]);
    }
    let wrong = bench.run(&["body", "show", "tide", "-o", "tide.pdf"]);
    assert_eq!(wrong.status, 2);
    assert!(wrong.err.contains("ends in .svg or .png"), "{}", wrong.err);
    let none = bench.run(&["body", "show", "tyde", "-o", "tide.svg"]);
    assert!(none.err.contains("did you mean \"tide\"?"), "{}", none.err);
}

/// What would help is said with the command that does it, and no longer once it was done.
#[test]
fn a_sample_is_asked_for_until_it_is_there() {
    let bench = Bench::new();
    bench.done(&["body", "add", "tide"]);
    bench.done(&["pot", "add", "jar-1", "--body", "tide", "--ball", "600g", "--lot", "bag 3"]);
    let before = bench.done(&["body", "show", "tide"]);
    let asked = "Of jar-1 a dried sample of its lot would tell ";
    let line = before.lines().find(|line| line.starts_with(asked));
    let line = line.unwrap_or_else(|| panic!("{before}"));
    assert!(line.ends_with("body sample tide WEIGHT --lot 'bag 3'"), "{line}");
    // As looked at from elsewhere in time there is nothing to do.
    let early = bench.done(&["body", "show", "tide", "--at", "1 h ago"]);
    assert!(!early.contains("would tell"), "{early}");

    let sample =
        |more: &[&str]| bench.done(&[&["body", "sample", "tide", "--lot", "bag 3"], more].concat());
    sample(&["200", "--scale-step", "0.1g", "--at", "20 h ago"]);
    sample(&["156.1", "--dried", "oven", "--at", "4 h ago"]);
    sample(&["156", "--at", "2 h ago"]);
    let after = bench.done(&["body", "show", "tide"]);
    assert!(after.contains("the clay held 22% of the wet clay"), "{after}");
    assert!(!after.contains("a dried sample"), "{after}");
}

/// Samples and blends go out and come in again: the same files, and the same words.
#[test]
fn samples_and_blends_survive_export_and_import() {
    let bench = Bench::new();
    for body in ["tide", "dune"] {
        bench.done(&["body", "add", body, "--bag-water-wet-percent", "22"]);
    }
    let grog = ["--add", "grog=300g", "--add", "cobalt carbonate=15g"];
    let parts = ["--part", "tide=3000g", "--part", "dune=1 kg"];
    bench.done(&[&["body", "blend", "shore"], &parts[..], &grog].concat());
    let wet = ["212.5", "--lot", "bag-3", "--dish", "12.5", "--at", "2021-04-02 9:00"];
    bench.done(&[&["body", "sample", "shore"], &wet[..]].concat());
    let room = ["176.5", "--dried", "room", "--humidity", "55", "--at", "2021-04-04 9:00"];
    bench.done(&[&["body", "sample", "shore"], &room[..]].concat());

    let (first, second) = (bench.0.path().join("first"), bench.0.path().join("second"));
    let run = |bench: &Bench, args: &[&str]| {
        let said = bench.run(args);
        assert_eq!(said.status, 0, "{args:?}: {}", said.err);
    };
    run(&bench, &["export", first.to_str().unwrap()]);
    let other = Bench::new();
    run(&other, &["import", first.to_str().unwrap()]);
    run(&other, &["export", second.to_str().unwrap()]);
    for file in ["bodies.csv", "blends.csv", "samples.csv"] {
        let [one, two] = [&first, &second].map(|dir| fs::read_to_string(dir.join(file)).unwrap());
        assert_eq!(one, two, "{file}");
        assert!(one.lines().count() > 1, "{file}");
    }
    let at = ["--at", "2021-04-05 9:00"];
    let show = |bench: &Bench, body: &str| bench.done(&[&["body", "show", body], &at[..]].concat());
    for body in ["tide", "shore"] {
        assert_eq!(show(&bench, body), show(&other, body));
    }
    let shown = show(&bench, "shore");
    assert!(shown.contains("cobalt carbonate: harmful metal"), "{shown}");
    assert!(shown.contains("must not be mixed with dune and tide"), "{shown}");
}
