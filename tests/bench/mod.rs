//! A studio for tests of the people's commands on the real binary. The pots are invented.

#![allow(dead_code, reason = "each test uses a part of it")]

use assert_cmd::Command;
use tempfile::TempDir;

/// A studio in a folder of its own.
pub struct Bench(pub TempDir);

/// What a command said.
pub struct Said {
    pub out: String,
    pub err: String,
    pub status: i32,
}

impl Bench {
    pub fn new() -> Bench {
        Bench(tempfile::tempdir().unwrap())
    }

    pub fn dir(&self) -> std::path::PathBuf {
        self.0.path().join("studio")
    }

    pub fn command(&self, args: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_warecast"));
        command.args(args).env_clear().env("WARECAST_STUDIO", self.dir());
        command.env("TZ", "Europe/Lisbon").env("HOME", self.0.path()).env("COLUMNS", "80");
        command
    }

    pub fn run(&self, args: &[&str]) -> Said {
        let output = self.command(args).output().unwrap();
        let text = |bytes| String::from_utf8(bytes).unwrap();
        let status = output.status.code().expect("ended by itself");
        Said { out: text(output.stdout), err: text(output.stderr), status }
    }

    /// Runs a command that must be done without a complaint.
    pub fn done(&self, args: &[&str]) -> String {
        let said = self.run(args);
        assert_eq!((said.status, said.err.as_str()), (0, ""), "{args:?}: {}", said.out);
        said.out
    }

    /// Two planters on a board and a jar on none, made on 2 April 2031 at 9:00 in Lisbon.
    pub fn with_pots() -> Bench {
        let bench = Bench::new();
        bench.done(&["body", "add", "smooth-stone", "--bag-water-wet-percent", "22"]);
        let common = ["--body", "smooth-stone", "--ball", "620g", "--base-mm", "7"];
        // Made in the past of any clock that runs this test.
        let made = ["--made-at", "2021-04-02 9:00"];
        let add = |pots: &[&str], more: &[&str]| {
            bench.done(&[&["pot", "add"], pots, &common, &made, more].concat());
        };
        add(&["planter-1", "planter-2"], &["--board", "north"]);
        add(&["jar-1"], &[]);
        bench
    }
}
