//! Slips and oddities of people, on the real binary: what is not meant is not taken, and it is said
//! what was wrong. The pots are invented.

mod bench;

use bench::Bench;

#[test]
fn what_was_refused_is_not_asked_about() {
    let bench = Bench::with_pots();
    let at = ["--at", "2021-04-02 18:00"];
    bench.done(&[&["weigh", "jar-1", "600"], &at[..]].concat());
    let other = bench.run(&[&["weigh", "jar-1", "200"], &at[..]].concat());
    assert_eq!((other.status, other.out.as_str()), (1, ""));
    assert!(other.err.contains("has another weight noted"), "{}", other.err);
}

#[test]
fn a_pot_entered_twice_without_its_time_is_the_same_pot() {
    let bench = Bench::with_pots();
    let add = ["pot", "add", "jar-2", "--body", "smooth-stone"];
    bench.done(&add);
    let again = bench.done(&add);
    assert!(again.starts_with("There already, the same: jar-2: of smooth-stone, "), "{again}");
    let other = bench.run(&[&add[..], &["--ball", "600g"]].concat());
    assert_eq!((other.status, other.out.as_str()), (1, ""));
}

#[test]
fn pots_and_boards_do_not_share_a_name() {
    let bench = Bench::with_pots();
    let pot = bench.run(&["pot", "add", "north", "--body", "smooth-stone"]);
    assert_eq!((pot.status, pot.out.as_str()), (2, ""));
    assert!(pot.err.contains("\"north\" is a board here"), "{}", pot.err);
    let board = bench.run(&["pot", "add", "jar-2", "--body", "smooth-stone", "--board", "jar-1"]);
    assert_eq!((board.status, board.out.as_str()), (2, ""));
    assert!(board.err.contains("\"jar-1\" is a pot here"), "{}", board.err);
    let same = ["pot", "add", "jar-2", "--body", "smooth-stone", "--board", "jar-2"];
    assert_eq!(bench.run(&same).status, 2);
}

#[test]
fn sizes_that_no_pot_has_are_slips() {
    let bench = Bench::with_pots();
    for (option, value, says) in [
        ("--ball", "-5", "--ball: -5 g cannot be; what can is 0 g to 200000 g"),
        ("--ball", "99999999", "--ball: 99999999 g cannot be"),
        ("--tare", "-5", "--tare: -5 g cannot be"),
        ("--wall-mm", "-5", "--wall-mm: no pot is -5 mm thick"),
        ("--wall-mm", "5000", "--wall-mm: no pot is 5000 mm thick"),
        ("--base-mm", "0.8", "--base-mm: no pot is 0.8 mm thick: were centimetres meant?"),
    ] {
        let said = bench.run(&["pot", "add", "jar-2", "--body", "smooth-stone", option, value]);
        assert_eq!((said.status, said.out.as_str()), (2, ""), "{option} {value}");
        assert!(said.err.contains(says), "{}", said.err);
    }
    let less = bench.run(&["note", "jar-1", "attach", "-5"]);
    assert!(less.err.contains("attach wants the weight of the clay"), "{}", less.err);
    // Of a ball of 620 g.
    for (what, says) in [
        (["tare", "-5"], "tare: -5 g cannot be; what can is 0 g to 200000 g"),
        (["attach", "30000"], "more than three times the ball of jar-1; up to 1860 g can be"),
    ] {
        let said = bench.run(&[&["note", "jar-1"], &what[..]].concat());
        assert_eq!((said.status, said.out.as_str()), (2, ""), "{what:?}");
        assert!(said.err.contains(says), "{}", said.err);
    }
    assert!(!bench.done(&["pot", "show", "jar-1"]).contains("Log"));
}

