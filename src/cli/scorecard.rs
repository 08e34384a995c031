//! `scorecard`: how good past forecasts were.

use super::names::{SEE_BODIES, check_body};
use super::progress::Progress;
use super::report::looking_at;
use super::screen::{self, heading, paragraph};
use super::words::{self, printable};
use super::{Context, completions, plot};
use crate::core::correction::{Corrections, ENOUGH};
use crate::core::record::{self, Dryness, Event, Figures, Window};
use crate::core::report::{FireCall, TrimCall};
use crate::plot as pictures;
use crate::records::Name;
use crate::scorecard::{self, Scorecard, Summary};
use crate::units::{HOUR, Time};
use anstyle::AnsiColor;
use serde::Serialize;
use std::io::{BufWriter, Write};
use std::path::PathBuf;
use std::process::ExitCode;

/// Options of `scorecard`.
#[derive(clap::Args, Debug)]
#[command(after_long_help = "\
Forecasts are made again as of then, from what was known then, whether anybody
looked at a report or not: for every finished pot at 3, 6, 12, 24, 48, 96 and
192 hours after it was made, each put off to the next full step of the clock
(UTC: 1, 1, 3, 6, 12, 24, 24 h). A pot is finished when it was weighed after it
was bone-dry. When its window opened and closed and when it was dry is known
from all its weights; where that is not known to a fifth of the whole time, it
does not count.

What the columns mean:
  pots       finished pots of which the time is known
  inside     forecasts whose 80 % interval held it, of how many (8 of 10 is what
             the intervals promise)
  off by     median of the error; as a share of the time from made to event
  width      median width of the interval, as the same share
  score      mean interval score as the same share: width, and ten times what the
             truth lay outside (Gneiting & Raftery 2007); less is better

Covers, flips and moves of the log count as if they had been planned in time: the
score is the forecast's, not that of changed plans.

The score is that of the forecasts before any correction. From 38 finished pots on
reports stretch their intervals, or draw them in, by what this record says: so many
tell intervals that hold 6 of 10 times only from those that hold 8 (one-sided binomial
test at 5 %, power 80 %).")]
pub struct Args {
    /// Only pots of this body
    #[arg(long, add = completions::bodies())]
    body: Option<String>,
    /// Only the last so many finished pots
    #[arg(long, value_name = "N", default_value_t = 60, value_parser = clap::value_parser!(u32).range(1..))]
    last: u32,
    /// As it would have been at that time (18:25, yesterday 9:10, 2031-04-02 18:25 …)
    /// [default: now]
    #[arg(long, value_name = "WHEN")]
    at: Option<String>,
    /// As JSON, for programs
    #[arg(long)]
    json: bool,
    /// Draw a picture too, into a file ending in .svg or .png
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
    /// Overwrite the picture if it exists
    #[arg(long)]
    force: bool,
}

/// Runs `scorecard`.
pub fn run(args: Args, context: &Context) -> anyhow::Result<ExitCode> {
    let store = context.open()?;
    let words = looking_at(args.at.as_deref(), context, store.settings())?;
    if let Some(body) = &args.body {
        let bodies = store.bodies()?;
        check_body(body, bodies.iter().map(|b| b.name.as_str()), SEE_BODIES)?;
    }
    let progress = Progress::new("times");
    let (body, last) = (args.body.as_deref(), args.last as usize);
    let card = scorecard::of_studio(&store, words.now, body, last, |done, all| {
        progress.show(done, all);
    })?;
    progress.end();
    if args.json {
        let mut out = BufWriter::new(std::io::stdout().lock());
        serde_json::to_writer_pretty(&mut out, &json(&card)).map_err(std::io::Error::from)?;
        writeln!(out)?;
        out.flush()?;
    } else {
        screen::print(&page(&card, body, screen::terminal_width()))?;
    }
    if let Some(path) = &args.output {
        pictures::write_record(&marks(&card), path, &plot::look(&words, args.force))?;
        screen::tell(&format!("wrote {}", printable(&path.display().to_string())));
    }
    Ok(ExitCode::SUCCESS)
}

fn what(event: Event) -> &'static str {
    match event {
        Event::Opens => "trimming opens",
        Event::Closes => "trimming closes",
        Event::BoneDry => "dry",
    }
}

fn pots(count: usize) -> String {
    format!("{count} finished pot{}", if count == 1 { "" } else { "s" })
}

