//! `kill -9` at twenty random moments: nothing that was to be seen in the store is missing
//! afterwards, and what else may be is bounded. What was: `cargo test --test daemon killed --
//! --nocapture` (last figures: `tests/daemon/figures.txt`).

use super::bench::{Device, Row, Studio, Watch, line};
use rand::{RngExt, SeedableRng, rngs::StdRng};
use std::thread;
use std::time::{Duration, Instant};

/// Studios that are killed side by side, each so many times.
const STUDIOS: u64 = 5;
const KILLS: u64 = 4;
/// What arrived in the last moments may be missing; also the time a busy machine takes to read.
const RECENT: Duration = Duration::from_secs(2);
/// The fast source sends 10 samples per second of its own time, which runs ten times faster.
const FAST_STEP_MS: u64 = 100;
const PACE: Duration = Duration::from_millis(10);
/// The slow source sends once per minute of its own time, and every so many steps of the fast one.
const SLOW_STEP_MS: u64 = 60_000;
const SLOW_EVERY: u64 = 4;
/// What stands in the store is looked at after so many steps.
const LOOKED_EVERY: u64 = 25;
const BIN_MS: u64 = 10_000;
/// Where their times begin, ms since 1970; the beginning of a bin.
const T_MS: u64 = 1_900_000_000_000;

/// What was sent: when, with which time of its own (ms), and the value.
type Sent = Vec<(Instant, u64, f64)>;

#[test]
fn what_a_kill_may_cost_is_bounded() {
    let required: usize = thread::scope(|scope| {
        let studios = (0..STUDIOS).map(|seed| scope.spawn(move || kill_again_and_again(seed)));
        let studios: Vec<_> = studios.collect();
        studios.into_iter().map(|studio| studio.join().unwrap()).sum()
    });
    // The check has teeth only if much was required to be there.
    assert!(required > 2000, "{required}");
}

fn kill_again_and_again(seed: u64) -> usize {
    println!("seed {seed}");
    let mut rng = StdRng::seed_from_u64(seed);
    let (studio, mut device) = (Studio::new(), Device::new());
    let (mut fast_t, mut slow_t) = (T_MS, T_MS);
    let mut required = 0;
    for _ in 0..KILLS {
        let mut watch = Watch::on(&studio, &device.path);
        let start = Instant::now();
        let run = Duration::from_millis(rng.random_range(3000..5000));
        let (mut fast, mut slow, mut seen) = (Sent::new(), Sent::new(), Vec::new());
        let mut step = 0;
        while start.elapsed() < run {
            device.send(line("fast", seconds(fast_t), step as f64));
            fast.push((Instant::now(), fast_t, step as f64));
            fast_t += FAST_STEP_MS;
            if step % SLOW_EVERY == 0 {
                device.send(line("slow", seconds(slow_t), step as f64));
                slow.push((Instant::now(), slow_t, step as f64));
                slow_t += SLOW_STEP_MS;
            }
            step += 1;
            if step % LOOKED_EVERY == 0 {
                seen = studio.rows();
            }
            thread::sleep(PACE);
        }
        let killed = Instant::now();
        watch.kill();
        let rows = studio.rows();
        let lost = seen.iter().filter(|row| !rows.contains(row)).count();
        assert_eq!(lost, 0, "of {} that were seen", seen.len());
        tell(&slow, &fast, &rows, (seen.len(), killed));
        let before = killed - RECENT;
        required += check_slow(&slow, &rows, before) + check_fast(&fast, &rows, before);
        // The next run begins with a bin of its own.
        fast_t = (fast_t / BIN_MS + 10) * BIN_MS;
    }
    required
}

/// What is missing of a run that was killed.
fn tell(slow: &Sent, fast: &Sent, rows: &[Row], (seen, killed): (usize, Instant)) {
    let told = stored(rows, "slow", slow[0].1).count();
    let since = slow.get(told).map_or(0.0, |(at, ..)| (killed - *at).as_secs_f64());
    let kept: u64 = stored(rows, "fast", fast[0].1).map(|(_, row)| row.count).sum();
    let open = fast.len() as u64 - kept;
    println!(
        "seen in the store {seen}, of them lost 0; slow source: {} of {} missing, the first sent \
         {since:.3} s before; fast source: {open} of {} samples missing, {:.1} s of its own time",
        slow.len() - told,
        slow.len(),
        fast.len(),
        (open * FAST_STEP_MS) as f64 / 1000.0
    );
}

fn seconds(ms: u64) -> f64 {
    ms as f64 / 1000.0
}

/// What is stored of a source from its time `from` on, with times in ms.
fn stored<'a>(rows: &'a [Row], source: &'a str, from: u64) -> impl Iterator<Item = (u64, &'a Row)> {
    let of_source = rows.iter().filter(move |row| row.source == source);
    let in_ms = of_source.map(|row| ((row.time * 1000.0).round() as u64, row));
    in_ms.filter(move |(time, _)| *time >= from)
}

/// All that arrived before is there as it stands, and nothing that was not sent.
fn check_slow(sent: &Sent, rows: &[Row], before: Instant) -> usize {
    let stored: Vec<_> = stored(rows, "slow", sent[0].1).collect();
    let due = sent.iter().filter(|(at, ..)| *at < before).count();
    assert!(stored.len() >= due, "slow: {} stored of {due} due", stored.len());
    for ((time, row), (_, t, value)) in stored.iter().zip(sent) {
        assert_eq!((time, row.value, row.count), (t, *value, 1));
    }
    due
}

/// All but the open bin is there: the counts of the closed ones add up to what was sent.
fn check_fast(sent: &Sent, rows: &[Row], before: Instant) -> usize {
    let (_, read, _) = sent.iter().take_while(|(at, ..)| *at < before).last().unwrap();
    let open = read / BIN_MS * BIN_MS;
    let due = sent.iter().filter(|(_, t, _)| *t < open).count();
    let count = |end: u64| -> u64 {
        let rows = stored(rows, "fast", sent[0].1).filter(|(time, _)| *time < end);
        rows.map(|(_, row)| row.count).sum()
    };
    assert_eq!(count(open), due as u64, "fast: closed bins");
    assert!(count(u64::MAX) <= sent.len() as u64);
    due
}
