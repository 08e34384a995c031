//! Pages of the diary: HTML by the parser of browsers' rules (html5ever, the parsing algorithm of
//! the HTML standard, 13.2), Markdown by a reader of CommonMark (pulldown-cmark), numbers against
//! those of `report --json` and `scorecard --json`.
//!
//! The studio is the demo's, made up. Simulated: says nothing about real pots.

use assert_cmd::Command;
use pulldown_cmark::{Event, Options, Parser, Tag};
use scraper::{ElementRef, Html, Selector};
use serde_json::Value;
use std::fs;
use tempfile::TempDir;
use warecast::records::{Action, Body, HandlingRow, Outcome, Pot, Quantity, Reading};
use warecast::simulate::scenario::{self, SHELF};
use warecast::simulate::shelf::{Reporting, Shelf};
use warecast::store::{Clash, Store};
use warecast::units::{DAY, HOUR, Time, span};

const BEGINS: f64 = 1_932_796_800.0;

struct Bench {
    folder: TempDir,
    end: Time,
}

impl Bench {
    /// Five days of the demo's studio.
    fn played() -> Bench {
        let mut scenario = scenario::demo(1);
        scenario.length = f64::INFINITY;
        let folder = tempfile::tempdir().unwrap();
        let mut store = Store::open_or_create(&folder.path().join("studio")).unwrap();
        store.put_bodies(&scenario.bodies, Clash::Refuse).unwrap();
        let start = Time::from_seconds(BEGINS);
        let mut shelf = Shelf::new(scenario, 1, start, Reporting::default());
        let (mut readings, mut end) = (Vec::new(), start);
        while shelf.elapsed() < 5.0 * DAY {
            let moment = shelf.advance().unwrap();
            readings.extend(moment.sample.readings(SHELF));
            readings.extend(moment.bench);
            store.put_pots(&moment.made, Clash::Refuse).unwrap();
            store.put_handling(&moment.done, Clash::Refuse).unwrap();
            end = moment.time;
        }
        store.append(&readings, Clash::Refuse).unwrap();
        Bench { folder, end }
    }

    /// One pot of one body, of which nothing else is known, and what was done to it (h).
    fn with_pot(body: &str, pot: &str, done: &[(f64, Action)]) -> Bench {
        let bench = Bench {
            folder: tempfile::tempdir().unwrap(),
            end: Time::from_seconds(BEGINS).plus(40.0 * DAY),
        };
        let mut store = Store::open_or_create(&bench.folder.path().join("studio")).unwrap();
        let made = Time::from_seconds(BEGINS);
        let known =
            Body { name: body.into(), bag_water_wet: None, trim_from_dry: None, trim_to_dry: None };
        store.put_bodies(&[known], Clash::Refuse).unwrap();
        store.put_pots(&[Pot::bare(pot, body, made)], Clash::Refuse).unwrap();
        bench.note(pot, done);
        bench
    }

    fn note(&self, pot: &str, done: &[(f64, Action)]) {
        let row = |(hours, action): &(f64, Action)| HandlingRow {
            time: Time::from_seconds(BEGINS).plus(hours * HOUR),
            pot: pot.into(),
            action: action.clone(),
        };
        let rows: Vec<HandlingRow> = done.iter().map(row).collect();
        let mut store = Store::open(&self.folder.path().join("studio")).unwrap();
        store.put_handling(&rows, Clash::Refuse).unwrap();
    }

    fn command(&self, args: &[&str]) -> Command {
        let mut command = Command::cargo_bin("warecast").unwrap();
        command.env_remove("WARECAST_STUDIO").env_remove("NO_COLOR").env("TZ", "UTC");
        command.current_dir(self.folder.path()).args(["--studio", "studio"]).args(args);
        command
    }

    fn json(&self, args: &[&str]) -> Value {
        let run = self.command(args).assert().success();
        serde_json::from_slice(&run.get_output().stdout).unwrap()
    }

    /// The page that a command writes, as of the end of all.
    fn page(&self, args: &[&str], file: &str) -> String {
        let at = self.end.to_string();
        let args = [&["diary"], args, &["-o", file, "--at", &at, "--force"]].concat();
        self.command(&args).assert().success();
        fs::read_to_string(self.folder.path().join(file)).unwrap()
    }