/// The scorecard as people read it.
fn page(card: &Scorecard, body: Option<&str>, width: u16) -> String {
    let all = card.summary(None);
    let of = body.map_or(String::new(), |body| format!(" of {}", printable(body)));
    let mut page = String::new();
    if card.pots.is_empty() {
        let text = format!(
            "No pot{of} has finished yet: forecasts can be scored once a pot was weighed after it \
             was bone-dry ({} weighed so far).",
            card.unfinished
        );
        return paragraph(&text, 0, width);
    }
    heading(&mut page, "HOW GOOD THE FORECASTS WERE", &(pots(all.pots) + &of), AnsiColor::Green);
    for event in Event::ALL {
        page += &paragraph(&in_words(event, all.figures(event)), 2, width);
    }
    page += &paragraph("Inside: within the interval that is to hold in 8 of 10 cases.", 2, width);
    heading(&mut page, "CALLS", "what the report would have said", AnsiColor::Green);
    for text in calls(&all) {
        page += &paragraph(&text, 2, width);
    }
    page.push('\n');
    page += &table(card, &all);
    page.push('\n');
    for text in remarks(card) {
        page += &paragraph(&text, 0, width);
    }
    page
}

/// How good the forecasts of an event were, in a sentence.
pub fn in_words(event: Event, figures: Option<&Figures>) -> String {
    let what = match event {
        Event::Opens => "When trimming opens",
        Event::Closes => "When trimming closes",
        Event::BoneDry => "When it is dry",
    };
    let Some(f) = figures else { return format!("{what}: nothing known yet.") };
    format!(
        "{what}: {:.0} of the last {} inside; off by {} in the middle ({} of the whole time).",
        f.recent_inside,
        f.recent,
        words::span(f.median_error_h * HOUR),
        words::percent(f.median_error_share),
    )
}

/// `none`, else the number.
fn some(count: usize) -> String {
    if count == 0 { "none".into() } else { count.to_string() }
}

/// `never`, `once`, `12 times`.
fn times(count: usize) -> String {
    match count {
        0 => "never".into(),
        1 => "once".into(),
        n => format!("{n} times"),
    }
}

fn questions(count: usize) -> String {
    format!("{count} {}", if count == 1 { "question" } else { "questions" })
}

/// What became of the calls, in a sentence each.
pub fn calls(all: &Summary) -> [String; 2] {
    let (trim, fire) = (&all.trim_calls, &all.fire_calls);
    let be = |count| if count == 1 { "was" } else { "were" };
    let trim = format!(
        "Trim: called \"now\" {}, of which {} {} too soon and {} too late; of {} about pots in their \
         window {} {} missed.",
        times(trim.now),
        some(trim.too_soon),
        be(trim.too_soon),
        some(trim.too_late),
        questions(trim.open),
        some(trim.missed),
        be(trim.missed),
    );
    let fire = format!(
        "Dry: called \"ready\" {}, of which {} {} too soon; of {} about pots that were dry inside \
         too, {} {} still told to wait and {} {} doubtful.",
        times(fire.ready),
        some(fire.too_soon),
        be(fire.too_soon),
        questions(fire.dry),
        some(fire.missed),
        be(fire.missed),
        some(fire.doubtful),
        be(fire.doubtful),
    );
    [trim, fire]
}

fn table(card: &Scorecard, all: &Summary) -> String {
    let mut rows = Vec::new();
    let bodies = card.bodies();
    let mut add = |name: &str, summary: &Summary| {
        for event in Event::ALL {
            let Some(f) = summary.figures(event) else { continue };
            rows.push(vec![
                printable(name).into_owned(),
                what(event).into(),
                f.truths.to_string(),
                format!("{} of {}", f.inside, f.forecasts),
                words::span(f.median_error_h * HOUR),
                words::percent(f.median_error_share),
                words::percent(f.median_width_share),
                format!("{:.2}", f.mean_interval_score_share),
            ]);
        }
    };
    for body in &bodies {
        add(body, &card.summary(Some(body)));
    }
    if bodies.len() > 1 {
        add("all", all);
    }
    let header = ["body", "", "pots", "inside", "off by", "of whole", "width", "score"];
    screen::columns(&header, rows)
}

