//! The tables of a sheet, key by key.
//!
//! In: nothing. Out: the description that [`super`] explains. Refused: nothing
//! by itself.

use super::plans::{STOCK, WHEEL, WISH};
use super::{Column, Field, Form, Kind, Range};
use crate::quantity::Dimension;

pub(super) const fn must(key: &'static str, kind: Kind, about: &'static str) -> Field {
    Field {
        key,
        kind,
        required: true,
        default: None,
        about,
    }
}

pub(super) const fn may(key: &'static str, kind: Kind, about: &'static str) -> Field {
    Field {
        key,
        kind,
        required: false,
        default: None,
        about,
    }
}

pub(super) const fn or(
    key: &'static str,
    default: &'static str,
    kind: Kind,
    about: &'static str,
) -> Field {
    Field {
        key,
        kind,
        required: false,
        default: Some(default),
        about,
    }
}

pub(super) const ANY_LENGTH: Kind = Kind::Quantity(Dimension::Length, Range::Any);
pub(super) const A_LENGTH: Kind = Kind::Quantity(Dimension::Length, Range::Positive);
pub(super) const LENGTH_OR_NONE: Kind = Kind::Quantity(Dimension::Length, Range::NotNegative);
const BIG_LENGTH: Kind = Kind::Quantity(
    Dimension::Length,
    Range::Between(0.2, 30.0, "between 200 mm and 30 m"),
);
const A_MASS: Kind = Kind::Quantity(Dimension::Mass, Range::Positive);
const MASS_OR_NONE: Kind = Kind::Quantity(Dimension::Mass, Range::NotNegative);
pub(super) const A_RATE: Kind = Kind::Quantity(Dimension::SpringRate, Range::Positive);
pub(super) const SOME_SHARE: Kind = Kind::Quantity(
    Dimension::Share,
    Range::Between(0.0, 1.0, "between 0 % and 100 %"),
);
pub(super) const SOME_TILT: Kind = Kind::Quantity(
    Dimension::Angle,
    Range::Between(-0.7, 0.7, "between -40 deg and 40 deg"),
);
pub(super) const TILT_TOLERANCE: Kind = Kind::Quantity(
    Dimension::Angle,
    Range::Between(1e-5, 0.7, "more than zero and at most 40 deg"),
);
const TILT_OR_NONE: Kind = Kind::Quantity(
    Dimension::Angle,
    Range::Between(0.0, 0.7, "between 0 deg and 40 deg"),
);

/// The words of `axle`.
const AXLE_WORDS: &[&str] = &["solid", "independent", "none"];
/// The words of `stands_on`.
const SUPPORT_WORDS: &[&str] = &["tyres", "blocks", "stands"];
/// The words of `units`.
const UNIT_WORDS: &[&str] = &["metric", "inch"];
/// The two ends.
pub(super) const END_WORDS: &[&str] = &["rear", "front"];
/// The words of `protocol`.
const PROTOCOL_WORDS: &[&str] = &["wire", "xdr", "lines", "frames", "modbus"];
/// The words of a sensor's `unit`.
const VALUE_UNIT_WORDS: &[&str] = &["deg", "rad", "m", "mm", "in"];
/// The words of `check`; CRCs as the public catalogue of them has it.
const CHECK_WORDS: &[&str] = &[
    "none",
    "sum",
    "zero-sum",
    "xor",
    "crc-8/smbus",
    "crc-8/maxim-dow",
    "crc-8/nrsc-5",
    "crc-16/modbus",
    "crc-16/ibm-3740",
    "crc-16/xmodem",
    "crc-16/kermit",
    "crc-16/arc",
];
/// The words of `digits`.
const DIGIT_WORDS: &[&str] = &["text", "signed", "unsigned"];
/// The words of `number`.
const REGISTER_WORDS: &[&str] = &["u16", "i16", "u32", "i32", "f32"];
/// The words of `order`: a is the highest byte.
const ORDER_WORDS: &[&str] = &["abcd", "cdab", "badc", "dcba"];
/// The words of `reads`.
const READS_WORDS: &[&str] = &[
    "frame roll",
    "frame pitch",
    "rear axle roll",
    "front axle roll",
    "rear link angle",
    "front link angle",
    "frame to floor",
    "frame to axle",
];