    fn html(&self, args: &[&str]) -> Html {
        sound(&self.page(args, "page.html"))
    }
}

fn css(selector: &str) -> Selector {
    Selector::parse(selector).unwrap()
}

fn text(element: ElementRef) -> String {
    element.text().collect()
}

fn texts(page: &Html, selector: &str) -> Vec<String> {
    page.select(&css(selector)).map(text).collect()
}

/// Parsed without a complaint, in no quirks, whole in itself, and fit for those who do not see it.
fn sound(page: &str) -> Html {
    let html = Html::parse_document(page);
    assert_eq!(html.errors, Vec::<String>::new());
    assert_eq!(format!("{:?}", html.quirks_mode), "NoQuirks");
    let only = |selector: &str| -> usize { html.select(&css(selector)).count() };
    for active in ["script", "link", "a", "img", "iframe", "object", "embed", "form", "base", "use"]
    {
        assert_eq!(only(active), 0, "{active}");
    }
    for from_elsewhere in ["[href]", "[src]", "[onload]", "[onclick]", "[style*=url]"] {
        assert_eq!(only(from_elsewhere), 0, "{from_elsewhere}");
    }
    assert!(!texts(&html, "style").concat().contains("url("));
    assert_eq!((only("html[lang=en]"), only("h1"), only("head > title")), (1, 1, 1));
    assert_eq!((only("style"), only("head > meta[charset=utf-8]")), (1, 1));
    let heads: Vec<&str> =
        html.select(&css("h1, h2, h3")).map(|head| head.value().name()).collect();
    assert!(heads[0] == "h1" && heads[1..].iter().all(|head| *head == "h2"), "{heads:?}");
    for svg in html.select(&css("svg")) {
        assert_eq!(svg.value().attr("role"), Some("img"));
        let title: Vec<String> = svg.select(&css("title")).map(text).collect();
        assert!(title.len() == 1 && title[0].len() > 20, "{title:?}");
        // The picture keeps its shape at any width.
        assert!(svg.value().attr("viewBox").is_some());
    }
    assert_eq!(only("figure > figcaption"), only("svg"));
    for table in html.select(&css("table")) {
        let heads = table.select(&css("thead th[scope=col]")).count();
        for row in table.select(&css("tbody tr")) {
            assert_eq!(row.child_elements().count(), heads);
            assert_eq!(row.child_elements().next().unwrap().value().attr("scope"), Some("row"));
        }
    }
    html
}

/// What is said of a thing.
fn fact(page: &Html, what: &str) -> String {
    let found = page
        .select(&css("dl > div"))
        .find(|div| div.select(&css("dt")).next().is_some_and(|dt| text(dt) == what));
    let said = found.unwrap_or_else(|| panic!("nothing is said of {what}"));
    text(said.select(&css("dd")).next().unwrap())
}

/// The rows of the table under a caption that begins so.
fn rows(page: &Html, caption: &str) -> Vec<Vec<String>> {
    let of = |table: &ElementRef| texts_of(*table, "caption")[0].starts_with(caption);
    let Some(table) = page.select(&css("table")).find(of) else { return Vec::new() };
    table.select(&css("tbody tr")).map(|row| texts_of(row, "th, td")).collect()
}

fn texts_of(element: ElementRef, selector: &str) -> Vec<String> {
    element.select(&css(selector)).map(text).collect()
}

/// A time as it stands on a page.
fn told(time: &Value) -> String {
    let time = Time::parse_rfc3339(time.as_str().unwrap()).unwrap();
    jiff::tz::TimeZone::UTC.to_datetime(time.timestamp()).strftime("%a %-d %b %H:%M").to_string()
}

/// Three quantiles in percent, by hand.
fn percents(q: &Value) -> String {
    let decimals = usize::from(100.0 * q["p90"].as_f64().unwrap() < 9.95);
    let [low, middle, high] =
        ["p10", "p50", "p90"].map(|p| format!("{:.decimals$}", 100.0 * q[p].as_f64().unwrap()));
    format!("{middle}% ({low}–{high})")
}

