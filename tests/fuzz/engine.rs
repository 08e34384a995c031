//! Inputs made from inputs. Those that reach something new of the program are kept and changed
//! further; those that break a promise of their target are told.
//!
//! What counts as new: a counter of the compiler's that was never reached, or never so often
//! (1, 2, 3, 4–7, 8–15, 16–31, 32–127, 128 or more times), as fuzzers have it since Zalewski's of
//! 2013. Without counters nothing is new, and what is left are random changes of the corpus.
//!
//! The corpus of a target is the file `fixtures/fuzz/TARGET.txt`, one input a line, with escapes as
//! in a Rust byte string. It is written anew by a long run: the shortest inputs that together reach
//! all that any reached. An input that broke something belongs into it by hand, once it is
//! repaired: a run that is bounded plays all of it first.

use super::counters::Counters;
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::PathBuf;
use std::time::{Duration, Instant};

/// What is fuzzed.
pub struct Target {
    /// Its name, and that of its corpus.
    pub name: &'static str,
    /// Takes any bytes; panics where a promise is broken.
    pub play: fn(&[u8]),
    /// Words of its language, which no change of single bytes would find.
    pub words: &'static [&'static str],
    /// Inputs of a bounded run.
    pub inputs: usize,
}

/// Longest input, bytes.
const LONGEST: usize = 1024;
/// An input that takes longer than this hangs.
const HANGS: Duration = Duration::from_secs(10);
/// Most changes that one input gets at a time.
const CHANGES: u32 = 6;

/// What a run came to.
pub struct Figures {
    pub inputs: usize,
    pub seconds: f64,
    /// Counters that were reached, of all.
    pub reached: (usize, usize),
    pub corpus: usize,
}

/// A target being fuzzed.
pub struct Run<'a> {
    target: &'a Target,
    rng: StdRng,
    counters: Counters,
    /// How often each counter was reached, a bit for each class.
    seen: Vec<u8>,
    corpus: Vec<Vec<u8>>,
    inputs: usize,
}

