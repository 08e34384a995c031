//! What the papers show must work: example lines, patterns and settings go through the program's
//! own readers, links lead somewhere, and every command is in the README.

use clap::CommandFactory;
use std::fs;
use std::path::{Path, PathBuf};
use warecast::cli::Cli;
use warecast::sensing::formats::senml::Senml;
use warecast::sensing::formats::text::Text;
use warecast::sensing::formats::{Format, Measured, Sink};
use warecast::sensing::health::Fault;
use warecast::store::Settings;
use warecast::store::settings::compile_pattern;
use warecast::units::Time;

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

fn paper(path: &str) -> String {
    fs::read_to_string(root().join(path)).unwrap()
}

#[derive(Default)]
struct Heard {
    measured: Vec<(String, f64, Time)>,
    faults: Vec<String>,
}

impl Sink for Heard {
    fn line(&mut self) {}

    fn measured(&mut self, m: Measured<'_>) {
        self.measured.push((m.source.into(), m.value, m.time));
    }

    fn fault(&mut self, source: Option<&str>, fault: Fault) {
        self.faults.push(format!("{source:?} {fault:?}"));
    }
}

fn hear(mut format: impl Format, line: &str) -> Heard {
    let mut heard = Heard::default();
    let arrived = Time::parse_rfc3339("2031-04-02T12:00:00Z").unwrap();
    // A reader that has just begun does not trust its first line: give it one to throw away.
    format.feed(b"\n", arrived, &mut heard);
    heard = Heard::default();
    format.feed(format!("{line}\n").as_bytes(), arrived, &mut heard);
    heard
}

#[test]
fn example_lines_are_understood() {
    let notes = paper("firmware-notes/README.md");
    let lines: Vec<&str> = notes.lines().filter(|l| l.starts_with("    [{")).collect();
    assert!(lines.len() >= 5, "{lines:?}");
    for line in lines {
        let heard = hear(Senml::new(), line.trim());
        assert!(heard.faults.is_empty(), "{line}: {:?}", heard.faults);
        assert_eq!(heard.measured.len(), line.matches("\"v\":").count(), "{line}");
        let damaged = line.trim().replacen("8", "9", 1);
        if !line.ends_with(']') {
            assert!(!hear(Senml::new(), &damaged).faults.is_empty(), "{damaged}");
        }
    }
}

#[test]
fn the_line_with_a_time_means_the_time_that_the_notes_say() {
    let notes = paper("firmware-notes/README.md");
    let line = notes.lines().find(|l| l.contains("\"bt\":1932920700")).unwrap();
    assert!(notes.contains("is 18:25 UTC on 2 April 2031"));
    let heard = hear(Senml::new(), line.trim());
    assert_eq!(heard.measured[0].2.to_string(), "2031-04-02T18:25:00Z");
}

#[test]
fn example_patterns_find_their_example() {
    let notes = paper("firmware-notes/README.md");
    let rows = notes.lines().filter(|l| l.starts_with("| `") && l.contains("(?P<mass>"));
    let mut found = 0;
    for row in rows {
        // What stands between backquotes: the line, then the pattern.
        let quoted: Vec<&str> = row.split('`').skip(1).step_by(2).collect();
        let (line, pattern) = (quoted[0], quoted[1].replace("\\|", "|"));
        let text = Text::new(compile_pattern(&pattern).unwrap(), "bench");
        let heard = hear(text, line);
        assert_eq!(heard.measured.len(), 1, "{row}: {:?}", heard.faults);
        let grams = heard.measured[0].1;
        assert!((grams - 812.4).abs() < 0.2, "{row}: {grams} g");
        found += 1;
    }
    assert!(found >= 3, "{found}");
}

#[test]
fn example_settings_are_accepted() {
    let notes = paper("firmware-notes/README.md");
    let block = notes.split("```toml\n").nth(1).and_then(|rest| rest.split("```").next()).unwrap();
    let settings = Settings::parse(block.as_bytes(), Path::new("studio.toml")).unwrap();
    assert_eq!(settings.port.len(), 1);
    let pattern = settings.port[0].pattern.clone().unwrap();
    let heard = hear(Text::new(compile_pattern(&pattern).unwrap(), "bench"), "  812.4 g");
    assert_eq!(heard.measured[0].1, 812.4);
}

#[test]
fn every_setting_of_the_readme_is_one() {
    let readme = paper("README.md");
    let settings = [
        "units",
        "time_zone",
        "air_forecast",
        "path",
        "baud",
        "format",
        "pattern",
        "source",
        "ask",
        "ask_seconds",
        "banner_seconds",
        "[plan]",
        "hours",
        "there",
        "trim_minutes",
        "wanted",
        "covers",
        "sheets",
        "pairs",
        "alike",
        "[plan.attach]",
        "minutes",
        "[compare]",
        "level",
        "power",
        "difference",
        "spread",
        "shared",
        "[kiln]",
        "altitude_m",
        "below_boiling_c",
        "rise_c_per_hour",
        "hours_per_cm",
        "least_hours",
        "rest_percent",
        "[drying]",
        "warn_from",
    ];
    for setting in settings {
        assert!(readme.contains(&format!("| `{setting}` |")), "{setting}");
    }
    let all = "units = \"us\"\ntime_zone = \"Europe/Lisbon\"\nair_forecast = \"a.csv\"\n[[port]]\npath = \"/dev/a\"\n\
               baud = 9600\nformat = \"text\"\npattern = '(?P<mass>\\d+)'\nsource = \"bench\"\n\
               ask = \"W\"\nask_seconds = 5\nbanner_seconds = 2\n[plan]\nhours = \"9-13\"\n\
               there = \"9-13\"\ntrim_minutes = 15\nwanted = 0.8\ncovers = [\"wrapped\"]\n\
               sheets = 3\npairs = [[\"jar-1\", \"lid-1\"]]\nalike = 0.3\n\
               [plan.attach]\nfrom = -0.1\nto = 0.4\nminutes = 5\n\
               [compare]\nlevel = 0.9\npower = 0.9\ndifference = 0.1\nspread = 0.2\nshared = 0.3\n\
               [kiln]\naltitude_m = 1600\nwanted = 0.8\nbelow_boiling_c = 10\n\
               rise_c_per_hour = 30\nhours_per_cm = 4\nleast_hours = 2\nrest_percent = 0.5\n\
               [drying]\nwarn_from = 0.2\n";
    Settings::parse(all.as_bytes(), Path::new("studio.toml")).unwrap();
}

#[test]
fn every_command_is_in_the_readme() {
    let readme = paper("README.md");
    let table = readme.split("## Commands").nth(1).unwrap();
    for command in Cli::command().get_subcommands() {
        let name = command.get_name();
        let words = [format!("`{name}`"), format!("`{name} ")];
        assert!(words.iter().any(|word| table.contains(word)), "{name} is not in the README");
    }
}

#[test]
fn links_lead_to_files() {
    for path in ["README.md", "DEVELOPERS.md", "firmware-notes/README.md", "benches/README.md"] {
        let text = paper(path);
        let folder = root().join(path).parent().unwrap().to_path_buf();
        let links = text.split("](").skip(1).filter_map(|rest| rest.split(')').next());
        for link in links.filter(|link| !link.starts_with("http") && !link.starts_with('#')) {
            let file = link.split('#').next().unwrap();
            assert!(folder.join(file).exists(), "{path}: {link}");
        }
    }
}