/// Its numbers are those that other commands tell programs.
#[test]
fn a_page_says_what_json_says() {
    let bench = Bench::played();
    let (at, pot) = (bench.end.to_string(), "saucer-1");
    let card = bench.json(&["scorecard", "--json", "--at", &at]);
    let page = bench.html(&[pot]);
    assert_eq!(texts(&page, "h1"), [pot]);
    let of_pot = |f: &&Value| f["pot"] == pot;
    let mut counted = 0;
    for (event, caption) in
        [("opens", "Trimming opens"), ("closes", "Trimming closes"), ("bone-dry", "Bone-dry")]
    {
        let forecasts = card["forecasts"].as_array().unwrap().iter().filter(of_pot);
        let forecasts: Vec<&Value> = forecasts.filter(|f| f["event"] == event).collect();
        let rows = rows(&page, caption);
        let scored =
            |row: &&Vec<String>| row[2].starts_with("inside") || row[2].starts_with("outside");
        assert_eq!(rows.iter().filter(scored).count(), forecasts.len(), "{event}: {rows:#?}");
        for forecast in forecasts {
            let asked = told(&forecast["asked_at"]) + " (";
            let row = rows.iter().find(|row| row[0].starts_with(&asked)).unwrap();
            let inside = if forecast["inside"] == true { "inside" } else { "outside" };
            let error = forecast["error_h"].as_f64().unwrap();
            let way = if error < 0.0 { "later" } else { "sooner" };
            let came = format!("{inside}; came {} {way} than its middle", span(error.abs() * HOUR));
            assert_eq!(row[2], came);
            counted += 1;
        }
    }
    assert!(counted >= 4, "{counted}");
    // As it stands now, to the digits that are told.
    let report = bench.json(&["report", "--json", "--at", &at]);
    let answers = report["pots"].as_array().unwrap();
    let answer = answers.iter().find(|answer| answer["pot"] == pot).unwrap();
    let water = format!("{} of the dry clay", percents(&answer["water"]["now"]));
    assert_eq!(fact(&page, "Water"), water);
    // What was found in the weights stands in the log, and is told from what was noted.
    let drying = answers.iter().find(|answer| answer["found"].is_array());
    if let Some(answer) = drying {
        let page = bench.html(&[answer["pot"].as_str().unwrap()]);
        let found =
            rows(&page, "By the clock").into_iter().filter(|row| row[2].starts_with("found"));
        assert_eq!(found.count(), answer["found"].as_array().unwrap().len());
    }
    the_page_of_a_body(&bench, &card);
    the_same_in_markdown(&bench, pot, &page);
}

fn the_page_of_a_body(bench: &Bench, card: &Value) {
    let body = "dune-grog";
    let page = bench.html(&["--body", body]);
    assert_eq!(texts(&page, "h1"), [body]);
    let pots = rows(&page, "Oldest first");
    let report = bench.json(&["report", "--json", "--at", &bench.end.to_string()]);
    let of_body = report["pots"].as_array().unwrap().iter().filter(|pot| pot["body"] == body);
    assert_eq!(pots.len(), of_body.count());
    let forecasts = card["forecasts"].as_array().unwrap();
    for row in &pots {
        let of: Vec<&Value> = forecasts.iter().filter(|f| f["pot"] == row[0].as_str()).collect();
        let inside = of.iter().filter(|f| f["inside"] == true).count();
        let said = format!("{inside} of {} inside, ", of.len());
        assert!(
            if of.is_empty() { row[7].is_empty() } else { row[7].starts_with(&said) },
            "{row:?}"
        );
    }
    // Each pot that was weighed has its curve, with its letter and name beside it.
    let svg = page.select(&css("figure svg")).find(|svg| {
        svg.select(&css("title")).any(|title| text(title).starts_with("How the water of"))
    });
    let words = texts_of(svg.unwrap(), "text").concat();
    for row in pots.iter().filter(|row| !row[1].is_empty()) {
        assert!(words.contains(&row[0]), "{row:?}");
    }
    assert!(pots.iter().filter(|row| !row[1].is_empty()).count() >= 3);
    let learnt = rows(&page, "Of this body");
    let shown = bench.command(&["body", "show", body, "--at", &bench.end.to_string()]);
    let shown = String::from_utf8(shown.unwrap_output()).unwrap();
    for row in learnt {
        assert!(shown.contains(&row[1]) && shown.contains(&row[2]), "{row:?}\n{shown}");
    }
}

