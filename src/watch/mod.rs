//! watch.
