//! Layout: what to weld, before it is welded. Pure.
//!
//! In: a checked sheet, what the builder wishes, the springs at hand and the
//! room there is. Out: ranked candidates of spring, lean and mounted length;
//! how the wheel rate falls with lean; springs from their wire; room round the
//! wheel; the lateral link through its travel; weights and their centre.
//! Refused: geometry and weighings that contradict themselves
//! ([`LayoutError`], which names the fields).
//!
//! Everything that stands on springs is worked out with the whole model of
//! [`statics`](crate::statics), so that a load test later confirms it.

mod candidates;
mod clearance;
mod error;
mod height;
mod lean;
mod limit;
mod link;
mod planned;
mod springs;
mod tyre;
mod weights;
mod wire;
mod wish;

pub use candidates::{Candidate, CandidateCase, Layout, candidates};
pub use clearance::{
    Body, Edge, End, Gap, On, RoomPose, RoomVerdict, RoomWish, WheelRoom, coilover_bodies,
    largest_of, wheel_room,
};
pub use error::LayoutError;
pub use height::{CentreHeight, Raised, RaisedAxle};
pub use lean::{LeanFall, LeanRow, Through, lean_fall};
pub use limit::Limit;
pub use link::{BetterLink, LinkRow, LinkStudy, link_study};
pub use planned::{planned, planned_wheel};
pub use springs::{Stacked, stacked};
pub use tyre::{DiameterRule, Ring, TyreSize, Wheel, WheelPart};
pub use weights::{Part, Scales, Weighed, Weighing, WeightsFound, Wheels, weights};
pub use wire::{Ends, STEEL_SHEAR_MODULUS_PA, Wire, WireSpring, wahl};
pub use wish::{Leans, Room, Stock, StockSpring, Wish};
