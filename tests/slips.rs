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
        ("--ball", "-5", "--ball: -5 g cannot be"),
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