/// The whole sheet.
pub(in crate::sheet) static SHEET: Form = Form {
    about: "A vehicle that is being built: what holds it up, what weighs on it, what is wanted. Points are [forward, left, up]. Every tolerance and uncertainty is a limit: surely no more than plus or minus so much.",
    fields: &[
        must("name", Kind::Name, "what you call the vehicle"),
        or(
            "units",
            "metric",
            Kind::Word(UNIT_WORDS),
            "how results are shown; in the sheet every number carries its own unit",
        ),
        must("frame", Kind::Table(&FRAME), "the frame as designed"),
        may(
            "station",
            Kind::Tables(&STATION),
            "places on the frame where a height over the floor is read",
        ),
        must(
            "rear",
            Kind::Table(&AXLE),
            "the rear axle and what is between it and the frame",
        ),
        must(
            "front",
            Kind::Table(&AXLE),
            "the front axle and what is between it and the frame",
        ),
        must(
            "weight",
            Kind::Table(&WEIGHT),
            "what the springs carry of the bare vehicle",
        ),
        may("load", Kind::Tables(&LOAD), "weights that come and go"),
        may(
            "case",
            Kind::Tables(&CASE),
            "which loads are on together; without any there is one case 'bare' without loads",
        ),
        may(
            "target",
            Kind::Table(&TARGET),
            "what you want of the finished vehicle",
        ),
        may(
            "shelf",
            Kind::Tables(&SHELF),
            "springs that lie on the shelf and could be fitted",
        ),
        may("floor", Kind::Table(&FLOOR), "the floor it stands on"),
        may("sensor", Kind::Tables(&SENSOR), "what is clipped on"),
        may(
            "wish",
            Kind::Table(&WISH),
            "before the weld: what is asked of an axle's coilovers",
        ),
        may("stock", Kind::Tables(&STOCK), "springs to choose from"),
        may(
            "wheel",
            Kind::Table(&WHEEL),
            "a wheel with its tyre, and what is round it",
        ),
    ],
};

static FRAME: Form = Form {
    about: "The frame as designed.",
    fields: &[
        must(
            "wheelbase",
            BIG_LENGTH,
            "from the rear to the front axle's design centreline",
        ),
        must(
            "design_height",
            Kind::Quantity(
                Dimension::Length,
                Range::Between(0.0, 5.0, "between 0 mm and 5 m"),
            ),
            "height of the frame datum over the floor as designed, frame level",
        ),
    ],
};

static STATION: Form = Form {
    about: "A place on the frame where a height over the floor is read.",
    fields: &[
        must(
            "name",
            Kind::Name,
            "its name; with 'mirror' the two are 'NAME left' and 'NAME right'",
        ),
        must("at", Kind::Point, "frame point"),
        or(
            "mirror",
            "false",
            Kind::Flag,
            "whether there is one on the other side too",
        ),
    ],
};

static AXLE: Form = Form {
    about: "One end of the vehicle.",
    fields: &[
        must(
            "axle",
            Kind::Word(AXLE_WORDS),
            "'solid' on coilovers, 'independent' corners with a motion ratio, or 'none'",
        ),
        or(
            "stands_on",
            "tyres",
            Kind::Word(SUPPORT_WORDS),
            "'tyres', 'blocks' under the axle (or rigid dummy wheels), or 'stands' under the frame",
        ),
        may("track", BIG_LENGTH, "between the wheel centre planes"),
        may(
            "unsprung",
            MASS_OR_NONE,
            "what is not on the springs at this end: axle, wheels, half of the links",
        ),
        may(
            "axle_height",
            LENGTH_OR_NONE,
            "height of the wheel centre over the floor as designed; without it the tyre's radius or the mean of the blocks",
        ),
        may("tyre", Kind::Table(&TYRE), "its tyres"),
        may("blocks", Kind::Table(&BLOCKS), "blocks under the axle"),
        may("stand", Kind::Tables(&STAND), "stands under the frame"),
        may(
            "spring",
            Kind::Table(&SPRING),
            "the spring on each coilover",
        ),
        may(
            "helper_spring",
            Kind::Table(&HELPER),
            "a second spring on each coilover, on top of the first",
        ),
        may(
            "coilover",
            Kind::Table(&COILOVER),
            "the left coilover; the right one is its mirror image",
        ),
        may(
            "collar",
            Kind::Table(&COLLAR),
            "the threaded collar; without this table the spring seat is fixed",
        ),
        may("left", Kind::Partial(&SIDE), "what differs on the left"),
        may("right", Kind::Partial(&SIDE), "what differs on the right"),
        may(
            "upper_hole",
            Kind::Tables(&HOLE),
            "holes for the upper mount (frame points)",
        ),
        may(
            "lower_hole",
            Kind::Tables(&HOLE),
            "holes for the lower mount (axle points)",
        ),
        may(
            "link",
            Kind::Table(&LINK),
            "the link that locates a solid axle sideways",
        ),
        may(
            "arm",
            Kind::Table(&ARM),
            "coilovers that stand on arms: trailing arms, lower arms",
        ),
        may("anti_roll_bar", Kind::Table(&BAR), "an anti-roll bar"),
        may(
            "motion_ratio",
            Kind::Ratio(0.05, 3.0),
            "independent: spring travel over wheel travel, a bare number",
        ),
        may(
            "motion_ratio_table",
            Kind::Rows(
                Column::Quantity(Dimension::Length),
                Column::Ratio(0.05, 3.0),
            ),
            "independent: rows of wheel travel (positive in bump) and motion ratio",
        ),
        may(
            "roll_centre",
            ANY_LENGTH,
            "independent: height of the roll centre over the floor, where known",
        ),
    ],
};

