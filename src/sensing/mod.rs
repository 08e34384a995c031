//! sensing.
