//! `round` through the real binary: which pots it names and in which order, weights that are typed,
//! scanned and sent by a scale on a real pseudo-terminal, what it asks about, and what it takes
//! back. The pots and their weights are invented; they are told apart by their sizes.

#[path = "daemon/bench.rs"]
#[allow(dead_code, reason = "each test uses a part of it")]
mod bench;

use bench::{Device, Studio, Watch, command, eventually};
use rustix::process::{Pid, Signal, kill_process};
use std::io::{BufRead, BufReader, Read, Write};
use std::process::{Child, ChildStdin, Stdio};
use std::sync::{Arc, Mutex};
use std::thread;
use warecast::clock;
use warecast::records::{Action, Body, HandlingRow, Pot, Quantity, Reading};
use warecast::store::Clash;
use warecast::units::{HOUR, Time};

/// A pot, how many hours ago it was made, its ball and what stands beneath it, g, and its board.
struct Thrown(&'static str, f64, f64, Option<f64>, Option<&'static str>);

fn ago(hours: f64) -> Time {
    clock::now().plus(-hours * HOUR)
}

fn add(studio: &Studio, pots: &[Thrown]) {
    let body = Body {
        name: "tide".into(),
        bag_water_wet: Some(0.22),
        trim_from_dry: Some(0.23),
        trim_to_dry: Some(0.16),
    };
    let pot = |Thrown(name, hours, ball, tare, board): &Thrown| Pot {
        ball_g: Some(*ball),
        tare_g: *tare,
        wall_mm: Some(6.0),
        base_mm: Some(9.0),
        board: board.map(Into::into),
        ..Pot::bare(name, "tide", ago(*hours))
    };
    let mut store = studio.store();
    store.put_bodies(&[body], Clash::Refuse).unwrap();
    store.put_pots(&pots.iter().map(pot).collect::<Vec<_>>(), Clash::Refuse).unwrap();
}

fn weigh(studio: &Studio, pot: &str, hours_ago: f64, grams: f64) {
    let reading = Reading {
        time: ago(hours_ago),
        source: "bench".into(),
        quantity: Quantity::Mass,
        value: grams,
        pot: Some(pot.into()),
        count: None,
        spread: None,
    };
    assert_eq!(studio.store().append(&[reading], Clash::Refuse).unwrap().added, 1);
}

fn note(studio: &Studio, pot: &str, hours_ago: f64, action: Action) {
    let row = HandlingRow { time: ago(hours_ago), pot: pot.into(), action };
    studio.store().put_handling(&[row], Clash::Refuse).unwrap();
}

/// All weights of a pot, in order of time.
fn weights(studio: &Studio, pot: &str) -> Vec<f64> {
    let studio = studio.store().studio(clock::now()).unwrap();
    studio.weighings.get(pot).map_or(vec![], |w| w.0.iter().map(|p| p.value).collect())
}

/// Two boards, weighed once and not since: planters on bats of 200 g on `north`, a jar that can be
/// lifted on `south`; a cup off the wheel, and a pot in the kiln.
fn shelf() -> Studio {
    let studio = Studio::new();
    let bat = Some(200.0);
    add(
        &studio,
        &[
            Thrown("planter-10", 9.0, 1100.0, bat, Some("north")),
            Thrown("planter-2", 9.0, 900.0, bat, Some("north")),
            Thrown("jar-1", 20.0, 600.0, None, Some("south")),
            Thrown("cup", 2.5, 300.0, None, None),
            Thrown("old", 200.0, 500.0, None, Some("north")),
        ],
    );
    weigh(&studio, "planter-10", 8.8, 1290.0);
    weigh(&studio, "planter-2", 8.8, 1092.0);
    weigh(&studio, "jar-1", 19.8, 592.0);
    note(&studio, "old", 1.0, Action::Kiln);
    studio
}

fn run(studio: &Studio, args: &[&str]) -> String {
    let output = command(studio, args).env("TZ", "UTC").env("COLUMNS", "80").output().unwrap();
    let text = String::from_utf8([output.stdout, output.stderr].concat()).unwrap();
    assert_eq!(output.status.code(), Some(0), "{text}");
    text
}

fn listed(studio: &Studio, args: &[&str]) -> serde_json::Value {
    serde_json::from_str(&run(studio, &[&["round", "--json"], args].concat())).unwrap()
}

fn names(list: &serde_json::Value) -> Vec<&str> {
    list.as_array().unwrap().iter().map(|row| row["pot"].as_str().unwrap()).collect()
}

