//! The next settled weight, taken from a real pseudo-terminal.

use super::bench::{Device, Studio, Watch, line};
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;
use std::time::Duration;
use warecast::sensing::listen::SettleError;
use warecast::sensing::port::PortError;
use warecast::sensing::settle::Settled;
use warecast::store::settings::DEFAULT_BAUD;
use warecast::store::{Format, PortSettings};
use warecast::watch::next_settled;

fn port(device: &Device, text: bool) -> PortSettings {
    PortSettings {
        path: device.path.clone(),
        baud: DEFAULT_BAUD,
        format: if text { Format::Text } else { Format::Senml },
        pattern: text.then(|| r"(?P<mass>[-+]?\d+(\.\d+)?) (?P<unit>g|kg)".into()),
        source: text.then(|| "bench".into()),
        ..PortSettings::senml(&device.path, DEFAULT_BAUD)
    }
}

/// What comes of it while the device sends `line(step)` ten times per second.
fn settle(
    text: bool,
    timeout_s: u64,
    line: impl Fn(u32) -> String + Sync,
) -> Result<Settled, SettleError> {
    let mut device = Device::new();
    let port = port(&device, text);
    let (done, ended) = (AtomicBool::new(false), Duration::from_millis(100));
    thread::scope(|scope| {
        let sender = scope.spawn(|| {
            for step in 0.. {
                if done.load(Ordering::Relaxed) {
                    return;
                }
                device.send(line(step));
                thread::sleep(ended);
            }
        });
        let settled = next_settled(&port, None, Duration::from_secs(timeout_s), &|_, _| None);
        done.store(true, Ordering::Relaxed);
        sender.join().unwrap();
        settled
    })
}

#[test]
fn a_pot_is_put_on_the_scale() {
    let settled = settle(true, 30, |step| match step {
        0..8 => "0.2 g\r\n".into(),
        8..12 => format!("{} g\r\n", 200 * (step - 7)),
        _ => format!("{:.1} g\r\n", 812.4 + f64::from(step % 3) * 0.1),
    });
    let settled = settled.unwrap();
    assert!((812.4..=812.6).contains(&settled.grams), "{settled:?}");
    assert!(settled.samples >= 3 && settled.spread.unwrap() < 0.2, "{settled:?}");
}

#[test]
fn a_single_line_at_the_press_of_a_key() {
    let settled = settle(true, 30, |step| match step {
        2 => "1.204 kg\r\n".into(),
        _ => String::new(),
    });
    assert_eq!(settled, Ok(Settled { grams: 1204.0, spread: None, samples: 1 }));
}

#[test]
fn what_stands_in_the_way_is_said() {
    let restless = settle(true, 2, |step| format!("{} g\r\n", 800 + 50 * (step % 4)));
    assert!(matches!(restless, Err(SettleError::Restless(..))), "{restless:?}");
    let silent = settle(true, 1, |_| "\u{7}?\r\n".into()).unwrap_err();
    assert!(silent.to_string().contains("does not match the pattern"), "{silent}");
    let several = settle(false, 30, |step| line(&format!("cell-{}", step % 2), 0.0, 800.0));
    assert!(matches!(several, Err(SettleError::Several(..))), "{several:?}");
    let gone = PortSettings { path: "/dev/no-such-scale".into(), ..port(&Device::new(), true) };
    let gone = next_settled(&gone, None, Duration::from_secs(1), &|_, _| None).unwrap_err();
    assert!(matches!(gone, SettleError::Port(PortError::Missing(_))), "{gone:?}");
}

#[test]
fn a_port_that_watch_holds_is_not_taken_from_it() {
    let (studio, device) = (Studio::new(), Device::new());
    let _watch = Watch::on(&studio, &device.path);
    let held = next_settled(&port(&device, false), None, Duration::from_secs(1), &|_, _| None)
        .unwrap_err();
    assert!(matches!(held, SettleError::Port(PortError::Held(_))), "{held:?}");
    assert!(warecast::watch::lock::Lock::holder(&studio.path()).is_some());
}
