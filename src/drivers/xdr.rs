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

    fn push(&mut self, byte: u8, at: Moment, out: &mut Vec<Heard>) {
        match byte {
            b'\r' | b'\n' => self.end_of_line(at, out),
            // A new sentence begins: what came before has lost its end.
            b'$' if !self.line.is_empty() || self.overlong > 0 => {
                self.end_of_line(at, out);
                self.line.push(byte);
            }
            _ if self.overlong > 0 => self.overlong += 1,
            _ if self.line.len() >= LONGEST => {
                self.overlong = self.line.len() + 1;
                self.line.clear();
            }
            _ => self.line.push(byte),
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
        let text = std::str::from_utf8(line)
            .ok()
            .filter(|text| text.bytes().all(|b| (0x20..0x7F).contains(&b)))
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
        let mut fields = body.split(',');
        let address = fields.next().unwrap_or_default();
        if !address.ends_with("XDR") || address.len() < 4 {
            self.counts.good += 1;
            return Ok(());
        }
        let fields: Vec<&str> = fields.collect();
        let (groups, rest) = fields.as_chunks::<4>();
        if groups.is_empty() || !rest.is_empty() {
            return Err(Why::WrongLength);
        }
        self.counts.good += 1;
        let temperature_c = groups
            .iter()
            .filter(|[kind, _, unit, _]| (*kind, *unit) == ("C", "C"))
            .find_map(|[_, value, _, _]| decimal(value).ok())
            .filter(|celsius| (-273.15..=1000.0).contains(celsius));
        for group in groups {
            match quadruplet(*group) {
                Ok(Some((name, kind, value))) => {
                    self.counts.samples += 1;
                    out.push(Heard::Sample(Sample {
                        source: Source::Named(name.to_owned()),
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
        for byte in bytes {
            self.push(*byte, at, out);
        }
    }

    fn counts(&self) -> &Counts {
        &self.counts
    }

    fn reopened(&mut self, _at: Moment) {
        self.line.clear();
        self.overlong = 0;
    }
}
