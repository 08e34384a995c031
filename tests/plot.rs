//! Pictures: well-formed whatever a pot is called, without fonts of the machine, never over
//! somebody's file.
//!
//! The pot is invented: it loses 0.03 of its water content per hour while wet, then falls off
//! towards 0.02; trimmed after 14 h.

use std::fs;
use std::path::Path;
use warecast::core::learnt::{Fact, Learnt};
use warecast::core::report::*;
use warecast::core::verdict::{FuzzyBand, Limit};
use warecast::plot::{self, Look, PlotError};
use warecast::records::Cover;
use warecast::units::Time;

const MADE: &str = "2031-04-02T07:10:00Z";

fn at(hours: f64) -> Time {
    Time::parse_rfc3339(MADE).unwrap().plus(3600.0 * hours)
}

fn water(hours: f64) -> f64 {
    let wet = 0.28 - 0.0105 * hours;
    let turn: f64 = 12.0;
    if hours < turn { wet } else { 0.02 + 0.134 * (-(hours - turn) * 0.0105 / 0.134).exp() }
}

fn clay(hours: f64) -> f64 {
    if hours < 9.5 { 402.0 } else { 355.0 }
}

fn spread(middle: f64, by: f64) -> Quantiles {
    Quantiles { p10: middle - by, p50: middle, p90: middle + 1.2 * by }
}

fn when(low: f64, middle: f64, high: f64) -> TimeQuantiles {
    TimeQuantiles { p10: Some(at(low)), p50: Some(at(middle)), p90: Some(at(high)) }
}

/// What is said about the pot `now` hours after it was made.
fn sample(name: &str, now: f64) -> PotAnswer {
    let wobble = |i: usize| 0.5 * ((i * 7919 % 101) as f64 / 50.0 - 1.0);
    let weighings = (0..(now * 6.0) as usize)
        .map(|i| (i as f64 / 6.0, i))
        .map(|(h, i)| (at(h), clay(h) * (1.0 + water(h)) + wobble(i), true))
        .chain([(at(4.03), 486.0, false), (at(9.4), 492.0, false), (at(9.6), 421.0, false)])
        .collect();
    let steps: Vec<f64> = (0..=440).map(|i| f64::from(i) / 4.0).collect();
    let doubt = |h: f64| 0.002 + 0.0012 * (h - now).clamp(0.0, 30.0);
    let mass =
        steps.iter().map(|h| (at(*h), spread(clay(*h) * (1.0 + water(*h)), clay(*h) * doubt(*h))));
    PotAnswer {
        pot: name.into(),
        body: "smooth-stone".into(),
        made_at: at(0.0),
        cover: Cover::Open,
        stage: Stage::LeatherHard,
        water: Water {
            now: spread(water(now), 0.011),
            free: spread(water(now) - 0.02, 0.011),
            wall: None,
            base: None,
        },
        dry_mass_g: spread(clay(now), 4.4),
        trim: Trim {
            call: TrimCall::Now,
            probability_now: 0.91,
            opens: when(4.4, 4.8, 5.3),
            closes: when(10.6, 11.4, 12.8),
            foot_opens: None,
        },
        fire: Fire {
            call: FireCall::Wait,
            probability_bone_dry: 0.0,
            bone_dry: when(46.0, 57.0, 79.0),
            constant_mass: ConstantMass { met: None, weighings: 1, change: None },
        },
        evidence: Evidence { readings: 60, last_reading_at: Some(at(now)) },
        found: vec![Found {
            action: "trim",
            time: at(9.5),
            probability: 0.83,
            until: None,
            grams: None,
            cell: None,
        }],
        uneven: None,
        warnings: vec![Warning {
            code: "thickness-guessed",
            text: "The base's thickness is not known; a thick one dries days longer. Measure it \
                   and write it down: warecast pot …"
                .into(),
        }],
        story: Story {
            weighings,
            mass: mass.collect(),
            water: steps.iter().map(|h| (at(*h), spread(water(*h), 0.01))).collect(),
            covers: vec![
                (at(0.0), Cover::Wrapped),
                (at(1.5), Cover::Open),
                (at(16.0), Cover::Draped),
                (at(26.0), Cover::Open),
            ],
            trims: vec![at(9.5)],
            deficit: steps
                .iter()
                .map(|h| (at(*h), 1050.0 - 350.0 * ((h - 8.0) * 0.2618).cos()))
                .collect(),
            band: (0.23, 0.16),
            free_water_g: Some(spread(54.0, 6.0)),
            fit: "converged".into(),
        },
    }
}

