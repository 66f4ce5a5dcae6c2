//! The tables that are for before the weld: wish, stock and wheel.
//!
//! In: nothing. Out: the description that [`super`] explains. Refused: nothing
//! by itself.

use super::tables::{
    A_LENGTH, A_RATE, ANY_LENGTH, END_WORDS, LENGTH_OR_NONE, SOME_SHARE, SOME_TILT, TILT_TOLERANCE,
    may, must, or,
};
use super::{Column, Form, Kind, Range};
use crate::quantity::Dimension;

const A_FREQUENCY: Kind = Kind::Quantity(
    Dimension::Frequency,
    Range::Between(0.1, 20.0, "between 0.1 Hz and 20 Hz"),
);
const ON_WORDS: &[&str] = &["axle", "frame"];

pub(super) static WISH: Form = Form {
    about: "What is asked of an axle's coilovers before their mounts are welded.",
    fields: &[
        or("axle", "rear", Kind::Word(END_WORDS), "which axle"),
        may(
            "case",
            Kind::Name,
            "the case in which the frame shall stand at its design height; without it the targets' case",
        ),
        or("sag_from", "25 %", SOME_SHARE, "least sag, of the stroke"),
        or("sag_to", "40 %", SOME_SHARE, "greatest sag, of the stroke"),
        may(
            "frequency_from",
            A_FREQUENCY,
            "least ride frequency; goes with 'frequency_to'",
        ),
        may("frequency_to", A_FREQUENCY, "greatest ride frequency"),
        or(
            "travel_up",
            "0 mm",
            LENGTH_OR_NONE,
            "travel that must be left up in every case, along the coilover",
        ),
        or(
            "travel_down",
            "0 mm",
            LENGTH_OR_NONE,
            "travel that must be left down in every case, along the coilover",
        ),
        or(
            "lean_from",
            "0 deg",
            SOME_TILT,
            "least lean to try, in rear view",
        ),
        or("lean_to", "30 deg", SOME_TILT, "greatest lean to try"),
        or(
            "lean_step",
            "5 deg",
            TILT_TOLERANCE,
            "from one lean to the next",
        ),
        or(
            "rake",
            "0 deg",
            SOME_TILT,
            "lean in side view, upper end forward",
        ),
        may(
            "mount_lowest",
            ANY_LENGTH,
            "lowest place for the upper mount over the datum",
        ),
        may(
            "mount_highest",
            ANY_LENGTH,
            "highest place for the upper mount over the datum",
        ),
        may(
            "mount_inmost",
            LENGTH_OR_NONE,
            "nearest place for the upper mount to the centre plane",
        ),
    ],
};

pub(super) static STOCK: Form = Form {
    about: "A spring to choose from.",
    fields: &[
        must("name", Kind::Name, "what you call it"),
        may("rate", A_RATE, "its rate; or give 'table'"),
        may(
            "table",
            Kind::Rows(
                Column::Quantity(Dimension::Length),
                Column::Quantity(Dimension::Force),
            ),
            "rows of compression and force, from [\"0 mm\", \"0 N\"]",
        ),
        may("free_length", A_LENGTH, "length on the bench"),
        may(
            "solid_length",
            A_LENGTH,
            "length with the coils touching, where known",
        ),
        or(
            "rate_tolerance",
            "5 %",
            SOME_SHARE,
            "the catalogue's tolerance of the rate, a limit",
        ),
    ],
};

pub(super) static WHEEL: Form = Form {
    about: "A wheel with its tyre, and what is round it.",
    fields: &[
        or("axle", "rear", Kind::Word(END_WORDS), "which axle"),
        may(
            "size",
            Kind::Name,
            "size code, as 235/60R17; or the measures",
        ),
        may(
            "diameter",
            A_LENGTH,
            "overall diameter, measured without load",
        ),
        may("section", A_LENGTH, "width of the tyre where it is widest"),
        must("rim_width", A_LENGTH, "between the flanges"),
        must(
            "offset",
            ANY_LENGTH,
            "wheel centre plane inboard of the hub face",
        ),
        must(
            "hub_face",
            A_LENGTH,
            "from the vehicle's centre plane to the hub face",
        ),
        may(
            "barrel_radius",
            A_LENGTH,
            "from the wheel's axis to the inside of the barrel",
        ),
        may(
            "flange_radius",
            A_LENGTH,
            "from the wheel's axis to the outside of the flange",
        ),
        or(
            "clearance",
            "5 mm",
            LENGTH_OR_NONE,
            "distance asked everywhere",
        ),
        or(
            "tape",
            "3 mm",
            LENGTH_OR_NONE,
            "how far a measured place may be off, a limit",
        ),
        may(
            "bump",
            LENGTH_OR_NONE,
            "wheel travel to full bump, where bump stops end it",
        ),
        may(
            "droop",
            LENGTH_OR_NONE,
            "wheel travel to full droop, where straps end it",
        ),
        may(
            "coilover_radius",
            A_LENGTH,
            "radius of spring and body, to look at them too",
        ),
        may(
            "body",
            Kind::Tables(&BODY),
            "a bracket, a tube, a frame part near the wheel",
        ),
    ],
};

static BODY: Form = Form {
    about: "Something the wheel must not touch: a point, a ball, or a cylinder with 'to'.",
    fields: &[
        must("name", Kind::Name, "what you call it"),
        or("on", "axle", Kind::Word(ON_WORDS), "what it is fixed to"),
        must("at", Kind::Point, "where: axle point or frame point"),
        may("to", Kind::Point, "the other end of a cylinder"),
        may(
            "to_on",
            Kind::Word(ON_WORDS),
            "what that end is fixed to; without it as 'on'",
        ),
        or(
            "radius",
            "0 mm",
            LENGTH_OR_NONE,
            "radius of the ball or cylinder",
        ),
    ],
};