impl<'a> Run<'a> {
    /// With all of the corpus played.
    pub fn new(target: &'a Target, seed: u64) -> Run<'a> {
        let counters = Counters::new();
        let seen = vec![0; counters.len()];
        let rng = StdRng::seed_from_u64(seed);
        let mut run = Run { target, rng, counters, seen, corpus: Vec::new(), inputs: 0 };
        for input in read_corpus(target.name) {
            run.play(&input);
            run.corpus.push(input);
        }
        run
    }

    /// Plays so many inputs more.
    pub fn bounded(&mut self, inputs: usize) {
        (0..inputs).for_each(|_| self.step());
    }

    /// Plays inputs for so long, then writes the corpus anew.
    pub fn long(&mut self, time: Duration) -> Figures {
        let start = Instant::now();
        while start.elapsed() < time {
            self.step();
        }
        let seconds = start.elapsed().as_secs_f64();
        let inputs = self.inputs;
        let reached = self.seen.iter().filter(|seen| **seen > 0).count();
        let kept = self.distilled();
        write_corpus(self.target.name, &kept);
        Figures { inputs, seconds, reached: (reached, self.seen.len()), corpus: kept.len() }
    }

    fn step(&mut self) {
        let input = self.changed();
        if self.play(&input) {
            self.corpus.push(input);
        }
    }

    /// Plays an input; says whether it reached anything new.
    fn play(&mut self, input: &[u8]) -> bool {
        self.inputs += 1;
        self.counters.clear();
        let begun = Instant::now();
        let played = catch_unwind(AssertUnwindSafe(|| (self.target.play)(input)));
        let took = begun.elapsed();
        if played.is_err() || took > HANGS {
            let trouble = if played.is_err() { "broke a promise" } else { "took too long" };
            panic!("{}: this {trouble} ({took:.1?}):\n{}", self.target.name, input.escape_ascii());
        }
        let mut new = false;
        for (at, count) in self.counters.reached() {
            let class = class(count);
            new |= self.seen[at] & class == 0;
            self.seen[at] |= class;
        }
        new
    }

    /// An input of the corpus, or nothing, with some changes.
    fn changed(&mut self) -> Vec<u8> {
        let all = self.corpus.len();
        // What was found last is where something new may be.
        let from = if self.rng.random_bool(0.3) { all.saturating_sub(20) } else { 0 };
        let chosen = from + self.below(all - from);
        let mut input = self.corpus.get(chosen).cloned().unwrap_or_default();
        for _ in 0..self.rng.random_range(1..=CHANGES) {
            self.change(&mut input);
        }
        input.truncate(LONGEST);
        input
    }

    fn change(&mut self, input: &mut Vec<u8>) {
        let (at, end) = (self.below(input.len() + 1), input.len());
        let piece = at..(at + 1 + self.below(16)).min(end);
        match self.rng.random_range(0..9) {
            0 if at < end => input[at] ^= 1 << self.below(8),
            1 if at < end => input[at] = self.rng.random(),
            2 => input.insert(at, self.rng.random()),
            3 if at < end => drop(input.drain(piece)),
            4 => {
                let copy = input[piece].to_vec();
                insert(input, self.below(end + 1), &copy);
            }
            5 | 6 if !self.target.words.is_empty() => {
                let word = self.target.words[self.below(self.target.words.len())];
                insert(input, at, word.as_bytes());
            }
            7 if !self.corpus.is_empty() => {
                let other = &self.corpus[self.rng.random_range(0..self.corpus.len())];
                let from = self.rng.random_range(0..=other.len());
                input.splice(at.., other[from..].iter().copied());
            }
            _ => {
                // Another digit, sign or mark where there is one.
                let marks = b"0123456789.-+eE,;:/\"'{}[]()\\\n\r\t \0\xff";
                if at < end {
                    input[at] = marks[self.below(marks.len())];
                }
            }
        }
    }

    fn below(&mut self, n: usize) -> usize {
        self.rng.random_range(0..n.max(1))
    }

    /// The shortest inputs that together reach all that was reached.
    fn distilled(&mut self) -> Vec<Vec<u8>> {
        let mut all: Vec<Vec<u8>> = std::mem::take(&mut self.corpus);
        if self.counters.len() == 0 {
            return all;
        }
        all.sort_by(|a, b| (a.len(), a).cmp(&(b.len(), b)));
        let mut shortest: BTreeMap<usize, usize> = BTreeMap::new();
        for (number, input) in all.iter().enumerate() {
            self.play(input);
            self.counters.reached().for_each(|(at, _)| {
                shortest.entry(at).or_insert(number);
            });
        }
        let wanted: BTreeSet<usize> = shortest.into_values().collect();
        wanted.into_iter().map(|number| std::mem::take(&mut all[number])).collect()
    }
}

fn insert(input: &mut Vec<u8>, at: usize, bytes: &[u8]) {
    input.splice(at..at, bytes.iter().copied());
}

fn class(count: u8) -> u8 {
    match count {
        0..=3 => 1 << count.saturating_sub(1),
        4..=7 => 1 << 3,
        8..=15 => 1 << 4,
        16..=31 => 1 << 5,
        32..=127 => 1 << 6,
        128.. => 1 << 7,
    }
}

fn corpus_file(target: &str) -> PathBuf {
    let root = PathBuf::from(env!("CARGO_MANIFEST_DIR"));
    root.join("fixtures/fuzz").join(format!("{target}.txt"))
}

fn read_corpus(target: &str) -> Vec<Vec<u8>> {
    let file = corpus_file(target);
    let text = fs::read_to_string(&file).unwrap_or_else(|e| panic!("{}: {e}", file.display()));
    let inputs: Option<Vec<Vec<u8>>> = text.lines().map(unescape).collect();
    inputs.unwrap_or_else(|| panic!("{}: a line that was not written so", file.display()))
}

fn write_corpus(target: &str, inputs: &[Vec<u8>]) {
    let lines: String = inputs.iter().map(|input| format!("{}\n", input.escape_ascii())).collect();
    fs::write(corpus_file(target), lines).unwrap();
}

/// The bytes that were written so by [`slice::escape_ascii`].
fn unescape(line: &str) -> Option<Vec<u8>> {
    let mut bytes = Vec::new();
    let mut rest = line.bytes();
    while let Some(byte) = rest.next() {
        bytes.push(match byte {
            b'\\' => match rest.next()? {
                b'n' => b'\n',
                b'r' => b'\r',
                b't' => b'\t',
                b'x' => {
                    let mut digit = || char::from(rest.next()?).to_digit(16);
                    u8::try_from(16 * digit()? + digit()?).ok()?
                }
                plain @ (b'\\' | b'\'' | b'"') => plain,
                _ => return None,
            },
            plain => plain,
        });
    }
    Some(bytes)
}

#[test]
fn inputs_are_written_and_read_again() {
    let all: Vec<u8> = (0..=255).collect();
    assert_eq!(unescape(&all.escape_ascii().to_string()), Some(all));
    assert_eq!([unescape("\\q"), unescape("\\x4"), unescape("\\")], [None, None, None]);
}
