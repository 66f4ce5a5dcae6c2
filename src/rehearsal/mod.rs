//! A simulated vehicle.
mod burden;
mod chassis;
mod story;
mod strut;
mod vehicle;
pub use burden::*;
pub use chassis::*;
pub use story::*;
pub use strut::*;
pub use vehicle::*;
