//! Trim and fire calls, with their reasons.

use super::constant_mass;
use super::exchanged::Exchange;
use super::forecast::{self, BONE_DRY_MEAN, BONE_DRY_WETTEST, Band, Draw};
use super::found::What;
use super::handling::History;
use super::inference::model::{ISOTHERM, balance};
use super::inference::valleys::Doubted;
use super::report::{Fire, FireCall, Stage, TimeQuantiles, Trim, TrimCall, Warning};
use super::room::Room;
use super::witness::Drift;
use crate::records::{Body, Name, Pot};
use crate::units::{DAY, HOUR, Time};

/// `soon`: the window opens within this time, s.
const SOON: f64 = 2.0 * HOUR;
/// `ready` wants this probability that the wettest part is dry …
pub const READY: f64 = 0.95;
/// … and weighings and the room's air no older than this, s.
pub const FRESH: f64 = DAY;
/// Ware that has been dry for so long has seen damp days since, s (common practice, no source).
const STOOD: f64 = 14.0 * DAY;
/// A weight as old as this can no longer speak of a pot that is being dried, s.
const STALE: f64 = 12.0 * HOUR;

/// Of the ball's clay so much is left when the slip has gone, at least, and the bag's water was at
/// most this, wet basis (common practice, no source).
const SLIP_LEFT: f64 = 0.82;
const WETTEST_BAG: f64 = 0.27;
/// The warning of a weight that cannot be.
const DOUBTFUL_WEIGHT: &str = "weight-doubtful";
/// The warning of a pot lighter than its dry clay.
const BELOW_DRY: &str = "weight-below-dry";
/// The warning of a step that was taken for another tare: if it was water, the pot is wetter.
const OTHER_TARE: &str = "tare-not-noted";
/// The warning of a cell whose zero drifts: what it says of dryness is the cell's, not the pot's.
const DRIFTS: &str = "cell-drifts";
/// The warning of a pot that would be called ready by a log that does not fit its weights.
const MISFIT: &str = "log-does-not-fit";
/// The warning of a pot that seems to stand on another cell than the log says.
const EXCHANGED: &str = "on-not-noted";
/// Warnings with which no pot is called ready.
pub const NOT_READY: [&str; 6] =
    [DOUBTFUL_WEIGHT, BELOW_DRY, OTHER_TARE, DRIFTS, MISFIT, EXCHANGED];
/// Water below the balance with the air, kg/kg dry basis, that no drying clay has: a day that is
/// damper by 12 points of humidity than those before it explains no more of it (desorption of
/// clay, [`crate::core::clay::Sorption`]).
const BELOW_BALANCE: f64 = -0.004;
/// A weight is as good as known to be wrong, where that is as likely as this.
const SETTLED: f64 = 0.9;
/// Dry clay so many standard deviations off what ball and bag say: of a hundred pots one.
const FAR_OFF: f64 = 2.5;
/// A pot is not lifted off its scale for longer than this, s.
const LIFTED: f64 = 2.0 * HOUR;

/// What to do about trimming, from the draws.
pub fn trim(
    history: &History,
    draws: &[Draw],
    band: Band,
    opens: TimeQuantiles,
    closes: TimeQuantiles,
) -> Trim {
    let probability_now =
        forecast::probability(draws, |d| d.water[0] <= band.from && d.water[0] >= band.to);
    let too_stiff = forecast::probability(draws, |d| d.water[0] < band.to);
    let now = history.start.plus(history.now);
    let call = if history.trimmed {
        TrimCall::Done
    } else if too_stiff > 0.5 {
        TrimCall::Past
    } else if probability_now + too_stiff >= 0.5 {
        TrimCall::Now
    } else if opens.p50.is_some_and(|t| t.since(now) <= SOON) {
        TrimCall::Soon
    } else {
        TrimCall::Wait
    };
    Trim { call, probability_now, opens, closes, foot_opens: None }
}

