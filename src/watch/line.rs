//! One port, tended for as long as the program runs: open, read, lost, open again.

use super::intake::Intake;
use super::record::Recorder;
use super::timeline;
use super::writer::Inbox;
use crate::clock;
use crate::records::Name;
use crate::sensing::health::Silence;
use crate::sensing::plugged;
use crate::sensing::port::{Port, PortError};
use crate::sensing::recording::Event;
use crate::sensing::session::Session;
use crate::store::PortSettings;
use std::collections::BTreeSet;
use std::time::{Duration, Instant};
use tokio::sync::watch;
use tokio::time::{MissedTickBehavior, interval, sleep};
use tracing::{info, warn};

/// Pauses before a port is tried again: from, and up to.
const RETRY: (Duration, Duration) = (Duration::from_millis(250), Duration::from_secs(5));
/// How often silent sources and a silent port are looked at.
const TICK: Duration = Duration::from_secs(1);
/// How often it is said what could not be used, if there was more of it.
const HEALTH: Duration = Duration::from_secs(3600);
/// Silence after which the path is checked for leading to another device.
const CHECK_PATH: Duration = Duration::from_secs(2);
/// Most that is read at once, and most that is still taken at the end, bytes.
const CHUNK: usize = 4096;
const AT_THE_END: usize = 1 << 20;

/// Sources that the studio knows, as they are now.
pub type Known = watch::Receiver<BTreeSet<Name>>;

/// One port and its session.
pub struct Line {
    path: String,
    baud: u32,
    /// What comes so soon after opening is passed over.
    banner: Duration,
    format: &'static str,
    intake: Intake,
    timeline: timeline::Shared,
    inbox: Inbox,
    /// What the studio knows, which has its place among whatever comes.
    known: Known,
    recorder: Option<Recorder>,
    /// The name that stays was told.
    said_name: bool,
    /// When health was said last, and the faults that it held.
    said: (Instant, u64),
}

/// How long it is waited before a port is tried again: twice as long each time, and as at first
/// once it has been open for longer than the longest pause. It knows of lengths alone, which a
/// steady clock has measured: a wall clock that is set makes no pause longer or shorter.
struct Retry(Duration);

impl Retry {
    fn new() -> Retry {
        Retry(RETRY.0)
    }

    /// The next pause, after the port has been open for so long.
    fn pause(&mut self, was_open: Duration) -> Duration {
        let pause = if was_open > RETRY.1 { RETRY.0 } else { self.0 };
        self.0 = (pause * 2).min(RETRY.1);
        pause
    }
}

/// Why reading ended.
enum End {
    Stop,
    Lost(String),
}

impl Line {
    /// A port that is not open yet; `format` is its line format in words.
    pub fn new(
        port: &PortSettings,
        format: &'static str,
        session: Session,
        timeline: timeline::Shared,
        (inbox, known): (Inbox, Known),
    ) -> Line {
        let PortSettings { path, baud, banner, .. } = port.clone();
        let (intake, said) = (Intake::new(session), (clock::steady(), 0));
        Line {
            path,
            baud,
            banner,
            format,
            intake,
            timeline,
            inbox,
            known,
            recorder: None,
            said_name: false,
            said,
        }
    }

    /// The same, with all that comes written into a recording.
    pub fn recorded_by(self, recorder: Option<Recorder>) -> Line {
        Line { recorder, ..self }
    }

    fn note(&mut self, event: impl FnOnce() -> Event) {
        if let Some(recorder) = &mut self.recorder {
            recorder.note(&event());
        }
    }

    /// Tends it until `stop` becomes true; then everything that has come is handed on.
    pub async fn tend(mut self, mut stop: watch::Receiver<bool>) {
        let mut retry = Retry::new();
        let mut trouble: Option<PortError> = None;
        while !*stop.borrow_and_update() {
            let tried = clock::steady();
            let mut was_open = Duration::ZERO;
            match Port::open(&self.path, self.baud) {
                Ok(port) => {
                    info!("{}: ready ({} baud, {})", self.path, self.baud, self.format);
                    trouble = None;
                    self.say_staying_name();
                    let end = self.read(port, &mut stop).await;
                    self.note(|| Event::Lost);
                    self.intake.closed(self.timeline.now(), clock::steady());
                    self.hand_on().await;
                    match end {
                        End::Stop => break,
                        End::Lost(why) => warn!("{}: lost ({why}); waiting for it", self.path),
                    }
                    was_open = tried.elapsed();
                }
                Err(other) if trouble.as_ref() == Some(&other) => {}
                Err(other) => {
                    warn!("{other}; trying again");
                    trouble = Some(other);
                }
            }
            tokio::select! {
                () = sleep(retry.pause(was_open)) => {}
                _ = stop.changed() => {}
            }
        }
        self.recorder.iter_mut().for_each(Recorder::flush);
        self.sum_up();
    }

    fn know(&mut self) {
        let names = self.known.borrow_and_update().clone();
        self.intake.know(names);
    }