fn look(now: f64) -> Look {
    let zone = jiff::tz::TimeZone::posix("WET0WEST,M3.5.0/1,M10.5.0").unwrap();
    Look { zone, ..Look::new(at(now)) }
}

fn texts(svg: &str) -> Vec<String> {
    let document = roxmltree::Document::parse(svg).unwrap();
    let root = document.root_element();
    assert_eq!(root.tag_name().name(), "svg");
    for node in root.descendants().filter(|n| n.is_element()) {
        let known = ["svg", "polyline", "polygon", "rect", "circle", "text"];
        assert!(known.contains(&node.tag_name().name()), "{:?}", node.tag_name());
    }
    let texts = root.descendants().filter(|n| n.has_tag_name("text"));
    texts.map(|n| n.text().unwrap_or_default().trim().to_string()).collect()
}

fn has(texts: &[String], words: &str) -> bool {
    texts.iter().any(|t| t.contains(words))
}

/// An independent parser reads what names that mean mischief leave of the file.
#[test]
fn svg_is_well_formed_whatever_a_pot_is_called() {
    for name in [
        "</text><script>alert(1)</script>",
        "a\"'&lt;<![CDATA[",
        "--> ]]> <!-- &#0; %s {0}",
        "茶碗 δοχείο ☕",
        "a\u{ffff}b\u{fffe}",
        "a\u{202e}b\u{1b}[31m",
        "",
    ] {
        let mut answer = sample(name, 10.0);
        answer.body = name.into();
        answer.warnings[0].text = name.into();
        let texts = texts(&plot::svg(&answer, &look(10.0)).unwrap());
        let legible = |c: char| !c.is_control() && c != '\u{ffff}' && c != '\u{fffe}';
        let shown: String = name.chars().map(|c| if legible(c) { c } else { '\u{fffd}' }).collect();
        assert!(has(&texts, shown.trim()), "{name:?}: {texts:?}");
    }
}

/// What the picture says, it says in words: an axis, a line, an area each carry their own.
#[test]
fn the_picture_says_what_it_shows() {
    let svg = texts(&plot::svg(&sample("jar", 10.0), &look(10.0)).unwrap());
    for words in [
        "jar",
        "smooth-stone · leather-hard · water 18% (16–19) of its dry clay",
        "trim now · still drying",
        // 17:10 UTC is 18:10 in summer time.
        "as of Wed 2 Apr 2031 18:10",
        "now 18:10",
        "mass, g",
        "without tare",
        "water, %",
        "left out of the fit (3)",
        "forecast",
        "8 of 10 cases",
        "trimming window, 23–16% water",
        "dry clay 355 g (351–360)",
        "trim, found (83%)",
        "draped, planned",
        "opened 13:00 (12:35 – 13:30), closes 19:30 (18:50 – 21:00)",
        "Fri 17:00 (Fri 06:00 – Sat 15:00)",
        "vapour pressure deficit, kPa",
        "Thu 3 Apr",
        "The base's thickness is not known",
    ] {
        assert!(has(&svg, words), "{words:?} is missing in {svg:?}");
    }
    let us = texts(&plot::svg(&sample("jar", 10.0), &Look { us: true, ..look(10.0) }).unwrap());
    assert!(has(&us, "mass, oz") && has(&us, "dry clay 12.5 oz (12.4–12.7)"), "{us:?}");
}

