//! What is behind a change: springs, a tyre, a sensor that slipped, temperature.

use crate::logbook::Kept;
use crate::report::SettledQuantity;
use crate::sheet::BuildSheet;
use crate::trials::settling::Cause;

/// Causes, the likeliest first.
pub(super) fn causes(
    _sheet: &BuildSheet,
    _loads: &[String],
    _kept: &[Kept],
    _quantities: &[SettledQuantity],
) -> Vec<Cause> {
    Vec::new()
}
