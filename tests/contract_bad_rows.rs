//! Rows of the studio files that are refused: every kind, with the exact words.
//!
//! The rules are those of the project's studio files (README); times are RFC 3339, CSV is
//! RFC 4180.

mod studio_files;

use studio_files::{
    AIR, BLENDS, BODIES, CALIBRATIONS, COMPARISONS, COUNTS, HANDLING, KILN, LENIENT, POTS,
    READINGS, SAMPLES, ZERO_DRIFTS, folder, snapshots, take, with_bowl, with_moved_bowl,
};
use warecast::store::files::{Counts, FILES, Options};

/// Every kind of bad row: file, row, what is said about it after `file:2: `.
const BAD_ROWS: &[(&str, &str, &str)] = &[
    // names
    ("bodies.csv", ",22,,", "body: is empty; expected a name"),
    ("bodies.csv", "a/b,22,,", "body: a name cannot hold control characters or '/'; got \"a/b\""),
    (
        "bodies.csv",
        "a\u{1b}[2Jb,22,,",
        "body: a name cannot hold control characters or '/'; got \"a\\u{1b}[2Jb\"",
    ),
    (
        "bodies.csv",
        "\"two\nlines\",22,,",
        "body: a name cannot hold control characters or '/'; got \"two\\nlines\"",
    ),
    (
        "bodies.csv",
        "x2345678901234567890123456789012345678901234567890123456789012345,,,",
        "body: a name has at most 64 characters; got \"x234567890123456789012345678901234567890…\"",
    ),
    (
        "bodies.csv",
        "=cmd(),22,,",
        "body: a name cannot begin with '=', '+', '-' or '@' (a formula in spreadsheets); \
         got \"=cmd()\"",
    ),
    (
        "pots.csv",
        "+1,clay,2031-04-02T09:00:00Z,,,,,,,,",
        "pot: a name cannot begin with '=', '+', '-' or '@' (a formula in spreadsheets); got \"+1\"",
    ),
    (
        "pots.csv",
        "jar,clay,2031-04-02T09:00:00Z,,,,,-bag,,,",
        "lot: a name cannot begin with '=', '+', '-' or '@' (a formula in spreadsheets); \
         got \"-bag\"",
    ),
    (
        "handling.csv",
        "2031-04-02T09:00:00Z,bowl,on,@cell",
        "detail: a name cannot begin with '=', '+', '-' or '@' (a formula in spreadsheets); \
         got \"@cell\"",
    ),
    (
        "readings.csv",
        "2031-04-02T09:00:00Z,=A1,mass,1,g,,,",
        "source: a name cannot begin with '=', '+', '-' or '@' (a formula in spreadsheets); \
         got \"=A1\"",
    ),
    // numbers
    (
        "bodies.csv",
        "raku,wet,,",
        "bag_water_wet_percent: \"wet\" is not a finite number; expected one like 812.4",
    ),
    (
        "bodies.csv",
        "raku,\"22,5\",,",
        "bag_water_wet_percent: \"22,5\" is not a finite number; expected one like 812.4 \
         (with a point, not a comma)",
    ),
    (
        "bodies.csv",
        "raku,NaN,,",
        "bag_water_wet_percent: \"NaN\" is not a finite number; expected one like 812.4",
    ),
    (
        "bodies.csv",
        "raku,,inf,",
        "trim_from_dry_percent: \"inf\" is not a finite number; expected one like 812.4",
    ),
    (
        "bodies.csv",
        "raku,,1e999,",
        "trim_from_dry_percent: \"1e999\" is not a finite number; expected one like 812.4",
    ),
    (
        "bodies.csv",
        "raku,100,,",
        "bag_water_wet_percent: expected 0 to below 100 (% of the wet clay); leave it empty if it \
         is not known",
    ),
    (
        "bodies.csv",
        "raku,,-1,",
        "trim_from_dry_percent: expected 0 or more (% of the dry clay); leave it empty if it is \
         not known",
    ),
    (
        "bodies.csv",
        "raku,,17,24",
        "trim_to_dry_percent: lies above trim_from_dry_percent; a pot dries from the upper to the \
         lower one",
    ),
    (
        "pots.csv",
        "jar,clay,2031-04-02T09:00:00Z,0,,,,,,,",
        "ball_g: expected more than 0 g; leave it empty if it is not known",
    ),
    (
        "pots.csv",
        "jar,clay,2031-04-02T09:00:00Z,,,,-9,,,,",
        "base_mm: expected 1 to 200 mm (were centimetres meant?); leave it empty if it is not known",
    ),
    (
        "pots.csv",
        "jar,clay,2031-04-02T09:00:00Z,,,0.6,,,,,",
        "wall_mm: expected 1 to 200 mm (were centimetres meant?); leave it empty if it is not known",
    ),
    (
        "pots.csv",
        "jar,clay,2031-04-02T09:00:00Z,,,5000,,,,,",
        "wall_mm: expected 1 to 200 mm (were centimetres meant?); leave it empty if it is not known",
    ),
    ("readings.csv", "2031-04-02T09:00:00Z,cell,mass,,g,,,", "value: is empty; expected a number"),
    (
        "readings.csv",
        "2031-04-02T09:00:00Z,cell,mass,812.4 g,g,,,",
        "value: \"812.4 g\" is not a finite number; expected one like 812.4",
    ),
    (
        "readings.csv",
        "2031-04-02T09:00:00Z,cell,mass,1e307,kg,,,",
        "value: \"1e307\" is not a finite number; expected one like 812.4",
    ),
    (
        "readings.csv",
        "2031-04-02T09:00:00Z,room,temperature,-60.1,Cel,,,",
        "value: a temperature outside -60…120 °C",
    ),
    (
        "readings.csv",
        "2031-04-02T09:00:00Z,room,temperature,248.1,degF,,,",
        "value: a temperature outside -60…120 °C",
    ),
    (
        "readings.csv",
        "2031-04-02T09:00:00Z,room,humidity,110.1,%RH,,,",
        "value: a humidity outside 0…110 %RH",
    ),
    (
        "readings.csv",
        "2031-04-02T09:00:00Z,room,humidity,-0.1,%RH,,,",
        "value: a humidity outside 0…110 %RH",
    ),
    (
        "readings.csv",
        "2031-04-02T09:00:00Z,cell,mass,1,g,,0,",
        "count: expected 1 or more samples, or nothing",
    ),
    (
        "readings.csv",
        "2031-04-02T09:00:00Z,cell,mass,1,g,,2.5,",
        "count: \"2.5\" is no number of samples; expected one like 100",
    ),
    (
        "readings.csv",
        "2031-04-02T09:00:00Z,cell,mass,1,g,,3,-0.1",
        "spread: expected 0 or more; leave it empty if it is not known",
    ),
    // times
    (
        "pots.csv",
        "jar,clay,,,,,,,,,",
        "made_at: is empty; expected a time like 2031-04-02T18:25:00Z",
    ),
    (
        "pots.csv",
        "jar,clay,2031-04-02T09:00:00,,,,,,,,",
        "made_at: not a time: expected RFC 3339 with an offset, like 2031-04-02T18:25:00Z; \
         got \"2031-04-02T09:00:00\"",
    ),
    (
        "handling.csv",
        "yesterday,bowl,trim,",
        "time: not a time: expected RFC 3339 with an offset, like 2031-04-02T18:25:00Z; \
         got \"yesterday\"",
    ),
    (
        "handling.csv",
        "2031-02-30T09:00:00Z,bowl,trim,",
        "time: not a time: expected RFC 3339 with an offset, like 2031-04-02T18:25:00Z; \
         got \"2031-02-30T09:00:00Z\"",
    ),
    (
        "readings.csv",
        "1969-12-31T23:59:59Z,cell,mass,1,g,,,",
        "time: time outside 1970–2200; got \"1969-12-31T23:59:59Z\"",
    ),
    (
        "readings.csv",
        "2200-01-01T00:00:00.000001Z,cell,mass,1,g,,,",
        "time: time outside 1970–2200; got \"2200-01-01T00:00:00.000001Z\"",
    ),
    // what must be there
    (
        "pots.csv",
        "jar,porcelain,2031-04-02T09:00:00Z,,,,,,,,",
        "body: no body named \"porcelain\" in this studio; add the body first",
    ),
    (
        "pots.csv",
        "jar,clay,2031-04-02T09:00:00Z,,,,,,,jar,",
        "like: a pot cannot be its own sibling",
    ),
    (
        "handling.csv",
        "2031-04-02T09:00:00Z,vase,trim,",
        "pot: no pot named \"vase\" in this studio; add the pot first",
    ),
    (
        "readings.csv",
        "2031-04-02T09:00:00Z,bench,mass,1,g,vase,,",
        "pot: no pot named \"vase\" in this studio; add the pot first",
    ),
    // actions
    (
        "handling.csv",
        "2031-04-02T09:00:00Z,bowl,,",
        "action: is empty; expected an action such as cover or trim",
    ),
    (
        "handling.csv",
        "2031-04-02T09:00:00Z,bowl,bake,",
        "action: no such action: expected one of on, off, tare, cover, flip, move, trim, attach, \
         sponge, wet, verdict, length, outcome, kiln, lost; got \"bake\"",
    ),
    (
        "handling.csv",
        "2031-04-02T09:00:00Z,bowl,trim,much",
        "detail: trim wants no detail; got \"much\"",
    ),
    ("handling.csv", "2031-04-02T09:00:00Z,bowl,tare,", "detail: tare wants grams; got \"\""),
    ("handling.csv", "2031-04-02T09:00:00Z,bowl,tare,inf", "detail: tare wants grams; got \"inf\""),
    (
        "handling.csv",
        "2031-04-02T09:00:00Z,bowl,cover,plastic",
        "detail: cover wants open, draped, wrapped or cupboard; got \"plastic\"",
    ),
    (
        "handling.csv",
        "2031-04-02T09:00:00Z,bowl,on,",
        "detail: on wants the name of a scale or cell; got \"\"",
    ),
    (
        "handling.csv",
        "2031-04-02T09:00:00Z,bowl,move,a/b",
        "detail: move wants the name of a place; got \"a/b\"",
    ),
    (
        "handling.csv",
        "2031-04-02T09:00:00Z,bowl,attach,-3",
        "detail: attach wants grams of wet clay, or nothing; got \"-3\"",
    ),
    (
        "handling.csv",
        "2031-04-02T09:00:00Z,bowl,verdict,perfect",
        "detail: verdict wants soft, right or stiff; got \"perfect\"",
    ),
    (
        "handling.csv",
        "2031-04-02T09:00:00Z,bowl,length,0",
        "detail: length wants millimetres; got \"0\"",
    ),
    (
        "handling.csv",
        "2031-04-02T09:00:00Z,bowl,outcome,fine",
        "detail: outcome wants sound, cracked-drying, cracked-cooling, warped or burst; \
         got \"fine\"",
    ),
    (
        "handling.csv",
        "2031-04-02T09:00:00Z,bowl,lost,\"fell\noff\"",
        "detail: a reason cannot hold line breaks or control characters",
    ),
    // quantities and units
    (
        "readings.csv",
        "2031-04-02T09:00:00Z,cell,weight,1,g,,,",
        "quantity: \"weight\" is none; expected mass, temperature or humidity",
    ),
    (
        "readings.csv",
        "2031-04-02T09:00:00Z,cell,mass,1,stone,,,",
        "unit: \"stone\" is no unit of mass; expected g, kg, oz or lb",
    ),
    (
        "readings.csv",
        "2031-04-02T09:00:00Z,cell,mass,1,,,,",
        "unit: is empty; expected a unit such as g",
    ),
    (
        "readings.csv",
        "2031-04-02T09:00:00Z,room,temperature,20,C,,,",
        "unit: \"C\" is no unit of temperature; expected Cel or degF",
    ),
    (
        "readings.csv",
        "2031-04-02T09:00:00Z,room,humidity,54,%,,,",
        "unit: \"%\" is no unit of humidity; expected %RH",
    ),
    ("readings.csv", "2031-04-02T09:00:00Z,,mass,1,g,,,", "source: is empty; expected a name"),
    // samples
    ("samples.csv", "2031-04-02T09:00:00Z,,clay,,wet,80,,,", "sample: is empty; expected a name"),
    (
        "samples.csv",
        "2031-04-02T09:00:00Z,offcut,mud,,wet,80,,,",
        "body: no body named \"mud\" in this studio; add the body first",
    ),
    (
        "samples.csv",
        "2031-04-02T09:00:00Z,offcut,clay,a/b,wet,80,,,",
        "lot: a name cannot hold control characters or '/'; got \"a/b\"",
    ),
    (
        "samples.csv",
        "2031-04-02T09:00:00Z,offcut,clay,,baked,80,,,",
        "drying: \"baked\" is no way of drying; expected wet, room or oven",
    ),
    (
        "samples.csv",
        "2031-04-02T09:00:00Z,offcut,clay,,wet,,,,",
        "mass_g: is empty; expected a number like 812.4",
    ),
    (
        "samples.csv",
        "2031-04-02T09:00:00Z,offcut,clay,,wet,0,,,",
        "mass_g: expected more than 0 g; leave it empty if it is not known",
    ),
    (
        "samples.csv",
        "2031-04-02T09:00:00Z,offcut,clay,,wet,80,80,,",
        "tare_g: the dish alone weighs no less than dish and sample together",
    ),
    (
        "samples.csv",
        "2031-04-02T09:00:00Z,offcut,clay,,room,80,,111,",
        "humidity_percent: expected 0 to 110 (%RH); leave it empty if it is not known",
    ),
    (
        "samples.csv",
        "2031-04-02T09:00:00Z,offcut,clay,,oven,80,,50,",
        "humidity_percent: an oven has none of its own: leave it empty",
    ),
    (
        "samples.csv",
        "2031-04-02T09:00:00Z,offcut,clay,,wet,80,,,0",
        "scale_step_g: expected more than 0 g; leave it empty if it is not known",
    ),
    (
        "samples.csv",
        "2031-04-02T09:00,offcut,clay,,wet,80,,,",
        "time: not a time: expected RFC 3339 with an offset, like 2031-04-02T18:25:00Z; \
         got \"2031-04-02T09:00\"",
    ),
    // blends
    ("blends.csv", "clay,wet,other,5", "kind: \"wet\" is neither part nor add"),
    (
        "blends.csv",
        "mud,part,clay,5",
        "body: no body named \"mud\" in this studio; add the body first",
    ),
    (
        "blends.csv",
        "clay,part,mud,5",
        "name: no body named \"mud\" in this studio; add the body first",
    ),
    ("blends.csv", "clay,part,clay,5", "name: \"clay\" would be a part of itself"),
    (
        "blends.csv",
        "clay,add,grog,-1",
        "mass_g: expected more than 0 g; leave it empty if it is not known",
    ),
    ("blends.csv", "clay,add,,5", "name: is empty; expected a name"),
    ("counts.csv", "2031-04-02T09:00:00Z,,5,,", "source: is empty; expected a name"),
    (
        "counts.csv",
        "2031-04-02T09:00:00Z,ce\u{4}ll,5,,",
        "source: a name cannot hold control characters or '/'; got \"ce\\u{4}ll\"",
    ),
    (
        "counts.csv",
        "2031-04-02T09:00:00Z,a/b,5,,",
        "source: a name cannot hold control characters or '/'; got \"a/b\"",
    ),
    (
        "counts.csv",
        "2031-04-02T09:00:00Z,cell,much,,",
        "raw: \"much\" is not a finite number; expected one like 812.4",
    ),
    (
        "counts.csv",
        "2031-04-02T09:00:00Z,cell,5,0,",
        "samples: expected 1 or more samples, or nothing",
    ),
    (
        "counts.csv",
        "2031-04-02T09:00:00Z,cell,5,1.5,",
        "samples: \"1.5\" is no number of samples; expected one like 100",
    ),
    (
        "counts.csv",
        "2031-04-02T09:00:00Z,cell,5,2,-1",
        "spread: expected 0 or more; leave it empty if it is not known",
    ),
    (
        "calibrations.csv",
        "cell,2031-04-02T10:00:00Z,2031-04-02T10:05:00Z,-5,,5,,,",
        "mass_g: expected 0 g or more; leave it empty if it is not known",
    ),
    (
        "calibrations.csv",
        "cell,2031-04-02T10:00:00Z,2031-04-02T10:05:00Z,5,,5,,,200",
        "temperature_c: expected a temperature of -60…120 °C; leave it empty if it is not known",
    ),
    (
        "zero_drifts.csv",
        "cell,2031-04-02T10:00:00Z,5,-1,room",
        "raw_per_c_u: expected 0 or more; leave it empty if it is not known",
    ),
    ("zero_drifts.csv", "cell,2031-04-02T10:00:00Z,5,,", "thermometer: is empty; expected a name"),
    // comparisons
    ("comparisons.csv", "a,b,c,0,,7,2031-04-02T10:00:00Z", "rank: expected 1 or more"),
    ("comparisons.csv", "a,b,c,,,7,2031-04-02T10:00:00Z", "rank: is empty; expected a number"),
    ("comparisons.csv", "a,b,c,1,0,7,2031-04-02T10:00:00Z", "pair: expected 1 or more, or nothing"),
    ("comparisons.csv", "a,b,,1,,7,2031-04-02T10:00:00Z", "treatment: is empty; expected a name"),
    (
        "comparisons.csv",
        "a,b,c,1,,-7,2031-04-02T10:00:00Z",
        "seed: \"-7\" is no whole number from 0 to 4294967295",
    ),
    ("kiln_loads.csv", ",2031-04-09T10:00:00Z,bowl", "load: is empty; expected a name"),
    // the air to come
    (
        "air_forecast.csv",
        "2031-04-02T09:00,18,60",
        "time: not a time: expected RFC 3339 with an offset, like 2031-04-02T18:25:00Z; \
         got \"2031-04-02T09:00\"",
    ),
    (
        "air_forecast.csv",
        "2031-04-02T09:00:00Z,180,60",
        "temperature_c: a temperature outside -60…120 °C",
    ),
    (
        "air_forecast.csv",
        "2031-04-02T09:00:00Z,18,111",
        "humidity_percent: a humidity outside 0…110 %RH",
    ),
    (
        "air_forecast.csv",
        "2031-04-02T09:00:00Z,,60",
        "temperature_c: is empty; expected a number like 812.4",
    ),
    // the row as such
    (
        "handling.csv",
        "2031-04-02T09:00:00Z,bowl,off",
        "detail: 3 fields, but the header has 4; an empty field still needs its comma",
    ),
    (
        "readings.csv",
        "2031-04-02T09:00:00Z,cell,mass,812,4,g,,,",
        "spread: 9 fields, but the header has 8; a number with a decimal comma, or a comma in a \
         name without quotes?",
    ),
    (
        "handling.csv",
        "2031-04-02T09:00:00Z,bowl,lost,\"fell",
        "detail: a quote (\") is not closed, or something follows a closed one; expected \"…\" \
         around the whole field, and \"\" for a quote inside it",
    ),
];

