//! Drivers against published sentences and frames, captures, and rubbish.

use std::fmt::Write as _;

mod captures;
mod described;
mod modbus;
#[cfg(unix)]
mod outside;
mod wire;
mod xdr;

use proptest::prelude::*;
use stillheight::drivers::{
    BusSettings, Check, Crc, Described, Description, DescriptionError, Digits, Driver, Form,
    FrameForm, FrameValue, Function, Heard, LineValue, Modbus, NumberForm, Outcome, Pattern,
    RegisterValue, Rejected, Remark, Request, Sample, SampleKind, Source, TABLE, ValueUnit, Why,
    Wire, WordOrder, Xdr, driver_for, entry, modbus_pause, source_of,
};
use stillheight::quantity::{Moment, Span};
use stillheight::sheet::Protocol;
use stillheight_protocol as protocol;

fn at(s: f64) -> Moment {
    Moment::from_unix_us(1_700_000_000_000_000) + Span::from_s(s)
}

/// All that a driver makes of some bytes, fed whole.
fn heard(driver: &mut dyn Driver, bytes: &[u8]) -> Vec<Heard> {
    let mut out = Vec::new();
    driver.feed(bytes, at(0.0), &mut out);
    out
}

fn samples(heard: &[Heard]) -> Vec<&Sample> {
    heard
        .iter()
        .filter_map(|heard| match heard {
            Heard::Sample(sample) => Some(sample),
            _ => None,
        })
        .collect()
}

fn rejections(heard: &[Heard]) -> Vec<Why> {
    heard
        .iter()
        .filter_map(|heard| match heard {
            Heard::Rejected(Rejected { why, .. }) => Some(*why),
            _ => None,
        })
        .collect()
}

fn hex(text: &str) -> Vec<u8> {
    text.split_whitespace()
        .map(|byte| u8::from_str_radix(byte, 16).unwrap())
        .collect()
}

fn close(a: f64, b: f64) {
    assert!((a - b).abs() < 1e-12, "{a} is not {b}");
}

mod table {
    use super::*;

    #[test]
    fn every_protocol_of_the_sheet_has_one_line() {
        let wire = Protocol::Wire {
            device: 1,
            channel: 2,
        };
        let xdr = Protocol::Xdr {
            transducer: "RL".into(),
        };
        assert_eq!(entry(&wire).unwrap().name, "wire");
        assert_eq!(driver_for(&[&xdr, &xdr]).unwrap().name(), "xdr");
        assert_eq!(source_of(&wire).to_string(), "0x0000000000000001/2");
        let error = driver_for(&[&wire, &xdr]).unwrap_err();
        assert_eq!(error.code(), "drivers.port.two_protocols");
        assert!(driver_for(&[]).is_err());
        let mut names: Vec<_> = TABLE.iter().map(|entry| entry.name).collect();
        names.dedup();
        assert_eq!(names.len(), TABLE.len());
        assert!(TABLE.iter().all(|entry| !entry.speeds.is_empty()));
    }
}

/// Every driver, by name.
fn every() -> Vec<Box<dyn Driver>> {
    let mut all: Vec<Box<dyn Driver>> = vec![Box::new(Wire::new()), Box::new(Xdr::new())];
    for described in described::some() {
        all.push(Box::new(described));
    }
    all
}

/// What comes out of bytes fed in pieces of these sizes, over and over.
fn in_pieces(driver: &mut dyn Driver, bytes: &[u8], sizes: &[usize]) -> Vec<Heard> {
    let mut out = Vec::new();
    let mut rest = bytes;
    let mut sizes = sizes.iter().cycle();
    while !rest.is_empty() {
        let size = (*sizes.next().unwrap()).min(rest.len());
        let (piece, after) = rest.split_at(size);
        driver.feed(piece, at(0.0), &mut out);
        rest = after;
    }
    out
}

#[test]
fn ten_megabytes_without_an_end_take_no_room_and_are_few_rejections() {
    for (byte, megabytes) in [(b'A', 10), (0xAA, 1), (0xFF, 1)] {
        for mut driver in every() {
            let block = vec![byte; 1 << 20];
            let mut out = Vec::new();
            for _ in 0..megabytes {
                driver.feed(&block, at(0.0), &mut out);
            }
            driver.feed(b"\0\r\n", at(0.0), &mut out);
            // Without lines there is a rejection for every 256 bytes of noise.
            let most = if driver.name() == "frames" {
                (megabytes << 20) / 256 + 2
            } else {
                2
            };
            assert!(out.len() <= most, "{}: {}", driver.name(), out.len());
            let long = driver.counts().rejected(Why::TooLong);
            assert_eq!(long, u64::from(driver.name() != "frames"));
            assert_eq!(driver.counts().samples, 0);
            // As it is shown with all it holds: no more than some kilobytes.
            assert!(format!("{driver:?}").len() < 16_384, "{}", driver.name());
        }
    }
}

proptest! {
    #[test]
    fn prop_any_bytes_never_panic_and_pieces_make_no_difference(
        bytes in prop::collection::vec(any::<u8>(), 0..400),
        sizes in prop::collection::vec(1_usize..50, 1..5),
    ) {
        for (mut whole, mut pieces) in every().into_iter().zip(every()) {
            let one = heard(whole.as_mut(), &bytes);
            let other = in_pieces(pieces.as_mut(), &bytes, &sizes);
            prop_assert_eq!(&one, &other);
            prop_assert_eq!(whole.counts(), pieces.counts());
            prop_assert!(samples(&one).iter().all(|s| s.value.is_finite()));
        }
    }

    /// One wrong byte in a published sentence: never another value.
    #[test]
    fn prop_a_damaged_sentence_gives_no_wrong_value(place in 0_usize..26, byte in any::<u8>()) {
        let good = b"$IIXDR,A,-1.25,D,PTCH*71\r\n";
        let mut line = *good;
        line[place] = byte;
        let out = heard(&mut Xdr::new(), &line);
        for sample in samples(&out) {
            prop_assert!((sample.value + 1.25_f64.to_radians()).abs() < 1e-12);
        }
    }
}
