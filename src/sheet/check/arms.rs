//! Arms that turn on the frame and carry the lower mounts of the coilovers.
//!
//! In: the arm's table, which is the left one's, and where the wheel is as
//! designed. Out: the arm of one side. Refused: an axis of no length, an arm that
//! does not lift its end, a lower mount on the axis.

use super::super::mistakes::{Found, Place, Wrong};
use super::super::tree::{Placed, Typed};
use super::super::vehicle::{Arm, Coilover, CornerArm, NoArm, Side};
use super::Check;
use super::axles::End;
use super::coilovers::{Layers, WhereDesigned, side_word};
use crate::quantity::{Length, Point};

/// A lower mount nearer to the axis than this is on it: the spring would not be
/// worked. Chosen: what a tape can tell.
const ON_AXIS: Length = Length::from_mm(2.0);

impl Check<'_> {
    /// The arm of a side. `wheel` is where the arm ends where the sheet does not
    /// say, a left-side frame point.
    pub(super) fn arm(&mut self, typed: &Typed, side: Side, wheel: Option<Point>) -> Option<Arm> {
        let pivot = typed.point("pivot");
        let other = typed.point("other_pivot");
        let end = typed.point("end").map(|p| p.value);
        if wheel.is_none() && !typed.has("end") {
            // Said once, with the left side.
            if side == Side::Left {
                self.need(
                    typed,
                    "end",
                    "where it holds the axle, frame point as designed",
                );
            }
            return None;
        }
        let (pivot, other) = (pivot?, other?);
        let end = if typed.has("end") { end? } else { wheel? };
        let turned = |point: Point| match side {
            Side::Left => point,
            Side::Right => point.mirrored(),
        };
        let axis = [turned(pivot.value), turned(other.value)];
        match Arm::new(axis, turned(end)) {
            Ok(arm) => Some(arm),
            Err(why) => {
                if side == Side::Left {
                    let found = Self::no_arm(typed, why, &pivot, other.at);
                    self.found.push(found);
                }
                None
            }
        }
    }

    fn no_arm(typed: &Typed, why: NoArm, pivot: &Placed<Point>, other: Place) -> Found {
        let key = typed.path_of("pivot");
        match why {
            NoArm::NoAxis => {
                let other_key = typed.path_of("other_pivot");
                Found::new(
                    pivot.at,
                    Wrong::ArmNoAxis {
                        one: key,
                        other: other_key,
                    },
                )
                .and(other, "the other point")
            }
            NoArm::NoLift => {
                let end = typed.path_of("end");
                Found::new(typed.place("end"), Wrong::ArmNoLift { end, pivot: key })
                    .and(pivot.at, "its axis")
            }
        }
    }

    /// Whether the lower mount is off the arm's axis; said with the left side.
    fn works(&mut self, arm: &Arm, lower: &Placed<Point>, layers: &Layers<'_>) -> bool {
        let lever = arm.lever(lower.value);
        if lever >= ON_AXIS {
            return true;
        }
        let name = format!("{} {}", layers.end.path, side_word(layers.side));
        let found = Found::new(lower.at, Wrong::MountOnAxis { name, lever });
        let axis = layers.end.table("arm").map(|t| t.place("pivot"));
        self.found.push(match axis {
            Some(axis) => found.and(axis, "the arm's axis"),
            None => found,
        });
        false
    }

    /// Puts a solid axle's coilover on its arm, where the end has arms.
    pub(super) fn on_arm(
        &mut self,
        mut made: Coilover,
        lower: &Placed<Point>,
        layers: &Layers<'_>,
    ) -> Option<Coilover> {
        let Some(typed) = layers.end.table("arm") else {
            return (!layers.end.has("arm")).then_some(made);
        };
        self.refuse(
            layers.end,
            &["lower_hole"],
            "coilovers on arms",
            "take it out: one lower mount is worked out at a time; give it as 'lower'",
        );
        let arm = self.arm(typed, layers.side, None)?;
        self.works(&arm, lower, layers).then(|| {
            made.arm = Some(arm);
            made
        })
    }

    /// An independent corner's unit on its arm, with its length as designed.
    pub(super) fn corner_on_arm(
        &mut self,
        layers: &Layers<'_>,
        end: End,
        designed: &WhereDesigned,
        track: Option<Length>,
    ) -> Option<(CornerArm, Length)> {
        let typed = layers.end.table("arm")?;
        let upper = self.mount(layers, "upper");
        let lower = self.mount(layers, "lower");
        let wheel = designed.wheel_on_frame(track?)?;
        let arm = self.arm(typed, layers.side, Some(wheel));
        let (upper, lower) = (upper?, lower?);
        let name = format!("{} {}", end.word(), side_word(layers.side));
        let length = self.stands(
            &name,
            layers,
            upper.at,
            lower.at,
            upper.at.value - lower.at.value,
        )?;
        let arm = arm?;
        self.works(&arm, &lower.at, layers).then_some((
            CornerArm {
                arm,
                upper: upper.at.value,
                lower: lower.at.value,
            },
            length,
        ))
    }
}
