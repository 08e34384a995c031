//! Holds the walls of the program: which part may use which, what the core may not know of, and
//! the limits of the style. The rules are the project's own; DEVELOPERS.md gives the reasons.
//!
//! Each rule is a function from a file to complaints, and each is shown a file that breaks it.

use regex::Regex;
use std::fs;
use std::path::Path;

/// Longest line, in characters.
const LINE: usize = 100;
/// Longest function, from its `fn` to its closing brace, in lines.
const FUNCTION: usize = 70;
/// Longest file before its tests, in lines.
const FILE: usize = 600;

/// Which modules of the crate a module may use, besides itself. `cli` and `main` may use all.
const MAY_USE: [(&str, &[&str]); 14] = [
    ("units", &[]),
    ("records", &["units"]),
    ("clock", &["units"]),
    ("disk", &[]),
    ("calibration", &["units", "records"]),
    ("core", &["units", "records"]),
    ("answers", &["units", "records", "core"]),
    ("scorecard", &["units", "records", "core", "answers", "store"]),
    ("sensing", &["units", "records", "clock", "calibration"]),
    ("store", &["units", "records", "clock", "disk", "calibration"]),
    ("simulate", &["units", "records", "clock"]),
    ("plot", &["units", "records", "disk", "core"]),
    (
        "watch",
        &[
            "units",
            "records",
            "clock",
            "disk",
            "calibration",
            "core",
            "answers",
            "sensing",
            "store",
        ],
    ),
    ("checkup", &["units", "records", "clock", "calibration", "core", "sensing", "store", "watch"]),
];

/// What the core may not mention: files, threads, clocks, ports, the database, logs, output.
const NOT_IN_CORE: &[&str] = &[
    r"std::(fs|io|net|env|process|thread|time)\b",
    r"\b(Instant|SystemTime|clock)\b|\bnow\(\)",
    r"\b(serialport|tokio|tokio_serial|rusqlite|tracing|anyhow|anstream|rustix|indicatif)\b",
    r"\be?print(ln)?!|\bdbg!|\brand::(rng|random)\b",
];

/// A source file: its path in the project, and its lines.
struct Source {
    path: String,
    lines: Vec<String>,
}

impl Source {
    fn new(path: &str, text: &str) -> Source {
        Source { path: path.into(), lines: text.lines().map(String::from).collect() }
    }

    /// The module it belongs to: `src/core/air.rs` → `core`, `src/units.rs` → `units`.
    fn module(&self) -> Option<&str> {
        let rest = self.path.strip_prefix("src/")?;
        Some(rest.split('/').next().unwrap_or(rest).trim_end_matches(".rs"))
    }

    /// Lines before the file's tests, numbered from 1.
    fn before_tests(&self) -> impl Iterator<Item = (usize, &str)> {
        let end = self.lines.iter().position(|line| line.trim() == "#[cfg(test)]");
        let end = end.unwrap_or(self.lines.len());
        self.lines[..end].iter().enumerate().map(|(index, line)| (index + 1, line.as_str()))
    }

    /// The same without comments; what stands in text strings stays.
    fn code(&self) -> impl Iterator<Item = (usize, &str)> {
        self.before_tests().map(|(number, line)| {
            let comment = line.find("//").filter(|at| !line[..*at].ends_with(':'));
            (number, &line[..comment.unwrap_or(line.len())])
        })
    }

    fn complaint(&self, line: usize, what: impl std::fmt::Display) -> String {
        format!("{}:{line}: {what}", self.path)
    }
}

/// The core knows numbers only.
fn core_is_pure(source: &Source) -> Vec<String> {
    let banned = Regex::new(&NOT_IN_CORE.join("|")).unwrap();
    let lines = source.code().filter(|_| source.module() == Some("core"));
    lines
        .filter_map(|(number, line)| Some((number, banned.find(line)?.as_str())))
        .map(|(number, word)| source.complaint(number, format!("'{word}' in the core")))
        .collect()
}

