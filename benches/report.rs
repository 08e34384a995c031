//! From cold command to answer: a pot with 5,000 weighings, 100 pots with 500,000, and a season of
//! 200 pots with 3,000 weighings each, most of them finished.
//!
//! The studio is imported beforehand; timed is the whole process of `report --json`. Against it
//! stands a Python program that reads the same weights from CSV and fits the same drying model by
//! SciPy (`rival_report.py`); it makes no intervals and no forecast beyond the fit.

mod shelf;

use shelf::{MADE_AT, Size, rival, say, say_ratio, scratch, time, warecast, write};
use std::fs;

fn main() -> std::io::Result<()> {
    bench("one pot", &Size::at_once(1, 5_000), 20, 5)?;
    bench("100 pots", &Size::at_once(100, 5_000), 5, 1)?;
    bench("a season, 200 pots", &Size::season(200), 3, 1)
}

fn bench(name: &str, size: &Size, repeats: usize, rival_repeats: usize) -> std::io::Result<()> {
    let files = scratch(&format!("report-files-{}", size.pots));
    write(&files, size, 2)?;
    let studio = scratch(&format!("report-studio-{}", size.pots));
    let _ = fs::remove_dir_all(&studio);
    warecast(&studio, &["import", &files.to_string_lossy()]);
    println!("\n{name}: {} readings, from {MADE_AT} to {}", size.rows(), size.end());
    let at = size.end().to_string();
    let report = ["report", "--json", "--at", &at];
    let answer = warecast(&studio, &report).stdout;
    let answer: serde_json::Value = serde_json::from_slice(&answer)?;
    let answered = answer["pots"].as_array().map_or(0, Vec::len);
    assert_eq!(answered, size.pots, "every pot has an answer");
    let ours = time(repeats, || {
        warecast(&studio, &report);
    });
    let ours = say(&format!("{name}: warecast report --json"), &ours);
    let mut ran = true;
    let theirs = time(rival_repeats, || {
        ran &= rival("rival_report.py", &[&files]).is_some();
    });
    if ran {
        let theirs = say(&format!("{name}: Python, CSV and SciPy"), &theirs);
        say_ratio(&format!("{name}: ratio"), theirs, ours);
    }
    Ok(())
}