fn header_of(file: &str) -> &'static str {
    match file {
        "bodies.csv" => BODIES,
        "pots.csv" => POTS,
        "handling.csv" => HANDLING,
        "samples.csv" => SAMPLES,
        "blends.csv" => BLENDS,
        "counts.csv" => COUNTS,
        "calibrations.csv" => CALIBRATIONS,
        "zero_drifts.csv" => ZERO_DRIFTS,
        "comparisons.csv" => COMPARISONS,
        "air_forecast.csv" => AIR,
        "kiln_loads.csv" => KILN,
        "planned.csv" => HANDLING,
        _ => READINGS,
    }
}

/// A good row for a file, which must survive next to a bad one.
fn good_row(file: &str) -> &'static str {
    match file {
        "bodies.csv" => "good clay,22,24,17",
        "pots.csv" => "good pot,clay,2031-04-02T10:00:00Z,600,,,,,,,",
        "handling.csv" => "2031-04-02T10:00:00Z,bowl,flip,",
        "samples.csv" => "2031-04-02T10:00:00Z,good offcut,clay,bag-3,room,80.5,9.5,54,0.1",
        "blends.csv" => "clay,add,grog,300",
        "counts.csv" => "2031-04-02T10:00:00Z,cell,8388607,100,20.5",
        "calibrations.csv" => "cell,2031-04-02T10:00:00Z,2031-04-02T10:05:00Z,500,1,208000,9,2,20",
        "zero_drifts.csv" => "cell,2031-04-02T10:00:00Z,-12.5,3,room",
        "comparisons.csv" => "plastic,bowl,open,1,,7,2031-04-02T10:00:00Z",
        "kiln_loads.csv" => "spring,2031-04-09T10:00:00Z,bowl",
        "planned.csv" => "2031-04-02T12:00:00Z,bowl,move,loft",
        "air_forecast.csv" => "2031-04-02T10:00:00Z,18,60",
        _ => "2031-04-02T10:00:00Z,room,temperature,20,Cel,,,",
    }
}

