//! `body sample` and `body blend` on the real binary: what a potter types, and what is said back.
//! Clay and weights are invented; sums beside them are made by hand.

mod bench;

use bench::Bench;

fn with_tide() -> Bench {
    let bench = Bench::new();
    bench.done(&["body", "add", "tide"]);
    bench
}

fn sample(bench: &Bench, args: &[&str]) -> String {
    bench.done(&[&["body", "sample", "tide"], args].concat())
}

#[test]
fn a_sample_is_weighed_until_the_bag_is_known() {
    let bench = with_tide();
    let fine = ["--lot", "bag-3", "--dish", "12.5", "--scale-step", "0.1"];
    let wet = sample(&bench, &[&["212.5", "--at", "2021-04-02 9:00"], &fine[..]].concat());
    assert!(
        wet.starts_with("Noted: sample bag-3-1 of tide, lot bag-3 weighs 212.5 g, wet,"),
        "{wet}"
    );
    for caution in ["thin slices", "Never a whole pot", "entilated", "used for food", "metal"] {
        assert!(wet.contains(caution), "{caution}: {wet}");
    }
    let said = bench.run(&["body", "sample", "tide", "170", "--at", "2021-04-03 9:00"]);
    assert_eq!(said.status, 2);
    assert!(said.err.contains("--dried oven or --dried room"), "{}", said.err);

    let once = ["168.6", "--dried", "oven", "--at", "2021-04-03 9:00"];
    let once = sample(&bench, &once);
    // (212.5 − 168.6)/200
    assert!(once.contains("held at least 22% of the wet clay"), "{once}");
    let twice = sample(&bench, &["168.5", "--at", "2021-04-03 10:00"]);
    assert!(
        twice.contains("constant (ISO 17892-1): the clay held 22% of the wet clay (2"),
        "{twice}"
    );
    let shown = bench.done(&["body", "show", "tide"]);
    assert!(shown.contains("Sample bag-3-1, lot bag-3: constant (ISO 17892-1)"), "{shown}");

    let again = sample(&bench, &["168.5", "--at", "2021-04-03 10:00"]);
    assert!(again.starts_with("Noted already: "), "{again}");
    let other = bench.run(&["body", "sample", "tide", "167", "--at", "2021-04-03 10:00"]);
    assert_eq!(other.status, 1, "{}", other.err);
    let corrected = sample(&bench, &["167.5", "--at", "2021-04-03 10:00", "--replace"]);
    assert!(corrected.starts_with("Corrected: "), "{corrected}");
    assert!(corrected.contains("not known to be dry yet"), "more than 0.1 %: {corrected}");
}

#[test]
fn samples_are_told_apart_by_lot_and_name() {
    let bench = with_tide();
    let begun = sample(&bench, &["100", "--at", "2021-04-02 9:00"]);
    assert!(begun.contains("sample tide-1 of tide weighs"), "{begun}");
    let another = sample(&bench, &["100", "--new", "--at", "2021-04-02 9:01"]);
    assert!(another.contains("sample tide-2 of tide weighs"), "{another}");
    sample(&bench, &["100", "--new", "--lot", "bag-4", "--at", "2021-04-02 9:02"]);
    let room = ["90", "--dried", "room", "--humidity", "50", "--at", "2021-04-04 9:00"];
    let which = bench.run(&[&["body", "sample", "tide"], &room[..]].concat());
    assert_eq!(which.status, 2);
    assert!(which.err.contains("several lots"), "{}", which.err);
    let one = sample(&bench, &[&room[..], &["--lot", "bag-4"]].concat());
    assert!(
        one.contains("sample bag-4-1 of tide, lot bag-4 weighs 90 g, dried in the room"),
        "{one}"
    );
    let all = sample(&bench, &[]);
    assert_eq!(all.lines().count(), 3, "{all}");
    assert!(sample(&bench, &["--lot", "bag-9"]).starts_with("No samples of this."));
    for (args, says) in [
        (&["body", "sample", "tode", "100"][..], "did you mean \"tide\""),
        (&["body", "sample", "tide", "-5", "--new"], "mass_g: expected more than 0 g"),
        (&["body", "sample", "tide", "5", "--new", "--dish", "7"], "the dish alone weighs"),
        (&["body", "sample", "tide", "5", "--new", "--dried", "oven"], "weighed wet first"),
        (
            &["body", "sample", "tide", "5", "--new", "--at", "2199-01-01 9:00"],
            "lies in the future",
        ),
    ] {
        let said = bench.run(args);
        assert!(said.status == 2 && said.err.contains(says), "{args:?}: {}", said.err);
    }
}
