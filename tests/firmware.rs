//! The C file of the firmware notes: compiled as the notes say, with all warnings, and its lines
//! read by the program's own parser. Checksums are those that the parser demands (CRC-32/ISO-HDLC).

use std::path::{Path, PathBuf};
use std::process::Command;
use warecast::records::Quantity;
use warecast::sensing::formats::senml::Senml;
use warecast::sensing::formats::{Format, Measured, Sink};
use warecast::sensing::health::Fault;
use warecast::units::{Time, shifted};

const STRICT: [&str; 6] = ["-std=c99", "-Wall", "-Wextra", "-Wconversion", "-Wpedantic", "-Werror"];

fn notes() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("firmware-notes")
}

fn compile(args: &[&str]) -> Result<(), String> {
    let cc = std::env::var("CC").unwrap_or("cc".into());
    let out = Command::new(&cc).current_dir(notes()).args(STRICT).args(args).output();
    let out = out.unwrap_or_else(|e| panic!("{cc}: {e}: a C compiler is needed"));
    if out.status.success() { Ok(()) } else { Err(String::from_utf8_lossy(&out.stderr).into()) }
}

/// Compiles the host test, with the checks of undefined behaviour where the compiler has them, and
/// runs it; what it wrote.
fn output(dir: &Path) -> Vec<u8> {
    let program = dir.join("line_test");
    let program = program.to_str().unwrap();
    let files = ["-o", program, "line_test.c", "line.c"];
    let checked = ["-fsanitize=address,undefined", "-fno-sanitize-recover=all"];
    if compile(&[&checked[..], &files].concat()).is_err() {
        compile(&files).unwrap();
    }
    let out = Command::new(program).output().unwrap();
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    out.stdout
}

#[derive(Default)]
struct Heard {
    lines: usize,
    measured: Vec<(String, Quantity, f64, bool)>,
}

impl Sink for Heard {
    fn line(&mut self) {
        self.lines += 1;
    }

    fn measured(&mut self, m: Measured<'_>) {
        self.measured.push((m.source.into(), m.quantity, m.value, m.sealed));
    }

    fn fault(&mut self, source: Option<&str>, fault: Fault) {
        panic!("{source:?}: {}", fault.words());
    }
}

#[test]
fn every_line_of_the_c_file_is_read_as_it_was_meant() {
    let dir = tempfile::tempdir().unwrap();
    let text = output(dir.path());
    let mut heard = Heard::default();
    let mut format = Senml::new();
    format.feed(b"\r\n", Time(0), &mut heard);
    format.feed(&text, Time(0), &mut heard);
    assert_eq!(heard.lines, text.iter().filter(|byte| **byte == b'\n').count());
    // The records named n(unit)-(value)-(decimals), all of them.
    let values =
        [0, 1, -1, 9, -10, 8124, -35, 8_388_607, -8_388_608, i32::MAX, i32::MIN].map(f64::from);
    let units = [
        (Quantity::Mass, 0),
        (Quantity::Mass, 3),
        (Quantity::Temperature, 0),
        (Quantity::Humidity, -2),
        (Quantity::Count, 0),
    ];
    let mut seen = 0;
    for (name, quantity, value, sealed) in &heard.measured {
        let bare = name.strip_prefix("shelf-a:").unwrap_or(name);
        let Some(numbers) = bare.strip_prefix('n') else { continue };
        let n: Vec<usize> = numbers.split('-').map(|text| text.parse().unwrap()).collect();
        let [unit, index, decimals] = n[..] else { panic!("{name}") };
        let (meant, places) = units[unit];
        let want = shifted(values[index], -(decimals as i32));
        assert_eq!((*quantity, *value), (meant, shifted(want, places)), "{name}");
        assert_eq!((*sealed, bare == name), (decimals % 2 == 0, index % 2 == 0), "{name}");
        seen += 1;
    }
    assert_eq!(seen, 5 * 11 * 10);
    // Buffers of every size: each record that fitted is there as it was meant, and no other.
    let others: Vec<_> = heard.measured.iter().filter(|m| m.0.starts_with("b:")).collect();
    assert!(others.len() > 200, "{}", others.len());
    for (name, _, value, sealed) in others {
        let want = match name.as_str() {
            "b:one" => 812.4,
            "b:two-with-a-longer-name" => -2_147_483_648.0,
            "b:3" => 0.54,
            other => panic!("{other}"),
        };
        assert!(*value == want && *sealed, "{name}: {value}");
    }
    assert!(heard.measured.iter().any(|m| m.0 == "x".repeat(64)));
}

/// For a board without any library: nothing is called that the file does not hold itself, so no
/// heap either.
#[test]
fn the_c_file_needs_nothing_else() {
    let dir = tempfile::tempdir().unwrap();
    let object = dir.path().join("line.o");
    let object = object.to_str().unwrap();
    compile(&["-ffreestanding", "-Os", "-c", "-o", object, "line.c"]).unwrap();
    let out = Command::new("nm").args(["--undefined-only", object]).output().unwrap();
    assert!(
        out.status.success() && out.stdout.is_empty(),
        "{}",
        String::from_utf8_lossy(&out.stdout)
    );
    let out = Command::new("nm").args(["--defined-only", object]).output().unwrap();
    assert!(String::from_utf8_lossy(&out.stdout).contains("line_add"));
}