trait Output {
    fn unwrap_output(self) -> Vec<u8>;
}

impl Output for Command {
    fn unwrap_output(mut self) -> Vec<u8> {
        self.assert().success().get_output().stdout.clone()
    }
}

/// Two writings of one page: the same words in the same tables.
fn the_same_in_markdown(bench: &Bench, pot: &str, html: &Html) {
    let text = bench.page(&[pot], "page.md");
    let reader = || Parser::new_ext(&text, Options::ENABLE_TABLES);
    let mut cells = vec![String::new()];
    let mut pictures = Vec::new();
    for event in reader() {
        match event {
            Event::Start(Tag::TableCell) => cells.push(String::new()),
            Event::Start(Tag::Image { dest_url, .. }) => pictures.push(dest_url.to_string()),
            Event::Text(words) => *cells.last_mut().unwrap() += &words,
            Event::End(pulldown_cmark::TagEnd::TableCell) => cells.push(String::new()),
            Event::Html(_) | Event::InlineHtml(_) | Event::Start(Tag::Link { .. }) => {
                panic!("{event:?}")
            }
            _ => {}
        }
    }
    for cell in texts(html, "th, td").iter().filter(|cell| !cell.is_empty()) {
        assert!(cells.contains(cell), "{cell}");
    }
    assert_eq!(pictures, ["page-drying.svg", "page-forecasts.svg"]);
    for picture in pictures {
        let svg = fs::read_to_string(bench.folder.path().join(picture)).unwrap();
        roxmltree::Document::parse(&svg).unwrap();
    }
}

/// Names are words, whatever is in them.
#[test]
fn names_stay_words() {
    let (body, pot) = ("<b>&amp;|*clay*", "<script>x & \"y\" 'z' [a](b) `c` | # <");
    let reason = "</td><img src=x onerror=alert(1)> | **no**";
    let done = [(1.0, Action::Length(100.0)), (9.0, Action::Lost(Some(reason.into())))];
    let bench = Bench::with_pot(body, pot, &done);
    let page = bench.html(&[pot]);
    assert_eq!(texts(&page, "h1, head > title"), [pot, pot]);
    assert!(texts(&page, "p")[0].starts_with(&format!("A pot of {body}, made ")));
    assert!(fact(&page, "In drying").starts_with(&format!("lost ({reason})")));
    assert!(texts(&page, "svg > title")[0].contains(pot));
    let log = rows(&page, "By the clock");
    assert!(log.iter().any(|row| row[1] == format!("lost {reason}")), "{log:?}");
    assert_eq!(texts(&bench.html(&["--body", body]), "h1"), [body]);
    let mut words = String::new();
    for event in Parser::new_ext(
        &bench.page(&[pot], "p.md"),
        Options::all() - Options::ENABLE_SMART_PUNCTUATION,
    ) {
        match event {
            Event::Text(text) => words += &text,
            Event::Html(_)
            | Event::InlineHtml(_)
            | Event::Code(_)
            | Event::Start(Tag::Link { .. }) => {
                panic!("{event:?}")
            }
            _ => {}
        }
    }
    assert!(words.contains(pot) && words.contains(body), "{words}");
    assert!(words.contains(&format!("lost ({reason})")), "{words}");
}

fn weighed(bench: &Bench, pot: &str, weights: &[(f64, f64)]) {
    let mut store = Store::open(&bench.folder.path().join("studio")).unwrap();
    let made = Time::from_seconds(BEGINS);
    let reading = |(hours, value): &(f64, f64)| Reading {
        time: made.plus(hours * HOUR),
        source: "bench".into(),
        quantity: Quantity::Mass,
        value: *value,
        pot: Some(pot.into()),
        count: None,
        spread: None,
    };
    let readings: Vec<Reading> = weights.iter().map(reading).collect();
    store.append(&readings, Clash::Refuse).unwrap();
}