    async fn read(&mut self, mut port: Port, stop: &mut watch::Receiver<bool>) -> End {
        self.know();
        let opened = clock::steady();
        let mut silence = Silence::new(opened);
        self.intake.opened();
        self.note(|| Event::Opened);
        let mut tick =
            interval(self.intake.session().asks_every().map_or(TICK, |every| every.min(TICK)));
        tick.set_missed_tick_behavior(MissedTickBehavior::Delay);
        let mut buffer = [0; CHUNK];
        loop {
            tokio::select! {
                read = port.read(&mut buffer) => match read {
                    Ok(0) => return End::Lost("unplugged".into()),
                    Err(error) => return End::Lost(error.to_string()),
                    Ok(n) => {
                        let now = clock::steady();
                        self.note(|| Event::Came(buffer[..n].to_vec()));
                        if now.duration_since(opened) < self.banner {
                            continue;
                        }
                        if silence.heard(now) {
                            info!("{}: speaks again", self.path);
                        }
                        self.intake.received(&buffer[..n], self.timeline.now(), now);
                    }
                },
                _ = tick.tick() => {
                    let now = clock::steady();
                    if self.known.has_changed().unwrap_or(false) {
                        self.know();
                    }
                    self.intake.tick(self.timeline.now(), now);
                    if now.duration_since(opened) >= self.banner
                        && let Some(question) = self.intake.question(now)
                    {
                        if let Some(recorder) = &mut self.recorder {
                            recorder.note(&Event::Sent(question.to_vec()));
                        }
                        if let Err(error) = port.write(question).await {
                            return End::Lost(error.to_string());
                        }
                    }
                    self.recorder.iter_mut().for_each(Recorder::flush);
                    if silence.of(now) >= CHECK_PATH && port.moved() {
                        return End::Lost("its path leads to another device, or nowhere".into());
                    }
                    self.say_if_silent(&mut silence, now);
                    self.say_health(now);
                }
                _ = stop.changed() => {
                    self.read_the_rest(&mut port, &mut buffer);
                    return End::Stop;
                }
            }
            self.hand_on().await;
        }
    }

    /// What has arrived already, without waiting for more.
    fn read_the_rest(&mut self, port: &mut Port, buffer: &mut [u8]) {
        let mut taken = 0;
        while taken < AT_THE_END {
            let n = port.read_ready(buffer);
            if n == 0 {
                return;
            }
            self.note(|| Event::Came(buffer[..n].to_vec()));
            self.intake.received(&buffer[..n], self.timeline.now(), clock::steady());
            taken += n;
        }
    }

    /// Tells once of the name under which the device is found again.
    fn say_staying_name(&mut self) {
        let name = plugged::staying_name(&self.path, &plugged::plugged());
        if let Some(name) = name.filter(|_| !std::mem::replace(&mut self.said_name, true)) {
            info!("{}: after replugging it may be another device; {name} stays", self.path);
        }
    }

    fn say_if_silent(&self, silence: &mut Silence, now: Instant) {
        if let Some(silent) = silence.fell(now) {
            warn!(
                "{}: nothing has come for {} s; is the scale on, and is its baud rate {}?",
                self.path,
                silent.as_secs(),
                self.baud
            );
        }
    }

    /// Says what is to be said and hands the readings on; waits while the store is behind.
    async fn hand_on(&mut self) {
        let (remarks, batch) = self.intake.take();
        for remark in remarks {
            info!("{}: {remark}", self.path);
        }
        // The writer outlives the ports; were it gone, there would be nobody to tell.
        if !batch.readings.is_empty() && self.inbox.send(batch).await.is_err() {
            warn!("{}: the store has ended before its port", self.path);
        }
    }

    fn say_health(&mut self, now: Instant) {
        let faults = self.intake.session().health().faults.total();
        if now.saturating_duration_since(self.said.0) < HEALTH {
            return;
        }
        if faults > self.said.1 {
            self.sum_up();
        }
        self.said = (now, faults);
    }

    fn sum_up(&self) {
        let health = self.intake.session().health();
        info!("{}: {} lines, {} measurements", self.path, health.lines, health.samples);
        if health.faults.total() > 0 {
            info!("{}: not stored: {}", self.path, health.faults);
        }
        let refused = self.intake.session().refused();
        if !refused.is_empty() {
            let first = refused.join(", ");
            info!("{}: too many sources: the first that found no place: {first}", self.path);
        }
        for source in self.intake.session().sources().filter(|s| s.faults.total() > 0) {
            info!("{}: {}: not stored: {}", self.path, source.name, source.faults);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Pauses, s, each after the port was open for so long, s.
    fn pauses(retry: &mut Retry, open: &[f64]) -> Vec<f64> {
        let pause = |open: &f64| retry.pause(Duration::from_secs_f64(*open)).as_secs_f64();
        open.iter().map(pause).collect()
    }

    #[test]
    fn a_port_is_tried_again_twice_as_late_each_time_up_to_five_seconds() {
        let mut retry = Retry::new();
        assert_eq!(pauses(&mut retry, &[0.0; 7]), [0.25, 0.5, 1.0, 2.0, 4.0, 5.0, 5.0]);
        // One that opens and is lost at once is no better; one that held begins anew.
        assert_eq!(pauses(&mut retry, &[5.0, 5.1, 0.1, 0.0]), [5.0, 0.25, 0.5, 1.0]);
        // However long it has been away, or open.
        let day = 86_400.0;
        assert!(pauses(&mut retry, &[0.0; 40_000]).iter().all(|pause| *pause <= 5.0));
        assert_eq!(pauses(&mut retry, &[1e4 * day, 0.0]), [0.25, 0.5]);
    }
}
