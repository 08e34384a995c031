//! From weights to what is known: priors, fit, posterior.

pub mod least_squares;
pub mod lessons;
pub mod model;
pub mod posterior;
pub mod priors;
pub mod valleys;
