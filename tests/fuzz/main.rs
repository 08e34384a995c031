//! Every parser against inputs that nobody thought of: lines of scales, the studio's files, its
//! settings, times and weights as people type them, recordings, names. Not only that none panics:
//! what is accepted comes back as it was written, what is refused is refused with its place in
//! words that print, and no reading is lost wherever the bytes are split.
//!
//! `cargo test` plays the corpus and random changes of it. `tests/fuzz/run` compiles the library
//! with a counter at every edge and lets them guide it, on any stable compiler and without other
//! programs; it is a part of `.ci/run`. A long run, which keeps what it finds in `fixtures/fuzz`:
//!
//! ```text
//! tests/fuzz/run 120            (two minutes for each; last figures: tests/fuzz/figures.txt)
//! tests/fuzz/run 600 senml      (one target)
//! ```

mod counters;
mod engine;
mod studio_files;
mod targets;

use engine::{Run, Target};
use std::env;
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

/// The counters are one for the process.
static TURN: Mutex<()> = Mutex::new(());

/// Without counters a part of the inputs is enough: few of them would lead on.
const BLIND: usize = 8;

fn fuzz(target: &Target) {
    let _turn = TURN.lock().unwrap_or_else(PoisonError::into_inner);
    let name = target.name;
    let seed = env::var("WARECAST_FUZZ_SEED").ok().map_or(1, |seed| seed.parse().unwrap());
    let Ok(seconds) = env::var("WARECAST_FUZZ_SECONDS") else {
        let guided = counters::Counters::new().len() > 0;
        Run::new(target, seed).bounded(target.inputs / if guided { 1 } else { BLIND });
        return;
    };
    let time = Duration::from_secs(seconds.parse().expect("WARECAST_FUZZ_SECONDS: a number"));
    let figures = Run::new(target, seed).long(time);
    let (reached, all) = figures.reached;
    assert!(all > 0, "without counters a long run finds little: tests/fuzz/run");
    println!(
        "{name:<18} {:>9} inputs in {:>4.0} s, {reached:>5} of {all} edges, corpus {:>3}",
        figures.inputs, figures.seconds, figures.corpus
    );
}

/// One test for each target, under its name.
macro_rules! fuzzed {
    ($($name:ident)*) => {
        $(#[test]
        fn $name() {
            fuzz(&targets::$name());
        })*

        /// No corpus lies there that nobody plays.
        #[test]
        fn each_corpus_has_its_target() {
            let mut names = [$(targets::$name().name),*].map(|name| format!("{name}.txt"));
            names.sort();
            let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/fixtures/fuzz");
            let files = std::fs::read_dir(folder).unwrap();
            let mut files: Vec<String> =
                files.map(|file| file.unwrap().file_name().into_string().unwrap()).collect();
            files.sort();
            assert_eq!(files, names);
        }
    };
}

fuzzed! {
    senml text settings times masses recordings names bodies pots handling readings samples blends
    raw_counts calibrations zero_drifts comparisons air_forecast kiln_loads
    planned
}
