//! Captures: the raw bytes of ports with their times of arrival, as text.
//!
//! In: [`PortEvent`]s, or the text of a capture. Out: the text, or the events
//! again, in order, to the microsecond. Refused: text that is no capture, a
//! line that cannot be read, times that go back; each with its line.
//!
//! # The form
//!
//! ```text
//! # Device: inclinometer, clipped across the frame
//! # Firmware: 1.0.7
//! # Situation: still, then tapped
//! # Date: 2026-11-25T09:19:23.5Z
//! # Serial: 115200 8N1 /dev/ttyUSB0
//! # Notes: one line for each further remark
//! 1250 0 03010102
//! 1300 0 sent 0701810183b4d500
//! 81250 0 gone
//! 990000 0 opened
//! ```
//!
//! Header lines first, in any order; `Date` and at least one `Serial` (one for
//! each port, numbered from 0 in their order) must be there. Then one line for
//! each arrival: microseconds since `Date`, number of the port, and the bytes
//! in hexadecimal, or the word `opened` or `gone`, or the word `sent` and the
//! bytes that were sent. Empty lines do not count.

use std::io::{BufRead, Write};

use super::{GoneWhy, PortEvent, PortEventKind};
use crate::quantity::{Moment, Span};

/// The longest line that is read. Longer than any that is written: two digits
/// for each byte of the largest read.
const LONGEST_LINE: u64 = 64 * 1024;

/// What stands at the head of a capture.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct CaptureHeader {
    /// What spoke.
    pub device: String,
    /// What ran in it.
    pub firmware: String,
    /// What happened.
    pub situation: String,
    /// When it began; times count from here.
    pub date: Moment,
    /// The ports, in the order of their numbers.
    pub serial: Vec<CapturedLine>,
    /// Anything else.
    pub notes: Vec<String>,
}

/// A port of a capture.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CapturedLine {
    /// Line speed in bits a second.
    pub baud: u32,
    /// The path or name.
    pub name: String,
}

/// Why a capture cannot be written or read.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum CaptureError {
    /// The file.
    #[error("the capture cannot be read or written: {0}")]
    File(#[from] std::io::Error),
    /// A header line that must be there is not.
    #[error("no capture: the line '# {key}: ...' is missing")]
    NoHeader {
        /// Which.
        key: &'static str,
    },
    /// A line that is of another form.
    #[error("line {line} of the capture: {what}")]
    Line {
        /// Its number, from 1.
        line: usize,
        /// What is wrong with it.
        what: &'static str,
    },
    /// A time before that of the line above.
    #[error("line {line} of the capture is earlier than the one above it")]
    Backward {
        /// Its number, from 1.
        line: usize,
    },
    /// The last line is cut off, as when recording was killed.
    #[error("the last line of the capture, {line}, is cut off")]
    CutOff {
        /// Its number, from 1.
        line: usize,
    },
}

impl CaptureError {
    /// The stable code.
    pub const fn code(&self) -> &'static str {
        match self {
            Self::File(_) => "ports.capture.file",
            Self::NoHeader { .. } => "ports.capture.header",
            Self::Line { .. } => "ports.capture.line",
            Self::Backward { .. } => "ports.capture.backward",
            Self::CutOff { .. } => "ports.capture.cut_off",
        }
    }

    /// What to do about it.
    pub const fn help(&self) -> &'static str {
        match self {
            Self::File(_) => "check the name of the file and whether you may use it",
            Self::NoHeader { .. } => {
                "a capture begins with '# Date: ' and '# Serial: 115200 8N1 NAME' lines; is this another file?"
            }
            Self::Line { .. } => "a line is 'MICROSECONDS PORT HEX', for example '1250 0 03010102'",
            Self::Backward { .. } => "put the lines in the order of their times",
            Self::CutOff { .. } => "nothing before it is lost; delete the line to be rid of this",
        }
    }
}

/// Writes a capture.
#[derive(Debug)]
pub struct CaptureWriter<W: Write> {
    to: W,
    date: Moment,
    last_us: i64,
}

impl<W: Write> CaptureWriter<W> {
    /// Begins a capture.
    ///
    /// # Errors
    ///
    /// Where the header cannot be written.
    pub fn new(mut to: W, header: &CaptureHeader) -> Result<Self, CaptureError> {
        let mut line = |key: &str, value: &str| -> std::io::Result<()> {
            // A line end inside would make two lines.
            let value = value.replace(['\r', '\n'], " ");
            writeln!(to, "# {key}: {}", value.trim())
        };
        line("Device", &header.device)?;
        line("Firmware", &header.firmware)?;
        line("Situation", &header.situation)?;
        line("Date", &date_text(header.date))?;
        for serial in &header.serial {
            line("Serial", &format!("{} 8N1 {}", serial.baud, serial.name))?;
        }
        for note in &header.notes {
            line("Notes", note)?;
        }
        Ok(Self {
            to,
            date: header.date,
            last_us: 0,
        })
    }

