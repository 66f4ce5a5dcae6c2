//! What tests need to try the program as its user does.

pub(crate) mod folder;
pub(crate) mod terminal;
