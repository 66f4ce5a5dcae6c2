//! Tests of stillheight, one binary.

mod published_regression;
mod settling_input;
mod settling_published;
mod settling_simulated;
