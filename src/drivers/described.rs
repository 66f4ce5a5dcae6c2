//! Modules that the sheet describes: text lines with a value in them, and
//! short binary frames.
//!
//! In: a description ([`Description`]) and bytes. Out: samples under the
//! description's names; a command to be sent at opening, and again where the
//! module wants to be asked. Refused: lines of another form, frames whose
//! check does not fit, places for a value that hold none.
//!
//! # Patterns
//!
//! A pattern is text as it stands on the line, with `{value}` for the number
//! and `{skip}` for anything up to what follows it. `{value}m, {skip}` reads
//! `12.345m, 0079`. Blanks around a number do not count; everything else
//! must be there exactly. The line ends with carriage return, line feed or
//! both.

use super::checksum::Check;
use super::number::{decimal, sensible};
use super::unit::ValueUnit;
use super::{Counts, Driver, Heard, Rejected, Sample, Source, Why};
use crate::quantity::{Moment, Span};
use smol_str::SmolStr;

/// Longest line that is kept.
const LONGEST_LINE: usize = 256;

/// So many bytes of noise among frames are one rejection; a longer run is
/// several, so that the counters move while it lasts.
const LONGEST_NOISE: usize = 256;

/// What a module sends, and what it must be sent.
#[derive(Debug, Clone, PartialEq)]
pub struct Description {
    /// What it sends.
    pub form: Form,
    /// Sent at opening, where it must be told to start; may be empty.
    pub start: Vec<u8>,
    /// Sent again after this time, where it answers only when asked.
    pub ask_every: Option<Span>,
}

/// What a module sends.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum Form {
    /// Text lines; each is tried with every description.
    Lines(Vec<LineValue>),
    /// Binary frames of one length.
    Frames(FrameForm),
}

/// A value in a text line.
#[derive(Debug, Clone, PartialEq)]
pub struct LineValue {
    /// Name, the source of its samples.
    pub name: SmolStr,
    /// The pattern.
    pub pattern: Pattern,
    /// What a number of 1 is worth, in the unit.
    pub scale: f64,
    /// The unit.
    pub unit: ValueUnit,
}

/// Binary frames of one length.
#[derive(Debug, Clone, PartialEq)]
pub struct FrameForm {
    /// The bytes at the beginning of each; not empty.
    pub header: Vec<u8>,
    /// How many bytes a frame has, header and check included, up to 255.
    pub length: u8,
    /// The check at its end, over all before it.
    pub check: Check,
    /// The values in it.
    pub values: Vec<FrameValue>,
}

/// A value in a frame.
#[derive(Debug, Clone, PartialEq)]
pub struct FrameValue {
    /// Name, the source of its samples.
    pub name: SmolStr,
    /// Its first byte, counted from 0 at the header.
    pub at: u8,
    /// How many bytes it takes.
    pub bytes: u8,
    /// How the number is written.
    pub digits: Digits,
    /// What a number of 1 is worth, in the unit.
    pub scale: f64,
    /// The unit.
    pub unit: ValueUnit,
}

/// How a number is written in a frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Digits {
    /// As text, blanks allowed.
    Text,
    /// A whole number of up to four bytes.
    Whole {
        /// Two's complement.
        signed: bool,
        /// The low byte first.
        low_first: bool,
    },
}

/// Why a description makes no sense.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum DescriptionError {
    /// The pattern has no `{value}`, or more than one.
    #[error("the pattern '{pattern}' must have '{{value}}' once")]
    OneValue {
        /// The pattern.
        pattern: String,
    },
    /// Something in braces that is neither.
    #[error(
        "the pattern '{pattern}' has '{{{word}}}', which is neither '{{value}}' nor '{{skip}}'"
    )]
    Word {
        /// The pattern.
        pattern: String,
        /// What stands in the braces.
        word: String,
    },
    /// Nothing between two of them says where one ends.
    #[error("the pattern '{pattern}' has nothing between two places in braces")]
    Touching {
        /// The pattern.
        pattern: String,
    },
    /// No header.
    #[error("a frame must begin with at least one byte that is always the same")]
    NoHeader,
    /// A value lies outside its frame, in its header or in its check.
    #[error("the value '{name}' does not lie between header and check")]
    Place {
        /// Its name.
        name: String,
    },
    /// A whole number of more than four bytes or none.
    #[error("the value '{name}' has {bytes} bytes; a whole number has 1 to 4")]
    Bytes {
        /// Its name.
        name: String,
        /// How many.
        bytes: u8,
    },
}

