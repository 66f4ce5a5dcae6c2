//! Tests of stillheight, one binary.