/// The forecast's 355 g of dry clay at the lower edge of the window, 16 %, weigh 411.8 g: there
/// the edge must lie, seen on the axis' own marks at 400 and 450 g.
#[test]
fn the_window_lies_at_its_mass() {
    let svg = plot::svg(&sample("jar", 10.0), &look(10.0)).unwrap();
    let document = roxmltree::Document::parse(&svg).unwrap();
    let elements: Vec<_> = document.descendants().filter(|n| n.is_element()).collect();
    let y_of = |words: &str| -> f64 {
        let node = elements.iter().find(|n| n.text().is_some_and(|t| t.trim() == words)).unwrap();
        node.attribute("y").unwrap().parse().unwrap()
    };
    let per_gram = (y_of("400") - y_of("450")) / 50.0;
    let expected = y_of("400") - 11.8 * per_gram;
    let window = elements.iter().find(|n| n.attribute("fill") == Some("#ECAA3C")).unwrap();
    let points = window.attribute("points").unwrap().split_whitespace();
    let ys: Vec<f64> = points.map(|p| p.split_once(',').unwrap().1.parse().unwrap()).collect();
    // Words stand a hair (4 of these units) below their mark.
    let near = |y: f64| ys.iter().copied().find(|v| (v - y).abs() < 6.0);
    let lower = near(expected).unwrap_or_else(|| panic!("no edge at {expected}: {ys:?}"));
    let upper = near(lower - 355.0 * 0.07 * per_gram);
    assert!(upper.is_some(), "no upper edge 7 % of 355 g above: {ys:?}");
    // Before the trim the pot had 402 g of dry clay: 16 % water made it 466.3 g.
    let before = near(y_of("450") - 16.3 * per_gram);
    assert!(before.is_some(), "no edge before the trim: {ys:?}");
}

/// A place in a picture, points from its left and upper edges.
type Place = (f64, f64);

/// Words where a picture puts them, and the points of its curves.
fn places(svg: &str) -> (Vec<(String, Place)>, Vec<Place>) {
    let document = roxmltree::Document::parse(svg).unwrap();
    let root = document.root_element();
    let number = |text: &str| text.parse::<f64>().unwrap();
    let fine = root.attribute("viewBox").unwrap().split(' ').map(number).nth(2).unwrap()
        / number(root.attribute("width").unwrap());
    let at = |n: &roxmltree::Node, name| number(n.attribute(name).unwrap()) / fine;
    let words = root.descendants().filter(|n| n.has_tag_name("text"));
    let words = words.map(|n| (n.text().unwrap_or("").trim().into(), (at(&n, "x"), at(&n, "y"))));
    let lines = root.descendants().filter(|n| n.has_tag_name("polyline"));
    let curves = lines.filter(|n| n.attribute("stroke") == Some("#184878"));
    let points = curves.flat_map(|n| n.attribute("points").unwrap().split_whitespace());
    let point = |p: &str| p.split_once(',').map(|(x, y)| (number(x) / fine, number(y) / fine));
    (words.collect(), points.filter_map(point).collect())
}

#[test]
fn words_lie_on_nothing_else() {
    let mut answer = sample("jar", 10.0);
    let place = |answer: &PotAnswer, start: &str| {
        let (words, curves) = places(&plot::svg(answer, &look(10.0)).unwrap());
        let its = words.into_iter().find(|(text, ..)| text.starts_with(start)).unwrap();
        (its.1.0, its.1.1, curves)
    };
    // A bar that leaves no room on either side has its words below, and keeps its diamond.
    answer.fire.bone_dry = when(12.0, 40.0, 100.0);
    let (_, strip, _) = place(&answer, "bone-dry");
    let (_, words, _) = place(&answer, "Fri 0");
    assert!(words > strip + 16.0, "{words} {strip}");
    // A window that the end of the curve lies in has its words where the curve does not lie.
    for band in [(0.23, 0.16), (0.05, 0.018), (0.08, 0.01)] {
        answer.story.band = band;
        let (left, y, curves) = place(&answer, "trimming window");
        let on = |p: &&(f64, f64)| (left..left + 150.0).contains(&p.0) && (p.1 - y).abs() < 6.0;
        assert!(!curves.is_empty());
        assert_eq!(curves.iter().find(on), None, "{band:?}: {left} {y}");
    }
}

