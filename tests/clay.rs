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
        (&["body", "sample", "tide", "-5", "--new"], "is not the weight of a sample"),
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

#[test]
fn a_blend_is_a_body_like_others_and_says_what_it_is_made_of() {
    let bench = Bench::new();
    let add = |name: &str, bag: &str, from: &str, to: &str| {
        let bag = ["--bag-water-wet-percent", bag];
        let band = ["--trim-from-dry-percent", from, "--trim-to-dry-percent", to];
        bench.done(&[&["body", "add", name], &bag[..], &band].concat());
    };
    add("tide", "25", "24", "16");
    add("dune", "24", "20", "12");
    let blend = ["body", "blend", "speckled", "--part", "tide=3000g", "--part", "dune=1000"];
    let with = ["--add", "manganese dioxide=50g", "--add", "grog, fine=400g"];
    let said = bench.done(&[&blend[..], &with].concat());
    // By hand: 2250 g and 760 g of dry clay and 450 g dry, 990 g of water: 28.6 % of 3460 g.
    assert!(
        said.contains("65% tide, 22% dune, 12% grog, fine and 1.4% manganese dioxide (of the dry"),
        "{said}"
    );
    assert!(said.contains("bag water 22.2% of the wet clay"), "990/4450: {said}");
    // (2250·24 + 760·20)/3460 and (2250·16 + 760·12)/3460
    assert!(said.contains("trims from 20% to 13% of the dry clay"), "{said}");
    for caution in ["fume", "vent", "leach-tested", "silica dust"] {
        assert!(said.contains(caution), "{caution}: {said}");
    }
    assert!(said.contains("reclaim must not be mixed with dune and tide"), "{said}");

    let shown = bench.done(&["body", "show", "speckled"]);
    assert!(shown.contains("Made of 65% tide, 22% dune, "), "{shown}");
    assert!(shown.contains("must not be mixed with dune and tide"), "{shown}");
    let other = bench.done(&["body", "show", "dune"]);
    assert!(other.contains("Keep out of its reclaim: speckled (manganese dioxide)."), "{other}");

    let again = bench.done(&[&blend[..], &with].concat());
    assert_eq!(again, "Body speckled was there already, of the same.\n");
    let refused = bench.run(&blend);
    assert_eq!(refused.status, 1, "{}", refused.err);
    let anew = bench.done(&[&blend[..], &["--replace"]].concat());
    assert!(anew.contains("75% tide and 25% dune (of") && !anew.contains("manganese"), "{anew}");
    bench.done(&["pot", "add", "jar-1", "--body", "speckled", "--ball", "600g"]);
}

#[test]
fn how_much_to_wedge_is_said_and_can_be_typed_back() {
    let bench = Bench::new();
    bench.done(&["body", "add", "tide", "--bag-water-wet-percent", "25"]);
    bench.done(&["body", "add", "dune", "--bag-water-wet-percent", "20"]);
    let parts = ["--part", "tide=2", "--part", "dune=1", "--balls", "12", "--ball", "600g"];
    let said = bench.done(&[&["body", "blend", "shore"], &parts[..]].concat());
    // By hand: 7200 g · (2/0.75)/(2/0.75 + 1/0.8) = 4902 g, the rest 2298 g.
    assert!(said.contains("4902 g of tide, wet") && said.contains("2298 g of dune, wet"), "{said}");
    let command = said.lines().last().unwrap().split_once("body blend ").unwrap().1;
    assert_eq!(command, "shore --part 'tide=4902 g' --part 'dune=2298 g'");
    assert!(bench.run(&["body", "show", "shore"]).status == 2, "nothing is stored");

    // 25 and 20 % of the wet clay are 33.3 and 25 % of the dry clay.
    let wedged =
        bench.run(&["body", "blend", "shore", "--part", "tide=4902 g", "--part", "dune=2298 g"]);
    assert_eq!(wedged.status, 0);
    assert!(wedged.out.contains("67% tide and 33% dune"), "{}", wedged.out);
    assert!(wedged.out.contains("none is known of tide and dune"), "{}", wedged.out);
    assert!(wedged.err.contains("differ by 8.3% in water"), "{}", wedged.err);
}

#[test]
fn what_is_no_blend_is_told_with_its_reason() {
    let bench = with_tide();
    for (args, says) in [
        (&["--part", "tode=5g"][..], "did you mean \"tide\""),
        (&["--part", "tide"], "expected NAME=NUMBER"),
        (&["--part", "tide=much"], "--part tide: "),
        (&["--part", "tide=0"], "more than nothing is wanted"),
        (&["--part", "tide=5", "--part", "tide=6"], "is there twice"),
        (&["--part", "tide=5", "--add", "=6"], "a name cannot be empty"),
        (&["--part", "tide=5", "--balls", "3", "--ball", "0g"], "more than nothing"),
        (&["--part", "tide=5g", "--balls", "3", "--ball", "1g"], "a number of parts"),
    ] {
        let said = bench.run(&[&["body", "blend", "shore"], args].concat());
        assert!(said.status == 2 && said.err.contains(says), "{args:?}: {}", said.err);
    }
    let itself = bench.run(&["body", "blend", "tide", "--part", "tide=5", "--replace"]);
    assert!(itself.status == 2 && itself.err.contains("part of itself"), "{}", itself.err);
}
