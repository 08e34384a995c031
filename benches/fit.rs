//! The fit of one pot, against the same drying model fitted by SciPy (`rival_fit.py`).
//!
//! Ours: priors, the cut into steps, two rounds of whitened least squares with covariance. Theirs:
//! the same steps, weights and priors, plain white noise, by `scipy.optimize.least_squares`.
//! Neither counts reading the studio; Python's import and compilation are not counted.

mod shelf;

use shelf::{Size, rival, say, say_ratio, scratch, time, warecast, write};
use std::fs;
use std::hint::black_box;
use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};
use warecast::core::handling::History;
use warecast::core::inference::model::{Model, freshness};
use warecast::core::inference::posterior::Posterior;
use warecast::core::room::Room;
use warecast::records::{Pot, Studio};
use warecast::store::Store;

const SIZE: Size = Size::at_once(1, 5_000);
const REPEATS: usize = 50;
const SEASON: Size = Size::season(200);
/// Threads that fit a season's pots.
const THREADS: usize = 2;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    one_pot()?;
    season()
}

/// All pots of a season, each fitted once.
fn season() -> Result<(), Box<dyn std::error::Error>> {
    let studio = studio("fit-season", &SEASON)?;
    let mut seconds = Vec::new();
    for _ in 0..3 {
        let next = AtomicUsize::new(0);
        let pots: Vec<&Pot> = studio.pots.values().collect();
        seconds.extend(time(1, || {
            std::thread::scope(|scope| {
                for _ in 0..THREADS {
                    scope.spawn(|| {
                        while let Some(pot) = pots.get(next.fetch_add(1, Ordering::Relaxed)) {
                            let (history, room) = past(&studio, pot);
                            let body = studio.bodies.get(&pot.body);
                            black_box(Posterior::new(Model::new(pot, body, &history, &room)));
                        }
                    });
                }
            });
        }));
    }
    say("warecast: 200 pots of 3,000 weighings, two threads", &seconds);
    Ok(())
}

/// A made-up studio of that size, read.
fn studio(name: &str, size: &Size) -> Result<Studio, Box<dyn std::error::Error>> {
    let (files, folder) = (scratch(&format!("{name}-files")), scratch(&format!("{name}-studio")));
    write(&files, size, 3)?;
    let _ = fs::remove_dir_all(&folder);
    warecast(&folder, &["import", &files.to_string_lossy()]);
    Ok(Store::open(&folder)?.studio(size.end())?)
}

/// A pot's history and the air that it stood in.
fn past(studio: &Studio, pot: &Pot) -> (History, Room) {
    let history =
        History::new(pot, &studio.handling[&pot.name], &studio.weighings[&pot.name], studio.at);
    let room = Room::new(&[(f64::NEG_INFINITY, studio.air.get(""))], pot.made_at, history.now);
    (history, room)
}

fn one_pot() -> Result<(), Box<dyn std::error::Error>> {
    let studio = studio("fit", &SIZE)?;
    let pot = &studio.pots["p000"];
    let (history, room) = past(&studio, pot);
    let model = || Model::new(pot, studio.bodies.get(&pot.body), &history, &room);
    println!(
        "fit: {} weighings in {} weights, {} steps of time, {} unknowns",
        history.readings,
        history.weights.len(),
        model().spans.len(),
        model().beliefs.len()
    );
    let seconds = time(REPEATS, || {
        black_box(Posterior::new(model()));
    });
    let ours = say("warecast: model and fit", &seconds);
    let posterior = Posterior::new(model());
    let end = posterior.draw(&[posterior.centre()]).past.state.mass_g()[0];
    let fit = posterior.fit.as_ref().ok_or("no fit")?;
    println!("  {:?}, mass at the end {end:.2} g", fit.report);
    let problem = scratch("fit-problem.json");
    fs::write(&problem, problem_json(&studio, pot, &history, &posterior).to_string())?;
    compare(&problem, ours, end);
    Ok(())
}

/// What the fit is made from, for others.
fn problem_json(
    studio: &Studio,
    pot: &Pot,
    history: &History,
    posterior: &Posterior,
) -> serde_json::Value {
    let model = &posterior.model;
    let physics = model.physics(&[vec![0.0; model.beliefs.len()]]);
    let spans = model.spans.iter().map(|s| {
        let gain = freshness(0.5 * (s.from + s.to));
        [s.from, s.to, s.air.saturation, s.air.cooling, s.air.humidity[0], gain]
    });
    let weights = history.weights.iter().filter(|w| w.used).map(|w| [w.t, w.g]);
    let names = model.beliefs.priors.iter().map(|p| format!("{:?}", p.unknown));
    serde_json::json!({
        "pot": pot.name, "at": studio.at.to_string(),
        "spans": spans.collect::<Vec<_>>(), "weights": weights.collect::<Vec<_>>(),
        "centre": posterior.centre(),
        "names": names.collect::<Vec<_>>(),
        "mean": model.beliefs.priors.iter().map(|p| p.mean).collect::<Vec<_>>(),
        "sd": model.beliefs.priors.iter().map(|p| p.sd).collect::<Vec<_>>(),
        "ball_g": model.beliefs.ball_g,
        "wall_m": physics.wall_m[0], "base_m": physics.base_m[0],
        "c": physics.isotherm.c, "k": physics.isotherm.k,
    })
}

fn compare(problem: &Path, ours: f64, end: f64) {
    let Some(output) = rival("rival_fit.py", &[problem]) else { return };
    for line in String::from_utf8_lossy(&output.stdout).lines() {
        let words: Vec<&str> = line.split_whitespace().collect();
        if let ["model", mass] = words[..] {
            let theirs: f64 = mass.parse().unwrap_or(f64::NAN);
            assert!((theirs - end).abs() < 0.01, "not the same model: {theirs} g, {end} g");
            continue;
        }
        let [name, seconds, .., mass, evaluations] = words[..] else { continue };
        let Ok(seconds) = seconds.parse::<f64>() else { continue };
        say(&format!("SciPy, {name}"), &[seconds]);
        println!("  {evaluations} evaluations, mass at the end {mass} g");
        say_ratio(&format!("ratio to SciPy, {name}"), seconds, ours);
    }
}
