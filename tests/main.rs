//! Tests of stillheight, one binary.
mod screens;