/// Each has a page that says what is known, and no more.
#[test]
fn any_pot_has_its_page() {
    let never = Bench::with_pot("clay", "jar", &[]);
    let page = never.html(&["jar"]);
    assert_eq!(fact(&page, "Weighed"), "not yet");
    let said = fact(&page, "In drying");
    assert!(
        said.starts_with("nothing noted; ") && said.ends_with("without a weight of it"),
        "{said}"
    );
    assert_eq!(fact(&page, "First firing"), "not yet");
    assert!(fact(&page, "Body").contains("bag water not known; trimming band not known"));
    let said = texts(&page, "p").concat();
    assert!(said.contains("It was not weighed for long enough"), "{said}");
    assert!(said.contains("The kiln maker's instructions and local codes come first."), "{said}");
    let body = never.html(&["--body", "clay"]);
    assert!(texts(&body, "p").concat().contains("No pot of it has finished yet"));
    assert_eq!(rows(&body, "Oldest first")[0][3], "drying, not weighed");

    let drying = Bench::with_pot("clay", "jar", &[(8.0, Action::Trim)]);
    weighed(&drying, "jar", &[(0.2, 800.0), (3.5, 780.0), (7.0, 760.0), (9.0, 690.0)]);
    let page = drying.html(&["jar"]);
    assert!(fact(&page, "Weighed").starts_with("4 times, first "));
    assert!(fact(&page, "In drying").ends_with(" by its weights"));
    assert!(
        texts(&page, "caption").iter().any(|c| c.contains("to be known once it is weighed dry"))
    );
    let log = rows(&page, "By the clock");
    assert_eq!(log.iter().filter(|row| row[1].starts_with("weighed ")).count(), 4, "{log:?}");

    // By the formulas of ASTM C326: 102 mm wet, 95.625 mm dry are 6.25 %.
    let fired = [
        (1.0, Action::Length(102.0)),
        (200.0, Action::Length(95.625)),
        (210.0, Action::Kiln),
        (260.0, Action::Outcome(Outcome::CrackedDrying)),
        (280.0, Action::Length(91.8)),
        (300.0, Action::Kiln),
        (340.0, Action::Outcome(Outcome::Sound)),
        (341.0, Action::Length(89.25)),
    ];
    let fired = Bench::with_pot("clay", "jar", &fired);
    let page = fired.html(&["jar"]);
    assert!(fact(&page, "First firing").contains("cracked while drying ("));
    assert!(fact(&page, "After that").contains("sound ("));
    let said = texts(&page, "dd, p").concat();
    assert!(said.contains("6.2% (18%") || said.contains("6.3% (18%"), "{said}");
    assert!(said.contains("12% (33%") || said.contains("13% (33%"), "{said}");
    let row = &rows(&fired.html(&["--body", "clay"]), "Oldest first")[0];
    assert_eq!(row[3], "packed, cracked while drying, packed, sound");
    assert!(row[6].starts_with("dry 6.") && row[6].contains(", in all 1"), "{row:?}");
}

/// What is forecast now stands below what was forecast then, and is marked as open; of what has
/// passed, and of what is packed, nothing is open.
#[test]
fn what_is_forecast_now_is_open() {
    let mut bench = Bench::with_pot("clay", "jar", &[]);
    weighed(&bench, "jar", &[(0.2, 800.0), (3.5, 788.0), (7.0, 776.0), (9.0, 769.0)]);
    bench.end = Time::from_seconds(BEGINS).plus(9.5 * HOUR);
    let report = bench.json(&["report", "--json", "--at", &bench.end.to_string()]);
    let answer = &report["pots"][0];
    let to_come = |time: &Value| {
        let middle = Time::parse_rfc3339(time["p50"].as_str().unwrap()).unwrap();
        assert!(middle > bench.end, "{answer}");
    };
    to_come(&answer["trim"]["opens"]);
    to_come(&answer["fire"]["bone_dry"]);
    let page = bench.html(&["jar"]);
    for caption in ["Trimming opens", "Trimming closes", "Bone-dry"] {
        let rows = rows(&page, caption);
        let (now, then) = rows.split_last().unwrap();
        assert_eq!((now[2].as_str(), now[0].ends_with("(10 h old)")), ("open", true), "{rows:?}");
        assert!(then.len() >= 2 && then.iter().all(|row| row[2] == "not known"), "{rows:?}");
    }
    // The same as how it stands.
    let stands = fact(&page, "Trimming");
    let [opens, closes] = ["opens", "closes"]
        .map(|event| rows(&page, &format!("Trimming {event}")).last().unwrap()[1].clone());
    assert_eq!(stands, format!("opens {opens}; closes {closes}"));
    assert_eq!(rows(&page, "Bone-dry").last().unwrap()[1], fact(&page, "Dry"));
    let svg: Vec<String> = texts(&page, "figure svg text");
    assert!(svg.iter().any(|words| words.trim() == "as of now, open"), "{svg:?}");

    bench.note("jar", &[(9.1, Action::Lost(None))]);
    let lost = bench.html(&["jar"]);
    assert!(texts(&lost, "td").iter().all(|cell| cell != "open"));
}