/// Pixels of a name that only the compiled-in font can have made: no font of the machine is ever
/// looked for (the drawing library is built without it).
#[test]
fn png_has_words_without_fonts_of_the_machine() {
    let png = |name: &str| {
        let bytes = plot::png(&sample(name, 10.0), &look(10.0)).unwrap();
        image::load_from_memory(&bytes).unwrap().to_rgb8()
    };
    let (named, nameless) = (png("HHHHHHHH"), png(""));
    assert_eq!(named.width(), 2400);
    let dark = |image: &image::RgbImage| {
        let heading = image.enumerate_pixels().filter(|(x, y, _)| *y < 100 && *x < 1000);
        heading.filter(|(_, _, p)| p.0[0] < 100).count()
    };
    assert_eq!(dark(&nameless), 0);
    assert!(dark(&named) > 2000, "{}", dark(&named));
}

#[test]
fn greys_are_grey() {
    let greys = Look { greys: true, ..look(10.0) };
    let bytes = plot::png(&sample("jar", 10.0), &greys).unwrap();
    let image = image::load_from_memory(&bytes).unwrap().to_rgb8();
    assert!(image.pixels().all(|p| p.0[0] == p.0[1] && p.0[1] == p.0[2]));
    let colours = plot::png(&sample("jar", 10.0), &look(10.0)).unwrap();
    let image = image::load_from_memory(&colours).unwrap().to_rgb8();
    assert!(image.pixels().any(|p| p.0[0] != p.0[2]));
}

#[test]
fn a_file_is_never_overwritten_unasked() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("jar.svg");
    let (answer, look) = (sample("jar", 10.0), look(10.0));
    fs::write(&path, "mine").unwrap();
    assert!(matches!(plot::write(&answer, &path, &look), Err(PlotError::Exists(_))));
    assert_eq!(fs::read_to_string(&path).unwrap(), "mine");
    plot::write(&answer, &path, &Look { force: true, ..look.clone() }).unwrap();
    assert!(has(&texts(&fs::read_to_string(&path).unwrap()), "jar"));
    let nowhere = folder.path().join("no/such/folder.svg");
    assert!(matches!(plot::write(&answer, &nowhere, &look), Err(PlotError::Write { .. })));
    let other = folder.path().join("jar.gif");
    assert!(matches!(plot::write(&answer, &other, &look), Err(PlotError::Format(_))));
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1, "something was left behind");
}

#[test]
fn nothing_known_is_said() {
    let mut answer = sample("jar", 10.0);
    answer.story = Story::default();
    assert!(matches!(plot::svg(&answer, &look(10.0)), Err(PlotError::Nothing(_))));
    answer.story.weighings = vec![(at(1.0), f64::NAN, true)];
    answer.dry_mass_g = spread(f64::NAN, 1.0);
    assert!(matches!(plot::svg(&answer, &look(10.0)), Err(PlotError::Nothing(_))));
}

/// Values that no answer should hold still give a picture that can be read.
#[test]
fn odd_values_never_break_the_picture() {
    let odd: [fn(&mut PotAnswer); 9] = [
        |a| a.story.mass.iter_mut().step_by(2).for_each(|m| m.1.p50 = f64::NAN),
        |a| a.story.mass.iter_mut().for_each(|m| m.1.p90 = f64::INFINITY),
        |a| a.story.mass.truncate(1),
        |a| a.story.water.clear(),
        |a| a.story.band = (0.1, 0.3),
        |a| a.dry_mass_g = spread(-5.0, f64::NAN),
        |a| a.trim.opens = TimeQuantiles { p10: None, p50: None, p90: None },
        |a| a.fire.bone_dry = when(80.0, 20.0, 60.0),
        |a| {
            a.made_at = Time::MAX;
            a.story.covers = vec![(Time::MAX, Cover::Open), (Time::MIN, Cover::Wrapped)];
            a.story.deficit = vec![(at(3.0), f64::NAN)];
            a.story.trims = vec![Time::MIN; 20];
        },
    ];
    for (i, change) in odd.into_iter().enumerate() {
        let mut answer = sample("jar", 10.0);
        change(&mut answer);
        let svg = plot::svg(&answer, &look(10.0)).unwrap();
        assert!(has(&texts(&svg), "jar") && !svg.contains("NaN"), "case {i}");
    }
}