impl DescriptionError {
    /// The stable code.
    pub const fn code(&self) -> &'static str {
        match self {
            Self::OneValue { .. } => "drivers.described.one_value",
            Self::Word { .. } => "drivers.described.word",
            Self::Touching { .. } => "drivers.described.touching",
            Self::NoHeader => "drivers.described.no_header",
            Self::Place { .. } => "drivers.described.place",
            Self::Bytes { .. } => "drivers.described.bytes",
        }
    }

    /// What to do about it.
    pub const fn help(&self) -> &'static str {
        match self {
            Self::OneValue { .. } | Self::Word { .. } | Self::Touching { .. } => {
                "write the line as the module sends it, with {value} in place of the number, for example 'D: {value} mm'"
            }
            Self::NoHeader => "give the first byte of every frame",
            Self::Place { .. } | Self::Bytes { .. } => {
                "count the bytes of a frame from 0, the header's first"
            }
        }
    }
}

/// A pattern, taken apart.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pattern {
    parts: Vec<Part>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
enum Part {
    Text(String),
    Value,
    Skip,
}

impl Pattern {
    /// Takes a pattern apart.
    ///
    /// # Errors
    ///
    /// See [`DescriptionError`].
    pub fn new(pattern: &str) -> Result<Self, DescriptionError> {
        let whole = || pattern.to_owned();
        let mut parts = Vec::new();
        let mut rest = pattern;
        while let Some((text, after)) = rest.split_once('{') {
            let (word, after) = after
                .split_once('}')
                .ok_or_else(|| DescriptionError::Word {
                    pattern: whole(),
                    word: after.to_owned(),
                })?;
            if !text.is_empty() {
                parts.push(Part::Text(text.to_owned()));
            }
            let part = match word {
                "value" => Part::Value,
                "skip" => Part::Skip,
                _ => {
                    return Err(DescriptionError::Word {
                        pattern: whole(),
                        word: word.to_owned(),
                    });
                }
            };
            if matches!(parts.last(), Some(Part::Value | Part::Skip)) {
                return Err(DescriptionError::Touching { pattern: whole() });
            }
            parts.push(part);
            rest = after;
        }
        if !rest.is_empty() {
            parts.push(Part::Text(rest.to_owned()));
        }
        if parts.iter().filter(|part| **part == Part::Value).count() != 1 {
            return Err(DescriptionError::OneValue { pattern: whole() });
        }
        Ok(Self { parts })
    }

    /// The text in the place of the value, where the line has this form.
    pub fn value_in<'a>(&self, line: &'a str) -> Option<&'a str> {
        let mut rest = line;
        let mut value = None;
        let mut parts = self.parts.iter().peekable();
        while let Some(part) = parts.next() {
            match part {
                Part::Text(text) => rest = rest.strip_prefix(text.as_str())?,
                Part::Value | Part::Skip => {
                    let taken = match parts.peek() {
                        Some(Part::Text(text)) => rest.find(text.as_str())?,
                        _ => rest.len(),
                    };
                    let (place, after) = rest.split_at(taken);
                    if *part == Part::Value {
                        value = Some(place.trim_matches(' '));
                    }
                    rest = after;
                }
            }
        }
        rest.trim_matches(' ').is_empty().then_some(())?;
        value
    }
}

impl FrameForm {
    /// Whether the description makes sense.
    ///
    /// # Errors
    ///
    /// See [`DescriptionError`].
    pub fn check_sense(&self) -> Result<(), DescriptionError> {
        if self.header.is_empty() {
            return Err(DescriptionError::NoHeader);
        }
        let inside =
            self.header.len()..=usize::from(self.length).saturating_sub(self.check.length());
        for value in &self.values {
            let end = usize::from(value.at) + usize::from(value.bytes);
            if !inside.contains(&usize::from(value.at)) || !inside.contains(&end) {
                return Err(DescriptionError::Place {
                    name: value.name.to_string(),
                });
            }
            if value.bytes == 0 || (value.digits != Digits::Text && value.bytes > 4) {
                return Err(DescriptionError::Bytes {
                    name: value.name.to_string(),
                    bytes: value.bytes,
                });
            }
        }
        Ok(())
    }
}

