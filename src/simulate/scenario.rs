//! scenario

use super::clay::Clay;

/// A coarse body with grog, for planters.
pub const COARSE: Clay = Clay {
    bag_water: 0.205,
    diffusivity: 3.2e-10,
    rise: 11.0,
    monolayer: 0.014897,
    gab_c: 5.0522,
    gab_k: 0.71127,
    touch: 0.11,
};

/// A fine, smooth body, for jars.
pub const FINE: Clay = Clay {
    bag_water: 0.225,
    diffusivity: 2.2e-10,
    rise: 10.0,
    monolayer: 0.022122,
    gab_c: 3.5776,
    gab_k: 0.6935,
    touch: 0.16,
};