/// What a body is said to have taught; the numbers are invented.
fn learnt() -> Learnt {
    let q = |p10, p50, p90| Quantiles { p10, p50, p90 };
    let limit = |mean, sd| Limit { mean, sd };
    Learnt {
        pots: 6,
        verdicts: 2,
        facts: vec![
            (Fact::SlipLost, q(0.02, 0.032, 0.045), q(0.025, 0.03, 0.036)),
            (Fact::BagWater, q(0.20, 0.22, 0.24), q(0.217, 0.219, 0.221)),
            (Fact::OpenRate, q(0.6, 1.0, 1.6), q(1.1, 1.2, 1.3)),
            (Fact::UnderCover(Cover::Wrapped), q(0.03, 0.05, 0.1), q(0.03, 0.05, 0.1)),
        ],
        band_given: true,
        band_before: FuzzyBand { from: limit(0.24, 0.01), to: limit(0.16, 0.01) },
        band: FuzzyBand { from: limit(0.232, 0.006), to: limit(0.16, 0.01) },
        astray: (0.18, 0.18),
    }
}

#[test]
fn the_picture_of_a_body_says_before_and_now_in_words() {
    let svg = plot::svg_learnt("tide & <dune>", &learnt(), &look(24.0)).unwrap();
    let texts = texts(&svg);
    for words in [
        "tide & <dune>",
        "learnt from 6 finished pots and 2 verdicts of the hand",
        "water of the bag",
        "of the wet clay",
        "before 22.0% (20.0–24.0)",
        "now 21.90% (21.70–22.10)",
        "now 1.20 × (1.10–1.30)",
        "dries wrapped",
        "trimming from",
        "before 24.0% (22.7–25.3)",
    ] {
        assert!(has(&texts, words), "{words}: {texts:?}");
    }
    let greys = Look { greys: true, ..look(24.0) };
    let svg = plot::svg_learnt("tide", &learnt(), &greys).unwrap();
    let colours = svg.match_indices("=\"#").map(|(at, _)| &svg[at + 3..at + 9]);
    assert!(colours.clone().count() > 20);
    for colour in colours {
        assert!(colour[..2] == colour[2..4] && colour[2..4] == colour[4..], "{colour}");
    }
}

#[test]
fn odd_lessons_never_break_the_picture() {
    for odd in [f64::NAN, f64::INFINITY, -1e300, 0.0] {
        let mut learnt = learnt();
        learnt.facts[0].2 = Quantiles { p10: odd, p50: odd, p90: odd };
        learnt.facts[1].1.p90 = odd;
        learnt.band.to.sd = odd;
        let svg = plot::svg_learnt("tide", &learnt, &look(24.0)).unwrap();
        assert!(!svg.contains("NaN") && has(&texts(&svg), "trimming from"), "{odd}");
    }
    let nothing = Learnt { facts: vec![], ..learnt() };
    assert!(plot::svg_learnt("tide", &nothing, &look(24.0)).is_ok());
}

#[test]
fn names_become_safe_file_names() {
    for (pot, file) in [
        ("lidded-jar 7", "lidded-jar-7.svg"),
        ("../../etc/passwd", "etc-passwd.svg"),
        ("-rf", "rf.svg"),
        ("a\\b:c*?\"<>|", "a-b-c.svg"),
        ("..", "pot.svg"),
        ("茶碗", "茶碗.svg"),
    ] {
        assert_eq!(plot::file_name(pot, "svg"), Path::new(file));
    }
    assert!(plot::file_name(&"茶".repeat(100), "svg").as_os_str().len() <= 204);
}

