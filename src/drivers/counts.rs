//! What has come over a line, by what became of it.
//!
//! In: what a driver made of the bytes. Out: numbers to show.

use std::collections::BTreeMap;

use super::{Rejected, Why};

/// Counters of one line.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Counts {
    /// Whole messages that checked, whatever they said.
    pub good: u64,
    /// Samples passed on.
    pub samples: u64,
    /// Samples that were measured and never came, by their numbers.
    pub lost: u64,
    /// How often a device started anew.
    pub restarts: u64,
    /// What was rejected: how often and how many bytes, by reason.
    rejected: BTreeMap<Why, (u64, u64)>,
}

impl Counts {
    /// Notes a rejection.
    pub fn reject(&mut self, rejected: Rejected) {
        let entry = self.rejected.entry(rejected.why).or_default();
        entry.0 = entry.0.saturating_add(1);
        entry.1 = entry.1.saturating_add(rejected.bytes as u64);
    }

    /// How often something was rejected for that reason.
    pub fn rejected(&self, why: Why) -> u64 {
        self.rejected.get(&why).map_or(0, |entry| entry.0)
    }

    /// How often something was rejected at all.
    pub fn rejected_total(&self) -> u64 {
        self.rejected.values().map(|entry| entry.0).sum()
    }

    /// How many bytes were rejected.
    pub fn rejected_bytes(&self) -> u64 {
        self.rejected.values().map(|entry| entry.1).sum()
    }

    /// Reasons with how often each, those that occurred.
    pub fn by_reason(&self) -> impl Iterator<Item = (Why, u64)> + '_ {
        self.rejected.iter().map(|(why, entry)| (*why, entry.0))
    }
}
