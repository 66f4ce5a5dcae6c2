//! stillheight.

pub mod leastsquares;
pub mod trials;