/// The command on an invented studio: a planter weighed every hour while it dries.
#[test]
fn the_command_draws_into_a_file_of_its_own() {
    let folder = tempfile::tempdir().unwrap();
    let (files, here) = (folder.path().join("files"), folder.path().join("here"));
    fs::create_dir(&files).unwrap();
    fs::create_dir(&here).unwrap();
    fs::write(files.join("bodies.csv"), "body,bag_water_wet_percent\ngrogged,20\n").unwrap();
    let pot = "body,made_at,ball_g,wall_mm,base_mm\n";
    let pots = format!("pot,{pot}planter & <saucer>,grogged,{MADE},1000,6,8\n");
    fs::write(files.join("pots.csv"), pots).unwrap();
    let readings: String = (0..12)
        .map(|h| {
            let grams = 960.0 - 9.5 * f64::from(h);
            format!("{},bench,mass,{grams},g,planter & <saucer>\n", at(f64::from(h)))
        })
        .collect();
    let header = "time,source,quantity,value,unit,pot\n";
    fs::write(files.join("readings.csv"), format!("{header}{readings}")).unwrap();
    let studio = folder.path().join("studio");
    let warecast = |grey: bool, arguments: &[&str]| {
        let mut command = assert_cmd::Command::cargo_bin("warecast").unwrap();
        command.env_remove("NO_COLOR").env("TZ", "UTC").current_dir(&here);
        if grey {
            command.env("NO_COLOR", "1");
        }
        command.arg("--studio").arg(&studio).args(arguments).assert()
    };
    warecast(false, &["import", files.to_str().unwrap()]).success();
    let at_11h = at(11.0).to_string();
    let plot = ["plot", "planter & <saucer>", "--at", &at_11h];
    warecast(false, &plot).success();
    let drawn = here.join("planter----saucer.svg");
    let first = fs::read_to_string(&drawn).unwrap();
    assert!(has(&texts(&first), "planter & <saucer>"));
    let said = warecast(false, &plot).code(2).get_output().stderr.clone();
    assert!(String::from_utf8_lossy(&said).contains("--force"), "{said:?}");
    assert_eq!(fs::read_to_string(&drawn).unwrap(), first);
    warecast(true, &[&plot[..], &["--force"]].concat()).success();
    let grey = fs::read_to_string(&drawn).unwrap();
    let colours = regex::Regex::new("#([0-9A-F]{2})([0-9A-F]{2})([0-9A-F]{2})").unwrap();
    assert!(colours.captures_iter(&grey).all(|c| c[1] == c[2] && c[2] == c[3]));
    assert!(colours.captures_iter(&first).any(|c| c[1] != c[3]));
    warecast(false, &["plot", "planter & <saucer>", "--at", "2031-04-01T00:00:00Z"]).code(2);
    warecast(false, &["plot", "planter"]).code(2);
}

/// For eyes: `PLOT_INTO=folder cargo test --test plot show -- --ignored`.
#[test]
#[ignore = "writes pictures to look at"]
fn show() {
    let into = std::env::var("PLOT_INTO").unwrap();
    let write = |name: &str, answer: &PotAnswer, look: &Look| {
        let look = Look { force: true, ..look.clone() };
        plot::write(answer, &Path::new(&into).join(name), &look).unwrap();
    };
    let answer = sample("lidded-jar-7", 10.0);
    write("now.png", &answer, &look(10.0));
    write("now.svg", &answer, &look(10.0));
    write("greys.png", &answer, &Look { greys: true, us: true, ..look(10.0) });
    let mut early = sample("planter-1 with a name that is really quite a bit too long …", 1.0);
    early.found.clear();
    early.story.trims.clear();
    early.story.deficit.clear();
    early.trim.call = TrimCall::Wait;
    early.fire.bone_dry = TimeQuantiles { p10: Some(at(50.0)), p50: None, p90: None };
    write("early.png", &early, &look(1.0));
    let mut late = sample("jar", 100.0);
    late.fire.call = FireCall::Ready;
    late.trim.call = TrimCall::Done;
    late.stage = Stage::BoneDry;
    write("late.png", &late, &look(100.0));
}

#[test]
fn a_lift_that_is_off_the_picture_is_said() {
    let mut answer = sample("jar", 10.0);
    let (time, ..) = answer.story.weighings[3];
    answer.story.weighings.push((time, 1.5, false));
    let svg = texts(&plot::svg(&answer, &look(10.0)).unwrap());
    assert!(svg.iter().any(|text| text == "left out of the fit (4, 1 off the picture)"), "{svg:?}");
}
