//! A second test held against the first.
//!
//! # Method
//! Each test alone (without what was known before) gives a value with its
//! uncertainty; the difference has both in quadrature. What both tests share (the
//! same person, the same sensors' scale) makes the true uncertainty smaller,
//! not larger, so that a change that is called significant is.

use super::finding::{Estimate, Key};
use super::identify::Identified;
use crate::compare::COVERAGE_95;

/// What became of a quantity from one test to the other.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Change {
    /// Which.
    pub key: Key,
    /// The first test alone.
    pub first: Estimate,
    /// The second test alone.
    pub second: Estimate,
    /// Second less first, with its standard uncertainty.
    pub difference: Estimate,
    /// Whether it is beyond 1.96 standard uncertainties.
    pub significant: bool,
}

/// What changed from the first to the second test, for every quantity that both
/// tell something of; the most significant first.
pub fn changes(first: &Identified, second: &Identified) -> Vec<Change> {
    let mut all: Vec<Change> = first
        .findings
        .iter()
        .filter_map(|f| {
            let (a, b) = (f.alone?, second.get(f.key)?.alone?);
            let difference = Estimate {
                value: b.value - a.value,
                uncertainty: a.uncertainty.hypot(b.uncertainty),
            };
            let significant = difference.value.abs() > COVERAGE_95 * difference.uncertainty;
            Some(Change {
                key: f.key,
                first: a,
                second: b,
                difference,
                significant,
            })
        })
        .collect();
    all.sort_by(|x, y| {
        let size = |c: &Change| c.difference.value.abs() / c.difference.uncertainty;
        size(y).total_cmp(&size(x))
    });
    all
}
