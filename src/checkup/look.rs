//! Looks at the world for a checkup, and changes nothing in it.
//!
//! Who has a device open stands in `/proc/PID/fd` (proc_pid_fd(5)); of other users' processes only
//! root sees it. Whether the network has set the clock is told by `/run/systemd/timesync` where
//! that service runs (systemd-timesyncd.service(8)); of others nothing is known.

use super::computer::{AHEAD_S, Clock, Disk};
use super::port::{Holder, Port, State};
use super::shelf::{Calibrated, Shelf, Source};
use super::{Facts, hear, studio};
use crate::clock;
use crate::core;
use crate::core::witness::Drift;
use crate::records::{Name, Point, Quantity, nearest};
use crate::sensing::access::Access;
use crate::sensing::plugged::{Device, plugged, staying_name};
use crate::sensing::port::is_terminal;
use crate::store::{Format, PortSettings, Settings, Store, StoreError};
use crate::units::{DAY, HOUR, Time};
use crate::watch::lock::Lock;
use jiff::tz::TimeZone;
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io;
use std::os::unix::fs::{FileTypeExt, MetadataExt};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Gathers the facts. `by_hand`: ports that were named, in place of those of the settings; each
/// free one is listened to for so long, and `tell` is called before, if there is any.
pub fn look(
    dir: &Path,
    by_hand: Vec<PortSettings>,
    listen: Duration,
    tell: impl FnOnce(),
) -> io::Result<Facts> {
    let settings = Settings::read(dir);
    let named = !by_hand.is_empty();
    let settled = settings.as_ref().ok().cloned().unwrap_or_default();
    let wanted = if named { by_hand } else { settled.port.clone() };
    let watch = Lock::holder(dir);
    let plugged = plugged();
    let mut ports = ports(wanted, &settled, watch.as_deref(), &plugged);
    if !listen.is_zero() {
        listen_to_free(&mut ports, listen, tell)?;
    }
    fill_in(&mut ports, watch.is_some(), &plugged);
    let (store, trouble) = open(dir);
    // Listening took its time.
    let at = clock::now();
    let (ahead, readings_a_day) = match &store {
        Some(store) => (
            store.ahead_of(at.plus(AHEAD_S)).map_err(io::Error::other)?,
            store.readings_since(at.plus(-DAY)).map_err(io::Error::other)?,
        ),
        None => (Vec::new(), 0),
    };
    let mut shelf = shelf(store.as_ref(), &ports, at, watch.is_some()).map_err(io::Error::other)?;
    let at_a_key = settled.port.iter().filter(|port| !sends_by_itself(port));
    let at_a_key: BTreeSet<&Name> = at_a_key.filter_map(|port| port.source.as_ref()).collect();
    for source in shelf.iter_mut().flat_map(|shelf| &mut shelf.sources) {
        source.at_a_key = at_a_key.contains(&source.name);
        source.ahead = ahead.iter().find(|(name, _)| *name == source.name).map(|(_, time)| *time);
    }
    let stored = shelf.as_ref().and_then(|shelf| last_stored(shelf, at));
    let in_step = shelf.as_ref().map_or(0, |shelf| in_step(shelf, at));
    let studio = studio::Studio {
        dir: dir.into(),
        settings: settings.map(|s| s.port.len()).map_err(|error| error.to_string()),
        store: trouble.map_or(Ok(()), Err),
        owner: other_owner(dir),
        watch,
        stored,
        sends: settled.port.is_empty() || settled.port.iter().any(sends_by_itself),
        by_hand: named,
        at,
    };
    let clock = clock_facts(at, &settled, ahead, in_step);
    let plugged = plugged.into_iter().map(|device| device.name).collect();
    Ok(Facts { studio, disk: disk(dir, readings_a_day), clock, ports, plugged, shelf })
}

/// The store if it can be read, and what is wrong with it.
fn open(dir: &Path) -> (Option<Store>, Option<StoreError>) {
    match Store::open(dir) {
        Err(error) => (None, Some(error)),
        Ok(mut store) => match store.check() {
            Ok(()) => (Some(store), None),
            Err(damaged @ StoreError::Damaged(..)) => (None, Some(damaged)),
            Err(error) => (Some(store), Some(error)),
        },
    }
}

fn sends_by_itself(port: &PortSettings) -> bool {
    port.format == Format::Senml || port.ask.is_some()
}

