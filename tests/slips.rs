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
