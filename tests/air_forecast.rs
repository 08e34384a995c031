//! The air forecast: a file tells the room's air to come, and forecasts of pots follow it for the
//! hours that it covers. The pots and their air are invented.

mod bench;
mod by_hand;

use bench::Bench;
use by_hand::{ByHand, hour, hours};
use std::fs;
use std::path::Path;
use warecast::core::report::{PotAnswer, TimeQuantiles};
use warecast::core::{assess_pot, depict_pot};
use warecast::records::{Air, Point, Studio};

/// When it is asked about, hours after it was made.
const NOW: f64 = 8.0;

/// A small pot, weighed for eight hours.
fn weighed() -> ByHand {
    let weights =
        (0..=8).map(|h| (f64::from(h), 460.0 * (1.016 + 0.29 * (-f64::from(h) / 40.0).exp())));
    weights.fold(ByHand::small(), |pot, (t, g)| pot.weighed(t, g))
}

/// In a room of 20 °C and 50 %.
fn studio() -> Studio {
    weighed().studio(NOW)
}

/// The same air, from one hour to another.
fn steady(from: f64, to: f64, celsius: f64, humidity: f64) -> Air {
    let times = (0..).map(|k| from + 3.0 * f64::from(k)).take_while(|t| *t <= to);
    let row = |t: f64, value| Point { time: hour(t), value };
    let times: Vec<f64> = times.collect();
    Air {
        temperature: times.iter().map(|t| row(*t, celsius)).collect(),
        humidity: times.iter().map(|t| row(*t, humidity)).collect(),
    }
}

fn told(air: Air) -> PotAnswer {
    assess_pot(&Studio { air_to_come: air, ..studio() }, "planter").unwrap()
}

fn width(q: &TimeQuantiles) -> f64 {
    hours(q.p90) - hours(q.p10)
}

fn events(a: &PotAnswer) -> [TimeQuantiles; 3] {
    [a.trim.opens, a.trim.closes, a.fire.bone_dry]
}

#[test]
fn a_damp_week_keeps_a_pot_wet_and_a_dry_one_dries_it() {
    let plain = told(Air::default());
    let damp = told(steady(NOW, 180.0, 18.0, 0.80));
    let dry = told(steady(NOW, 180.0, 24.0, 0.30));
    for ((plain, damp), dry) in events(&plain).iter().zip(events(&damp)).zip(events(&dry)) {
        let [plain, damp, dry] = [*plain, damp, dry].map(|q| [q.p10, q.p50, q.p90].map(hours));
        for k in 0..3 {
            assert!(dry[k] < plain[k] && plain[k] < damp[k], "{dry:?} {plain:?} {damp:?}");
        }
    }
    // By Dalton's law evaporation goes with the deficit: 1169 Pa at 20 °C and 50 %, 413 Pa at
    // 18 °C and 80 % (saturation pressures: ASHRAE Fundamentals 2017, ch. 1, eq. 6).
    let wait = |a: &PotAnswer| hours(a.trim.opens.p50) - NOW;
    let slower = wait(&damp) / wait(&plain);
    assert!((2.0..4.0).contains(&slower), "{slower}");
    // What was until now is as it was.
    assert_eq!((plain.water, plain.dry_mass_g), (damp.water, damp.dry_mass_g));
    assert_eq!(plain.fire.probability_bone_dry, damp.fire.probability_bone_dry);
}

/// A forecast of the very air that was expected anyhow makes surer, and nothing else. In damp air,
/// where a little more or less of it changes most, and as the mean of pots whose names, and with
/// them the draws, differ.
#[test]
fn what_is_told_is_surer_where_it_is_told_and_nowhere_else() {
    let names = ["a", "b", "c", "d", "e", "f", "g", "h"];
    let ask = |air: Air| -> Vec<PotAnswer> {
        let named = |name: &&str| {
            let mut pot = weighed().room(20.0, 0.80);
            pot.pot.name = (*name).into();
            let studio = Studio { air_to_come: air.clone(), ..pot.studio(NOW) };
            depict_pot(&studio, name).unwrap()
        };
        names.iter().map(named).collect()
    };
    // How wide the water is open at so many hours, of all pots together.
    let open = |all: &[PotAnswer], at: f64| -> f64 {
        let of = |a: &PotAnswer| {
            let next = a.story.water.partition_point(|(t, _)| *t < hour(at));
            a.story.water[next].1.p90 - a.story.water[next].1.p10
        };
        all.iter().map(of).sum()
    };
    let (plain, told) = (ask(Air::default()), ask(steady(NOW, NOW + 24.0, 20.0, 0.80)));
    let share = |hours: f64| open(&told, NOW + hours) / open(&plain, NOW + hours);
    for hours in [1.0, 2.0, 4.0, 8.0, 12.0, 16.0, 20.0, 24.0] {
        assert!(share(hours) < 1.005, "{hours}: {}", share(hours));
    }
    assert!(share(20.0) < 0.96, "{}", share(20.0));
    for hours in [96.0, 120.0] {
        assert!((share(hours) - 1.0).abs() < 0.02, "{hours}: {}", share(hours));
    }
    let closes = |all: &[PotAnswer]| all.iter().map(|a| width(&a.trim.closes)).sum::<f64>();
    assert!(closes(&told) < 0.97 * closes(&plain));
    // One that begins later changes nothing before.
    let late = ask(steady(NOW + 48.0, NOW + 72.0, 14.0, 0.95));
    for (late, plain) in late.iter().zip(&plain) {
        let before = |a: &PotAnswer| {
            let water = a.story.water.iter().filter(|(t, _)| *t < hour(NOW + 48.0));
            water.copied().collect::<Vec<_>>()
        };
        assert_eq!(before(late), before(plain));
        assert_eq!(late.trim.opens.p10, plain.trim.opens.p10);
    }
    for (late, plain) in late.iter().zip(&plain) {
        let after = |a: &PotAnswer| {
            let water = &a.story.water;
            water[water.partition_point(|(t, _)| *t < hour(NOW + 72.0))].1.p50
        };
        assert!(after(late) > after(plain));
    }
}

