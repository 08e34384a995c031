//! plot.
