//! Tests of stillheight, one binary.

mod sheets;
