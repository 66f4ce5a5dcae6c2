//! The page's notation: tables, bytes in hexadecimal, messages as field=value.

use std::collections::BTreeMap;
use std::str::FromStr;

use stillheight_protocol::{
    Abilities, Accumulator, Blink, Done, Fault, FaultCode, Firmware, Identity, Kind, MAX_FRAME,
    Message, Quantity, Refusal, Refused, Rejection, Sample, SetRate, Status, Unit, Who, encode,
};

pub const PAGE: &str = include_str!("../SPEC.md");

/// The rows of the first table under a heading, without its two head lines.
pub fn table(heading: &str) -> Vec<Vec<String>> {
    let at = PAGE
        .find(&format!("\n{heading}\n"))
        .unwrap_or_else(|| panic!("the page has no heading '{heading}'"));
    let rows: Vec<Vec<String>> = PAGE[at + 1..]
        .lines()
        .skip(1)
        .skip_while(|line| !line.starts_with('|'))
        .take_while(|line| line.starts_with('|'))
        .skip(2)
        .map(|line| {
            let inner = line.trim().trim_matches('|');
            inner.split('|').map(|cell| cell.trim().into()).collect()
        })
        .collect();
    assert!(!rows.is_empty(), "'{heading}' has no rows");
    rows
}

pub fn bytes(hex: &str) -> Vec<u8> {
    if hex == "(none)" {
        return Vec::new();
    }
    hex.split_whitespace()
        .map(|pair| {
            assert_eq!(pair.len(), 2, "'{pair}' is not two digits");
            u8::from_str_radix(pair, 16).unwrap()
        })
        .collect()
}

pub fn hex(bytes: &[u8]) -> String {
    let pairs: Vec<String> = bytes.iter().map(|byte| format!("{byte:02X}")).collect();
    pairs.join(" ")
}

pub fn frame(message: &Message) -> Vec<u8> {
    let mut out = [0; MAX_FRAME];
    let length = encode(message, &mut out).unwrap();
    out[..length].to_vec()
}

/// What comes out of a line, fed in pieces of one size.
pub fn heard(line: &[u8], piece: usize) -> Vec<Result<Message, Rejection>> {
    let mut accumulator = Accumulator::new();
    let mut out = Vec::new();
    for piece in line.chunks(piece.max(1)) {
        accumulator.feed(piece, |heard| out.push(heard));
    }
    out
}

pub fn heard_by_byte(line: &[u8]) -> Vec<Result<Message, Rejection>> {
    let mut accumulator = Accumulator::new();
    line.iter()
        .filter_map(|&byte| accumulator.push(byte))
        .collect()
}

pub fn in_words(heard: &[Result<Message, Rejection>]) -> String {
    if heard.is_empty() {
        return "(nothing)".into();
    }
    let words: Vec<String> = heard
        .iter()
        .map(|one| match one {
            Ok(message) => message.to_string(),
            Err(rejection) => rejection.to_string(),
        })
        .collect();
    words.join("; ")
}

struct Fields<'a>(BTreeMap<&'a str, &'a str>);

impl Fields<'_> {
    fn text(&mut self, name: &str) -> &str {
        self.0
            .remove(name)
            .unwrap_or_else(|| panic!("no field '{name}'"))
    }

    fn number<T>(&mut self, name: &str) -> T
    where
        T: FromStr + TryFrom<u64>,
    {
        number(self.text(name))
    }
}

fn number<T>(text: &str) -> T
where
    T: FromStr + TryFrom<u64>,
{
    let read = match text.strip_prefix("0x") {
        Some(digits) => u64::from_str_radix(digits, 16)
            .ok()
            .and_then(|n| n.try_into().ok()),
        None => text.parse().ok(),
    };
    read.unwrap_or_else(|| panic!("'{text}' is not a number that fits"))
}

pub fn message(text: &str) -> Message {
    let (kind, rest) = text.split_once(' ').unwrap();
    let pairs = rest.split(' ').map(|pair| pair.split_once('=').unwrap());
    let mut from = Fields(pairs.collect());
    let read = match kind {
        "identity" => {
            let (min, max) = from.text("range").split_once("..").unwrap();
            let (range_min, range_max) = (number(min), number(max));
            let firmware: Vec<&str> = from.text("firmware").split('.').collect();
            let [major, minor, patch] = firmware[..] else {
                panic!("firmware has three numbers")
            };
            let firmware = Firmware {
                major: number(major),
                minor: number(minor),
                patch: number(patch),
            };
            Message::Identity(Identity {
                channel: from.number("channel"),
                channels: from.number("channels"),
                device: from.number("device"),
                quantity: Quantity(from.number("quantity")),
                unit: Unit(from.number("unit")),
                resolution: from.number("resolution"),
                range_min,
                range_max,
                firmware,
                rate_millihertz: from.number("rate_millihertz"),
                fastest_millihertz: from.number("fastest_millihertz"),
                abilities: Abilities(from.number("abilities")),
            })
        }
        "sample" => {
            let temperature_centidegrees = match from.text("temperature") {
                "none" => None,
                given => Some(number(given)),
            };
            Message::Sample(Sample {
                channel: from.number("channel"),
                sequence: from.number("sequence"),
                time_us: from.number("time_us"),
                value: from.number("value"),
                status: Status(from.number("status")),
                temperature_centidegrees,
            })
        }
        "fault" => Message::Fault(Fault {
            channel: from.number("channel"),
            code: FaultCode(from.number("code")),
            detail: from.number("detail"),
            time_us: from.number("time_us"),
        }),
        "done" => Message::Done(Done {
            tag: from.number("tag"),
            request: Kind(from.number("request")),
            taken: from.number("taken"),
        }),
        "refused" => Message::Refused(Refused {
            tag: from.number("tag"),
            request: Kind(from.number("request")),
            reason: Refusal(from.number("reason")),
        }),
        "who" => Message::Who(Who {
            tag: from.number("tag"),
        }),
        "set-rate" => Message::SetRate(SetRate {
            tag: from.number("tag"),
            channel: from.number("channel"),
            rate_millihertz: from.number("rate_millihertz"),
        }),
        "blink" => Message::Blink(Blink {
            tag: from.number("tag"),
            channel: from.number("channel"),
            tenths: from.number("tenths"),
        }),
        _ => panic!("no kind '{kind}'"),
    };
    assert!(from.0.is_empty(), "fields left over in '{text}'");
    read
}

/// The messages of section 9.4.
pub fn example_messages() -> Vec<Message> {
    table("### 9.4 Messages")
        .iter()
        .map(|row| message(&row[0]))
        .collect()
}