#[test]
fn a_place_with_its_own_sensor_goes_by_that() {
    let mut studio = studio();
    studio.pots.get_mut("planter").unwrap().place = Some("loft".into());
    let ask = |studio: &Studio, air: Air| {
        assess_pot(&Studio { air_to_come: air, ..studio.clone() }, "planter").unwrap().trim
    };
    let damp = || steady(NOW, 180.0, 18.0, 0.80);
    assert_ne!(ask(&studio, damp()), ask(&studio, Air::default()));
    let air = studio.air[""].clone();
    studio.air.insert("loft".into(), air);
    assert_eq!(ask(&studio, damp()), ask(&studio, Air::default()));
}

// ---------------------------------------------------------------------------- the real binary

/// A pot of 2 April 2021, weighed some times, in a measured room.
fn with_jar() -> Bench {
    let bench = Bench::with_pots();
    for (time, grams) in [("9:30", "611"), ("12:00", "607"), ("15:00", "602"), ("18:00", "597")] {
        bench.done(&["weigh", "jar-1", grams, "--at", &format!("2021-04-02 {time}")]);
    }
    let files = bench.0.path().join("room");
    fs::create_dir(&files).unwrap();
    let mut rows = String::from("time,source,quantity,value,unit,pot\n");
    for hour in 0..=17 {
        rows += &format!("2021-04-02T{hour:02}:00:00Z,room,temperature,20,Cel,\n");
        rows += &format!("2021-04-02T{hour:02}:00:00Z,room,humidity,50,%RH,\n");
    }
    fs::write(files.join("readings.csv"), rows).unwrap();
    assert_eq!(bench.run(&["import", files.to_str().unwrap()]).status, 0);
    bench
}

const DAMP: &str = "time,temperature_c,humidity_percent\n\
                    2021-04-02T18:00:00Z,18,85\n\
                    2021-04-03T06:00:00Z,17,90\n\
                    2021-04-03T18:00:00Z,18,85\n\
                    2021-04-04T06:00:00Z,17,90\n";

const AT: [&str; 2] = ["--at", "2021-04-02T18:00:00Z"];

fn opens(json: &str) -> String {
    let report: serde_json::Value = serde_json::from_str(json).unwrap();
    report["pots"][0]["trim"]["opens"]["p50"].as_str().unwrap().into()
}

#[test]
fn a_file_in_the_studios_folder_is_followed_while_it_lasts() {
    let bench = with_jar();
    let json = |at: &str| bench.done(&["report", "--json", "--at", at]);
    let page = || bench.done(&[&["report"], &AT[..]].concat());
    let plain = json(AT[1]);
    assert!(!page().contains("air forecast"));
    let file = bench.dir().join("air_forecast.csv");
    fs::write(&file, DAMP).unwrap();
    assert!(opens(&json(AT[1])) > opens(&plain));
    assert_eq!(json(AT[1]), json(AT[1]));
    let said = "The air to come is the air forecast's until Sun 07:00.";
    assert!(page().contains(said), "{}", page());
    // Who asks as of noon knows nothing of a forecast of the evening; who asks later, neither.
    for (at, says) in [
        ("2021-04-02T11:59:00Z", "begins only Fri 19:00: it is not used yet"),
        (
            "2021-04-04T06:00:00Z",
            "ended Sun 07:00: it is not used; put a newer one there, or take it away",
        ),
    ] {
        let with = bench.run(&["report", "--json", "--at", at]);
        assert_eq!(with.status, 0);
        assert_eq!(with.err, format!("warecast: {} {says}\n", file.display()));
        fs::rename(&file, bench.dir().join("away")).unwrap();
        assert_eq!(with.out, json(at));
        fs::rename(bench.dir().join("away"), &file).unwrap();
    }
}