#[test]
fn water_that_no_bag_holds_is_a_slip() {
    let bench = Bench::new();
    let add = |percent| bench.run(&["body", "add", "stone", "--bag-water-wet-percent", percent]);
    let usual =
        "bags of throwing clay hold 20 to 25 % of their wet weight, plastic clay 10 to 40 %";
    for percent in ["99", "76", "2", "0"] {
        let said = add(percent);
        assert_eq!((said.status, said.out.as_str(), bench.dir().exists()), (2, "", false));
        assert!(said.err.contains(usual), "{}", said.err);
    }
    let band = ["--trim-from-dry-percent", "95", "--trim-to-dry-percent", "90"];
    // 20 % of the wet clay are 25 % of the dry clay.
    let bag = ["body", "add", "stone", "--bag-water-wet-percent", "20"];
    let never = bench.run(&[&bag[..], &band].concat());
    assert_eq!(never.status, 2);
    assert!(never.err.contains("more water than this clay has in its bag (25 %)"), "{}", never.err);
    let soft = add("45");
    assert_eq!(soft.status, 0);
    assert_eq!(soft.err, format!("warecast: 45 % is unusual: {usual}\n"));
}

#[test]
fn a_sibling_is_there_and_leads_nowhere_back() {
    let bench = Bench::with_pots();
    let add = |args: &[&str]| bench.run(&[&["pot", "add"], args].concat());
    for (like, says) in [
        ("teapot", "there is no pot \"teapot\": see `warecast pot list`"),
        ("jar-1", "like: a pot cannot be its own sibling"),
    ] {
        let said = add(&["jar-1", "--replace", "--like", like]);
        assert_eq!((said.status, said.out.as_str()), (2, ""));
        assert_eq!(said.err, format!("warecast: {says}\n"));
    }
    assert_eq!(add(&["planter-1", "--replace", "--like", "planter-2"]).status, 0);
    assert_eq!(add(&["planter-2", "--replace", "--like", "jar-1"]).status, 0);
    let said = add(&["jar-1", "--replace", "--like", "planter-1"]);
    assert_eq!((said.status, said.out.as_str()), (2, ""));
    assert_eq!(
        said.err,
        "warecast: \"jar-1\" is like \"planter-1\" is like \"planter-2\" is like \"jar-1\": a \
         circle; the one that is weighed must be like none (--like \"\")\n"
    );
    // Nobody is weighed: nobody is followed.
    let report = bench.done(&["report", "--json", "--at", "2021-04-02 18:00"]);
    assert!(report.contains("neither it nor jar-1, which it is like, is weighed"), "{report}");
    assert!(!report.contains("this follows"), "{report}");
}

#[test]
fn a_ball_in_kilograms_is_not_taken_for_grams() {
    let bench = Bench::with_pots();
    let add = |ball: &str| bench.run(&["pot", "add", "jar-1", "--replace", "--ball", ball]);
    let said = add("0.6");
    assert_eq!((said.status, said.out.as_str()), (2, ""));
    assert!(said.err.contains("is no ball of clay; with kilograms write 0.6kg"), "{}", said.err);
    assert_eq!(add("0.6kg").status, 0);
}