/// Mean water (dry basis) above which a pot is plastic: it bends and takes marks where a hand grips
/// it. The body's band tells it, and with that its potter's hand (common practice, no source).
pub fn plastic_above(band: Band) -> f64 {
    band.from + 0.35 * (band.from - band.to)
}

/// Where the pot stands, from its median water.
pub fn stage(water: f64, free: f64, band: Band, fire: FireCall) -> Stage {
    // Firm: the last third of the window (common practice, no source).
    let width = band.from - band.to;
    if fire == FireCall::Ready || free <= BONE_DRY_MEAN {
        Stage::BoneDry
    } else if water > plastic_above(band) {
        Stage::Plastic
    } else if water > band.from {
        Stage::SoftLeatherHard
    } else if water > band.to + width / 3.0 {
        Stage::LeatherHard
    } else if water >= band.to {
        Stage::FirmLeatherHard
    } else {
        Stage::PastLeatherHard
    }
}

/// The warning of a pot that its draws call dry although its weights do not fit what was written
/// down, and that still loses weight: a cover that nobody noted slows a pot as dryness does, and a
/// bag that was wetter than its label keeps water for clay. `off`: by how many standard deviations
/// its dry clay is off what ball and bag say.
pub fn misfit(history: &History, room: &Room, draws: &[Draw], off: f64) -> Option<Warning> {
    let dry = forecast::probability(draws, |d| d.wettest_free <= BONE_DRY_WETTEST) >= READY;
    let dry_g = forecast::quantiles(draws, |d| d.dry_g).p50;
    let why = if forecast::quantiles(draws, |d| d.free).p50 < BELOW_BALANCE {
        "it would be drier than this air can make it"
    } else if off > FAR_OFF {
        "it would have more clay than its ball and its bag can have given"
    } else if off < -FAR_OFF {
        "it would have less clay than its ball and its bag must have given"
    } else {
        return None;
    };
    (dry && still_dries(history, room, dry_g)).then(|| Warning {
        code: MISFIT,
        text: format!(
            "by the log it is dry, but then {why}, and its weights do not show that it has \
             stopped drying: a cover or a trim may be missing in the log, or its ball or the water \
             of its bag be wrong; weigh it again tomorrow"
        ),
    })
}

/// Whether the last day's weights leave open that a pot still dries: it lost more than a thousandth
/// and what drier air takes from dry clay, or nobody weighed it then.
fn still_dries(history: &History, room: &Room, dry_g: f64) -> bool {
    let [last, before] = constant_mass::last_apart(history, 2)[..] else {
        return true;
    };
    let held = |t: f64| balance(ISOTHERM.monolayer, room.daily_humidity(t)) * dry_g;
    let by_air = (held(before.t) - held(last.t)).max(0.0);
    before.g - last.g > by_air + constant_mass::WITHIN * last.g + history.resolution
}

