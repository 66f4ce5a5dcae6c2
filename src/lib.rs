//! stillheight.

pub mod leastsquares;
