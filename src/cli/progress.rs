//! A bar on a terminal, for work that takes more than a second.

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::io::IsTerminal;
use std::time::{Duration, Instant};

/// A bar that shows itself where work takes long.
pub struct Progress {
    bar: ProgressBar,
    begun: Instant,
}

impl Progress {
    /// Of so many `what`.
    pub fn new(what: &str) -> Progress {
        let bar = ProgressBar::with_draw_target(None, ProgressDrawTarget::hidden());
        // Made of a word; the default style serves if it ever should not parse.
        let template = format!("{{wide_bar}} {{pos:>3}} of {{len}} {what}");
        if let Ok(style) = ProgressStyle::with_template(&template) {
            bar.set_style(style);
        }
        Progress { bar, begun: Instant::now() }
    }

    /// So many are done, of all that are known of.
    pub fn show(&self, done: usize, all: usize) {
        if self.bar.is_hidden()
            && std::io::stderr().is_terminal()
            && self.begun.elapsed() > Duration::from_secs(1)
        {
            self.bar.set_draw_target(ProgressDrawTarget::stderr());
        }
        self.bar.set_length(all as u64);
        self.bar.set_position(done as u64);
    }

    /// Takes the bar away.
    pub fn end(&self) {
        self.bar.finish_and_clear();
    }
}