/// The name of who owns the folder, where that is neither this user nor root looking.
fn other_owner(dir: &Path) -> Option<String> {
    let access = Access::of(dir)?;
    let users = fs::read_to_string("/etc/passwd").unwrap_or_default();
    let name = crate::sensing::access::name_of(&users, access.owner);
    (access.user != access.owner && access.user != 0)
        .then(|| name.unwrap_or_else(|| access.owner.to_string()))
}

/// The disk that a folder lies on, or would lie on.
fn disk(dir: &Path, readings_a_day: u64) -> Option<Disk> {
    let there = dir.ancestors().find(|path| path.exists()).unwrap_or(Path::new("."));
    let disk = rustix::fs::statvfs(there).ok()?;
    Some(Disk {
        root: root_of(there),
        free: disk.f_bavail.saturating_mul(disk.f_frsize),
        no_more_files: disk.f_files > 0 && disk.f_favail == 0,
        readings_a_day,
    })
}

/// The folder under which the file system of a path is hung in.
fn root_of(path: &Path) -> PathBuf {
    let path = fs::canonicalize(path).unwrap_or_else(|_| path.into());
    let device = |path: &Path| fs::metadata(path).ok().map(|found| found.dev());
    let own = device(&path);
    let inside = path.ancestors().take_while(|above| own.is_some() && device(above) == own);
    inside.last().unwrap_or(Path::new("/")).into()
}

fn clock_facts(now: Time, settings: &Settings, ahead: Vec<(Name, Time)>, in_step: usize) -> Clock {
    let zone = match &settings.time_zone {
        Some(name) => TimeZone::get(name).ok(),
        None => TimeZone::try_system().ok().filter(|zone| !zone.is_unknown()),
    };
    let zone_known = zone.is_some();
    let local = now.timestamp().to_zoned_datetime(zone.unwrap_or(TimeZone::UTC));
    let service = Path::new("/run/systemd/timesync");
    Clock {
        now,
        said: local.strftime("%a %-d %b %Y %H:%M").to_string(),
        zone_known,
        ahead,
        in_step,
        synchronised: service.is_dir().then(|| service.join("synchronized").exists()),
        battery: Path::new("/sys/class/rtc/rtc0").exists(),
    }
}

/// What is to be seen of each port without opening it.
fn ports(
    wanted: Vec<PortSettings>,
    settings: &Settings,
    watch: Option<&str>,
    plugged: &[Device],
) -> Vec<Port> {
    let mut ports: Vec<Port> = Vec::with_capacity(wanted.len());
    for one in wanted {
        let itself = Path::new(&one.path).canonicalize().ok();
        let twin = ports.iter().find(|other| {
            itself.is_some() && Path::new(&other.settings.path).canonicalize().ok() == itself
        });
        let state = match twin {
            Some(other) => State::Twin(other.settings.path.clone()),
            None => at_rest(&one.path, watch),
        };
        ports.push(Port {
            of_settings: settings.port.iter().any(|other| other.path == one.path),
            stable: staying_name(&one.path, plugged),
            settings: one,
            state,
        });
    }
    ports
}

fn listen_to_free(ports: &mut [Port], listen: Duration, tell: impl FnOnce()) -> io::Result<()> {
    let free = |port: &&mut Port| matches!(port.state, State::Free);
    let quiet: Vec<PortSettings> =
        ports.iter_mut().filter(free).map(|port| port.settings.clone()).collect();
    if quiet.is_empty() {
        return Ok(());
    }
    tell();
    let states = hear::hear(quiet, listen)?;
    for (port, state) in ports.iter_mut().filter(free).zip(states) {
        port.state = state;
    }
    Ok(())
}

/// What goes without opening a port.
fn fill_in(ports: &mut [Port], watched: bool, plugged: &[Device]) {
    for port in ports {
        match &mut port.state {
            State::Missing(there) => {
                *there = plugged.iter().map(|device| device.name.clone()).collect();
            }
            // Whose it is cannot be seen; `watch` of another user, most likely.
            State::Held { by, ours } if by.is_empty() => *ours = watched,
            _ => {}
        }
    }
}