#[test]
fn what_is_packed_without_a_fresh_weight_is_asked_to_be_weighed() {
    let bench = Bench::with_pots();
    bench.done(&["weigh", "planter-1", "480", "--at", "30 min ago"]);
    bench.done(&["weigh", "planter-2", "480", "--at", "30 h ago"]);
    let noted = bench.done(&["note", "north", "jar-1", "kiln"]);
    assert!(
        noted.ends_with(
            "Not weighed within a day before: planter-2 and jar-1. Ware that has stood takes up \
             water again from damp air: weigh it before it is fired.\n"
        ),
        "{noted}"
    );
    // Weighed, and wet: how much is left, how sure it is, and what it does in the kiln.
    let bench = Bench::new();
    bench.done(&["body", "add", "tide", "--bag-water-wet-percent", "22.5"]);
    let made = ["pot", "add", "jar-1", "--body", "tide", "--ball", "713", "--tare", "180"];
    bench.done(&[&made[..], &["--base-mm", "8", "--made-at", "20 h ago"]].concat());
    bench.done(&["weigh", "jar-1", "875", "--at", "19 h ago"]);
    bench.done(&["weigh", "jar-1", "812", "--at", "2 h ago"]);
    let wet = bench.done(&["note", "jar-1", "kiln"]);
    let [noted, left, steam] = wet.lines().collect::<Vec<_>>()[..] else { panic!("{wet}") };
    assert!(noted.starts_with("Noted: kiln, "), "{wet}");
    assert!(left.starts_with("jar-1 is not dry: ") && left.contains(") of water would"), "{wet}");
    assert!(left.ends_with("its wettest part is dry with a chance of under 1%."), "{wet}");
    assert!(steam.contains("turns to steam and can burst a pot"), "{wet}");
    let bench = Bench::with_pots();
    let long_ago = bench.done(&["note", "north", "kiln", "--at", "2021-04-20 9:00"]);
    assert_eq!(long_ago.lines().count(), 1, "{long_ago}");
}

#[test]
fn the_rule_of_constant_mass_stands_beside_the_decision() {
    let bench = Bench::with_pots();
    let rule = |at: &str| {
        let shown = bench.done(&["pot", "show", "jar-1", "--at", at]);
        let line = shown.lines().find(|line| line.contains("constant mass")).unwrap().to_owned();
        let json = bench.done(&["report", "--json", "--at", at]);
        let report: serde_json::Value = serde_json::from_str(&json).unwrap();
        (line, report["pots"][0]["fire"]["constant_mass"].clone())
    };
    let weigh = |grams: &str, at: &str| drop(bench.done(&["weigh", "jar-1", grams, "--at", at]));
    weigh("468.9", "2021-04-20 9:00");
    let (line, json) = rule("2021-04-20 10:00");
    assert!(line.contains("wants 3 weighings, each a day"), "{line}");
    assert_eq!(json, serde_json::json!({"met": null, "weighings": 1, "change": null}));
    weigh("468.7", "2021-04-21 9:00");
    weigh("468.8", "2021-04-22 9:00");
    let (line, json) = rule("2021-04-22 10:00");
    let met = "yes by EN ISO 12570: 3 weighings a day apart, within 0.04%";
    assert!(line.contains(met), "{line}");
    assert_eq!((&json["met"], &json["weighings"]), (&true.into(), &3.into()));
    assert!((json["change"].as_f64().unwrap() - 0.2 / 468.8).abs() < 1e-9, "{json}");
    weigh("470.1", "2021-04-23 9:00");
    let (line, json) = rule("2021-04-23 10:00");
    let not = "no by EN ISO 12570: 0.30% of change, where 0.1% is allowed";
    assert!(line.contains(not), "{line}");
    assert_eq!(json["met"], false);
}

#[test]
fn what_is_no_folder_and_no_port_is_called_so() {
    let bench = Bench::with_pots();
    let file = bench.dir().join("studio.toml");
    let export = bench.run(&["export", file.to_str().unwrap()]);
    assert!(export.err.ends_with("studio.toml: this is a file, not a folder\n"), "{}", export.err);
    let port = bench.run(&["weigh", "jar-1", "--port", "/dev/null"]);
    assert!(port.err.ends_with("/dev/null is not a serial port\n"), "{}", port.err);
    let link = bench.run(&["simulate", "--link", "/no-such-folder/port"]);
    assert_eq!(link.err.matches("No such file").count(), 1, "{}", link.err);
}

