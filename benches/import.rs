//! Import of a million rows into an empty studio, against Python's `csv` and `sqlite3` on the same
//! file (`rival_import.py`).
//!
//! Both read the same CSV, check each row, and end with one table keyed by source, quantity, time
//! and pot in a file on the disk. The times are those of the whole process.

mod shelf;

use shelf::{Size, rival, say, say_ratio, scratch, time, warecast, write};
use std::fs;

const SIZE: Size = Size::at_once(200, 5_000);
const REPEATS: usize = 5;

fn main() -> std::io::Result<()> {
    let files = scratch("import-files");
    write(&files, &SIZE, 1)?;
    println!("import: {} rows of readings, {} pots", SIZE.rows(), SIZE.pots);
    let studio = scratch("import-studio");
    let folder = files.to_string_lossy().into_owned();
    let ours = time(REPEATS, || {
        let _ = fs::remove_dir_all(&studio);
        warecast(&studio, &["import", &folder]);
    });
    let ours = say("warecast import", &ours);
    let database = scratch("import-rival.db");
    let mut ran = true;
    let theirs = time(REPEATS, || {
        let _ = fs::remove_file(&database);
        ran &= rival("rival_import.py", &[&files, &database]).is_some();
    });
    if ran {
        let theirs = say("Python csv + sqlite3", &theirs);
        say_ratio("ratio", theirs, ours);
    }
    Ok(())
}