    /// Writes what happened on a port; refusals are not kept. A time before
    /// the last one written (two ports) is written as that one.
    ///
    /// # Errors
    ///
    /// Where it cannot be written.
    pub fn write(&mut self, event: &PortEvent) -> Result<(), CaptureError> {
        let us = event.at.since(self.date).us().max(self.last_us);
        match &event.kind {
            PortEventKind::Bytes(bytes) => {
                let mut text = String::with_capacity(2 * bytes.len() + 32);
                push_hex(&mut text, bytes);
                writeln!(self.to, "{us} {} {text}", event.port)?;
            }
            PortEventKind::Sent(bytes) => {
                let mut text = String::with_capacity(2 * bytes.len() + 32);
                push_hex(&mut text, bytes);
                writeln!(self.to, "{us} {} sent {text}", event.port)?;
            }
            PortEventKind::Opened { .. } => writeln!(self.to, "{us} {} opened", event.port)?,
            PortEventKind::Gone { .. } => writeln!(self.to, "{us} {} gone", event.port)?,
            PortEventKind::Refused { .. } => return Ok(()),
        }
        self.last_us = us;
        Ok(())
    }

    /// Hands everything to the system.
    ///
    /// # Errors
    ///
    /// Where it cannot be written.
    pub fn flush(&mut self) -> Result<(), CaptureError> {
        Ok(self.to.flush()?)
    }

    /// What was written to.
    pub fn into_inner(self) -> W {
        self.to
    }
}

/// Reads a capture: gives its events in order.
#[derive(Debug)]
pub struct Replay<R: BufRead> {
    from: R,
    header: CaptureHeader,
    line: usize,
    /// The line that is being read; room that is kept.
    text: Vec<u8>,
    /// It is the first one after the header, and not taken yet.
    held: bool,
    last_us: i64,
    ended: bool,
}

impl<R: BufRead> Replay<R> {
    /// Reads the header.
    ///
    /// # Errors
    ///
    /// Where it is no capture.
    pub fn new(mut from: R) -> Result<Self, CaptureError> {
        let mut header = CaptureHeader::default();
        let mut date = None;
        let mut line = 0;
        let mut held = false;
        let mut bytes = Vec::new();
        while read_line(&mut from, line + 1, &mut bytes)? {
            line += 1;
            let text = as_text(&bytes, line)?;
            if text.trim().is_empty() {
                continue;
            }
            let Some(entry) = text.strip_prefix('#') else {
                held = true;
                break;
            };
            let (key, value) = entry.split_once(':').ok_or(CaptureError::Line {
                line,
                what: "a header line is '# Key: value'",
            })?;
            // As the writer has it: a carriage return inside is a blank.
            let value = value.replace('\r', " ");
            let value = value.trim();
            match key.trim() {
                "Device" => value.clone_into(&mut header.device),
                "Firmware" => value.clone_into(&mut header.firmware),
                "Situation" => value.clone_into(&mut header.situation),
                "Date" => date = Some(parse_date(value, line)?),
                "Serial" => header.serial.push(parse_serial(value, line)?),
                "Notes" => header.notes.push(value.to_owned()),
                _ => {
                    return Err(CaptureError::Line {
                        line,
                        what: "this key is not known",
                    });
                }
            }
        }
        header.date = date.ok_or(CaptureError::NoHeader { key: "Date" })?;
        if header.serial.is_empty() {
            return Err(CaptureError::NoHeader { key: "Serial" });
        }
        Ok(Self {
            from,
            header,
            line,
            text: bytes,
            held,
            last_us: 0,
            ended: false,
        })
    }

    /// What stands at its head.
    pub const fn header(&self) -> &CaptureHeader {
        &self.header
    }

    fn next_event(&mut self) -> Result<Option<PortEvent>, CaptureError> {
        loop {
            if !std::mem::take(&mut self.held) {
                if !read_line(&mut self.from, self.line + 1, &mut self.text)? {
                    return Ok(None);
                }
                self.line += 1;
            }
            let Self {
                header,
                line,
                last_us,
                text,
                ..
            } = self;
            let text = as_text(text, *line)?;
            let body = text.trim_end();
            if body.is_empty() {
                continue;
            }
            return match event(body, *line, header, last_us) {
                // Without its end the line may be half of one that is right.
                _ if !text.ends_with('\n') => Err(CaptureError::CutOff { line: *line }),
                other => other.map(Some),
            };
        }
    }
}

impl<R: BufRead> Iterator for Replay<R> {
    type Item = Result<PortEvent, CaptureError>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.ended {
            return None;
        }
        let next = self.next_event().transpose();
        self.ended = !matches!(next, Some(Ok(_)));
        next
    }
}

