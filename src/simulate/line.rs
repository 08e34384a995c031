//! What the shelf's board sends: SenML packs (RFC 8428), one a line, with absolute times, and now
//! and then the rubbish that real lines carry.

use crate::records::{Quantity, Reading};
use crate::units::Time;
use crc::{CRC_32_ISO_HDLC, Crc};
use rand::RngExt;
use rand::rngs::Xoshiro256PlusPlus;
use serde::Serialize;

/// The checksum that a line may end in.
const CHECKSUM: Crc<u32> = Crc::<u32>::new(&CRC_32_ISO_HDLC);
/// Records of one line: it stays far below the 4 KiB that readers accept.
const RECORDS: usize = 40;

/// One SenML record.
#[derive(Clone, PartialEq, Debug, Serialize)]
struct Record {
    #[serde(rename = "bt", skip_serializing_if = "Option::is_none")]
    base_time: Option<f64>,
    #[serde(rename = "bn", skip_serializing_if = "Option::is_none")]
    base_name: Option<String>,
    #[serde(rename = "n")]
    name: String,
    #[serde(rename = "u")]
    unit: &'static str,
    #[serde(rename = "v")]
    value: f64,
}

/// All readings of one moment.
#[derive(Clone, PartialEq, Debug)]
pub struct Sample {
    /// When.
    pub time: Time,
    /// Room, °C and %RH; its source is called `room`.
    pub room: (f64, f64),
    /// What each cell says, g.
    pub cells: Vec<f64>,
}

impl Sample {
    /// The sample as a reader of its lines would understand it.
    pub fn readings(&self, shelf: &str) -> Vec<Reading> {
        let reading = |source: String, quantity, value| Reading {
            time: self.time,
            source,
            quantity,
            value,
            pot: None,
            count: None,
            spread: None,
        };
        let mut readings = vec![
            reading("room".into(), Quantity::Temperature, self.room.0),
            reading("room".into(), Quantity::Humidity, self.room.1 / 100.0),
        ];
        for (i, grams) in self.cells.iter().enumerate() {
            readings.push(reading(format!("{shelf}:cell-{}", i + 1), Quantity::Mass, *grams));
        }
        readings
    }

    /// The sample as lines: cells are called `shelf:cell-1` and so on.
    pub fn lines(&self, shelf: &str, checksum: bool) -> Vec<u8> {
        let record = |name: String, unit, value| Record {
            base_time: None,
            base_name: None,
            name,
            unit,
            value,
        };
        // The room comes first: a base name would count for it as well.
        let mut records = vec![
            record("room".into(), "Cel", self.room.0),
            record("room".into(), "%RH", self.room.1),
        ];
        for (i, grams) in self.cells.iter().enumerate() {
            records.push(record(format!("cell-{}", i + 1), "g", *grams));
        }
        let mut out = Vec::new();
        for (i, pack) in records.chunks_mut(RECORDS).enumerate() {
            pack[0].base_time = Some(self.time.seconds());
            let first_cell = if i == 0 { 2 } else { 0 };
            if let Some(cell) = pack.get_mut(first_cell) {
                cell.base_name = Some(format!("{shelf}:"));
            }
            // Strings and finite numbers always serialise; nothing else is in a record.
            let text = serde_json::to_string(pack).unwrap_or_default();
            out.extend_from_slice(text.as_bytes());
            if checksum {
                let sum = CHECKSUM.checksum(text.as_bytes());
                out.extend_from_slice(format!(" {sum:08x}").as_bytes());
            }
            out.push(b'\n');
        }
        out
    }
}

/// Rubbish that may come before a line: mostly nothing; else half a line that broke off, or bytes
/// that never were one. It ends with a line end, so that no reading is lost by it.
pub fn rubbish(line: &[u8], rng: &mut Xoshiro256PlusPlus) -> Vec<u8> {
    let draw: f64 = rng.random();
    if draw < 0.008 {
        let cut = rng.random_range(1..line.len());
        let mut half = line[..cut].to_vec();
        half.push(b'\n');
        half
    } else if draw < 0.011 {
        let mut noise: Vec<u8> = (0..rng.random_range(3..40)).map(|_| rng.random()).collect();
        noise.retain(|b| *b != b'\n');
        noise.push(b'\n');
        noise
    } else {
        Vec::new()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;

    fn sample(cells: usize) -> Sample {
        Sample {
            time: Time::from_seconds(1_932_900_000.5),
            room: (19.8, 54.0),
            cells: (0..cells).map(|i| 812.4 + i as f64).collect(),
        }
    }

    #[test]
    fn a_line_as_the_interface_has_it() {
        let text = String::from_utf8(sample(2).lines("shelf-a", false)).unwrap();
        assert_eq!(
            text,
            "[{\"bt\":1932900000.5,\"n\":\"room\",\"u\":\"Cel\",\"v\":19.8},\
             {\"n\":\"room\",\"u\":\"%RH\",\"v\":54.0},\
             {\"bn\":\"shelf-a:\",\"n\":\"cell-1\",\"u\":\"g\",\"v\":812.4},\
             {\"n\":\"cell-2\",\"u\":\"g\",\"v\":813.4}]\n"
        );
    }

    #[test]
    fn many_cells_make_several_short_lines() {
        let bytes = sample(100).lines("shelf-a", true);
        let lines: Vec<&[u8]> = bytes.split(|b| *b == b'\n').filter(|l| !l.is_empty()).collect();
        assert_eq!(lines.len(), 3);
        for line in lines {
            assert!(line.len() < 4096);
            let (text, sum) = line.split_at(line.len() - 9);
            assert!(serde_json::from_slice::<Vec<serde_json::Value>>(text).is_ok());
            let sum = std::str::from_utf8(&sum[1..]).unwrap();
            assert_eq!(u32::from_str_radix(sum, 16).unwrap(), CHECKSUM.checksum(text));
        }
    }

    #[test]
    fn checksum_is_the_named_one() {
        // Source: the catalogue of parametrised CRC algorithms, CRC-32/ISO-HDLC, check value.
        assert_eq!(CHECKSUM.checksum(b"123456789"), 0xcbf4_3926);
    }

    #[test]
    fn rubbish_is_seldom_and_ends_its_line() {
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(1);
        let line = sample(4).lines("shelf-a", true);
        let all: Vec<Vec<u8>> = (0..5000).map(|_| rubbish(&line, &mut rng)).collect();
        let some: Vec<&Vec<u8>> = all.iter().filter(|r| !r.is_empty()).collect();
        assert!((25..90).contains(&some.len()), "{}", some.len());
        for r in some {
            assert_eq!(r.iter().filter(|b| **b == b'\n').count(), 1);
            assert_eq!(r.last(), Some(&b'\n'));
        }
    }
}