/// Of dozens of pots all are counted, and the newest stand in the table.
#[test]
fn dozens_of_pots_are_counted() {
    let bench = Bench::with_pot("clay", "jar-0", &[(200.0, Action::Kiln)]);
    let mut store = Store::open(&bench.folder.path().join("studio")).unwrap();
    let pots: Vec<Pot> = (1..30)
        .map(|i| {
            let made = Time::from_seconds(BEGINS).plus(f64::from(i) * HOUR);
            Pot::bare(&format!("jar-{i}"), "clay", made)
        })
        .collect();
    store.put_pots(&pots, Clash::Refuse).unwrap();
    for i in 1..8 {
        bench.note(&format!("jar-{i}"), &[(99.0, Action::Lost(Some("dropped".into())))]);
    }
    let page = bench.html(&["--body", "clay"]);
    let listed: Vec<String> =
        rows(&page, "The newest 24, oldest first").into_iter().map(|row| row[0].clone()).collect();
    assert_eq!(listed, (6..30).map(|i| format!("jar-{i}")).collect::<Vec<_>>());
    let said = texts(&page, "p").concat();
    let counted = "What became of all 30: 22 drying, not weighed; 7 lost; 1 packed.";
    assert!(said.contains(counted), "{said}");
    assert!(said.contains("6 older ones are in the count alone"), "{said}");
}

/// Nobody's file is written over, and what cannot be written is said before anything is.
#[test]
fn files_are_nobody_elses() {
    let bench = Bench::with_pot("clay", "jar 1", &[]);
    weighed(&bench, "jar 1", &[(0.2, 800.0)]);
    let at = bench.end.to_string();
    let refused = |args: &[&str], why: &str| {
        let run = bench.command(&[&["diary", "--at", &at], args].concat()).assert().code(2);
        let said = String::from_utf8(run.get_output().stderr.clone()).unwrap();
        assert!(said.contains(why), "{said}");
    };
    let exists = |name: &str| bench.folder.path().join(name).exists();
    bench.command(&["diary", "jar 1", "--at", &at]).assert().success().stdout("wrote jar-1.html\n");
    refused(
        &["jar 1"],
        "jar-1.html exists: take another name with -o, or overwrite it with --force",
    );
    refused(&["jar 1", "-o", "jar.txt"], "jar.txt: the name of a page ends in .html or .md");
    refused(&["jar 2"], "there is no pot \"jar 2\": did you mean \"jar 1\"?");
    refused(&["--body", "clya"], "there is no body \"clya\": did you mean \"clay\"?");
    refused(&["jar 1", "--body", "clay"], "cannot be used with");
    refused(&[], "required arguments were not provided");
    refused(&["jar 1", "-o", "nowhere/jar.html"], "nowhere/jar.html cannot be written");
    // Of a page with pictures all are looked at before one is written.
    fs::write(bench.folder.path().join("a b-drying.svg"), "mine").unwrap();
    refused(&["jar 1", "-o", "a b.md"], "a b-drying.svg exists");
    assert!(!exists("a b.md"));
    bench.command(&["diary", "jar 1", "--at", &at, "-o", "a b.md", "--force"]).assert().success();
    let page = fs::read_to_string(bench.folder.path().join("a b.md")).unwrap();
    assert!(page.contains("](a%20b-drying.svg)"), "{page}");
    assert!(exists("a b.md") && !exists("a b-forecasts.svg"));
}
