//! Load test: weight on and off at known places -> what the springs, the
//! friction and the weight really are. Pure.
//!
//! In: [`Step`]s (what is on, how it came to rest, calibrated readings) in any
//! order, and the build sheet. Out: [`Identified`] (rates, friction, weight,
//! each with and without what was known before), a [`Plan`] before the test, a
//! [`Verdict`] on catalogue rates with causes, the [`Finished`] vehicle
//! forecast with it, and what [`Change`]d since another test. Refused: a number
//! for what the steps do not tell ([`Untold`] says so, and which step would);
//! weak or wrong steps are [`Concern`]s, the rest is kept.
//!
//! # Model
//! The full nonlinear statics at rest, for every step. Unknowns, each with an
//! expectation from the sheet: a rate and a seat for every spring, friction for
//! every axle with a part for every unit, the sprung weight and its centre, tyre rates,
//! the floor's slope, zero and scale of every sensor, and the weights and
//! places of the loads themselves (errors in both). Friction holds each unit
//! with a share of its half-width that follows from how it came there.
//!
//! Mount points, link and blocks are taken as the sheet has them.

mod again;
mod centre;
mod concern;
mod design;
mod failure;
mod finding;
mod finished;
mod holding;
mod identify;
mod misfit;
mod plan;
mod search;
mod setup;
mod step;
mod unknowns;
mod untold;
mod verdict;

pub use again::{Change, changes};
pub use concern::Concern;
pub use design::{Noise, Visit};
pub use failure::LoadTestError;
pub use finding::{Estimate, Finding, Key, TOLD};
pub use finished::{
    Finished, FinishedAxle, FinishedQuantity, FinishedUnit, LinkWeight, finished, link_weights,
};
pub use identify::{FrictionBand, Identified, Misfit, Residual, Slip, Stop, identify};
pub use plan::{Plan, PlanOptions, PlannedVisit, Trade, plan, plan_from, visits};
pub use step::{Approach, Load, PlacedLoad, Step};
pub use unknowns::{Expected, Unknown, Unknowns};
pub use untold::{Untold, untold};
pub use verdict::{Agreement, Cause, RateVerdict, Verdict, verdict};