/// A round that is typed into: what it says, standard output and error in one, status 0.
fn typed(studio: &Studio, args: &[&str], lines: &str) -> String {
    let mut child = start(studio, args);
    child.stdin.take().unwrap().write_all(lines.as_bytes()).unwrap();
    let output = child.wait_with_output().unwrap();
    let text = String::from_utf8([output.stdout, output.stderr].concat()).unwrap();
    assert_eq!(output.status.code(), Some(0), "{text}");
    text
}

fn start(studio: &Studio, args: &[&str]) -> Child {
    let mut command = command(studio, &[&["round"], args].concat());
    command.env("TZ", "UTC").env("COLUMNS", "80").stdin(Stdio::piped());
    command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap()
}

#[track_caller]
fn has(text: &str, words: &[&str]) {
    for word in words {
        assert!(text.contains(word), "\"{word}\" is not in\n{text}");
    }
}

#[test]
fn board_by_board_as_people_count_and_none_that_is_soft() {
    let studio = shelf();
    let all = listed(&studio, &[]);
    assert_eq!(names(&all["pots"]), ["planter-2", "planter-10", "jar-1"], "{all}");
    assert_eq!(names(&all["too_soft"]), ["cup"], "{all}");
    assert!(!all.to_string().contains("old"), "it is in the kiln: {all}");
    for row in all["pots"].as_array().unwrap() {
        let [now, weighed] = ["range_s", "range_weighed_s"].map(|key| row[key].as_f64().unwrap());
        assert!(600.0 < now - weighed && weighed > 0.0, "{row}");
    }
    let boards = listed(&studio, &["south", "north"]);
    assert_eq!(names(&boards["pots"]), ["jar-1", "planter-2", "planter-10"]);
    let most = listed(&studio, &["--most", "1"]);
    assert_eq!((names(&most["pots"]).len(), most["later"].as_array().unwrap().len()), (1, 2));
    // On its bat the cup can be lifted, however soft.
    note(&studio, "cup", 2.0, Action::Tare(150.0));
    assert_eq!(names(&listed(&studio, &["cup"])["pots"]), ["cup"]);

    let page = run(&studio, &["round", "--list"]);
    has(&page, &["board north\n  planter-2   narrows when it ", "\nboard south\n  jar-1  "]);
    assert!(page.lines().all(|line| line.chars().count() <= 80), "{page}");
}

#[test]
fn a_pot_that_was_weighed_a_moment_ago_is_not_asked_for() {
    let studio = shelf();
    weigh(&studio, "planter-2", 0.01, 1043.0);
    let all = listed(&studio, &[]);
    assert!(!names(&all["pots"]).contains(&"planter-2"), "{all}");
    assert!(all["not_needed"].as_array().unwrap().contains(&"planter-2".into()), "{all}");
}

#[test]
fn typed_and_scanned_weights_go_to_their_pots() {
    let studio = shelf();
    // The pot that is asked for; one that a reader scanned in capitals, with its own line ends; a
    // name and a weight at once; slips.
    let lines = "1,043\n1043\nJAR-1\r\n540.5\r\nplnater-10 1234\nplanter-10 1.234 kg\nwhat\ndone\n";
    let said = typed(&studio, &[], lines);
    assert_eq!(weights(&studio, "planter-2"), [1092.0, 1043.0], "{said}");
    assert_eq!(weights(&studio, "jar-1"), [592.0, 540.5], "{said}");
    assert_eq!(weights(&studio, "planter-10"), [1290.0, 1234.0], "{said}");
    has(
        &said,
        &[
            "Left out, too soft to be lifted: cup (firm enough by ",
            "Next: planter-2 on north: narrows when it ",
            "\"1,043\" has a comma",
            "Noted: planter-2 weighs 1043 g, today ",
            "(just now), 49 g less than ",
            " of water left, ",
            "there is no pot \"plnater-10 1234\"",
            "That was the last one.",
            "Weighed 3 pots: planter-2, jar-1 and planter-10.\n",
        ],
    );
}

#[test]
fn the_last_is_taken_back_and_what_is_skipped_waits_again() {
    let studio = shelf();
    let said = typed(&studio, &[], "1043\nundo\nskip\n1234\nundo\nundo\nundo\n1044\n");
    assert_eq!(weights(&studio, "planter-2"), [1092.0, 1044.0], "{said}");
    assert_eq!(weights(&studio, "planter-10"), [1290.0], "{said}");
    has(
        &said,
        &[
            "Taken back: planter-2 weighs 1043 g.",
            "Taken back: planter-10 weighs 1234 g.",
            "planter-2 waits again.",
            "Nothing was weighed or skipped so far.",
            // The end of the input ends it.
            "Weighed 1 pot: planter-2. Not weighed: planter-10 and jar-1.",
        ],
    );
}

