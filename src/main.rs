//! stillheight: the command line.
fn main() {}