/// The driver.
#[derive(Debug)]
pub struct Described {
    description: Description,
    held: Vec<u8>,
    /// Bytes of an overlong line, or of noise among frames.
    overlong: usize,
    /// What is wrong with the noise.
    noise: Why,
    counts: Counts,
    sent: Option<Moment>,
}

impl Described {
    /// A driver for a module as described.
    ///
    /// # Errors
    ///
    /// Where the description of frames makes no sense.
    pub fn new(description: Description) -> Result<Self, DescriptionError> {
        if let Form::Frames(form) = &description.form {
            form.check_sense()?;
        }
        Ok(Self {
            description,
            held: Vec::new(),
            overlong: 0,
            noise: Why::OtherForm,
            counts: Counts::default(),
            sent: None,
        })
    }

    fn reject(&mut self, why: Why, bytes: usize, out: &mut Vec<Heard>) {
        let rejected = Rejected { why, bytes };
        self.counts.reject(rejected);
        out.push(Heard::Rejected(rejected));
    }

    fn end_of_line(&mut self, values: &[LineValue], at: Moment, out: &mut Vec<Heard>) {
        if self.overlong > 0 {
            let bytes = std::mem::take(&mut self.overlong);
            return self.reject(Why::TooLong, bytes, out);
        }
        if self.held.is_empty() {
            return;
        }
        let line = std::mem::take(&mut self.held);
        // A sign for degrees need not be text in any one code; what is not
        // ASCII only must not be part of a number.
        let text = String::from_utf8_lossy(&line);
        let mut matched = false;
        for value in values {
            let Some(number) = value.pattern.value_in(&text) else {
                continue;
            };
            matched = true;
            let kind = value.unit.kind();
            let found = if number.is_empty() {
                Err(Why::EmptyValue)
            } else {
                decimal(number).and_then(|n| sensible(n * value.scale * value.unit.factor(), kind))
            };
            match found {
                Ok(si) => self.pass(value.name.clone(), si, value.unit, at, out),
                Err(why) => self.reject(why, line.len(), out),
            }
        }
        if matched {
            self.counts.good += 1;
        } else if line.iter().all(|b| (0x20..0x7F).contains(b)) {
            self.reject(Why::OtherForm, line.len(), out);
        } else {
            self.reject(Why::NotText, line.len(), out);
        }
    }

    fn pass(&mut self, name: SmolStr, si: f64, unit: ValueUnit, at: Moment, out: &mut Vec<Heard>) {
        self.counts.samples += 1;
        out.push(Heard::Sample(Sample {
            source: Source::Named(name),
            value: si,
            kind: unit.kind(),
            sequence: None,
            device_time_us: None,
            temperature_c: None,
            trusted: true,
            remark: None,
            at,
        }));
    }

    fn line_byte(&mut self, values: &[LineValue], byte: u8, at: Moment, out: &mut Vec<Heard>) {
        match byte {
            b'\r' | b'\n' => self.end_of_line(values, at, out),
            _ if self.overlong > 0 => self.overlong += 1,
            _ if self.held.len() >= LONGEST_LINE => {
                self.overlong = self.held.len() + 1;
                self.held.clear();
            }
            _ => self.held.push(byte),
        }
    }

    fn frame_byte(&mut self, form: &FrameForm, byte: u8, at: Moment, out: &mut Vec<Heard>) {
        let mut held = std::mem::take(&mut self.held);
        held.push(byte);
        let length = usize::from(form.length).max(form.header.len());
        while !held.is_empty() {
            // What cannot be the beginning of a frame is noise.
            if !begins_like(&held, &form.header) {
                held.remove(0);
                self.skip(Why::OtherForm, out);
                continue;
            }
            let Some(frame) = held.get(..length) else {
                break;
            };
            if let Err(why) = form.can_be(frame) {
                // Perhaps the header was none: go on one byte further.
                held.remove(0);
                self.skip(why, out);
                continue;
            }
            self.end_of_noise(out);
            self.counts.good += 1;
            for value in &form.values {
                match value_in(frame, value) {
                    Ok(si) => self.pass(value.name.clone(), si, value.unit, at, out),
                    Err(why) => self.reject(why, length, out),
                }
            }
            held.drain(..length);
        }
        self.held = held;
    }