/// What to do about firing, from the draws; adds its reasons to the warnings.
pub fn fire(
    pot: &Pot,
    history: &History,
    room: &Room,
    draws: &[Draw],
    bone_dry: TimeQuantiles,
    warnings: &mut Vec<Warning>,
) -> Fire {
    let wettest = forecast::probability(draws, |d| d.wettest_free <= BONE_DRY_WETTEST);
    let mean = forecast::probability(draws, |d| d.free <= BONE_DRY_MEAN);
    let weighed = history.last_reading.is_some_and(|t| history.now - t <= FRESH);
    let aired = room.last_reading().is_none_or(|t| history.now - t <= FRESH);
    let dry_g = forecast::quantiles(draws, |d| d.dry_g);
    let last = history.weights.iter().rfind(|w| w.used);
    if last.is_some_and(|w| w.g < dry_g.p10) && !history.ended {
        let text = "it weighs less than its clay does when dry: if it was trimmed, note that with \
                    its time (`note POT trim --at WHEN`); if less stood on the scale, note that \
                    (`note POT tare WEIGHT --at WHEN`); if neither, the zero of its scale moved";
        warnings.push(Warning { code: BELOW_DRY, text: text.into() });
    }
    let fits = warnings.iter().all(|w| !NOT_READY.contains(&w.code));
    let call = if wettest >= READY && weighed && aired && fits {
        FireCall::Ready
    } else if mean >= 0.5 {
        FireCall::Doubtful
    } else {
        FireCall::Wait
    };
    let now = history.start.plus(history.now);
    let stood = bone_dry.p50.map(|t| now.since(t)).filter(|s| *s >= STOOD);
    let mut say = |code, text: String| warnings.push(Warning { code, text });
    if call == FireCall::Doubtful {
        if wettest < READY {
            let sure = match wettest {
                p if p < 0.01 => "under 1".into(),
                // Never rounded up to what would be enough.
                p => format!("{:.0}", (100.0 * p).floor()),
            };
            let base = match pot.base_mm {
                Some(mm) => format!("its base ({mm} mm) may still be damp inside"),
                None => "how thick its base is nobody said, and it may still be damp inside".into(),
            };
            say(
                "base-may-be-damp",
                format!("{base}: {sure}% sure that it is dry; weigh it again tomorrow"),
            );
        }
        if !weighed {
            let text = match history.last_reading {
                Some(_) => "last weighed more than a day ago: weigh it again",
                None => "only a weight can say that it is dry",
            };
            say("weigh-again", text.into());
            if let Some(for_s) = stood {
                let text = format!(
                    "it has stood dry for {}, and ware takes up water again from damp air: a \
                     fresh weight is needed before it is packed",
                    ago(for_s)
                );
                say("stood-dry", text);
            }
        }
        if !aired {
            let text = "the room's sensor has said nothing for more than a day: look after it";
            say("room-stale", text.into());
        }
    }
    let constant_mass = constant_mass::rule(history);
    Fire { call, probability_bone_dry: wettest, bone_dry, constant_mass }
}

/// Whether the last weights are none that a pot of that ball can have, trimmed or not: something
/// else stands on the scale, or it was mistyped. A lift alone, with good weights just before it, is
/// none of that.
fn weight_doubtful(pot: &Pot, body: Option<&Body>, history: &History) -> bool {
    let Some(last) = history.weights.last() else { return false };
    let Some(good) = history.weights.iter().rfind(|w| w.used) else { return true };
    let least = pot.ball_g.map(|ball| ball * lightest(body.and_then(Body::bag_water)));
    let light = !history.trimmed && least.is_some_and(|least| good.g < least);
    light || last.t - good.t > LIFTED
}

/// Share of its ball that a pot weighs at least, unless it was trimmed: its dry clay. Of the bag's
/// water, kg per kg wet clay.
pub fn lightest(bag_water_wet: Option<f64>) -> f64 {
    SLIP_LEFT * (1.0 - bag_water_wet.unwrap_or(WETTEST_BAG))
}

/// `5 h`, from two days on `3 days`.
fn ago(seconds: f64) -> String {
    match seconds {
        s if s < 2.0 * DAY => format!("{:.0} h", (s / HOUR).max(0.0)),
        s => format!("{:.0} days", s / DAY),
    }
}

/// Of a pot without a weight: what is said instead.
fn not_weighed(pot: &Pot, followed: bool, mate: Option<&Name>) -> String {
    match &pot.like {
        Some(twin) if followed => format!("not weighed itself: this follows {twin}, give or take"),
        Some(twin) => format!(
            "neither it nor {twin}, which it is like, is weighed, so this is what pots of its \
             kind do: weigh one of them"
        ),
        None => {
            let weigh = "no weighing yet, so this is what pots of its kind do: weigh it";
            match mate {
                Some(mate) => format!(
                    "{weigh}, or, if {mate} on its board is its like, say so (`pot add` with \
                     `--replace --like`): then it follows that one"
                ),
                None => weigh.into(),
            }
        }
    }
}