/// Arrows point one way.
fn arrows_point_one_way(source: &Source) -> Vec<String> {
    let Some(module) = source.module() else { return Vec::new() };
    if ["lib", "main", "cli"].contains(&module) {
        return Vec::new();
    }
    let Some((_, allowed)) = MAY_USE.iter().find(|(name, _)| *name == module) else {
        return vec![source.complaint(1, "a new module: say in MAY_USE what it may use")];
    };
    let used = Regex::new(r"\b(?:crate|warecast)::(?:\{([^}]*)|([a-z_]+))").unwrap();
    let mut complaints = Vec::new();
    for (number, line) in source.code() {
        for found in used.captures_iter(line) {
            let list = found.get(1).or(found.get(2)).map_or("", |m| m.as_str());
            for name in list.split(',').map(|name| name.trim().split("::").next().unwrap_or("")) {
                if !name.is_empty() && name != module && !allowed.contains(&name) {
                    complaints.push(source.complaint(number, format!("{module} uses {name}")));
                }
            }
        }
    }
    complaints
}

/// One file asks what time it is.
fn one_file_for_now(source: &Source) -> Vec<String> {
    let asks =
        Regex::new(r"\b(SystemTime|Timestamp|Zoned|ZonedDateTime|Utc|Local)::now\b").unwrap();
    if source.path == "src/clock.rs" || !source.path.starts_with("src/") {
        return Vec::new();
    }
    let lines = source.code().filter(|(_, line)| asks.is_match(line));
    lines.map(|(number, _)| source.complaint(number, "asks for the time: use clock")).collect()
}

/// Nothing of a potter's is lost by a panic that somebody thought would not come.
fn no_unwrap(source: &Source) -> Vec<String> {
    let lines = source.code().filter(|(_, line)| {
        source.path.starts_with("src/") && (line.contains(".unwrap()") || line.contains("todo!("))
    });
    lines.map(|(number, _)| source.complaint(number, "unwrap or todo")).collect()
}

/// Unsafe code is in two small files that only tests use.
const UNSAFE: [&str; 2] = ["tests/faults/vfs.rs", "tests/fuzz/counters.rs"];

fn few_files_are_unsafe(source: &Source) -> Vec<String> {
    let word = Regex::new(r"\bunsafe\b").unwrap();
    if UNSAFE.contains(&source.path.as_str()) || source.path == "tests/walls.rs" {
        return Vec::new();
    }
    let lines = source.lines.iter().enumerate().filter(|(_, line)| word.is_match(line));
    lines.map(|(index, _)| source.complaint(index + 1, "unsafe")).collect()
}

/// Says what it is, and stays readable.
fn style(source: &Source) -> Vec<String> {
    let mut complaints = Vec::new();
    if source
        .lines
        .iter()
        .find(|line| !line.is_empty())
        .is_some_and(|line| !line.starts_with("//!"))
    {
        complaints.push(source.complaint(1, "must begin with //! and say what it is"));
    }
    for (index, line) in source.lines.iter().enumerate() {
        let width = line.chars().count();
        if width > LINE && !line.contains("https://") && !cannot_be_broken(line) {
            complaints.push(source.complaint(index + 1, format!("{width} characters")));
        }
    }
    let length = source.before_tests().count();
    if length > FILE {
        complaints.push(source.complaint(length, format!("{length} lines before the tests")));
    }
    // A test may tell a long story.
    if !source.path.starts_with("tests/") {
        complaints.extend(functions_are_short(source));
    }
    complaints
}

/// A row of a table in the documentation cannot be broken, nor a text that rustfmt leaves alone.
fn cannot_be_broken(line: &str) -> bool {
    let text = line.trim_start();
    let right = text.split_once(" = ").map_or(text, |(_, right)| right);
    right.starts_with(['"', 'r']) || text.starts_with("//! |") || text.starts_with("/// |")
}

/// From a line with `fn` to the closing brace at the same depth, as rustfmt lays it out.
fn functions_are_short(source: &Source) -> Vec<String> {
    let begins = Regex::new(r"^(\s*)(pub(\([a-z]+\))? )?(const |async |unsafe )*fn \w+").unwrap();
    let mut complaints = Vec::new();
    for (number, line) in source.before_tests() {
        let Some(found) = begins.captures(line) else { continue };
        let close = format!("{}}}", &found[1]);
        let rest = &source.lines[number - 1..];
        let one_line = line.ends_with('}') || line.ends_with(';');
        let length = match rest.iter().position(|line| *line == close) {
            Some(at) if !one_line => at + 1,
            _ => 1,
        };
        if length > FUNCTION {
            complaints.push(source.complaint(number, format!("function of {length} lines")));
        }
    }
    complaints
}