    /// One byte of noise. A run of it is one rejection, up to a length.
    fn skip(&mut self, why: Why, out: &mut Vec<Heard>) {
        if self.noise != why || self.overlong >= LONGEST_NOISE {
            self.end_of_noise(out);
        }
        self.noise = why;
        self.overlong += 1;
    }

    fn end_of_noise(&mut self, out: &mut Vec<Heard>) {
        let bytes = std::mem::take(&mut self.overlong);
        if bytes > 0 {
            self.reject(self.noise, bytes, out);
        }
    }
}

impl FrameForm {
    /// Whether bytes that begin like a frame can be one: the check fits, or,
    /// where there is none, no value is nonsense.
    fn can_be(&self, frame: &[u8]) -> Result<(), Why> {
        if self.check == Check::None {
            let nonsense = self
                .values
                .iter()
                .any(|value| value_in(frame, value) == Err(Why::BadNumber));
            return if nonsense {
                Err(Why::BadNumber)
            } else {
                Ok(())
            };
        }
        if self.check.fits(frame) {
            Ok(())
        } else {
            Err(Why::BadCheck)
        }
    }
}

impl Driver for Described {
    fn name(&self) -> &'static str {
        match self.description.form {
            Form::Lines(_) => "lines",
            Form::Frames(_) => "frames",
        }
    }

    fn feed(&mut self, bytes: &[u8], at: Moment, out: &mut Vec<Heard>) {
        // Taken out and put back, so that it can be read while the rest changes.
        let form = std::mem::replace(&mut self.description.form, Form::Lines(Vec::new()));
        for byte in bytes {
            match &form {
                Form::Lines(values) => self.line_byte(values, *byte, at, out),
                Form::Frames(frames) => self.frame_byte(frames, *byte, at, out),
            }
        }
        self.description.form = form;
    }

    fn counts(&self) -> &Counts {
        &self.counts
    }

    fn reopened(&mut self, _at: Moment) {
        self.held.clear();
        self.overlong = 0;
        self.sent = None;
    }

    fn poll(&mut self, now: Moment, _out: &mut Vec<Heard>) -> Option<Vec<u8>> {
        if self.description.start.is_empty() || self.due().is_none_or(|due| now < due) {
            return None;
        }
        self.sent = Some(now);
        Some(self.description.start.clone())
    }

    fn due(&self) -> Option<Moment> {
        match (self.sent, self.description.ask_every) {
            _ if self.description.start.is_empty() => None,
            (None, _) => Some(Moment::default()),
            (Some(sent), Some(every)) => Some(sent + every),
            (Some(_), None) => None,
        }
    }
}

/// Whether the bytes may be the beginning of a frame with this header.
fn begins_like(bytes: &[u8], header: &[u8]) -> bool {
    bytes.iter().zip(header).all(|(a, b)| a == b)
}

fn value_in(frame: &[u8], value: &FrameValue) -> Result<f64, Why> {
    let at = usize::from(value.at);
    let bytes = frame
        .get(at..at + usize::from(value.bytes))
        .ok_or(Why::WrongLength)?;
    let number = match value.digits {
        Digits::Text => text_number(bytes)?,
        Digits::Whole { signed, low_first } => whole(bytes, signed, low_first),
    };
    sensible(
        number * value.scale * value.unit.factor(),
        value.unit.kind(),
    )
}

/// Digits with blanks around them; strokes in place of digits mean no value.
fn text_number(bytes: &[u8]) -> Result<f64, Why> {
    let text = std::str::from_utf8(bytes).map_err(|_| Why::BadNumber)?;
    let strokes = text.trim_matches(' ');
    if strokes.bytes().all(|b| b == b'-') {
        return Err(Why::EmptyValue);
    }
    decimal(text)
}

fn whole(bytes: &[u8], signed: bool, low_first: bool) -> f64 {
    let join = |sum: i64, byte: &u8| sum << 8 | i64::from(*byte);
    let value = if low_first {
        bytes.iter().rev().fold(0, join)
    } else {
        bytes.iter().fold(0, join)
    };
    let bits = 8 * bytes.len();
    let value = if signed && bits < 64 && value >> (bits.saturating_sub(1)) & 1 == 1 {
        value - (1 << bits)
    } else {
        value
    };
    value as f64
}