/// What nobody told, or told wrongly, and is supposed instead.
fn not_told(pot: &Pot, body: Option<&Body>, room: &Room, band_given: bool) -> Vec<Warning> {
    let mut out = Vec::new();
    let mut say = |code, text: String| out.push(Warning { code, text });
    if !room.is_measured() {
        let text = "no humidity sensor here: an ordinary room is supposed, and the times are wider";
        say("no-room-sensor", text.into());
    }
    if pot.ball_g.is_none() {
        let text = "the ball was not weighed before throwing, so its dry clay is a wide guess";
        say("ball-unknown", text.into());
    }
    if let Some(wet) = body.and_then(|b| b.bag_water_wet.filter(|_| b.bag_water().is_none())) {
        let text = format!(
            "bag water of {:.1} % of the wet clay cannot be and counts as not known: correct it \
             with `body add --replace`",
            100.0 * wet
        );
        say("bag-water-doubtful", text);
    }
    if pot.wall_mm.is_none() || pot.base_mm.is_none() {
        let text = "wall or base thickness was not given: a cautious guess is used";
        say("thickness-guessed", text.into());
    }
    if !band_given {
        let text = "this body has no trimming band: 23 to 16 % (dry basis) is supposed; set it \
                    with `body add --replace`";
        say("band-supposed", text.into());
    }
    out
}

/// What speaks against trusting the answer, whatever the call; whether the band is anybody's word,
/// whether a weighed sibling speaks for the pot, and which of its board might.
pub fn doubts(
    pot: &Pot,
    body: Option<&Body>,
    history: &History,
    room: &Room,
    (band_given, followed, mate): (bool, bool, Option<&Name>),
) -> Vec<Warning> {
    let warning = |code, text| Warning { code, text };
    let weight = match history.last_reading {
        None => Some(warning("no-weight", not_weighed(pot, followed, mate))),
        Some(t) if history.now - t > STALE && !history.ended => {
            let ago = ago(history.now - t);
            let text = format!("last weighed {ago} ago: weigh it, or see to its scale");
            Some(warning("reading-stale", text))
        }
        Some(_) => None,
    };
    let told = not_told(pot, body, room, band_given);
    let mut out: Vec<Warning> = weight.into_iter().chain(told).collect();
    let mut say = |code, text: String| out.push(warning(code, text));
    if history.tare_unknown {
        let text = "more stands on the scale than the ball weighed, and no tare was given: note \
                    it with `note POT tare WEIGHT`";
        say("tare-unknown", text.into());
    }
    if weight_doubtful(pot, body, history) && !history.ended {
        let text = "its last weight does not fit its ball and tare: weigh it again; if something \
                    else stood on the scale, or less, note it with `note POT tare WEIGHT`";
        say(DOUBTFUL_WEIGHT, text.into());
    }
    if let Some(Exchange { with, cell, time, .. }) = &history.exchanged {
        let when = ago((history.now - time.since(history.start)).max(0.0));
        let text = format!(
            "the weights say that it changed places with {with} about {when} ago and stands on \
             {cell}; nobody noted it"
        );
        say(EXCHANGED, text);
    }
    for find in &history.found {
        let when = ago(history.now - find.t);
        let (code, what) = match find.what {
            What::Trim => ("trim-not-noted", "it was trimmed"),
            What::Attach => ("attach-not-noted", "clay was added"),
            What::Wet => ("wet-not-noted", "it was wetted"),
            What::Sponge => ("sponge-not-noted", "it was sponged out"),
            What::Tare => (OTHER_TARE, "its scale bore something else from"),
            // A pot that came back takes nothing away from the answer.
            What::Off if find.until.is_some() => continue,
            What::Off => ("off-not-noted", "it was taken off its scale"),
        };
        say(code, format!("the weights say that {what} about {when} ago; nobody noted it"));
    }
    out
}