#[test]
fn a_weight_that_does_not_look_like_the_pots_own_is_asked_about() {
    let studio = shelf();
    // Planter-10 in planter-2's place, told by its name.
    let said = typed(&studio, &[], "1235\nplanter-10\n");
    has(&said, &["1235 g? planter-2 ought to weigh ", "Whose is it: planter-2 or planter-10?"]);
    assert_eq!(weights(&studio, "planter-2"), [1092.0]);
    assert_eq!(weights(&studio, "planter-10"), [1290.0, 1235.0]);
    // Its bat forgotten: left out, with the command that would note it.
    let said = typed(&studio, &["planter-2"], "843\nno\n");
    has(&said, &["it would be right without what its tare counts", "Not noted: 843 g."]);
    has(&said, &[" weigh planter-2 843g --at \""]);
    assert_eq!(weights(&studio, "planter-2"), [1092.0]);
    // Trimmed, and nobody wrote that down: the potter says that it is right.
    let said = typed(&studio, &["jar-1"], "400\nyes\n");
    has(
        &said,
        &["Was it trimmed, or is something else on the scale?", "Noted: jar-1 weighs 400 g"],
    );
    assert_eq!(weights(&studio, "jar-1"), [592.0, 400.0]);
    // A slip of the finger, typed again.
    let said = typed(&studio, &["planter-2"], "10430\n1043\n");
    has(&said, &["10430 g? planter-2 ought to weigh", "Noted: planter-2 weighs 1043 g"]);
    assert_eq!(weights(&studio, "planter-2"), [1092.0, 1043.0]);
    // The end comes before the answer.
    let said = typed(&studio, &[], "planter-10 12340\n");
    has(&said, &["Not noted: 12340 g.", "weigh planter-10 12340g", "Nothing was weighed."]);
}

#[test]
fn what_cannot_be_a_weight_of_the_pot_is_refused_and_the_round_goes_on() {
    let studio = shelf();
    let said = typed(&studio, &["planter-2"], "-3\n1e9\n150\nold\nold 480\n\n1043\n");
    has(
        &said,
        &[
            "-3 g is not the weight of a pot",
            "\"1e9\" is not a weight",
            "150 g is not more than what stands on the scale with planter-2 by its tare, 200 g",
            "by the log old is in the kiln",
            "Not noted: 480 g.",
            "Weighed 1 pot: planter-2.",
        ],
    );
    assert_eq!(weights(&studio, "planter-2"), [1092.0, 1043.0]);
    assert_eq!(weights(&studio, "old"), [] as [f64; 0]);
}

#[test]
fn where_nothing_needs_it_any_pot_is_taken_all_the_same() {
    let studio = Studio::new();
    add(&studio, &[Thrown("jar", 30.0, 600.0, None, None)]);
    weigh(&studio, "jar", 29.8, 592.0);
    weigh(&studio, "jar", 0.02, 520.0);
    let said = typed(&studio, &[], "519.8\njar\n");
    has(
        &said,
        &["No pot needs to be weighed now", "519.8 g: of which pot?", "Weighed 1 pot: jar."],
    );
    assert_eq!(weights(&studio, "jar"), [592.0, 520.0, 519.8]);
    let wrong = command(&studio, &["round", "teapot"]).output().unwrap();
    assert_eq!(wrong.status.code(), Some(2));
}

/// A running round, with all that it says.
struct Walk {
    child: Child,
    lines: ChildStdin,
    said: Arc<Mutex<String>>,
}

impl Walk {
    fn start(studio: &Studio, args: &[&str]) -> Walk {
        let mut child = start(studio, args);
        let said = Arc::new(Mutex::new(String::new()));
        let ends: [Box<dyn Read + Send>; 2] =
            [Box::new(child.stdout.take().unwrap()), Box::new(child.stderr.take().unwrap())];
        for end in ends {
            let said = said.clone();
            thread::spawn(move || {
                for line in BufReader::new(end).lines().map_while(Result::ok) {
                    *said.lock().unwrap() += &(line + "\n");
                }
            });
        }
        Walk { lines: child.stdin.take().unwrap(), child, said }
    }

    fn said(&self) -> String {
        self.said.lock().unwrap().clone()
    }

    #[track_caller]
    fn until(&self, words: &str) {
        eventually(words, || self.said().contains(words));
    }

    /// Waits until it ends by itself.
    fn end(mut self) -> String {
        let status = self.child.wait().unwrap();
        assert_eq!(status.code(), Some(0), "{}", self.said());
        self.until("eighed");
        self.said()
    }
}

impl Drop for Walk {
    fn drop(&mut self) {
        let _ = self.child.kill();
    }
}

const SCALE: &str = "format = \"text\"\npattern = '(?P<mass>[+-]?[0-9.]+) *(?P<unit>g)'\n";

