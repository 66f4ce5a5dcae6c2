//! A simulated vehicle.
mod chassis;
mod strut;
mod vehicle;
pub use chassis::*;
pub use strut::*;
pub use vehicle::*;