/// What is to be seen of a port without opening it. Whoever has it is not disturbed: a second
/// reader would take a part of what comes.
fn at_rest(path: &str, watch: Option<&str>) -> State {
    let device = match fs::metadata(path) {
        Ok(device) => device,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return State::Missing(vec![]),
        Err(error) => return State::Failed(error.to_string()),
    };
    if !device.file_type().is_char_device() {
        return State::NotSerial;
    }
    let by = holders(Path::new("/proc"), device.rdev());
    let watcher: Option<u32> = watch.and_then(process_in);
    match (by.is_empty(), Access::of(Path::new(path))) {
        // Held by many, as /dev/null is.
        (false, _) if !is_terminal(path) => State::NotSerial,
        (false, _) => {
            let ours = by.iter().any(|holder| Some(holder.pid) == watcher);
            State::Held { by, ours }
        }
        (true, Some(access)) if !access.is_open() && !can_open(path) => {
            match watcher.is_some_and(|pid| is_anothers(pid, access.user)) {
                // Another user's `watch` may what this one may not.
                true => State::Held { by, ours: true },
                false => State::Denied(access),
            }
        }
        (true, _) => State::Free,
    }
}

/// Whether a process runs for another user.
fn is_anothers(pid: u32, user: u32) -> bool {
    fs::metadata(format!("/proc/{pid}")).is_ok_and(|process| process.uid() != user)
}

/// An access list may allow what the permissions do not.
fn can_open(path: &str) -> bool {
    use rustix::fs::Access as Asked;
    rustix::fs::access(path, Asked::READ_OK | Asked::WRITE_OK).is_ok()
}

/// The number in `process 41, since …`.
fn process_in(words: &str) -> Option<u32> {
    words.strip_prefix("process ")?.split(',').next()?.parse().ok()
}

/// Processes other than this one that have a device open, as far as they can be seen.
fn holders(processes: &Path, device: u64) -> Vec<Holder> {
    let numbered = |entry: fs::DirEntry| entry.file_name().to_str()?.parse::<u32>().ok();
    let all = fs::read_dir(processes).into_iter().flatten().flatten().filter_map(numbered);
    let has_it = |pid: &u32| {
        let open = fs::read_dir(processes.join(format!("{pid}/fd"))).into_iter().flatten();
        open.flatten().any(|descriptor| {
            let file = fs::metadata(descriptor.path());
            file.is_ok_and(|f| f.file_type().is_char_device() && f.rdev() == device)
        })
    };
    let mut holders: Vec<Holder> = all
        .filter(|pid| *pid != std::process::id() && has_it(pid))
        .map(|pid| {
            let name = fs::read_to_string(processes.join(format!("{pid}/comm")));
            Holder { pid, name: name.unwrap_or_default().trim().into() }
        })
        .collect();
    holders.sort_by_key(|holder| holder.pid);
    holders
}

/// What is known of cells and sensors, by the store and by what was just heard.
fn shelf(
    store: Option<&Store>,
    ports: &[Port],
    at: Time,
    watched: bool,
) -> Result<Option<Shelf>, StoreError> {
    let mut sources: BTreeMap<Name, Source> = BTreeMap::new();
    let mut pots = Vec::new();
    let mut known: BTreeSet<Name> = BTreeSet::new();
    if let Some(store) = store {
        for (name, quantity, point) in store.last_words(at.plus(AHEAD_S))? {
            let source = sources.entry(name).or_default();
            match quantity {
                Quantity::Mass => source.mass = Some(point),
                Quantity::Count => source.count = Some(point),
                Quantity::Temperature => source.temperature = Some(point),
                Quantity::Humidity => source.humidity = Some(point),
            }
        }
        pots = store.standing(at)?;
        known.extend(store.sources_of(Quantity::Mass)?);
        known.extend(store.sources_of(Quantity::Count)?);
    }
    let heard = heard(ports);
    for (name, quantities) in &heard {
        let source = sources.entry((*name).clone()).or_default();
        source.heard = true;
        source.raw = quantities.contains(&Quantity::Count);
        source.weighs = source.raw || quantities.contains(&Quantity::Mass);
        source.air = quantities.contains(&Quantity::Humidity);
    }
    if store.is_none() && heard.is_empty() {
        return Ok(None);
    }
    for (name, source) in &mut sources {
        source.name = name.clone();
        let time = |point: Option<Point>| point.map(|point| point.time);
        source.raw |= source.count.is_some() && time(source.count) >= time(source.mass);
        source.air |= source.humidity.is_some() || is_room(name);
        source.pot = pots.iter().find(|(_, on)| on == name).map(|(pot, _)| pot.clone());
        if let Some(store) = store {
            source.calibration = Calibrated::of(&store.calibrations(name)?, at);
            source.unchanged = unchanged(store, source, at)?;
        }
    }
    for drift in store.map_or(Ok(Vec::new()), |store| drifts(store, at))? {
        if let Some(source) = sources.get_mut(&drift.cell) {
            source.drift = Some(drift);
        }
    }
    known.extend(sources.keys().cloned());
    let on_nothing = pots
        .into_iter()
        .filter(|(_, on)| !known.contains(on) && !known.is_empty())
        .map(|(pot, on)| {
            let near = nearest(&on, known.iter().map(Name::as_str)).map(Name::from);
            (pot, on, near)
        })
        .collect();
    let sources = sources.into_values().collect();
    Ok(Some(Shelf { at, sources, on_nothing, watched }))
}

