//! Listens to ports for some seconds, all at once; where only noise comes, also at other baud
//! rates. The descriptors are those of [`crate::sensing::port`].

use super::line::{Heard, Hearing, Looks, looks};
use super::port::State;
use crate::clock;
use crate::sensing::access::Access;
use crate::sensing::port::{Port, PortError};
use crate::sensing::session::{Arrival, Session};
use crate::store::PortSettings;
use crate::watch;
use std::io;
use std::path::Path;
use std::time::{Duration, Instant};
use tokio::runtime::Builder;
use tokio::task::JoinSet;
use tokio::time::timeout;
use tracing::info;

/// Longest wait for bytes before it is looked at whether to go on.
const TURN: Duration = Duration::from_millis(100);
/// A scale that has to be asked is asked at least so often.
const ASK: Duration = Duration::from_secs(2);
/// Rates that boards and scales are set to, the most usual first.
const RATES: [u32; 10] =
    [115_200, 9600, 57_600, 38_400, 19_200, 4800, 2400, 1200, 230_400, 460_800];
/// So many bytes at another rate tell whether it is text.
const TELLING: u64 = 32;
/// Text ends its lines within so many bytes.
const A_LINE: u64 = 600;
/// Trying other rates ends after so long.
const TRYING: Duration = Duration::from_secs(60);

/// What was heard on each of these ports, in their order.
pub fn hear(ports: Vec<PortSettings>, listen: Duration) -> io::Result<Vec<State>> {
    let runtime = Builder::new_current_thread().enable_all().build()?;
    let mut states: Vec<State> = ports.iter().map(|_| State::Free).collect();
    runtime.block_on(async {
        let mut all = JoinSet::new();
        for (at, port) in ports.into_iter().enumerate() {
            all.spawn(async move { (at, one(port, listen).await) });
        }
        while let Some(done) = all.join_next().await {
            let (at, state) = done.map_err(io::Error::other)?;
            states[at] = state;
        }
        Ok(states)
    })
}

async fn one(settings: PortSettings, listen: Duration) -> State {
    let mut port = match Port::open(&settings.path, settings.baud) {
        Ok(port) => port,
        Err(PortError::Missing(_)) => return State::Missing(Vec::new()),
        Err(PortError::NotSerial(_)) => return State::NotSerial,
        Err(PortError::Held(_)) => return State::Held { by: Vec::new(), ours: false },
        Err(PortError::Denied(..)) => {
            let access = Access::of(Path::new(&settings.path));
            return State::Denied(access.unwrap_or_default());
        }
        Err(PortError::Other(_, why)) => return State::Failed(why),
    };
    let mut heard = match listen_to(&mut port, &settings, listen, |_| false).await {
        Ok(heard) => heard,
        Err(why) => return State::Failed(why),
    };
    let odd = matches!(looks(&heard.kept), Looks::Noise | Looks::Endless);
    if !heard.lost && heard.lines == 0 && odd {
        try_rates(&mut port, &settings, listen, &mut heard).await;
    }
    State::Heard(Box::new(heard))
}

/// Looks for a rate at which text comes.
async fn try_rates(port: &mut Port, settings: &PortSettings, listen: Duration, heard: &mut Heard) {
    info!("{}: only noise; looking for its baud rate", settings.path);
    let begin = clock::steady();
    let told = |heard: &Heard| match looks(&heard.kept) {
        Looks::Unknown => false,
        Looks::Text => true,
        Looks::Noise | Looks::Parity => heard.bytes >= TELLING,
        Looks::Endless => heard.bytes >= A_LINE,
    };
    for rate in RATES.into_iter().filter(|rate| *rate != settings.baud) {
        if begin.elapsed() > TRYING || port.set_baud(rate).is_err() {
            return;
        }
        let settings = PortSettings { banner: Duration::ZERO, ..settings.clone() };
        let Ok(there) = listen_to(port, &settings, listen, told).await else { return };
        heard.tried.push(rate);
        if there.lines > 0 || looks(&there.kept) == Looks::Text {
            heard.text_at = Some(rate);
            return;
        }
    }
}

/// Listens for so long after the banner, or until it is enough.
async fn listen_to(
    port: &mut Port,
    settings: &PortSettings,
    listen: Duration,
    enough: impl Fn(&Heard) -> bool,
) -> Result<Heard, String> {
    let ask = watch::ask_of(settings).map(|ask| ask.at_least_every(ASK));
    let mut session = Session::asking(watch::format_of(settings)?, ask);
    session.opened();
    let mut hearing = Hearing::new(session);
    let begin = clock::steady() + settings.banner;
    let mut lost = false;
    let mut buffer = [0; 4096];
    while !lost && clock::steady() < begin + listen && !enough(hearing.so_far()) {
        let in_banner = clock::steady() < begin;
        if !in_banner && ask_if_due(port, &mut hearing, clock::steady()).await.is_err() {
            break;
        }
        match timeout(TURN, port.read(&mut buffer)).await {
            Err(_) => {}
            Ok(Ok(1..)) if in_banner => {}
            Ok(Ok(n @ 1..)) => {
                let arrived = Arrival { wall: clock::now(), steady: clock::steady() };
                hearing.take(&buffer[..n], arrived);
            }
            Ok(Ok(0) | Err(_)) => lost = true,
        }
    }
    let seconds = begin.elapsed().as_secs_f64();
    Ok(Heard { lost, ..hearing.end(seconds) })
}

async fn ask_if_due(port: &mut Port, hearing: &mut Hearing, now: Instant) -> io::Result<()> {
    match hearing.session().question(now).map(<[u8]>::to_vec) {
        Some(question) => port.write(&question).await,
        None => Ok(()),
    }
}
