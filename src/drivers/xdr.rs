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

use super::number::{decimal, sensible};
use super::{Counts, Driver, Heard, Rejected, Sample, SampleKind, Source, Why};
use crate::quantity::Moment;
use memchr::{memchr, memchr3, memrchr};
use smol_str::SmolStr;

/// Longest sentence that is kept. Chosen, because it holds forty quadruplets.
const LONGEST: usize = 1024;

/// The driver.
#[derive(Debug, Default)]
pub struct Xdr {
    /// The beginning of a sentence whose end has not come.
    line: Vec<u8>,
    /// Bytes of a line that has outgrown [`LONGEST`]; they are only counted.
    overlong: usize,
    counts: Counts,
    /// The name that each quadruplet had last.
    names: Vec<SmolStr>,
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

    /// Bytes of a sentence that goes on.
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

    /// The last bytes of a line.
    fn end_of_line(&mut self, last: &[u8], at: Moment, out: &mut Vec<Heard>) {
        // A line that came whole is read where it stands.
        if self.line.is_empty() && self.overlong == 0 && last.len() <= LONGEST {
            return self.whole(last, at, out);
        }
        self.gather(last);
        if self.overlong > 0 {
            let bytes = std::mem::take(&mut self.overlong);
            return self.reject(Why::TooLong, bytes, out);
        }
        let line = std::mem::take(&mut self.line);
        self.whole(&line, at, out);
        // Keeps its room.
        self.line = line;
        self.line.clear();
    }

    fn whole(&mut self, line: &[u8], at: Moment, out: &mut Vec<Heard>) {
        if line.is_empty() {
            return;
        }
        if let Err(why) = self.sentence(line, at, out) {
            self.reject(why, line.len(), out);
        }
    }

    /// The name of a quadruplet: as a rule the same as in the sentence before.
    fn name(&mut self, k: usize, name: &[u8]) -> SmolStr {
        match self.names.get_mut(k) {
            Some(known) if known.as_bytes() == name => known.clone(),
            Some(known) => {
                *known = SmolStr::new(std::str::from_utf8(name).unwrap_or_default());
                known.clone()
            }
            None => {
                self.names.resize(k + 1, SmolStr::default());
                self.name(k, name)
            }
        }
    }

    fn sentence(&mut self, line: &[u8], at: Moment, out: &mut Vec<Heard>) -> Result<(), Why> {
        let Text { all, commas } = plain(line).ok_or(Why::NotText)?;
        if line[0] != b'$' {
            return Err(Why::OtherForm);
        }
        // As a rule the check stands at the very end.
        let star = match line {
            [.., b'*', _, _] => line.len() - 3,
            _ => memrchr(b'*', line).ok_or(Why::NoCheck)?,
        };
        let (covered, check) = (&line[1..star], &line[star..]);
        // The dollar and what begins with the star are not covered.
        if given_check(&check[1..]) != Some(check.iter().fold(all ^ b'$', |all, b| all ^ b)) {
            return Err(Why::BadCheck);
        }
        let address = match covered {
            // As the standard has it: two letters for the talker, three for the sentence.
            [_, _, _, _, _, b',', ..] => 5,
            _ => memchr(b',', covered).unwrap_or(covered.len()),
        };
        if address < 4 || !covered[..address].ends_with(b"XDR") {
            self.counts.good += 1;
            return Ok(());
        }
        // A field behind every comma.
        if commas == 0 || commas % 4 != 0 {
            return Err(Why::WrongLength);
        }
        self.counts.good += 1;
        let first = out.len();
        let mut temperature = None;
        let mut rest = &covered[address..];
        for k in 0..commas / 4 {
            let before = rest.len();
            let group = [(); 4].map(|()| field(&mut rest));
            match quadruplet(group) {
                Ok(Quadruplet::Of(kind, value)) => {
                    let name = self.name(k, group[3].trim_ascii());
                    self.counts.samples += 1;
                    out.push(Heard::Sample(Sample {
                        source: Source::Named(name),
                        value,
                        kind,
                        sequence: None,
                        device_time_us: None,
                        temperature_c: None,
                        trusted: true,
                        remark: None,
                        at,
                    }));
                }
                Ok(Quadruplet::Celsius(value)) => temperature = temperature.or(Some(value)),
                Ok(Quadruplet::NoUse) => {}
                Err(why) => self.reject(why, before - rest.len(), out),
            }
        }
        if let Some(celsius) = temperature.filter(|c| (-273.15..=1000.0).contains(c)) {
            for heard in &mut out[first..] {
                if let Heard::Sample(sample) = heard {
                    sample.temperature_c = Some(celsius);
                }
            }
        }
        Ok(())
    }
}