fn remarks(card: &Scorecard) -> Vec<String> {
    let mut out = vec![words::corrected(&card.correction).unwrap_or_else(|| {
        format!(
            "From {ENOUGH} finished pots on reports correct their intervals by this record: so \
             many tell intervals that hold 6 of 10 times only from those that hold 8."
        )
    })];
    match card.unfinished {
        0 => {}
        1 => out.push("1 weighed pot is not in it: not weighed after it was surely dry.".into()),
        n => out.push(format!(
            "{n} weighed pots are not in it: not weighed after they were surely dry."
        )),
    }
    match card.vague.iter().sum() {
        0 => {}
        1 => out.push("1 time of a finished pot is not known well enough to count.".into()),
        n => out.push(format!("{n} times of finished pots are not known well enough to count.")),
    }
    out
}

/// What goes into the picture.
fn marks(card: &Scorecard) -> pictures::Record {
    let all = card.summary(None);
    let panels = Event::ALL.map(|event| {
        let of = card.forecasts.iter().filter(|f| f.event == event);
        let heading = in_words(event, all.figures(event));
        pictures::Panel { heading, forecasts: of.map(|f| (f.pot.clone(), f.scored)).collect() }
    });
    pictures::Record { pots: all.pots, panels: panels.into() }
}

#[derive(Serialize)]
struct Json<'a> {
    at: String,
    level: f64,
    all: Summary,
    bodies: Vec<OfBody<'a>>,
    /// By what reports of this time correct their intervals; of all bodies.
    correction: Corrections,
    left_out: LeftOut,
    forecasts: Vec<JsonForecast<'a>>,
    calls: Vec<JsonCall<'a>>,
}

#[derive(Serialize)]
struct OfBody<'a> {
    body: &'a Name,
    #[serde(flatten)]
    summary: Summary,
}

#[derive(Serialize)]
struct LeftOut {
    unfinished_pots: usize,
    opens_not_known_well: usize,
    closes_not_known_well: usize,
    bone_dry_not_known_well: usize,
}

/// What is known now; forecasts are scored against its middle.
#[derive(Serialize)]
struct Truth {
    p10: Option<String>,
    p50: Option<String>,
    p90: Option<String>,
}

#[derive(Serialize)]
struct JsonForecast<'a> {
    pot: &'a Name,
    body: &'a Name,
    event: Event,
    made_at: String,
    asked_at: String,
    p10: Option<String>,
    p50: Option<String>,
    p90: Option<String>,
    truth: Truth,
    inside: bool,
    error_h: f64,
    interval_score_h: f64,
}

/// Calls with what is known now; those where that is not sure are not counted.
#[derive(Serialize)]
struct JsonCall<'a> {
    pot: &'a Name,
    body: &'a Name,
    asked_at: String,
    trim: TrimCall,
    fire: FireCall,
    window: Window,
    wettest_part: Dryness,
    weighed_within_24_h: bool,
}

/// The same card gives the same bytes.
fn json(card: &Scorecard) -> Json<'_> {
    let [opens, closes, bone_dry] = card.vague;
    let of_body = |body| OfBody { body, summary: card.summary(Some(body)) };
    Json {
        at: card.at.to_string(),
        level: record::LEVEL,
        all: card.summary(None),
        bodies: card.bodies().into_iter().map(of_body).collect(),
        correction: card.correction,
        left_out: LeftOut {
            unfinished_pots: card.unfinished,
            opens_not_known_well: opens,
            closes_not_known_well: closes,
            bone_dry_not_known_well: bone_dry,
        },
        forecasts: card.forecasts.iter().map(json_forecast).collect(),
        calls: card.calls.iter().map(json_call).collect(),
    }
}

fn json_forecast(f: &scorecard::Forecast) -> JsonForecast<'_> {
    let text = |t: Option<Time>| t.map(|t| t.to_string());
    JsonForecast {
        pot: &f.pot,
        body: &f.body,
        event: f.event,
        made_at: f.made_at.to_string(),
        asked_at: f.asked_at.to_string(),
        p10: text(f.said.p10),
        p50: text(f.said.p50),
        p90: text(f.said.p90),
        truth: Truth { p10: text(f.truth.p10), p50: text(f.truth.p50), p90: text(f.truth.p90) },
        inside: f.scored.inside(),
        error_h: f.scored.error() / HOUR,
        interval_score_h: f.scored.interval_score() / HOUR,
    }
}

fn json_call(call: &scorecard::Call) -> JsonCall<'_> {
    JsonCall {
        pot: &call.pot,
        body: &call.body,
        asked_at: call.asked_at.to_string(),
        trim: call.trim,
        fire: call.fire,
        window: call.window,
        wettest_part: call.dryness,
        weighed_within_24_h: call.weighed,
    }
}
