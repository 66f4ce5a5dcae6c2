//! stillheight.