/// A pot that is open by the log dries as if it were not.
pub fn keeps_its_weight() -> Warning {
    let text = "it loses far less than an open pot in this air: if it is wrapped, or stands in \
                damper air, note that (`note POT cover wrapped --at WHEN`, `note POT move PLACE`)";
    Warning { code: "keeps-its-weight", text: text.into() }
}

/// The cell on which a pot stands drifts; `raw`: it sends raw counts, and can be calibrated here.
pub fn drifts(drift: &Drift, pot: &Pot, at: Time, raw: bool) -> Warning {
    let cell = &drift.cell;
    let hides = match drift.per_day.value < 0.0 {
        true => "a dry pot on it looks as if it were still drying",
        false => "it hides what a pot on it still loses",
    };
    let days = drift.to.since(drift.from) / DAY;
    let said = match &drift.pot {
        Some(by) if *by == pot.name => format!("by this pot itself, over {days:.0} days"),
        Some(by) => format!("by {by}, which stood dry on it for {days:.0} days"),
        None => format!("by itself, empty for {days:.0} days"),
    };
    let when = match at.since(drift.to) {
        s if s > 2.0 * DAY => format!(" until {} ago", ago(s)),
        _ => String::new(),
    };
    let zero = match raw {
        true => format!("calibrate it again (`calibrate {cell}`)"),
        false => "take the pot off and set its zero again".into(),
    };
    let text = format!(
        "the zero of {cell}, on which it stands, drifts: it seems to {}, told {said}{when}; \
         {hides}: {zero}, or go by another scale until then",
        drift.in_words()
    );
    Warning { code: DRIFTS, text }
}

/// One of the last weights lies off the others. Where the last one speaks against the one before,
/// that is settled once it is as good as sure.
pub fn doubted(it: &Doubted) -> Option<Warning> {
    let side = if it.off_g > 0.0 { "heavier" } else { "lighter" };
    let (which, than) = match it.is_last {
        true => ("its last weight", "its weights before led to expect"),
        false if it.share > SETTLED => return None,
        false => ("the weight before its last", "the others have it"),
    };
    let then = if it.share > 0.5 { "it hardly counts" } else { "the times are less sure" };
    let text = format!(
        "{which} is about {:.0} g {side} than {than}: weigh it once more; until then {then}",
        it.off_g.abs().max(1.0)
    );
    Some(Warning { code: DOUBTFUL_WEIGHT, text })
}

