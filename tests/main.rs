//! Tests of stillheight, one binary.

mod published_regression;
