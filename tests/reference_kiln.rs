//! Boiling and diffusion against two independent libraries and a published table.
//!
//! `fixtures/boiling.csv` and `fixtures/crank_centre.csv` come from `fixtures/generate_kiln.py`.

use serde::Deserialize;
use warecast::core::air::{STANDARD_PRESSURE, boiling_point, standard_pressure};
use warecast::core::candling::{centre, fourier_for, hold};

fn rows<T: for<'a> Deserialize<'a>>(file: &str) -> Vec<T> {
    let path = format!("{}/fixtures/{file}", env!("CARGO_MANIFEST_DIR"));
    csv::Reader::from_path(path).unwrap().deserialize().map(|row| row.unwrap()).collect()
}

/// Standard atmosphere (ICAO, by the library ambiance), boiling by IAPWS-IF97 (by iapws).
#[test]
fn water_boils_where_the_standard_atmosphere_says() {
    #[derive(Deserialize)]
    struct Row {
        altitude_m: f64,
        #[serde(rename = "pressure_Pa")]
        pressure: f64,
        #[serde(rename = "boils_C")]
        boils: f64,
    }
    let rows: Vec<Row> = rows("boiling.csv");
    assert_eq!(rows.len(), 11);
    for row in rows {
        let pressure = standard_pressure(row.altitude_m);
        // The formula counts heights in geopotential metres.
        assert!((pressure / row.pressure - 1.0).abs() < 6e-4, "{} m", row.altitude_m);
        // 300 ppm of pressure (ASHRAE's claim for its formula) are 0.01 K.
        let boils = boiling_point(row.pressure);
        assert!((boils - row.boils).abs() < 0.02, "{} m: {boils}", row.altitude_m);
        assert!((hold(row.altitude_m, 10.0) - (row.boils - 10.0)).abs() < 0.04);
    }
}

/// ASHRAE Handbook—Fundamentals 2017, chapter 1, table 1; and 95 °C at 1,600 m, as potters know it.
#[test]
fn the_standard_atmosphere_as_published() {
    for (altitude, pressure) in [(0.0, 101_325.0), (500.0, 95_461.0), (1000.0, 89_875.0)] {
        assert!((standard_pressure(altitude) - pressure).abs() < 1.0, "{altitude}");
    }
    assert!((standard_pressure(4000.0) / 61_640.0 - 1.0).abs() < 1e-4);
    assert_eq!(standard_pressure(0.0), STANDARD_PRESSURE);
    assert!((boiling_point(standard_pressure(1600.0)) - 95.0).abs() < 0.5);
}

/// Crank's series for the middle of a slab, against its other form, a sum of images in erfc.
#[test]
fn the_middle_of_a_slab_dries_as_crank_says() {
    #[derive(Deserialize)]
    struct Row {
        #[serde(rename = "Fo")]
        fourier: f64,
        centre: f64,
    }
    let rows: Vec<Row> = rows("crank_centre.csv");
    assert_eq!(rows.len(), 13);
    for row in rows {
        assert!((centre(row.fourier) - row.centre).abs() < 2e-8, "{}", row.fourier);
        assert!((fourier_for(row.centre) - row.fourier).abs() < 1e-3, "{}", row.fourier);
    }
}
