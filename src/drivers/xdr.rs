//! NMEA 0183 transducer sentences: `$--XDR,type,value,unit,name,...*hh`.
//!
//! In: lines of text, from any talker, with any number of quadruplets. Out:
//! a sample for every angular displacement in degrees (`A`, `D`) and every
//! linear displacement in metres (`D`, `M`); a temperature (`C`, `C`) goes
//! with the samples of its sentence. Refused: sentences without a checksum or
//! with a wrong one, sentences whose fields do not come in fours, empty
//! values, units other than these, numbers that are none. Other sentences and
//! other transducers are counted as good and passed over.
//!
//! Source of the form: a public transcription of the sentence in the
//! documentation of an open positioning daemon (`www/NMEA.adoc`). The
//! standard's own limit is 82 characters; devices exceed it.

use super::names::Names;
use super::number::{decimal, sensible};
use super::{Counts, Driver, Heard, Rejected, Sample, SampleKind, Source, Why};
use crate::quantity::Moment;

/// Longest sentence that is kept. Chosen, because it holds forty quadruplets.
const LONGEST: usize = 1024;

/// The driver.
#[derive(Debug, Default)]
pub struct Xdr {
    line: Vec<u8>,
    /// Bytes of a line that has outgrown [`LONGEST`]; they are only counted.
    overlong: usize,
    counts: Counts,
    names: Names,
}

impl Xdr {
    /// A driver that has heard nothing.
    pub fn new() -> Self {
        Self::default()
    }

    fn reject(&mut self, why: Why, bytes: usize, out: &mut Vec<Heard>) {
        let rejected = Rejected { why, bytes };
        self.counts.reject(rejected);
        out.push(Heard::Rejected(rejected));
    }

    /// Bytes that neither end nor begin a sentence.
    fn gather(&mut self, bytes: &[u8]) {
        if self.overlong > 0 {
            self.overlong += bytes.len();
        } else if self.line.len() + bytes.len() > LONGEST {
            self.overlong = self.line.len() + bytes.len();
            self.line.clear();
        } else {
            self.line.extend_from_slice(bytes);
        }
    }

    fn end_of_line(&mut self, at: Moment, out: &mut Vec<Heard>) {
        if self.overlong > 0 {
            let bytes = std::mem::take(&mut self.overlong);
            return self.reject(Why::TooLong, bytes, out);
        }
        if self.line.is_empty() {
            return;
        }
        let line = std::mem::take(&mut self.line);
        if let Err(why) = self.sentence(&line, at, out) {
            self.reject(why, line.len(), out);
        }
        // Keeps its room.
        self.line = line;
        self.line.clear();
    }

    fn sentence(&mut self, line: &[u8], at: Moment, out: &mut Vec<Heard>) -> Result<(), Why> {
        // Without a branch for each byte.
        let plain = line
            .iter()
            .fold(true, |all, b| all & (0x20..0x7F).contains(b));
        let text = std::str::from_utf8(line)
            .ok()
            .filter(|_| plain)
            .ok_or(Why::NotText)?;
        let body = text.strip_prefix('$').ok_or(Why::OtherForm)?;
        let (body, check) = body.rsplit_once('*').ok_or(Why::NoCheck)?;
        let given = check
            .get(..2)
            .filter(|_| check.trim_end().len() == 2)
            .filter(|digits| digits.bytes().all(|b| b.is_ascii_hexdigit()))
            .and_then(|digits| u8::from_str_radix(digits, 16).ok())
            .ok_or(Why::BadCheck)?;
        if body.bytes().fold(0, |sum, byte| sum ^ byte) != given {
            return Err(Why::BadCheck);
        }
        let (address, fields) = match body.split_once(',') {
            Some((address, fields)) => (address, Some(fields)),
            None => (body, None),
        };
        if !address.ends_with("XDR") || address.len() < 4 {
            self.counts.good += 1;
            return Ok(());
        }
        let fields = fields.ok_or(Why::WrongLength)?;
        let commas = fields.bytes().filter(|b| *b == b',').count();
        if commas % 4 != 3 {
            return Err(Why::WrongLength);
        }
        self.counts.good += 1;
        let temperature_c = groups(fields)
            .filter(|[kind, _, unit, _]| (*kind, *unit) == ("C", "C"))
            .find_map(|[_, value, _, _]| decimal(value).ok())
            .filter(|celsius| (-273.15..=1000.0).contains(celsius));
        for group in groups(fields) {
            match quadruplet(group) {
                Ok(Some((name, kind, value))) => {
                    self.counts.samples += 1;
                    out.push(Heard::Sample(Sample {
                        source: Source::Named(self.names.of(name)),
                        value,
                        kind,
                        sequence: None,
                        device_time_us: None,
                        temperature_c,
                        trusted: true,
                        remark: None,
                        at,
                    }));
                }
                Ok(None) => {}
                Err(why) => self.reject(why, group.iter().map(|f| f.len() + 1).sum(), out),
            }
        }
        Ok(())
    }
}

/// Fields in fours.
fn groups(fields: &str) -> impl Iterator<Item = [&str; 4]> {
    let mut fields = fields.split(',');
    std::iter::from_fn(move || {
        Some([
            fields.next()?,
            fields.next()?,
            fields.next()?,
            fields.next()?,
        ])
    })
}

/// Name, kind and SI value of one quadruplet; nothing for a transducer of no
/// use here.
fn quadruplet(group: [&str; 4]) -> Result<Option<(&str, SampleKind, f64)>, Why> {
    let [kind, value, unit, name] = group;
    let kind = match kind {
        "A" => SampleKind::Angle,
        "D" => SampleKind::Distance,
        _ => return Ok(None),
    };
    if value.trim().is_empty() {
        return Err(Why::EmptyValue);
    }
    let value = decimal(value)?;
    let value = match (kind, unit) {
        (SampleKind::Angle, "D") => value.to_radians(),
        (SampleKind::Distance, "M") => value,
        _ => return Err(Why::UnknownUnit),
    };
    let name = name.trim();
    if name.is_empty() {
        return Err(Why::BadField);
    }
    Ok(Some((name, kind, sensible(value, kind)?)))
}

impl Driver for Xdr {
    fn name(&self) -> &'static str {
        "xdr"
    }

    fn feed(&mut self, bytes: &[u8], at: Moment, out: &mut Vec<Heard>) {
        let mut rest = bytes;
        while let Some(end) = rest.iter().position(|b| matches!(b, b'\r' | b'\n' | b'$')) {
            let (run, after) = rest.split_at(end);
            self.gather(run);
            // A dollar begins a sentence: what came before has lost its end.
            self.end_of_line(at, out);
            if after.first() == Some(&b'$') {
                self.line.push(b'$');
            }
            rest = after.get(1..).unwrap_or_default();
        }
        self.gather(rest);
    }

    fn counts(&self) -> &Counts {
        &self.counts
    }

    fn reopened(&mut self, _at: Moment) {
        self.line.clear();
        self.overlong = 0;
    }
}