/// All Rust files of a folder and those below it, in order of name.
fn read_all(folder: &str, sources: &mut Vec<Source>) {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let Ok(entries) = fs::read_dir(root.join(folder)) else { return };
    let mut names: Vec<_> = entries.map(|entry| entry.unwrap().file_name()).collect();
    names.sort();
    for name in names {
        let path = format!("{folder}/{}", name.to_str().unwrap());
        if root.join(&path).is_dir() {
            read_all(&path, sources);
        } else if path.ends_with(".rs") {
            sources.push(Source::new(&path, &fs::read_to_string(root.join(&path)).unwrap()));
        }
    }
}

fn complaints_about_the_project(rule: fn(&Source) -> Vec<String>) -> Vec<String> {
    let mut sources = Vec::new();
    for folder in ["src", "tests", "benches"] {
        read_all(folder, &mut sources);
    }
    assert!(sources.iter().any(|source| source.path == "src/core/mod.rs"), "nothing was read");
    sources.iter().flat_map(rule).collect()
}

#[track_caller]
fn holds(rule: fn(&Source) -> Vec<String>) {
    let complaints = complaints_about_the_project(rule);
    assert!(complaints.is_empty(), "\n{}\n", complaints.join("\n"));
}

#[test]
fn the_core_mentions_no_files_threads_clocks_ports_or_logs() {
    holds(core_is_pure);
}

#[test]
fn modules_use_only_what_stands_below_them() {
    holds(arrows_point_one_way);
}

#[test]
fn only_the_clock_asks_for_the_time() {
    holds(one_file_for_now);
}

#[test]
fn nothing_unwraps_outside_tests() {
    holds(no_unwrap);
}

#[test]
fn unsafe_code_is_in_two_files_of_tests() {
    holds(few_files_are_unsafe);
}

#[test]
fn lines_functions_and_files_are_short_and_introduced() {
    holds(style);
}

/// A wall that lets everything through would pass the tests above.
#[test]
fn each_rule_sees_a_file_that_breaks_it() {
    let broken = |path: &str, text: &str| Source::new(path, text);
    let breaks = |rule: fn(&Source) -> Vec<String>, path: &str, text: &str| {
        !rule(&broken(path, text)).is_empty()
    };
    for line in ["let f = std::fs::read(p);", "println!();", "let t = Instant::now();"] {
        assert!(breaks(core_is_pure, "src/core/inference/fit.rs", line), "{line}");
        assert!(!breaks(core_is_pure, "src/store/mod.rs", line), "{line}");
        assert!(!breaks(core_is_pure, "src/core/air.rs", &format!("// {line}")), "{line}");
        let test = format!("#[cfg(test)]\nmod tests {{ {line} }}");
        assert!(!breaks(core_is_pure, "src/core/air.rs", &test), "{line}");
    }
    assert!(breaks(arrows_point_one_way, "src/core/air.rs", "use crate::store::Store;"));
    assert!(breaks(arrows_point_one_way, "src/plot/mod.rs", "use crate::{core::air, watch};"));
    assert!(!breaks(arrows_point_one_way, "src/core/air.rs", "use crate::units::HOUR;"));
    assert!(!breaks(arrows_point_one_way, "src/cli/report.rs", "use crate::store::Store;"));
    assert!(breaks(arrows_point_one_way, "src/novelty.rs", "fn f() {}"));
    assert!(breaks(one_file_for_now, "src/watch/mod.rs", "let t = Timestamp::now();"));
    assert!(!breaks(one_file_for_now, "src/clock.rs", "let t = Timestamp::now();"));
    assert!(breaks(no_unwrap, "src/store/mod.rs", "let a = b.unwrap();"));
    assert!(breaks(few_files_are_unsafe, "src/store/mod.rs", "unsafe { f() }"));
    assert!(breaks(style, "src/core/air.rs", "use x;"));
    assert!(breaks(style, "src/core/air.rs", &format!("//! {}", "x".repeat(100))));
    assert!(breaks(style, "src/core/air.rs", &format!("//! x\n{}", "\n".repeat(FILE))));
    let long = format!("//! x\n    fn f() {{\n{}    }}\n", "        g();\n".repeat(FUNCTION));
    assert!(breaks(style, "src/core/air.rs", &long));
    assert!(!breaks(style, "src/core/air.rs", &long.replacen("        g();\n", "", 2)));
}