/// What is believed of the zeros of cells.
fn drifts(store: &Store, at: Time) -> Result<Vec<Drift>, StoreError> {
    Ok(core::drifts(&store.studio(at)?))
}

/// The names that are the air of a place.
fn is_room(name: &str) -> bool {
    name == "room" || name.starts_with("room:") || name.ends_with(":room")
}

fn heard(ports: &[Port]) -> Vec<(&Name, &[Quantity])> {
    let mut all = Vec::new();
    for port in ports {
        if let State::Heard(heard) = &port.state {
            let spoke = heard.sources.iter().filter(|source| source.samples > 0);
            all.extend(spoke.map(|source| (&source.name, source.quantities.as_slice())));
        }
    }
    all
}

/// How many values of late are all the same: raw counts of an hour, or the air of a whole day.
fn unchanged(store: &Store, source: &Source, at: Time) -> Result<usize, StoreError> {
    let same = |quantity, hours: f64| -> Result<(usize, f64), StoreError> {
        let span = (at.plus(-hours * HOUR), at.plus(AHEAD_S));
        let values = store.readings_of(&source.name, quantity, span)?;
        let Some(last) = values.last() else { return Ok((0, 0.0)) };
        let alike: Vec<_> = values.iter().rev().take_while(|r| r.value == last.value).collect();
        let since = alike.last().map_or(0.0, |first| last.time.since(first.time));
        Ok((alike.len(), since))
    };
    if source.raw {
        return Ok(same(Quantity::Count, 1.0)?.0);
    }
    if source.temperature.is_none() || source.humidity.is_none() {
        return Ok(0);
    }
    let both = [same(Quantity::Temperature, 24.0)?, same(Quantity::Humidity, 24.0)?];
    let whole_day = both.iter().all(|(_, since)| *since > 20.0 * HOUR);
    Ok(if whole_day { both.map(|(n, _)| n).into_iter().min().unwrap_or(0) } else { 0 })
}

fn last_words(source: &Source) -> impl Iterator<Item = Point> {
    let all = [source.mass, source.count, source.temperature, source.humidity];
    all.into_iter().flatten()
}

/// The last that was stored, leaving out what lies in the future.
fn last_stored(shelf: &Shelf, at: Time) -> Option<Time> {
    let times = shelf.sources.iter().flat_map(last_words).map(|point| point.time);
    times.filter(|time| *time <= at.plus(AHEAD_S)).max()
}

/// How many sources have spoken within the last day, by this clock, and never later.
fn in_step(shelf: &Shelf, at: Time) -> usize {
    let lately = |point: Point| (-DAY..AHEAD_S).contains(&point.time.since(at));
    let spoke = |source: &&Source| source.ahead.is_none() && last_words(source).any(lately);
    shelf.sources.iter().filter(spoke).count()
}

#[cfg(test)]
mod tests {
    use super::*;
    #[test]
    fn whoever_has_a_device_open_is_found_and_this_process_is_not() {
        let pty = crate::simulate::pty::Pty::open(None).unwrap();
        let device = fs::metadata(pty.path()).unwrap().rdev();
        let ours = fs::File::open(pty.path()).unwrap();
        assert_eq!(holders(Path::new("/proc"), device), []);
        let theirs = ours.try_clone().unwrap();
        let mut child =
            std::process::Command::new("sleep").arg("60").stdin(theirs).spawn().unwrap();
        let found = holders(Path::new("/proc"), device);
        child.kill().unwrap();
        child.wait().unwrap();
        assert_eq!(found, [Holder { pid: child.id(), name: "sleep".into() }]);
    }

    #[test]
    fn the_watcher_is_known_by_its_number() {
        assert_eq!(process_in("process 4711, since Tue 18 Mar 2031 18:00"), Some(4711));
        assert_eq!(process_in("another process"), None);
    }
}