#[test]
fn the_settings_may_name_the_file_and_bad_rows_are_told() {
    let bench = with_jar();
    let settings = |text: &str| fs::write(bench.dir().join("studio.toml"), text).unwrap();
    settings("air_forecast = \"../weather.csv\"\n");
    let report = || bench.run(&[&["report"], &AT[..]].concat());
    let file = bench.dir().join("../weather.csv");
    let missing = report();
    let nothing = "there is nothing of that name";
    assert_eq!((missing.status, missing.out.contains("air forecast")), (0, false));
    assert_eq!(missing.err, format!("warecast: {}: {nothing}\n", file.display()));
    let spoilt = DAMP.replace("17,90\n2021-04-03T18", "170,90\n2021-04-03T18");
    fs::write(&file, spoilt).unwrap();
    let spoilt = report();
    assert_eq!(
        (spoilt.status, spoilt.err),
        (
            0,
            format!(
                "warecast: {0}:3: temperature_c: a temperature outside -60…120 °C\n\
                 warecast: {0} says nothing between Fri 19:00 and Sat 19:00: its rows may lie up \
                 to 12 hours apart\n",
                file.display()
            )
        )
    );
    assert!(spoilt.out.contains("air forecast's until Fri 19:00"), "{}", spoilt.out);
    settings("air_forecast = 3\n");
    assert!(report().err.contains("studio.toml:1:16: "), "{}", report().err);
}

#[test]
fn the_forecast_goes_out_and_comes_in_with_the_studio() {
    let bench = with_jar();
    fs::write(bench.dir().join("air_forecast.csv"), DAMP).unwrap();
    let folder = bench.0.path().join("out");
    let out = folder.to_str().unwrap();
    let export = bench.run(&["export", out]);
    assert!(export.err.contains("air_forecast.csv: 4 written\n"), "{}", export.err);
    let other = bench.0.path().join("other");
    let with = |args: &[&str]| bench.run(&[&["--studio", other.to_str().unwrap()], args].concat());
    let import = |folder: &Path, more: &[&str]| {
        with(&[&["import", folder.to_str().unwrap()], more].concat())
    };
    let told = |said: &bench::Said| {
        let of = |line: &&str| line.starts_with("air_forecast.csv: ");
        said.err.lines().find(of).unwrap().to_owned()
    };
    assert_eq!(told(&import(&folder, &[])), "air_forecast.csv: 4 added");
    let report = [&["report", "--json"], &AT[..]].concat();
    assert_eq!(with(&report).out, bench.done(&report));
    assert_eq!(told(&import(&folder, &[])), "air_forecast.csv: 0 added, 4 there already");
    // Another one takes its place when that is asked for, and not before.
    fs::write(folder.join("air_forecast.csv"), DAMP.replace("85", "45")).unwrap();
    let refused = import(&folder, &[]);
    assert_eq!(refused.status, 1);
    assert!(
        refused.err.starts_with(
            "air_forecast.csv:1: time: the studio has another air forecast; --replace takes this \
             one\n"
        ),
        "{}",
        refused.err
    );
    assert_eq!(with(&report).out, bench.done(&report));
    assert_eq!(told(&import(&folder, &["--replace"])), "air_forecast.csv: 0 added, 4 replaced");
    assert_ne!(with(&report).out, bench.done(&report));
    // A bad row keeps all of it out where that is asked for.
    let spoilt = format!("{DAMP}2021-04-05T06:00:00Z,x,50\n");
    fs::write(folder.join("air_forecast.csv"), spoilt).unwrap();
    let before = fs::read_to_string(other.join("air_forecast.csv")).unwrap();
    assert_eq!(import(&folder, &["--replace", "--strict"]).status, 1);
    assert_eq!(fs::read_to_string(other.join("air_forecast.csv")).unwrap(), before);
}

#[test]
fn an_export_into_the_studios_own_folder_leaves_the_forecast_there_as_it_is() {
    let bench = with_jar();
    let own = bench.dir().join("air_forecast.csv");
    // A row that is put right later, and would be missing from a file made anew.
    let text = format!("{DAMP}2021-04-05T06:00:00Z,x,50\n");
    for there in [None, Some(text.as_str())] {
        if let Some(text) = there {
            fs::write(&own, text).unwrap();
        }
        for more in [&[][..], &["--force"]] {
            let said =
                bench.run(&[&["export", bench.dir().join(".").to_str().unwrap()], more].concat());
            assert!(said.status == 2 && said.err.contains("own folder"), "{}", said.err);
            assert_eq!(fs::read_to_string(&own).ok().as_deref(), there);
        }
    }
}
