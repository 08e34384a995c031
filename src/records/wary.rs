//! When a potter wants to be warned.

/// How likely a pot is to crack or warp within a day before its potter wants to hear of it.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Wary(pub f64);

impl Default for Wary {
    /// One of five, as all intervals of the program leave one of five cases out. A sheet of plastic
    /// costs a walk and some hours; but a potter who is warned of pots that all come out whole
    /// hears no more (own judgement).
    fn default() -> Wary {
        Wary(0.20)
    }
}
