//! `diary`: a page to keep of a pot, or of a body and its pots.

mod body;
mod html;
mod markdown;
mod page;
mod pot;

use super::names::{Roll, SEE_BODIES, check_body};
use super::progress::Progress;
use super::report::{air_forecast, looking_at};
use super::words::{Words, printable};
use super::{Context, completions, screen};
use crate::store::Store;
use crate::{disk, plot};
use anyhow::bail;
use page::Page;
use std::ffi::OsString;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Options of `diary`.
#[derive(clap::Args, Debug)]
#[command(after_long_help = "\
Of a pot: what it is, what became of it in drying and firing, its drying curve,
what was forecast at 3, 6, 12, 24, 48, 96 and 192 hours (made again as of then, as
`scorecard` does) against what happened, and now where it still dries, how far it
shrank, and all that was done to it, by the clock.

Of a body: what is known of it and what its pots have taught, what became of all
its pots, the newest 24 one by one, the curves of the newest 12 over each other,
and how good the forecasts were.

A page ending in .html is one file with all in it. One ending in .md comes with
its pictures in files of the same name beside it.")]
pub struct Args {
    /// The pot
    #[arg(add = completions::pots(), required_unless_present = "body", conflicts_with = "body")]
    pot: Option<String>,
    /// The clay body, in place of a pot
    #[arg(long, add = completions::bodies())]
    body: Option<String>,
    /// Where to, ending in .html or .md [default: the name and .html, here]
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
    /// As it would have been at that time (18:25, yesterday 9:10, 2031-04-02 18:25 …)
    /// [default: now]
    #[arg(long, value_name = "WHEN")]
    at: Option<String>,
    /// Overwrite the page and its pictures if they exist
    #[arg(long)]
    force: bool,
}

/// What a page is made from.
struct Source<'a> {
    store: &'a Store,
    roll: Roll,
    /// How things are said on it.
    words: Words,
    /// Whether it is about an earlier time than now.
    past: bool,
    context: &'a Context,
}

/// Runs `diary`.
pub fn run(args: Args, context: &Context) -> anyhow::Result<ExitCode> {
    let store = &context.open()?;
    let words = looking_at(args.at.as_deref(), context, store.settings())?;
    let roll = Roll::read(store)?;
    let about = args.pot.as_ref().or(args.body.as_ref()).map_or("", String::as_str);
    let path = args.output.clone().unwrap_or_else(|| plot::file_name(about, "html"));
    // Nothing is thought about for long that cannot be written.
    format(&path)?;
    is_free(&path, args.force)?;
    air_forecast(store, &words);
    let source = Source { store, roll, words: words.kept(), past: args.at.is_some(), context };
    let page = match args.body {
        None => pot::page(&source, &source.roll.find(about)?.name.clone())?,
        Some(body) => {
            let bodies = store.bodies()?;
            check_body(&body, bodies.iter().map(|b| b.name.as_str()), SEE_BODIES)?;
            body::page(&source, &body)?
        }
    };
    for file in files(&page, &path)? {
        is_free(&file.0, args.force)?;
    }
    for (file, bytes) in files(&page, &path)? {
        disk::save(&file, bytes.as_bytes(), args.force).map_err(|error| refused(&file, &error))?;
        screen::say(&format!("wrote {}", printable(&file.display().to_string())))?;
    }
    Ok(ExitCode::SUCCESS)
}

/// A bar while forecasts are made again.
fn progress() -> (Progress, impl Fn(&Progress, usize, usize)) {
    (Progress::new("times"), |progress, done, all| progress.show(done, all))
}

/// What a page can be written as.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Format {
    Html,
    Markdown,
}

/// By the file's ending.
fn format(path: &Path) -> anyhow::Result<Format> {
    let ending = path.extension().and_then(|e| e.to_str()).map(str::to_ascii_lowercase);
    match ending.as_deref() {
        Some("html" | "htm") => Ok(Format::Html),
        Some("md" | "markdown") => Ok(Format::Markdown),
        _ => bail!("{}: the name of a page ends in .html or .md", path.display()),
    }
}

/// The files of a page; itself comes last, when all that it shows is there.
fn files(page: &Page, path: &Path) -> anyhow::Result<Vec<(PathBuf, String)>> {
    if format(path)? == Format::Html {
        return Ok(vec![(path.into(), html::html(page))]);
    }
    let beside = |name: &str| -> OsString {
        let mut file = path.file_stem().unwrap_or_default().to_os_string();
        file.push(format!("-{name}.svg"));
        file
    };
    let picture = |p: &page::Picture| (path.with_file_name(beside(p.name)), p.svg.clone());
    let mut files: Vec<(PathBuf, String)> = page.pictures().map(picture).collect();
    let text = markdown::markdown(page, |name| beside(name).to_string_lossy().into_owned());
    files.push((path.into(), text));
    Ok(files)
}

fn is_free(path: &Path, force: bool) -> anyhow::Result<()> {
    disk::is_free(path, force).map_err(|error| refused(path, &error))
}

fn refused(path: &Path, error: &std::io::Error) -> anyhow::Error {
    let shown = path.display();
    match error.kind() {
        ErrorKind::AlreadyExists => {
            anyhow::anyhow!(
                "{shown} exists: take another name with -o, or overwrite it with --force"
            )
        }
        _ => anyhow::anyhow!("{shown} cannot be written: {}", disk::trouble(error)),
    }
}
