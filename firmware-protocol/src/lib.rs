#![no_std]
//! The wire protocol of stillheight sensors.