#[test]
fn what_was_noted_and_never_was_true_is_taken_back() {
    let bench = Bench::with_pots();
    let report = || bench.done(&["report", "--json", "--at", "2021-04-04 9:00"]);
    let note = |words: &[&str], at: &str| bench.run(&[&["note"], words, &["--at", at]].concat());
    bench.done(&["weigh", "jar-1", "590", "--at", "2021-04-02 12:00"]);
    note(&["jar-1", "cover", "wrapped"], "2021-04-02 13:00");
    let before = report();
    note(&["jar-1", "cover", "open"], "2021-04-03 13:00");
    note(&["north", "jar-1", "kiln"], "2021-04-03 14:00");
    bench.done(&["weigh", "jar-1", "480", "--at", "2021-04-03 15:00"]);
    assert_ne!(report(), before);
    // A board's pots are in the kiln by now, and are found all the same.
    let undone = bench.done(&["note", "north", "jar-1", "kiln", "--undo"]);
    assert!(undone.starts_with("Taken back: kiln, Sat 3 Apr 2021 14:00 ("), "{undone}");
    assert!(undone.ends_with(" for jar-1, planter-1 and planter-2.\n"), "{undone}");
    let which = ["note", "jar-1", "cover", "--undo", "--at", "2021-04-03 13:00"];
    assert!(bench.done(&which).starts_with("Taken back: cover open, "));
    let undone = bench.done(&["weigh", "jar-1", "--undo"]);
    assert!(undone.starts_with("Taken back: jar-1 weighs 480 g, Sat 3 Apr 2021 15:00"), "{undone}");
    // Nothing is left of it.
    assert_eq!(report(), before);
    for (args, says) in [
        (&which[..], "no cover of jar-1 is noted at Sat 3 Apr 2021 13:00"),
        (&["note", "jar-1", "kiln", "--undo"], "no kiln of jar-1 is noted: see what is with"),
        (&["note", "jar-1", "cover", "draped", "--undo"], "no cover of jar-1 is noted"),
        (&["weigh", "jar-1", "480", "--undo"], "no weight of 480 g is noted for jar-1"),
        (&["weigh", "planter-1", "--undo"], "no weight is noted for planter-1"),
        (&["note", "nroth", "kiln", "--undo"], "did you mean \"north\"?"),
    ] {
        let said = bench.run(args);
        assert_eq!((said.status, said.out.as_str()), (2, ""), "{args:?}");
        assert!(said.err.contains(says), "{}", said.err);
    }
    assert_eq!(report(), before);
}

#[test]
fn how_a_pot_stands_is_said() {
    let bench = Bench::with_pots();
    let trimmed = bench.done(&["note", "north", "trim", "--at", "20 h ago"]);
    assert!(trimmed.ends_with("\nplanter-1 and planter-2 stand on their rims now.\n"), "{trimmed}");
    assert!(bench.done(&["pot", "show", "planter-1"]).contains("\nIt stands on its rim.\n"));
    let back = bench.done(&["note", "planter-1", "flip"]);
    assert!(back.ends_with("\nplanter-1 stands on its foot now.\n"), "{back}");
}

#[test]
fn a_cell_that_never_sent_is_asked_about_where_others_have() {
    let bench = Bench::with_pots();
    let noted = bench.done(&["note", "jar-1", "on", "shelf-a:cell-1"]);
    assert_eq!(noted.lines().count(), 1, "nobody has sent: {noted}");
    let files = bench.0.path().join("files");
    std::fs::create_dir(&files).unwrap();
    let rows =
        "time,source,quantity,value,unit,pot\n2021-04-02T12:00:00Z,shelf-a:cell-1,mass,5,g,\n";
    std::fs::write(files.join("readings.csv"), rows).unwrap();
    bench.run(&["import", files.to_str().unwrap()]);
    let near = bench.done(&["note", "planter-1", "on", "shelf-a:cel-1"]);
    let asks = "Nothing has come from shelf-a:cel-1 so far: did you mean \"shelf-a:cell-1\"?";
    assert!(near.contains(asks), "{near}");
    let far = bench.done(&["note", "planter-2", "on", "bench-2"]);
    assert!(far.ends_with("from bench-2 so far: cells that have: shelf-a:cell-1.\n"), "{far}");
}