#[test]
fn settled_weights_come_from_a_scale_and_ctrl_c_ends_it() {
    let studio = shelf();
    let mut device = Device::new();
    let links = tempfile::tempdir().unwrap();
    let link = links.path().join("scale");
    device.plug(&link);
    studio.settings(&format!("[[port]]\npath = {link:?}\nsource = \"scale\"\n{SCALE}"));
    let mut walk = Walk::start(&studio, &[]);
    walk.until("Next: planter-2");
    // A scale that prints at its key: one line a pot.
    device.send("+1043.0 g\r\n");
    walk.until("Noted: planter-2 weighs 1043 g");
    walk.until("Next: planter-10");
    // Another one than asked for, with its name scanned first.
    walk.lines.write_all(b"jar-1\n").unwrap();
    walk.until("Next: jar-1");
    device.send("+540.5 g\r\n");
    walk.until("Noted: jar-1 weighs 540.5 g");
    // What is no weight is passed over; then it is pulled out, and a weight typed.
    device.send("##~garbage\r\n");
    drop(device);
    walk.until("was unplugged. Until it is back, type the weights");
    walk.lines.write_all(b"1234\n").unwrap();
    walk.until("Noted: planter-10 weighs 1234 g");
    let mut again = Device::new();
    again.plug(&link);
    walk.until("The scale is back.");
    walk.lines.write_all(b"undo\n").unwrap();
    walk.until("Taken back: planter-10 weighs 1234 g");
    again.send("+1234.5 g\r\n");
    walk.until("Noted: planter-10 weighs 1234.5 g");
    kill_process(Pid::from_raw(walk.child.id() as i32).unwrap(), Signal::INT).unwrap();
    has(&walk.end(), &["Weighed 3 pots: planter-2, jar-1 and planter-10."]);
    let by_scale: Vec<f64> = studio.values("scale");
    assert_eq!(by_scale, [1043.0, 540.5, 1234.5]);
    assert_eq!(weights(&studio, "planter-10"), [1290.0, 1234.5]);
}

#[test]
fn a_scale_that_sends_all_the_time_is_waited_out() {
    let studio = shelf();
    let mut device = Device::new();
    studio.settings(&format!("[[port]]\npath = {:?}\nsource = \"bench\"\n{SCALE}", device.path));
    let walk = Walk::start(&studio, &["planter-2", "planter-10"]);
    walk.until("Next: planter-2");
    // Put down, at rest, lifted, and the next one: ten lines a second.
    let mut send = |from: f64, to: f64, lines: u32| {
        for i in 0..lines {
            let grams = from + (to - from) * f64::from(i) / f64::from(lines);
            device.send(format!("{grams:.1} g\r\n"));
            thread::sleep(std::time::Duration::from_millis(100));
        }
    };
    send(0.0, 0.0, 5);
    send(0.0, 1043.0, 8);
    send(1043.0, 1043.0, 25);
    send(1043.0, 0.0, 5);
    send(0.0, 0.0, 15);
    send(0.0, 1234.0, 8);
    send(1234.0, 1234.0, 25);
    walk.until("Noted: planter-10 weighs 1234 g");
    assert_eq!(weights(&studio, "planter-2"), [1092.0, 1043.0], "{}", walk.said());
    assert_eq!(weights(&studio, "planter-10"), [1290.0, 1234.0], "{}", walk.said());
}

#[test]
fn while_watch_has_the_port_what_it_stores_is_followed() {
    let studio = shelf();
    let mut device = Device::new();
    studio.settings(&format!("[[port]]\npath = {:?}\nsource = \"bench\"\n{SCALE}", device.path));
    let watch = Watch::start(&studio, &[]);
    watch.until("ready", 1);
    let walk = Walk::start(&studio, &[]);
    walk.until("what it stores of bench is followed");
    walk.until("Next: planter-2");
    device.send("+1043.0 g\r\n");
    walk.until("Noted: planter-2 weighs 1043 g");
    assert_eq!(weights(&studio, "planter-2"), [1092.0, 1043.0]);
}

#[test]
fn a_port_that_is_not_there_is_said() {
    let studio = shelf();
    let missing = command(&studio, &["round", "--port", "/dev/nowhere"]).output().unwrap();
    assert_eq!(missing.status.code(), Some(2));
    has(&String::from_utf8_lossy(&missing.stderr), &["/dev/nowhere: no such port"]);
    // The one of the settings may be plugged in another day: the weights are typed.
    studio.settings(&format!("[[port]]\npath = \"/dev/nowhere\"\nsource = \"bench\"\n{SCALE}"));
    let said = typed(&studio, &[], "1043\n");
    has(&said, &["/dev/nowhere: no such port", "Noted: planter-2 weighs 1043 g"]);
}