/// The fit says that a pot was turned over, which nobody wrote down.
pub fn turned_unnoted() -> Warning {
    let text = "its base dries like that of a pot turned over; nobody noted it";
    Warning { code: "flip-not-noted", text: text.into() }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::by_hand::{body, history, pot, room};
    use crate::records::Action;
    use crate::units::Time;

    const BAND: Band = Band { from: 0.23, to: 0.16 };
    const NEVER: TimeQuantiles = TimeQuantiles { p10: None, p50: None, p90: None };

    /// As many draws of each mean water as are said.
    fn water(of: &[(f64, usize)]) -> Vec<Draw> {
        let draw = |x: f64| Draw { water: [x; 3], weight: 1.0, ..Draw::default() };
        of.iter().flat_map(|(x, n)| vec![draw(*x); *n]).collect()
    }

    /// Draws of free water: of the mean and of the wettest part.
    fn free(of: &[(f64, f64, usize)]) -> Vec<Draw> {
        let draw = |free, wettest_free| Draw { free, wettest_free, weight: 1.0, ..Draw::default() };
        of.iter().flat_map(|(mean, wettest, n)| vec![draw(*mean, *wettest); *n]).collect()
    }

    fn opening(t: Option<Time>) -> TimeQuantiles {
        TimeQuantiles { p50: t, ..NEVER }
    }

    #[test]
    fn trim_calls() {
        let now = 10.0;
        let history = history(&pot(), &[], &[], now);
        let call = |draws: &[(f64, usize)], opens: f64| {
            let opens = opening(Some(history.start.plus((now + opens) * HOUR)));
            trim(&history, &water(draws), BAND, opens, NEVER)
        };
        assert_eq!(call(&[(0.28, 10)], 8.0).call, TrimCall::Wait);
        assert_eq!(call(&[(0.28, 10)], 2.1).call, TrimCall::Wait);
        assert_eq!(call(&[(0.28, 10)], 1.9).call, TrimCall::Soon);
        assert_eq!(call(&[(0.28, 6), (0.20, 4)], 1.0).call, TrimCall::Soon);
        assert_eq!(call(&[(0.28, 4), (0.20, 6)], -1.0).call, TrimCall::Now);
        assert_eq!(call(&[(0.23, 5), (0.16, 5)], 0.0).probability_now, 1.0);
        // As likely too soft as too stiff: now, rather than too late.
        assert_eq!(call(&[(0.28, 3), (0.20, 4), (0.12, 3)], 0.0).call, TrimCall::Now);
        assert_eq!(call(&[(0.20, 4), (0.12, 6)], -9.0).call, TrimCall::Past);
        assert_eq!(call(&[(0.20, 4), (0.12, 6)], -9.0).probability_now, 0.4);
        let beyond = trim(&history, &water(&[(0.28, 10)]), BAND, NEVER, NEVER);
        assert_eq!(beyond.call, TrimCall::Wait);
    }

    #[test]
    fn a_trimmed_pot_is_done_whatever_its_water() {
        let trimmed = history(&pot(), &[(5.0, Action::Trim)], &[], 10.0);
        for x in [0.28, 0.20, 0.05] {
            let call = trim(&trimmed, &water(&[(x, 10)]), BAND, NEVER, NEVER).call;
            assert_eq!(call, TrimCall::Done);
        }
    }

    #[test]
    fn stages_follow_each_other() {
        let stages: Vec<Stage> = [0.30, 0.24, 0.22, 0.17, 0.10, 0.02]
            .into_iter()
            .map(|x| stage(x, x - 0.016, BAND, FireCall::Wait))
            .collect();
        use Stage::*;
        let all =
            [Plastic, SoftLeatherHard, LeatherHard, FirmLeatherHard, PastLeatherHard, BoneDry];
        assert_eq!(stages, all);
        assert_eq!(stage(0.10, 0.08, BAND, FireCall::Ready), BoneDry);
        // A body whose band lies below the balance with the air, or that has none.
        let none = Band { from: 0.0, to: 0.0 };
        assert_eq!(stage(0.10, 0.08, none, FireCall::Wait), Plastic);
        assert_eq!(stage(0.0, 0.0, none, FireCall::Wait), BoneDry);
    }

    /// A pot that was weighed and a room that was heard some hours before now.
    fn called(draws: &[Draw], weighed: Option<f64>, heard: f64) -> (FireCall, Vec<&'static str>) {
        let (pot, now) = (pot(), 300.0);
        let weights: Vec<_> = weighed.iter().map(|ago| (now - ago, 470.0)).collect();
        let history = history(&pot, &[], &weights, now);
        let room = room(20.0, 0.5, now - heard, now);
        let mut warnings = Vec::new();
        let fire = fire(&pot, &history, &room, draws, NEVER, &mut warnings);
        (fire.call, warnings.iter().map(|w| w.code).collect())
    }

    #[test]
    fn fire_calls_with_their_reasons() {
        let dry = free(&[(0.001, 0.003, 100)]);
        let nearly = free(&[(0.001, 0.003, 94), (0.004, 0.02, 6)]);
        let enough = free(&[(0.001, 0.003, 95), (0.004, 0.02, 5)]);
        let damp = free(&[(0.004, 0.02, 60), (0.01, 0.03, 40)]);
        let wet = free(&[(0.004, 0.02, 40), (0.01, 0.03, 60)]);
        let none: Vec<&str> = Vec::new();
        assert_eq!(called(&dry, Some(1.0), 0.0), (FireCall::Ready, none.clone()));
        assert_eq!(called(&enough, Some(1.0), 0.0), (FireCall::Ready, none.clone()));
        assert_eq!(called(&nearly, Some(1.0), 0.0), (FireCall::Doubtful, vec!["base-may-be-damp"]));
        assert_eq!(called(&damp, Some(1.0), 0.0), (FireCall::Doubtful, vec!["base-may-be-damp"]));
        assert_eq!(called(&wet, Some(1.0), 0.0), (FireCall::Wait, none));
        // Not without a weighing and the room's word of the last 24 hours.
        assert_eq!(called(&dry, Some(23.9), 0.0).0, FireCall::Ready);
        assert_eq!(called(&dry, Some(24.1), 0.0), (FireCall::Doubtful, vec!["weigh-again"]));
        assert_eq!(called(&dry, None, 0.0), (FireCall::Doubtful, vec!["weigh-again"]));
        assert_eq!(called(&dry, Some(1.0), 23.5).0, FireCall::Ready);
        assert_eq!(called(&dry, Some(1.0), 24.5), (FireCall::Doubtful, vec!["room-stale"]));
        let all = vec!["base-may-be-damp", "weigh-again", "room-stale"];
        assert_eq!(called(&nearly, Some(25.0), 25.0), (FireCall::Doubtful, all));
    }

    #[test]
    fn ware_that_stood_for_weeks_wants_a_fresh_weight() {
        let dry = free(&[(0.001, 0.003, 100)]);
        let codes = |days: f64, weighed: f64| {
            let now = 24.0 * 60.0;
            let history = history(&pot(), &[], &[(now - weighed, 470.0)], now);
            let room = room(20.0, 0.5, now, now);
            let since = history.start.plus(now * HOUR - days * DAY);
            let mut warnings = Vec::new();
            let fire = fire(&pot(), &history, &room, &dry, opening(Some(since)), &mut warnings);
            (fire.call, warnings.iter().map(|w| w.code).collect::<Vec<_>>())
        };
        assert_eq!(codes(21.0, 1.0), (FireCall::Ready, vec![]));
        assert_eq!(codes(13.0, 200.0), (FireCall::Doubtful, vec!["weigh-again"]));
        assert_eq!(codes(15.0, 200.0), (FireCall::Doubtful, vec!["weigh-again", "stood-dry"]));
    }

    #[test]
    fn a_step_that_may_be_water_wants_its_answer_before_the_kiln() {
        let dry = free(&[(0.001, 0.003, 100)]);
        // A cell every quarter of an hour; 150 g more from the fifteenth hour on.
        let trace: Vec<_> = (0..=80).map(|k| 0.25 * f64::from(k)).collect();
        let trace: Vec<_> =
            trace.iter().map(|t| (*t, if *t < 15.0 { 470.0 } else { 620.0 })).collect();
        let call = |rows: &[(f64, Action)]| {
            let history = history(&pot(), rows, &trace, 20.0);
            let room = room(20.0, 0.5, 20.0, 20.0);
            let mut warnings = doubts(&pot(), Some(&body()), &history, &room, (true, true, None));
            fire(&pot(), &history, &room, &dry, NEVER, &mut warnings).call
        };
        assert_eq!(call(&[]), FireCall::Doubtful);
        assert_eq!(call(&[(15.0, Action::Tare(150.0))]), FireCall::Ready);
    }

    /// A log that does not fit is doubted for as long as the pot loses more than a thousandth a day
    /// (the rule of EN ISO 12570, from memory) and what drier air takes from dry clay.
    #[test]
    fn no_pot_is_ready_by_a_log_that_does_not_fit_its_weights() {
        let call = |free_water: f64, off: f64, lost_g: f64| {
            let draws = free(&[(free_water, free_water, 100)]);
            let weights = [(200.0, 470.0 + lost_g), (224.0, 470.0)];
            let history = history(&pot(), &[], &weights, 224.0);
            let room = room(20.0, 0.5, 224.0, 224.0);
            let mut warnings: Vec<_> = misfit(&history, &room, &draws, off).into_iter().collect();
            let call = fire(&pot(), &history, &room, &draws, NEVER, &mut warnings).call;
            (call, warnings.iter().any(|w| w.code == MISFIT))
        };
        let (ready, doubtful) = ((FireCall::Ready, false), (FireCall::Doubtful, true));
        assert_eq!(call(0.001, 0.0, 3.0), ready);
        assert_eq!(call(-0.003, 2.0, 3.0), ready);
        // Drier than the air can make it, or with clay that it cannot have.
        assert_eq!([call(-0.006, 0.0, 3.0), call(0.001, 3.0, 3.0)], [doubtful; 2]);
        assert_eq!(call(0.001, -3.0, 3.0), doubtful);
        // It has stopped: whatever was written down, there is no further drying in this air.
        assert_eq!([call(-0.006, 0.0, 0.4), call(0.001, 3.0, 0.4)], [ready; 2]);
        // Of a pot that is not dry anyhow nothing more is said.
        assert!(!call(0.02, 3.0, 3.0).1);
    }

    #[test]
    fn how_long_ago_is_said_as_people_say_it() {
        for (hours, said) in [(-0.1, "0 h"), (13.4, "13 h"), (47.4, "47 h"), (84.0, "4 days")] {
            assert_eq!(ago(hours * HOUR), said);
        }
    }

    #[test]
    fn what_was_not_told_is_asked_for() {
        let codes = |pot: &Pot, weights: &[(f64, f64)], room: &Room, band: bool| {
            let history = history(pot, &[], weights, 20.0);
            doubts(pot, Some(&body()), &history, room, (band, true, None))
                .iter()
                .map(|w| w.code)
                .collect::<Vec<_>>()
        };
        let room = room(20.0, 0.5, 20.0, 20.0);
        let unmeasured = Room::new(&[(f64::NEG_INFINITY, None)], pot().made_at, 20.0 * HOUR);
        let fresh = [(0.2, 596.0), (19.0, 510.0)];
        assert_eq!(codes(&pot(), &fresh, &room, true), [""; 0]);
        assert_eq!(codes(&pot(), &[], &room, true), ["no-weight"]);
        assert_eq!(codes(&pot(), &[(7.9, 560.0)], &room, true), ["reading-stale"]);
        assert_eq!(codes(&pot(), &[(8.1, 560.0)], &room, true), [""; 0]);
        assert_eq!(codes(&pot(), &fresh, &unmeasured, true), ["no-room-sensor"]);
        assert_eq!(codes(&pot(), &fresh, &room, false), ["band-supposed"]);
        let unknown = Pot { ball_g: None, base_mm: None, ..pot() };
        assert_eq!(codes(&unknown, &fresh, &room, true), ["ball-unknown", "thickness-guessed"]);
        assert_eq!(codes(&pot(), &[(19.0, 800.0)], &room, true), ["tare-unknown"]);
        assert_eq!(codes(&pot(), &[(19.0, 50.0)], &room, true), ["weight-doubtful"]);
    }

    #[test]
    fn a_pot_in_the_kiln_need_not_be_weighed() {
        let packed = history(&pot(), &[(5.0, Action::Kiln)], &[(1.0, 590.0)], 60.0);
        let room = room(20.0, 0.5, 60.0, 60.0);
        assert!(doubts(&pot(), Some(&body()), &packed, &room, (true, true, None)).is_empty());
    }
}
