//! From weighings to what they say: priors, fit, posterior and its checks.

pub mod least_squares;