#[test]
fn a_weight_that_no_pot_has_is_told_of_as_it_is_imported() {
    let bench = Bench::with_pots();
    let files = bench.0.path().join("files");
    std::fs::create_dir(&files).unwrap();
    // The pot was made on 2 April 2021 at 9:00 in Lisbon, 8:00 UTC.
    let rows = "time,source,quantity,value,unit,pot\n\
                2021-04-02T09:00:00Z,bench,mass,-5,g,jar-1\n\
                2020-04-02T09:00:00Z,bench,mass,600,g,jar-1\n\
                2021-04-02T10:00:00Z,bench,mass,1e300,g,jar-1\n\
                2021-04-02T11:00:00Z,bench,mass,590,g,jar-1\n\
                2021-04-02T11:00:00Z,cell-1,mass,-5,g,\n";
    std::fs::write(files.join("readings.csv"), rows).unwrap();
    let said = bench.run(&["import", files.to_str().unwrap()]);
    assert_eq!(said.status, 0);
    for line in [
        "readings.csv:2: value: -5 g is not the weight of a pot\n",
        "readings.csv:3: time: the pot was made only 2021-04-02T08:00:00Z: what it weighed before \
         counts for nothing\n",
        "readings.csv:4: value: 1e300 g is not the weight of a pot\n",
    ] {
        assert!(said.err.contains(line), "{}", said.err);
    }
    assert_eq!(said.err.matches("warning:").count(), 3, "{}", said.err);
}

#[test]
fn what_was_typed_is_told_in_the_words_it_was_typed_in() {
    let bench = Bench::with_pots();
    for (args, says) in [
        (&["body", "sample", "smooth-stone", "0"][..], "0 g is not the weight of a sample: some"),
        (&["body", "sample", "smooth-stone", "200000"], "200000 g is not the weight of a sample"),
        (
            &["body", "sample", "smooth-stone", "200", "--scale-step", "500"],
            "--scale-step: 500 g cannot be; what can is 0 g to 10 g",
        ),
        (
            &["body", "sample", "smooth-stone", "200", "--dish", "210"],
            "200 g is no more than the dish alone weighs, 210 g (--dish)",
        ),
        (
            &["body", "blend", "x", "--part", "smooth-stone=0"],
            "--part smooth-stone=0: more than nothing is wanted",
        ),
        (
            &["body", "blend", "smooth-stone", "--part", "smooth-stone=5"],
            "\"smooth-stone\" would be a part of itself",
        ),
        (&["weigh", "jar-1", "--wait", "-1"], "a whole number from 1 to 86400 is wanted"),
        (&["simulate", "--seed", "abc"], "a whole number from 0 on is wanted"),
        (&["watch", "--refit-every", "0"], "a whole number from 1 to 86400 is wanted"),
    ] {
        let said = bench.run(args);
        assert_eq!((said.status, said.out.as_str()), (2, ""), "{args:?}");
        assert!(said.err.contains(says), "{}", said.err);
        assert!(!said.err.contains("_g:") && !said.err.contains("invalid digit"), "{}", said.err);
    }
    let lean = ["body", "blend", "x", "--part", "smooth-stone=1000", "--add", "sand=100000"];
    let said = bench.run(&lean);
    assert_eq!(said.status, 0);
    assert!(said.err.contains("99% of its dry mass is no clay"), "{}", said.err);
    bench.done(&["body", "sample", "smooth-stone", "200", "--at", "9 h ago"]);
    let said = bench.done(&["body", "sample", "smooth-stone", "250", "--dried", "oven"]);
    assert!(said.contains("it weighs more than when it was wet"), "{said}");
    bench.done(&["weigh", "jar-1", "600", "--at", "2021-04-02 12:00"]);
    let same = bench.done(&["weigh", "jar-1", "600", "--at", "2021-04-02 13:00"]);
    assert!(same.ends_with(", the same as Fri 2 Apr 2021 12:00.\n"), "{same}");
}
