//! What warnings of uneven drying go by: `[drying]` in `studio.toml`. The reason for each value
//! stands beside it in [`super::DEFAULT`].

use super::{Complaint, number};
use crate::records::Wary;
use serde::Deserialize;
use std::ops::RangeInclusive;
use toml::Spanned;

const WARN_FROM: RangeInclusive<f64> = 0.02..=0.90;

/// As it stands in the file.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Raw {
    warn_from: Option<Spanned<f64>>,
}

impl Raw {
    pub(super) fn check(self) -> Result<Wary, Complaint> {
        number(self.warn_from, WARN_FROM, Wary::default().0).map(Wary)
    }
}
