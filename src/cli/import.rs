//! `import`: studio files (CSV) into the studio.

use super::words::printable;
use super::{Context, REFUSED};
use crate::store::Store;
use crate::store::files::{self, Counts, Note, Options};
use std::io::{self, Write};
use std::path::PathBuf;
use std::process::ExitCode;

/// Options of `import`.
#[derive(clap::Args, Debug)]
pub struct Args {
    /// The folder with bodies.csv, pots.csv, handling.csv, readings.csv and the others, or some of
    /// them
    #[arg(value_hint = clap::ValueHint::DirPath)]
    pub folder: PathBuf,
    /// Keep nothing at all if any row is refused
    #[arg(long)]
    pub strict: bool,
    /// Let rows that contradict stored ones take their place
    #[arg(long)]
    pub replace: bool,
}

/// Runs `import`. Exit status 1 if any row was refused.
pub fn run(args: Args, context: &Context) -> anyhow::Result<ExitCode> {
    files::check_folder(&args.folder)?; // before a studio is made
    let mut store = Store::open_or_create(&context.studio)?;
    let mut out = io::BufWriter::new(io::stderr().lock());
    // Whether anybody reads along makes no difference to what is kept: such errors are passed over.
    let mut tell = |note: Note| {
        let _ = match note {
            Note::Defect(defect) => writeln!(out, "{}", printable(&defect.to_string())),
            Note::Warning(text) => writeln!(out, "warning: {}", printable(&text)),
        };
    };
    let options = Options { strict: args.strict, replace: args.replace };
    let imported = files::import(&mut store, &args.folder, options, &mut tell)?;
    for (file, counts) in &imported.files {
        let _ = writeln!(out, "{file}: {}", in_words(counts, imported.kept));
    }
    if !imported.kept {
        let _ = writeln!(out, "nothing was kept: rows were refused, and --strict was given");
    }
    let _ = out.flush();
    Ok(if imported.any_refused() { ExitCode::from(REFUSED) } else { ExitCode::SUCCESS })
}

fn in_words(counts: &Counts, kept: bool) -> String {
    let Counts { added, known, replaced, refused } = *counts;
    let parts = [(known, "there already"), (replaced, "replaced"), (refused, "refused")];
    let others = parts.iter().filter(|(n, _)| *n > 0).map(|(n, what)| format!(", {n} {what}"));
    let good = if kept { "added" } else { "new" };
    format!("{added} {good}{}", others.collect::<String>())
}
