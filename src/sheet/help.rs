//! What would be right, for each kind of mistake.
//!
//! In: a mistake. Out: one sentence for the person at the sheet. Refused:
//! nothing.

use super::mistakes::Wrong;

fn or_list<S: AsRef<str>>(words: &[S]) -> String {
    words
        .iter()
        .map(|w| format!("'{}'", w.as_ref()))
        .collect::<Vec<_>>()
        .join(", ")
}

impl Wrong {
    /// What would be right.
    pub fn help(&self) -> String {
        match self {
            Self::UnknownKey {
                meant: Some(meant), ..
            }
            | Self::UnknownWord {
                meant: Some(meant), ..
            } => format!("did you mean '{meant}'?"),
            Self::UnknownKey { known, .. } => format!("the keys here are {}", or_list(known)),
            Self::UnknownWord { words, .. } => format!("it can be {}", or_list(words)),
            Self::UnknownName {
                meant: Some(meant), ..
            } => format!("did you mean '{meant}'?"),
            Self::UnknownName { what, known, .. } if known.is_empty() => {
                format!("the sheet has no {what} at all")
            }
            Self::UnknownName { known, .. } => format!("there are {}", or_list(known)),
            Self::Missing { key, about } => {
                let last = key.rsplit('.').next().unwrap_or(key);
                format!("add '{last}' here: {about}")
            }
            Self::WrongType { example, .. } => format!("write it as {example}"),
            Self::Quantity { error, .. } => error.help(),
            Self::QuantityRange { of, .. } => {
                format!(
                    "check sign, digits and unit; for example '{}'",
                    of.example()
                )
            }
            Self::NotHere { instead, .. } => (*instead).to_owned(),
            Self::Twice { one, .. } => format!("keep one of them; taking out '{one}' will do"),
            other => other.fixed_help().to_owned(),
        }
    }

    /// Help that does not depend on what was typed.
    fn fixed_help(&self) -> &'static str {
        match self {
            Self::Syntax { .. } => {
                "close every quote and bracket; one 'key = value' a line; text stands in quotes"
            }
            Self::TooLong { .. } => "is this the right file?",
            Self::NumberRange { .. } => "a ratio is a bare number such as 0.62",
            Self::ListLength { .. } => {
                "a point is [forward, left, up], for example [\"0 mm\", \"420 mm\", \"310 mm\"]; a table row is a pair"
            }
            Self::DeviceId { .. } => {
                "write the 64-bit id as the device shows it, for example \"0x51c4000000000001\""
            }
            Self::CommandInName { .. } => {
                "it would command the terminal instead of being shown: leave out what stands as \\u and four digits, and line ends"
            }
            Self::EmptyName { .. } => "give it a name that you will know it by at the vehicle",
            Self::DoubledName { .. } => "give each a name of its own",
            Self::CompressedNotShorter { .. } => {
                "both are eye to eye: measure the unit pulled out and pushed in"
            }
            Self::CoiloverTooLong { .. } => {
                "check both mounts, the design heights of frame and axle, and the extended length"
            }
            Self::CoiloverTooShort { .. } => {
                "check both mounts, the design heights of frame and axle, and the compressed length"
            }
            Self::UpsideDown { .. } => {
                "the upper mount is a frame point (z from the frame datum), the lower one an axle point (z from the axle's centre)"
            }
            Self::WrongSide { .. } => {
                "y is positive to the left; with 'mirror' the left one is given and the right one follows"
            }
            Self::NoRoomForSpring { .. } => {
                "'hardware' is the part of the eye-to-eye length that the spring cannot use with the collar at its zero mark"
            }
            Self::CollarRange { .. } => "'lowest' is where the spring is pressed least",
            Self::CollarOutside { .. } => {
                "measure from the same zero mark as 'lowest' and 'highest'"
            }
            Self::StopAfterCoils { .. } => {
                "measure the stop again, or leave it out: the coils then end its travel"
            }
            Self::SolidNotShorter { .. } => {
                "solid is the length with the coils touching, free the length of the spring on the bench"
            }
            Self::NotRising { .. } => "sort the rows; each must be above the one before",
            Self::BandBackwards { .. } => {
                "the first is the lower end of the band, the second the upper"
            }
            Self::NotPushingMore { .. } => {
                "a spring that is pressed more must push more; check heights and forces of both rows"
            }
            Self::PressureOutside { .. } => {
                "take a pressure that every height of the table has, or add rows"
            }
            Self::PressureMissing { .. } => {
                "add 'air_pressure', or keep one row for each height: a bag shut off"
            }
            Self::ArmNoAxis { .. } => "give the middles of its two bushes",
            Self::ArmNoLift { .. } => {
                "frame points are [forward, left, up]; a trailing arm turns about an axis across, a lower arm about one along"
            }
            Self::MountOnAxis { .. } => {
                "on an arm the lower mount is a frame point too, as designed: measure from the rear axle's centreline and the datum"
            }
            Self::TableStart { .. } => "begin with [\"0 mm\", \"0 N\"]",
            Self::LinkNoLength { .. } => {
                "one end is a frame point, the other an axle point; check their heights"
            }
            Self::LinkTooShort { .. } | Self::LinkSideShift { .. } => {
                "measure between the eyes, or leave 'length' out: it then follows from the design position"
            }
            Self::LinkSteep { .. } => {
                "a lateral link lies nearly level; check the heights of its ends"
            }
            Self::NoHoleInUse { .. } => "write 'in_use = true' at the hole that has the bolt in it",
            Self::TwoHolesInUse { .. } => "the bolt is in one hole only",
            Self::HoleElsewhere { .. } => {
                "leave the mount out (the hole in use says where it is), or correct one of the two"
            }
            Self::NoAxleNoStands { .. } => {
                "write 'stands_on = \"stands\"' and say where the stands are"
            }
            Self::NothingSprung => "put at least one end on its tyres or blocks",
            Self::NoSuspension { .. } => "add its [coilover] with mounts, or put the end on stands",
            Self::NoMirror { .. } => "give it a y, or leave 'mirror' out",
            Self::LessThanUnsprung { .. } => "check the scale readings and 'unsprung'",
            Self::ScalesWithoutAxle { .. } => {
                "give 'sprung' and 'centre' instead of [weight.scales]"
            }
            Self::SensorUnfindable { .. } => "add 'device' (wire protocol) or 'port'",
            Self::NotBytes { .. } => "write two digits for each byte: 'aa 55'",
            Self::SameSensor { .. } => "two sensors need two ids, two channels or two ports",
            Self::NothingToRead { .. } => "add it to the sheet, or correct what the sensor reads",
            Self::SetPath { .. } => {
                "a path names tables and keys as in the sheet: rear.spring.rate, load.driver.weight"
            }
            _ => "see the sheet that 'sheet new' writes: every key is explained there",
        }
    }
}
