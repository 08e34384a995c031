//! The picture of a comparison: what stands in it, in greys too, and what has none. Pots are
//! invented.

use warecast::core::compare::plain::Seen;
use warecast::core::compare::track::{Alike, Track};
use warecast::core::compare::{Along, curve, known_to, outcome, spread};
use warecast::plot::{self, Comparison, EffectRow, Look, PlotError};
use warecast::records::Name;
use warecast::units::{HOUR, Time};

/// 2031-04-02T14:00:00Z.
const AT: Time = Time(1_932_904_800_000_000);

/// A pot whose water falls by so much in an hour, to nothing, in air of 1 kPa.
fn track(number: usize, treatment: usize, per_hour: f64) -> Track {
    let hours = (0..=40).map(f64::from);
    let way = hours.map(|h| (h * HOUR, 1000.0 * HOUR * h, (0.30 - per_hour * h).max(0.0)));
    let opens = (0.30 - 0.23) / per_hour * HOUR;
    let seen = Some(Seen::exactly(opens.ln()));
    Track {
        pot: format!("jar-{number}"),
        treatment,
        pair: None,
        made_at: AT,
        opens: seen,
        bone_dry: Some(Seen::or_more((40.0 * HOUR).ln())),
        window: None,
        dose: Some(Seen::exactly((1000.0 * opens).ln())),
        told: [Some((opens.ln(), 0.05)), None, None],
        alike: Alike {
            uneven: Some((0.05 + 0.001 * number as f64 - 0.03 * treatment as f64, 0.004)),
            ..Alike::default()
        },
        lost: Some(number == 5),
        cover: None,
        way: way.collect(),
        air_measured: true,
        band: (0.23, 0.16),
    }
}

fn tracks() -> Vec<Track> {
    let rates = [0.010, 0.011, 0.012, 0.005, 0.0055, 0.006];
    rates.iter().enumerate().map(|(i, rate)| track(i, i / 3, *rate)).collect()
}

fn drawn(tracks: &[Track], name: &str, look: &Look) -> Result<String, PlotError> {
    let treatments: Vec<Name> = vec!["open".into(), "under <plastic>".into()];
    let found = outcome(tracks, 2, 0.95);
    let effects = found.answers.iter().filter(|answer| answer.leading().is_some());
    let row = |answer: &warecast::core::compare::Answer| EffectRow {
        question: answer.question,
        what: "Time to leather-hard".into(),
        of: "plastic against open".into(),
        plain: (answer.plain, "2.0 × (1.6–2.5)".into()),
        model: (answer.model, "–".into()),
    };
    let comparison = Comparison {
        title: "plastic: under plastic against open".into(),
        under: "6 pots; drawn by chance".into(),
        treatments: &treatments,
        tracks,
        level: 0.95,
        band: Some((0.23, 0.16)),
        effects: effects.map(row).collect(),
    };
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join(name);
    plot::write_comparison(&comparison, &path, look)?;
    Ok(String::from_utf8_lossy(&std::fs::read(path).unwrap()).into_owned())
}

#[test]
fn a_picture_names_its_treatments_axes_and_effects() {
    let svg = drawn(&tracks(), "all.svg", &Look::new(AT)).unwrap();
    let document = roxmltree::Document::parse(&svg).unwrap();
    let texts = document.descendants().filter(|node| node.is_text());
    let words: Vec<&str> = texts.filter_map(|n| n.text()).map(str::trim).collect();
    let words: Vec<&str> = words.into_iter().filter(|words| !words.is_empty()).collect();
    for wanted in [
        "plastic: under plastic against open",
        "open (3 pots)",
        "under <plastic> (3 pots)",
        "hours since the wheel",
        "drying dose, kPa·h: how dry the air was, times hours",
        "20 %",
        "can be trimmed",
        "Time to leather-hard",
        "plain 2.0 × (1.6–2.5)",
        "1 ×",
        "← fewer lost",
        "of 100 pots",
        "+50",
        "← more even",
        "points, base less wall",
    ] {
        assert!(words.contains(&wanted), "{wanted}: {words:?}");
    }
    // Leather-hard, the rate, evenness and losses: of the rest no pot tells.
    assert_eq!(words.iter().filter(|words| words.starts_with("plain ")).count(), 4);
    // Nothing is marked on each of their three axes, and both panels begin with it.
    assert_eq!(words.iter().filter(|words| ["1 ×", "0"].contains(words)).count(), 3 + 2);
    let png = drawn(&tracks(), "all.png", &Look::new(AT)).unwrap();
    assert!(png.starts_with("\u{fffd}PNG"));
}

/// In greys every colour has three equal parts.
#[test]
fn greys_are_grey() {
    let svg = drawn(&tracks(), "grey.svg", &Look { greys: true, ..Look::new(AT) }).unwrap();
    let colours = regex::Regex::new("#([0-9A-Fa-f]{2})([0-9A-Fa-f]{2})([0-9A-Fa-f]{2})").unwrap();
    assert!(colours.is_match(&svg));
    for found in colours.captures_iter(&svg) {
        assert!(found[1] == found[2] && found[2] == found[3], "{}", &found[0]);
    }
}

#[test]
fn without_two_pots_of_a_treatment_there_is_no_picture() {
    for tracks in [Vec::new(), tracks()[2..4].to_vec()] {
        let none = drawn(&tracks, "none.svg", &Look::new(AT));
        assert!(matches!(none, Err(PlotError::NoComparison)), "{none:?}");
    }
}

/// The mean way of three pots, with Student's interval; it ends with the last pot of two.
#[test]
fn a_curve_is_the_mean_of_its_pots() {
    let grid = [0.0, 10.0, 40.0, 41.0];
    for along in [Along::Time, Along::Dose] {
        let found = curve(&tracks(), 0, along, &grid, 0.95);
        assert_eq!(found.points.len(), 3);
        let (x, mean, low, high) = found.points[1];
        assert_eq!(x, 10.0);
        // 0.20, 0.19 and 0.18; t of two degrees of freedom at 95 %: 4.3027 (any table).
        let reach = 4.3027 * 0.01 / 3f64.sqrt();
        for (got, want) in [(mean, 0.19), (low, 0.19 - reach), (high, 0.19 + reach)] {
            assert!((got - want).abs() < 1e-5, "{got}, {want}");
        }
    }
}

/// What the studio's own pots tell of their spread counts beside what is supposed.
#[test]
fn the_spread_is_learnt_from_pots_that_are_treated_alike() {
    let of = |tracks: Vec<Track>| -> Vec<(Name, Track)> {
        tracks.into_iter().map(|track| ("tide".into(), track)).collect()
    };
    assert_eq!(spread(&[], 0.25), (0.25, 0));
    let (alike, pots) = spread(&of((0..20).map(|i| track(i, 0, 0.01)).collect()), 0.25);
    // Eight that are supposed and nineteen freedoms of none: √(8/27).
    assert!((alike - 0.25 * (8.0f64 / 27.0).sqrt()).abs() < 1e-9, "{alike}");
    assert_eq!(pots, 20);
    let (apart, _) = spread(&of((0..20).map(|i| track(i, 0, [0.01, 0.02][i % 2])).collect()), 0.25);
    assert!(apart > 0.25, "{apart}");
    assert!((known_to(&tracks()).unwrap() - 0.128).abs() < 1e-3);
}
