//! What a kiln is to be packed with.

use super::Name;
use crate::units::Time;

/// A pot of a kiln load. Key: load, pot; all pots of a load are packed at the same time.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct KilnPot {
    /// The load.
    pub load: Name,
    /// When it is to be packed.
    pub at: Time,
    /// The pot.
    pub pot: Name,
}