/// What one line says; times go up from that of the line before.
fn event(
    text: &str,
    line: usize,
    header: &CaptureHeader,
    last_us: &mut i64,
) -> Result<PortEvent, CaptureError> {
    let wrong = |what| CaptureError::Line { line, what };
    let mut parts = text.split(' ');
    let us: i64 = parts
        .next()
        .and_then(|us| us.parse().ok())
        .filter(|us| *us >= 0)
        .ok_or_else(|| wrong("the time is not a whole number of microseconds"))?;
    let port: usize = parts
        .next()
        .and_then(|port| port.parse().ok())
        .filter(|port| *port < header.serial.len())
        .ok_or_else(|| wrong("the port is not one of the header's"))?;
    let what = parts.next().ok_or_else(|| wrong("nothing happens in it"))?;
    let sent = if what == "sent" {
        Some(parts.next().ok_or_else(|| wrong("nothing was sent"))?)
    } else {
        None
    };
    if parts.next().is_some() {
        return Err(wrong("more than a line has"));
    }
    if us < *last_us {
        return Err(CaptureError::Backward { line });
    }
    *last_us = us;
    let bytes = |hex| parse_hex(hex).ok_or_else(|| wrong("the bytes are not pairs of hex digits"));
    let kind = match what {
        "sent" => PortEventKind::Sent(bytes(sent.unwrap_or_default())?),
        "opened" => PortEventKind::Opened {
            path: header
                .serial
                .get(port)
                .map_or_else(Default::default, |s| s.name.clone().into()),
        },
        "gone" => PortEventKind::Gone {
            why: GoneWhy::HungUp,
        },
        hex => PortEventKind::Bytes(bytes(hex)?),
    };
    Ok(PortEvent {
        port,
        kind,
        at: header.date + Span::from_us(us),
    })
}

/// One line with its end; false at the end of the text.
fn read_line(
    from: &mut impl BufRead,
    line: usize,
    bytes: &mut Vec<u8>,
) -> Result<bool, CaptureError> {
    bytes.clear();
    std::io::Read::take(from, LONGEST_LINE).read_until(b'\n', bytes)?;
    if bytes.len() as u64 == LONGEST_LINE && bytes.last() != Some(&b'\n') {
        return Err(CaptureError::Line {
            line,
            what: "longer than any line of a capture",
        });
    }
    Ok(!bytes.is_empty())
}

fn as_text(bytes: &[u8], line: usize) -> Result<&str, CaptureError> {
    std::str::from_utf8(bytes).map_err(|_| CaptureError::Line {
        line,
        what: "not text",
    })
}

fn date_text(date: Moment) -> String {
    jiff::Timestamp::from_microsecond(date.unix_us())
        .map_or_else(|_| "1970-01-01T00:00:00Z".to_owned(), |t| t.to_string())
}

fn parse_date(text: &str, line: usize) -> Result<Moment, CaptureError> {
    let date: jiff::Timestamp = text.parse().map_err(|_| CaptureError::Line {
        line,
        what: "the date is not like 2026-11-25T09:19:23.5Z",
    })?;
    Ok(Moment::from_unix_us(date.as_microsecond()))
}

fn parse_serial(text: &str, line: usize) -> Result<CapturedLine, CaptureError> {
    let wrong = CaptureError::Line {
        line,
        what: "a port is like '115200 8N1 /dev/ttyUSB0'",
    };
    let mut parts = text.splitn(3, ' ');
    let baud = parts.next().and_then(|baud| baud.parse().ok());
    let form = parts.next();
    match (baud, form) {
        (Some(baud), Some("8N1")) => Ok(CapturedLine {
            baud,
            name: parts.next().unwrap_or_default().trim().to_owned(),
        }),
        _ => Err(wrong),
    }
}

fn push_hex(text: &mut String, bytes: &[u8]) {
    const DIGITS: &[u8; 16] = b"0123456789abcdef";
    for byte in bytes {
        text.push(char::from(DIGITS[usize::from(byte >> 4)]));
        text.push(char::from(DIGITS[usize::from(byte & 15)]));
    }
}

/// The value of a hexadecimal digit in either case, or more than any.
const DIGIT: [u8; 256] = {
    let mut digit = [u8::MAX; 256];
    let mut value = 0_u8;
    while value < 16 {
        digit[b"0123456789abcdef"[value as usize] as usize] = value;
        digit[b"0123456789ABCDEF"[value as usize] as usize] = value;
        value += 1;
    }
    digit
};

fn parse_hex(text: &str) -> Option<Vec<u8>> {
    let (pairs, rest) = text.as_bytes().as_chunks::<2>();
    if pairs.is_empty() || !rest.is_empty() {
        return None;
    }
    let mut bytes = Vec::with_capacity(pairs.len());
    for [high, low] in pairs {
        let (high, low) = (DIGIT[usize::from(*high)], DIGIT[usize::from(*low)]);
        if high | low > 15 {
            return None;
        }
        bytes.push(high << 4 | low);
    }
    Some(bytes)
}