/// What is known of a line of text by looking at every byte once.
struct Text {
    /// The exclusive or of all bytes.
    all: u8,
    commas: usize,
}

/// Looks at a line eight bytes at a time; nothing where a byte is no character that shows
/// and no blank.
fn plain(line: &[u8]) -> Option<Text> {
    const EACH: u64 = u64::from_ne_bytes([1; 8]);
    const TOP: u64 = EACH << 7;
    let (words, tail) = line.as_chunks::<8>();
    let mut last = [b' '; 8];
    last[..tail.len()].copy_from_slice(tail);
    let (mut all, mut high, mut low, mut commas) = (0, 0, u64::MAX, 0);
    for word in words.iter().chain([&last]) {
        let word = u64::from_ne_bytes(*word);
        all ^= word;
        // Above the tilde: the top bit is there, or comes by adding one. What is carried
        // over comes from a byte that has its own.
        high |= word | word.wrapping_add(EACH);
        // Below the blank: neither of the two bits under the top one.
        low &= word | (word << 1);
        // The top bit comes by adding 127 unless nothing is left of a comma.
        let other = (word ^ (EACH * u64::from(b','))).wrapping_add(EACH * 127);
        commas += (!other & TOP) >> 7;
    }
    let text = high & TOP == 0 && low & (EACH << 6) == EACH << 6;
    // What fills up the last word changes nothing in pairs.
    let filled = if tail.len() % 2 == 0 { 0 } else { b' ' };
    text.then(|| Text {
        all: all.to_ne_bytes().iter().fold(filled, |all, b| all ^ b),
        commas: commas.to_ne_bytes().iter().map(|b| usize::from(*b)).sum(),
    })
}

/// The field behind the comma with which the rest begins; the rest is what follows it.
fn field<'a>(rest: &mut &'a [u8]) -> &'a [u8] {
    let behind = rest.get(1..).unwrap_or_default();
    let end = behind.iter().position(|b| *b == b',');
    let (field, after) = behind.split_at(end.unwrap_or(behind.len()));
    *rest = after;
    field
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

/// What a quadruplet says.
enum Quadruplet {
    /// A value, SI.
    Of(SampleKind, f64),
    /// A temperature.
    Celsius(f64),
    /// A transducer of no use here.
    NoUse,
}

/// Reads type, value, unit and name.
fn quadruplet([kind, value, unit, name]: [&[u8]; 4]) -> Result<Quadruplet, Why> {
    let kind = match kind {
        b"A" => SampleKind::Angle,
        b"D" => SampleKind::Distance,
        b"C" if unit == b"C" => {
            return Ok(decimal(value).map_or(Quadruplet::NoUse, Quadruplet::Celsius));
        }
        _ => return Ok(Quadruplet::NoUse),
    };
    let value = decimal(value).map_err(|why| {
        if value.trim_ascii().is_empty() {
            Why::EmptyValue
        } else {
            why
        }
    })?;
    let value = match (kind, unit) {
        (SampleKind::Angle, b"D") => value.to_radians(),
        (SampleKind::Distance, b"M") => value,
        _ => return Err(Why::UnknownUnit),
    };
    if name.trim_ascii().is_empty() {
        return Err(Why::BadField);
    }
    Ok(Quadruplet::Of(kind, sensible(value, kind)?))
}

impl Driver for Xdr {
    fn name(&self) -> &'static str {
        "xdr"
    }

    fn feed(&mut self, bytes: &[u8], at: Moment, out: &mut Vec<Heard>) {
        // Where the piece begins that is not read yet, and from where on its end is looked for.
        // Where the piece begins that is not read yet, and from where on its end is looked for.
        let (mut start, mut from) = (0, 0);
        loop {
            // Line ends come in twos, and a dollar right behind them.
            let end = match bytes.get(from) {
                None => break,
                Some(b'\r' | b'\n' | b'$') => from,
                Some(_) => match memchr3(b'\r', b'\n', b'$', &bytes[from + 1..]) {
                    None => break,
                    Some(n) => from + 1 + n,
                },
            };
            self.end_of_line(&bytes[start..end], at, out);
            from = end + 1;
            // A dollar begins a sentence: what came before has lost its end.
            start = end + usize::from(bytes[end] != b'$');
        }
        self.gather(&bytes[start..]);
    }

    fn counts(&self) -> &Counts {
        &self.counts
    }

    fn reopened(&mut self, _at: Moment) {
        self.line.clear();
        self.overlong = 0;
    }
}