/// All bad rows of a file and a good one after them; what must be said.
fn bad_file(file: &str) -> (String, Vec<String>) {
    let mut text = header_of(file).to_owned();
    let mut told = Vec::new();
    for (_, row, message) in BAD_ROWS.iter().filter(|(of, ..)| *of == file) {
        told.push(format!("{file}:{}: {message}", text.lines().count() + 1));
        text += row;
        text += "\n";
    }
    (text + good_row(file) + "\n", told)
}

#[test]
fn every_kind_of_bad_row_is_refused_with_its_place_and_the_good_ones_are_kept() {
    for file in FILES {
        let (_dir, mut store) = with_moved_bowl();
        let (text, expected) = bad_file(file);
        let files = folder(&[(file, text.as_bytes())]);
        let (imported, told) = take(&mut store, files.path(), LENIENT);
        for (told, expected) in told.iter().zip(&expected) {
            assert_eq!(told, expected);
        }
        let counts = Counts { added: 1, refused: expected.len(), ..Counts::default() };
        assert_eq!(imported.files, [(file, counts)], "{told:#?}");
        assert!(imported.kept);
    }
}

#[test]
fn what_is_odd_is_told_with_its_place_and_kept() {
    let (_dir, mut store) = with_bowl();
    let bodies = format!("{BODIES}soup,99,,\nsoft,41.5,,\nplain,22,,\nbrick,0.2,,\n");
    let pots = "pot,body,made_at,like\n\
                a,clay,2031-04-02T09:00:00Z,b\n\
                b,clay,2031-04-02T09:00:00Z,c\n\
                c,clay,2031-04-02T09:00:00Z,a\n\
                d,clay,2031-04-02T09:00:00Z,a\n\
                e,clay,2031-04-02T09:00:00Z,nobody\n\
                f,clay,2031-04-02T09:00:00Z,g\n\
                g,clay,2031-04-02T09:00:00Z,bowl\n";
    let files = folder(&[("bodies.csv", bodies.as_bytes()), ("pots.csv", pots.as_bytes())]);
    let (imported, told) = take(&mut store, files.path(), Options { strict: true, ..LENIENT });
    let usual =
        "bags of throwing clay hold 20 to 25 % of their wet weight, plastic clay 10 to 40 %";
    let circle = "a circle; the one that is weighed must be like none";
    let column = "bag_water_wet_percent";
    let expected = [
        format!("bodies.csv:2: {column}: 99 % cannot be and counts as not known: {usual}"),
        format!("bodies.csv:3: {column}: 41.5 % is unusual: {usual}"),
        format!("bodies.csv:5: {column}: 0.2 % cannot be and counts as not known: {usual}"),
        format!("pots.csv:2: like: \"a\" is like \"b\" is like \"c\" is like \"a\": {circle}"),
        format!("pots.csv:3: like: \"b\" is like \"c\" is like \"a\" is like \"b\": {circle}"),
        format!("pots.csv:4: like: \"c\" is like \"a\" is like \"b\" is like \"c\": {circle}"),
        "pots.csv:6: like: no pot named \"nobody\" in this studio: until it is there, \"e\" is \
         like none"
            .into(),
    ];
    assert_eq!(told, expected.map(|text| format!("warning: {text}")));
    assert!(imported.kept && !imported.any_refused());
    assert_eq!((store.bodies().unwrap().len(), store.pots().unwrap().len()), (5, 8));
}

#[test]
fn with_strict_nothing_is_kept() {
    let (_dir, mut store) = with_moved_bowl();
    let before = snapshots(&store);
    for file in FILES {
        for (_, row, _) in BAD_ROWS.iter().filter(|(of, ..)| *of == file) {
            let text = format!("{}{}\n{row}\n", header_of(file), good_row(file));
            let files = folder(&[("bodies.csv", b"body\nother\n"), (file, text.as_bytes())]);
            let (imported, _) = take(&mut store, files.path(), Options { strict: true, ..LENIENT });
            assert!(!imported.kept && imported.any_refused(), "{row}");
        }
        assert_eq!(snapshots(&store), before, "{file}");
    }
}
