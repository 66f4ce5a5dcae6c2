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
//! Source of the form: a public description of the sentence in the
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
    /// Where the commas of a sentence are.
    commas: Vec<usize>,
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
        // One pass: whether it is text, where its fields are, what its check is.
        let (mut plain, mut check, mut star) = (true, 0_u8, None);
        self.commas.clear();
        for (place, &byte) in line.iter().enumerate() {
            plain &= (0x20..0x7F).contains(&byte);
            match byte {
                b',' => self.commas.push(place),
                b'*' => star = Some((place, check)),
                _ => {}
            }
            check ^= byte;
        }
        let text = std::str::from_utf8(line)
            .ok()
            .filter(|_| plain)
            .ok_or(Why::NotText)?;
        if !text.starts_with('$') {
            return Err(Why::OtherForm);
        }
        let (end, check) = star.ok_or(Why::NoCheck)?;
        // The dollar is not covered.
        if given_check(&line[end + 1..]) != Some(check ^ b'$') {
            return Err(Why::BadCheck);
        }
        let commas = self.commas.partition_point(|comma| *comma < end);
        self.commas.truncate(commas);
        let address = &text[1..self.commas.first().copied().unwrap_or(end)];
        if !address.ends_with("XDR") || address.len() < 4 {
            self.counts.good += 1;
            return Ok(());
        }
        // A field behind every comma.
        if commas == 0 || commas % 4 != 0 {
            return Err(Why::WrongLength);
        }
        self.commas.push(end);
        self.counts.good += 1;
        let field = |commas: &[usize], k: usize| &text[commas[k] + 1..commas[k + 1]];
        let group = |commas: &[usize], k: usize| [0, 1, 2, 3].map(|i| field(commas, k + i));
        let temperature_c = (0..commas)
            .step_by(4)
            .filter(|&k| field(&self.commas, k) == "C" && field(&self.commas, k + 2) == "C")
            .find_map(|k| decimal(field(&self.commas, k + 1)).ok())
            .filter(|celsius| (-273.15..=1000.0).contains(celsius));
        for k in (0..commas).step_by(4) {
            let group = group(&self.commas, k);
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

/// The check as it stands behind the star: two hex digits and at most blanks.
fn given_check(digits: &[u8]) -> Option<u8> {
    let [high, low, rest @ ..] = digits else {
        return None;
    };
    let digit = |byte: u8| char::from(byte).to_digit(16);
    let value = digit(*high)? * 16 + digit(*low)?;
    u8::try_from(value)
        .ok()
        .filter(|_| rest.iter().all(u8::is_ascii_whitespace))
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
    let value = decimal(value).map_err(|why| {
        if value.trim().is_empty() {
            Why::EmptyValue
        } else {
            why
        }
    })?;
    let value = match (kind, unit) {
        (SampleKind::Angle, "D") => value.to_radians(),
        (SampleKind::Distance, "M") => value,
        _ => return Err(Why::UnknownUnit),
    };
    let name = name.trim_ascii();
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