static TYRE: Form = Form {
    about: "A tyre, both sides alike.",
    fields: &[
        must("radius", A_LENGTH, "unloaded radius"),
        must("rate", A_RATE, "vertical rate"),
        or(
            "rate_uncertainty",
            "15 %",
            SOME_SHARE,
            "limit of what the rate may be off",
        ),
    ],
};

static BLOCKS: Form = Form {
    about: "Blocks under the axle, or rigid dummy wheels: wheel centre height over the floor.",
    fields: &[
        may("height", A_LENGTH, "wheel centre height, both sides"),
        may("left", A_LENGTH, "wheel centre height, left"),
        may("right", A_LENGTH, "wheel centre height, right"),
    ],
};

static STAND: Form = Form {
    about: "One stand under the frame.",
    fields: &[
        must("at", Kind::Point, "frame point that rests on it"),
        must("height", A_LENGTH, "height of its top over the floor"),
    ],
};

pub(in crate::sheet) static SPRING: Form = Form {
    about: "A coil spring.",
    fields: &[
        may("rate", A_RATE, "its rate; or give 'table'"),
        may(
            "table",
            Kind::Rows(
                Column::Quantity(Dimension::Length),
                Column::Quantity(Dimension::Force),
            ),
            "rows of compression and force, from [\"0 mm\", \"0 N\"]",
        ),
        may(
            "measured",
            Kind::Rows(
                Column::Quantity(Dimension::Length),
                Column::Quantity(Dimension::Force),
            ),
            "a leaf or coil of unknown rate: rows of height between its seats and force, as measured under two weights or more",
        ),
        may(
            "air_table",
            Kind::Triples([Dimension::Length, Dimension::Pressure, Dimension::Force]),
            "an air spring: rows of height between its seats, gauge pressure and force, from its sheet of data or measured",
        ),
        may(
            "air_pressure",
            Kind::Quantity(Dimension::Pressure, Range::Positive),
            "gauge pressure that its supply holds; without it the table is of a bag shut off, one row a height",
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

static HELPER: Form = Form {
    about: "A softer spring in series with the spring: a helper, or the upper one of a dual-rate pair. It gives way until its stop, or until its coils touch.",
    fields: &[
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
            "length with the coils touching; this or 'stop' must be there",
        ),
        or(
            "rate_tolerance",
            "5 %",
            SOME_SHARE,
            "the catalogue's tolerance of the rate, a limit",
        ),
        may(
            "stop",
            LENGTH_OR_NONE,
            "compression at which a stop holds it; without it the coils touch first",
        ),
        or(
            "between",
            "0 mm",
            LENGTH_OR_NONE,
            "height of the slider between the two springs",
        ),
    ],
};

static COILOVER: Form = Form {
    about: "The damper body that carries the spring. Lengths are eye to eye.",
    fields: &[
        may("upper", Kind::Point, "upper mount, frame point"),
        may(
            "lower",
            Kind::Point,
            "lower mount, axle point; on an arm a frame point, as designed",
        ),
        or(
            "mirror",
            "true",
            Kind::Flag,
            "whether the right one is the mirror image; if not, give its mounts under 'right'",
        ),
        may("extended", A_LENGTH, "eye to eye, pulled out"),
        may("compressed", A_LENGTH, "eye to eye, pushed in"),
        or(
            "hardware",
            "0 mm",
            LENGTH_OR_NONE,
            "the part of the eye-to-eye length that the spring cannot use with the collar at its zero mark",
        ),
        or(
            "friction",
            "30 N",
            Kind::Quantity(Dimension::Force, Range::NotNegative),
            "half of the friction band, along the unit",
        ),
        may(
            "design_length",
            A_LENGTH,
            "independent: eye to eye in the design position",
        ),
    ],
};

pub(in crate::sheet) static COLLAR: Form = Form {
    about: "A threaded spring collar. Heights are from its zero mark; more presses the spring more.",
    fields: &[
        may("height", ANY_LENGTH, "where it is"),
        may("lowest", ANY_LENGTH, "lowest place on the thread"),
        may("highest", ANY_LENGTH, "highest place on the thread"),
        may("pitch", A_LENGTH, "rise in one turn"),
        or(
            "step",
            "1/4 turn",
            Kind::Quantity(
                Dimension::Turns,
                Range::Between(1e-3, 100.0, "between 1/1000 turn and 100 turns"),
            ),
            "the smallest part of a turn worth making",
        ),
        or(
            "uncertainty",
            "0.5 mm",
            LENGTH_OR_NONE,
            "limit of what the height may be off",
        ),
    ],
};

static SIDE: Form = Form {
    about: "What differs on this side.",
    fields: &[
        may("spring", Kind::Partial(&SPRING), "its spring"),
        may("coilover", Kind::Partial(&COILOVER), "its coilover"),
        may("collar", Kind::Partial(&COLLAR), "its collar"),
        may(
            "upper_hole",
            Kind::Name,
            "the upper hole in use on this side",
        ),
        may(
            "lower_hole",
            Kind::Name,
            "the lower hole in use on this side",
        ),
    ],
};

static HOLE: Form = Form {
    about: "A bracket hole, the left one; the right one is its mirror image.",
    fields: &[
        must("name", Kind::Name, "as marked on the bracket"),
        must("at", Kind::Point, "where the mount is with the bolt in it"),
        or("in_use", "false", Kind::Flag, "whether the bolt is in it"),
    ],
};

static LINK: Form = Form {
    about: "The link that locates a solid axle sideways.",
    fields: &[
        or("name", "lateral link", Kind::Name, "its name"),
        must("frame_end", Kind::Point, "frame point"),
        must("axle_end", Kind::Point, "axle point"),
        may(
            "length",
            A_LENGTH,
            "between the eyes; without it the distance in the design position",
        ),
    ],
};

static ARM: Form = Form {
    about: "The left arm; the right one is its mirror image. It turns about an axis on the frame and carries the coilover's lower mount, which is then a frame point too, as designed.",
    fields: &[
        must(
            "pivot",
            Kind::Point,
            "a point of the axis it turns about, frame point",
        ),
        must("other_pivot", Kind::Point, "another point of that axis"),
        may(
            "end",
            Kind::Point,
            "where it holds the axle, frame point as designed; independent: the wheel centre where it is not given",
        ),
    ],
};

static BAR: Form = Form {
    about: "An anti-roll bar.",
    fields: &[
        must(
            "roll_rate",
            Kind::Quantity(Dimension::RollRate, Range::Positive),
            "its roll rate at the axle",
        ),
        or(
            "connected",
            "true",
            Kind::Flag,
            "disconnect it to set heights",
        ),
    ],
};

static WEIGHT: Form = Form {
    about: "What the springs carry of the bare vehicle: 'sprung' and 'centre', or the four scales.",
    fields: &[
        may(
            "sprung",
            A_MASS,
            "mass on the springs, without any named load",
        ),
        may("centre", Kind::Point, "its centre, frame point"),
        may(
            "uncertainty",
            MASS_OR_NONE,
            "limit of what the mass may be off; without it 3 % of the mass",
        ),
        or(
            "centre_uncertainty",
            "30 mm",
            LENGTH_OR_NONE,
            "limit of what each coordinate of the centre may be off",
        ),
        may(
            "scales",
            Kind::Table(&SCALES),
            "ground readings under the four wheels",
        ),
    ],
};

static SCALES: Form = Form {
    about: "Ground readings of the bare vehicle; what is unsprung is taken off.",
    fields: &[
        must("front_left", A_MASS, "under the left front wheel"),
        must("front_right", A_MASS, "under the right front wheel"),
        must("rear_left", A_MASS, "under the left rear wheel"),
        must("rear_right", A_MASS, "under the right rear wheel"),
        must(
            "centre_height",
            ANY_LENGTH,
            "height of the sprung weight's centre over the frame datum",
        ),
        or(
            "uncertainty",
            "2 kg",
            MASS_OR_NONE,
            "limit of what each reading may be off",
        ),
    ],
};

static LOAD: Form = Form {
    about: "A weight that comes and goes.",
    fields: &[
        must("name", Kind::Name, "its name"),
        must("weight", A_MASS, "what a scale shows"),
        must("at", Kind::Point, "its centre, frame point"),
        may(
            "uncertainty",
            MASS_OR_NONE,
            "limit of what the weight may be off; without it 1 % of it",
        ),
        or(
            "place_uncertainty",
            "30 mm",
            LENGTH_OR_NONE,
            "limit of what each coordinate of the place may be off",
        ),
    ],
};

static SHELF: Form = Form {
    about: "A kind of spring that lies on the shelf and could be fitted to any coilover.",
    fields: &[
        must("name", Kind::Name, "what is written on it"),
        may("rate", A_RATE, "its rate; or give 'table'"),
        may(
            "table",
            Kind::Rows(
                Column::Quantity(Dimension::Length),
                Column::Quantity(Dimension::Force),
            ),
            "rows of compression and force, from [\"0 mm\", \"0 N\"]",
        ),
        must("free_length", A_LENGTH, "length on the bench"),
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
        or(
            "count",
            "2",
            Kind::Whole(1, 100),
            "how many of them there are",
        ),
    ],
};

static CASE: Form = Form {
    about: "Which loads are on together.",
    fields: &[
        must("name", Kind::Name, "its name"),
        may(
            "loads",
            Kind::Names,
            "names of loads; none for the bare vehicle",
        ),
    ],
};

static TARGET: Form = Form {
    about: "What you want of the finished vehicle.",
    fields: &[
        may(
            "case",
            Kind::Name,
            "the case for which it holds; without it the last one",
        ),
        may(
            "roll",
            SOME_TILT,
            "of the frame, positive with the left side up",
        ),
        or(
            "roll_tolerance",
            "0.3 deg",
            TILT_TOLERANCE,
            "how far off is still good",
        ),
        may(
            "pitch",
            SOME_TILT,
            "of the frame, positive with the nose down",
        ),
        or(
            "pitch_tolerance",
            "0.3 deg",
            TILT_TOLERANCE,
            "how far off is still good",
        ),
        may("height", Kind::Tables(&HEIGHT_TARGET), "heights to come to"),
        may("link", Kind::Tables(&LINK_TARGET), "link angles to come to"),
    ],
};

static HEIGHT_TARGET: Form = Form {
    about: "A height to come to.",
    fields: &[
        must("station", Kind::Name, "name of a station"),
        must("height", A_LENGTH, "over the floor"),
        or("tolerance", "5 mm", A_LENGTH, "how far off is still good"),
    ],
};

static LINK_TARGET: Form = Form {
    about: "A link angle to come to.",
    fields: &[
        must("link", Kind::Name, "name of a link"),
        or(
            "angle",
            "0 deg",
            SOME_TILT,
            "to the horizontal, positive with the frame end high",
        ),
        or(
            "tolerance",
            "1 deg",
            TILT_TOLERANCE,
            "how far off is still good",
        ),
    ],
};

pub(in crate::sheet) static FLOOR: Form = Form {
    about: "The floor it stands on.",
    fields: &[
        or("roll", "0 deg", SOME_TILT, "positive with the left side up"),
        or(
            "pitch",
            "0 deg",
            SOME_TILT,
            "positive where it falls to the front",
        ),
        or(
            "slope_uncertainty",
            "0.5 deg",
            TILT_OR_NONE,
            "limit of what each slope may be off",
        ),
        or(
            "flatness",
            "3 mm",
            LENGTH_OR_NONE,
            "limit of what the floor may be off at any one spot, beside the slope",
        ),
    ],
};

static SENSOR: Form = Form {
    about: "A sensor that is clipped on.",
    fields: &[
        must("name", Kind::Name, "its name"),
        or(
            "protocol",
            "wire",
            Kind::Word(PROTOCOL_WORDS),
            "'wire', the project's own; 'xdr', NMEA 0183 transducer sentences; 'lines' or 'frames' of a module, described here; 'modbus', Modbus RTU",
        ),
        may("device", Kind::Device, "wire: the 64-bit id of the device"),
        or(
            "channel",
            "0",
            Kind::Whole(0, 255),
            "wire: which of its channels",
        ),
        may(
            "transducer",
            Kind::Name,
            "xdr: the name of the transducer in the sentence",
        ),
        may(
            "port",
            Kind::Name,
            "path of the serial port; a wire device is found by its id without it",
        ),
        may(
            "baud",
            Kind::Whole(300, 4_000_000),
            "line speed; without it 115200 for 'wire', 4800 for 'xdr', else 9600",
        ),
        may(
            "pattern",
            Kind::OnTheLine,
            "lines: the line as it is sent, {value} in place of the number, {skip} for what changes",
        ),
        may(
            "header",
            Kind::Name,
            "frames: the bytes at the beginning of each, as 'aa 55'",
        ),
        may(
            "length",
            Kind::Whole(2, 255),
            "frames: bytes of a frame, header and check included",
        ),
        may(
            "check",
            Kind::Word(CHECK_WORDS),
            "frames: the check at the end; without it none",
        ),
        may(
            "check_low_first",
            Kind::Flag,
            "frames: a check of two bytes comes low byte first",
        ),
        may(
            "at",
            Kind::Whole(0, 254),
            "frames: first byte of the number, counted from 0 at the header",
        ),
        may("bytes", Kind::Whole(1, 16), "frames: bytes of the number"),
        may(
            "digits",
            Kind::Word(DIGIT_WORDS),
            "frames: how the number is written",
        ),
        may(
            "low_first",
            Kind::Flag,
            "frames: the number's low byte comes first",
        ),
        may(
            "address",
            Kind::Whole(1, 247),
            "modbus: address of the device",
        ),
        may(
            "function",
            Kind::Whole(3, 4),
            "modbus: 3 holding registers, 4 input registers; without it 3",
        ),
        may(
            "register",
            Kind::Whole(0, 65_535),
            "modbus: the first register, counted from 0 as on the line",
        ),
        may(
            "number",
            Kind::Word(REGISTER_WORDS),
            "modbus: how the number lies in its registers; without it i16",
        ),
        may(
            "order",
            Kind::Word(ORDER_WORDS),
            "modbus: order of its bytes, a the highest; without it abcd",
        ),
        may(
            "timeout",
            Kind::Quantity(
                Dimension::Time,
                Range::Between(0.02, 10.0, "between 20 ms and 10 s"),
            ),
            "modbus: how long an answer may take; without it 200 ms",
        ),
        may(
            "period",
            Kind::Quantity(
                Dimension::Time,
                Range::Between(0.02, 60.0, "between 20 ms and 1 min"),
            ),
            "modbus: time between two questions; without it 200 ms",
        ),
        may(
            "unit",
            Kind::Word(VALUE_UNIT_WORDS),
            "lines, frames, modbus: unit of the number",
        ),
        may(
            "scale",
            Kind::Ratio(1e-9, 1e9),
            "lines, frames, modbus: what a number of 1 is worth in the unit; without it 1",
        ),
        may(
            "start",
            Kind::OnTheLine,
            "lines, frames: sent at opening to make it speak; text, or bytes as '0x80 06'",
        ),
        may(
            "ask_every",
            Kind::Quantity(
                Dimension::Time,
                Range::Between(0.02, 60.0, "between 20 ms and 1 min"),
            ),
            "lines, frames: 'start' is sent again so often, for a module that only answers",
        ),
        must("reads", Kind::Word(READS_WORDS), "what it reads"),
        may(
            "from",
            Kind::Point,
            "distance: frame point where the beam starts",
        ),
        may(
            "to",
            Kind::Point,
            "'frame to axle': axle point where it ends",
        ),
        may("axle", Kind::Word(END_WORDS), "'frame to axle': which axle"),
        or(
            "reversed",
            "false",
            Kind::Flag,
            "tilt: mounted the other way round",
        ),
        may(
            "zero",
            Kind::AngleOrLength(Range::Any),
            "what it shows when the true value is zero",
        ),
        may(
            "zero_uncertainty",
            Kind::AngleOrLength(Range::NotNegative),
            "limit of what the zero may be off; without it 0.3 deg or 2 mm",
        ),
        or(
            "scale_uncertainty",
            "0.5 %",
            SOME_SHARE,
            "limit of what its scale may be off",
        ),
        or(
            "deadline",
            "2 s",
            Kind::Quantity(
                Dimension::Time,
                Range::Between(0.01, 3600.0, "between 10 ms and 60 min"),
            ),
            "without a sample for so long it counts as silent",
        ),
    ],
};
