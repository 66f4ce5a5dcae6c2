//! A simulated vehicle.
mod burden;
mod chassis;
mod play;
mod sensors;
mod story;
mod strut;
mod truth;
mod vehicle;
pub use burden::*;
pub use chassis::*;
pub use play::*;
pub use sensors::*;
pub use story::*;
pub use strut::*;
pub use truth::*;
pub use vehicle::*;
