//! Drivers against published sentences and frames, captures, and rubbish.

use std::fmt::Write as _;
use std::path::PathBuf;

use proptest::prelude::*;
use stillheight::drivers::{
    Driver, Heard, Outcome, Rejected, Remark, Request, Sample, SampleKind, Source, TABLE, Why,
    Wire, Xdr, driver_for, entry, source_of,
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

mod wire {
    use super::*;

    fn frame(message: &protocol::Message) -> Vec<u8> {
        let mut room = [0; protocol::MAX_FRAME];
        let length = protocol::encode(message, &mut room).unwrap();
        room[..length].to_vec()
    }

    fn identity(device: u64, channel: u8, channels: u8) -> protocol::Identity {
        protocol::Identity {
            channel,
            channels,
            device,
            quantity: protocol::Quantity::INCLINATION,
            unit: protocol::Unit::MICRODEGREE,
            resolution: 1000,
            range_min: -30_000_000,
            range_max: 30_000_000,
            firmware: protocol::Firmware {
                major: 1,
                minor: 0,
                patch: 7,
            },
            rate_millihertz: 10_000,
            fastest_millihertz: 50_000,
            abilities: protocol::Abilities(3),
        }
    }

    fn said(identity: protocol::Identity) -> Vec<u8> {
        frame(&protocol::Message::Identity(identity))
    }

    fn sample(sequence: u32, time_us: u64, value: i32, status: u16) -> Vec<u8> {
        frame(&protocol::Message::Sample(protocol::Sample {
            channel: 0,
            sequence,
            time_us,
            value,
            status: protocol::Status(status),
            temperature_centidegrees: Some(2150),
        }))
    }

    fn known() -> Wire {
        let mut wire = Wire::new();
        heard(&mut wire, &said(identity(0x0123_4567_89AB_CDEF, 0, 1)));
        wire
    }

    /// Source: the worked examples of the protocol's own page, section 9.4,
    /// typed as they stand there.
    #[test]
    fn the_pages_own_examples() {
        let mut wire = Wire::new();
        let out = heard(
            &mut wire,
            &hex(
                "03 01 01 0E 01 EF CD AB 89 67 45 23 01 01 01 E8 03 01 0A 80 3C 36 FE 80 C3 C9 01 01 02 07 03 10 27 01 03 50 C3 01 02 07 04 80 FE 86 00",
            ),
        );
        let [Heard::Identity(identity)] = &out[..] else {
            panic!("{out:?}");
        };
        assert_eq!(identity.source.to_string(), "0x0123456789abcdef/0");
        assert_eq!(identity.kind, Some(SampleKind::Angle));
        assert_eq!(identity.firmware, "1.0.7");
        close(identity.rate_hz, 10.0);
        close(identity.fastest_hz.unwrap(), 50.0);
        close(identity.range.unwrap().1, 30.0_f64.to_radians());
        close(identity.resolution.unwrap(), 0.001_f64.to_radians());
        assert!(identity.blinks && identity.sets_rate);
        let out = heard(
            &mut wire,
            &hex(
                "03 01 02 02 01 01 01 04 A0 86 01 01 01 01 01 05 30 ED EC FF 01 06 66 08 81 A1 96 00",
            ),
        );
        let [sample] = samples(&out)[..] else {
            panic!("{out:?}");
        };
        close(sample.value, -1.25_f64.to_radians());
        close(sample.temperature_c.unwrap(), 21.5);
        assert_eq!(
            (sample.sequence, sample.device_time_us),
            (Some(1), Some(100_000))
        );
        assert!(sample.trusted && sample.remark.is_none());
        let no_echo = heard(
            &mut wire,
            &hex(
                "03 01 02 02 4D 01 01 04 94 35 77 01 01 01 01 01 01 01 01 01 07 02 60 08 83 9E 99 00",
            ),
        );
        let [sample] = samples(&no_echo)[..] else {
            panic!("{no_echo:?}");
        };
        assert!(!sample.trusted);
        assert_eq!(sample.remark, Some(Remark::NoSignal));
        // Sequence 77 after 1.
        assert_eq!(wire.counts().lost, 75);
    }

    #[test]
    fn micrometres_become_metres() {
        let mut wire = Wire::new();
        let mut distance = identity(9, 0, 1);
        distance.quantity = protocol::Quantity::DISTANCE;
        distance.unit = protocol::Unit::MICROMETRE;
        heard(&mut wire, &said(distance));
        let out = heard(&mut wire, &sample(0, 0, 412_345, 0));
        close(samples(&out)[0].value, 0.412_345);
        assert_eq!(samples(&out)[0].kind, SampleKind::Distance);
    }

    #[test]
    fn a_value_before_the_identity_means_nothing_and_makes_it_ask() {
        let mut wire = Wire::new();
        let mut out = Vec::new();
        let asked = wire.poll(at(0.0), &mut out).unwrap();
        assert_eq!(
            asked,
            frame(&protocol::Message::Who(protocol::Who { tag: 1 }))
        );
        assert!(wire.poll(at(0.5), &mut out).is_none(), "not so soon again");
        let out = heard(&mut wire, &sample(0, 0, 5, 0));
        assert_eq!(rejections(&out), [Why::NoIdentity]);
        let again = wire.poll(at(1.0), &mut Vec::new()).unwrap();
        assert_ne!(asked, again, "with a tag of its own");
        heard(&mut wire, &said(identity(5, 0, 2)));
        assert!(
            wire.poll(at(2.5), &mut Vec::new()).is_some(),
            "one of two channels is not known yet"
        );
        heard(&mut wire, &said(identity(5, 1, 2)));
        assert!(wire.poll(at(9.0), &mut Vec::new()).is_none());
    }

    #[test]
    fn outside_its_own_range_is_not_trusted() {
        let mut wire = known();
        let out = heard(&mut wire, &sample(0, 0, 30_000_001, 0));
        assert!(!samples(&out)[0].trusted);
        assert_eq!(samples(&out)[0].remark, Some(Remark::OverRange));
    }

    #[test]
    fn every_status_bit_also_the_unknown_ones() {
        for (status, trusted, remark) in [
            (0x0001, true, Remark::NotSettled),
            (0x0002, true, Remark::WeakSignal),
            (0x0004, true, Remark::LowSupply),
            (0x0008, true, Remark::Late),
            (0x0040, true, Remark::Doubtful),
            (0x0100, false, Remark::OverRange),
            (0x0200, false, Remark::NoSignal),
            (0x0201, false, Remark::NoSignal),
            (0x0400, false, Remark::SelfTestFailed),
            (0x0800, false, Remark::Saturated),
            (0x8000, false, Remark::Useless),
        ] {
            let out = heard(&mut known(), &sample(0, 0, 0, status));
            assert_eq!(
                (samples(&out)[0].trusted, samples(&out)[0].remark),
                (trusted, Some(remark)),
                "{status:04x}"
            );
        }
    }

    #[test]
    fn repeated_and_old_values_are_not_passed_on_and_gaps_are_counted() {
        let mut wire = known();
        let mut line = Vec::new();
        for (sequence, time) in [
            (10, 100),
            (11, 110),
            (11, 110),
            (14, 140),
            (12, 120),
            (15, 150),
        ] {
            line.extend(sample(sequence, time, 0, 0));
        }
        let out = heard(&mut wire, &line);
        let passed: Vec<_> = samples(&out).iter().filter_map(|s| s.sequence).collect();
        assert_eq!(passed, [10, 11, 14, 15]);
        assert_eq!(rejections(&out), [Why::Repeated, Why::OutOfOrder]);
        assert_eq!(wire.counts().lost, 2);
        assert_eq!(wire.counts().samples, 4);
    }

    #[test]
    fn the_counter_goes_round() {
        let mut wire = known();
        heard(&mut wire, &sample(u32::MAX, 100, 0, 0));
        let out = heard(&mut wire, &sample(0, 200, 0, 0));
        assert_eq!(samples(&out).len(), 1);
        assert_eq!(wire.counts().lost, 0);
    }

    #[test]
    fn a_device_that_started_anew_is_believed_again_and_asked() {
        let mut wire = known();
        heard(&mut wire, &sample(5000, 500_000_000, 0, 0));
        let mut passed = 0;
        for i in 0..5 {
            let time = u64::from(i) * 100_000;
            passed += samples(&heard(&mut wire, &sample(i, time, 0, 0))).len();
        }
        assert_eq!(passed, 3);
        assert_eq!(wire.counts().restarts, 1);
        assert_eq!(wire.counts().lost, 0);
        assert!(wire.poll(at(5.0), &mut Vec::new()).is_some());
    }

    #[test]
    fn requests_and_their_answers_go_together_by_tag() {
        let mut wire = known();
        let rate = Request::SetRate {
            channel: None,
            hz: 9.8,
        };
        let bytes = wire.request(rate, at(0.0)).unwrap();
        assert_eq!(
            bytes,
            frame(&protocol::Message::SetRate(protocol::SetRate {
                tag: 1,
                channel: 255,
                rate_millihertz: 9800
            }))
        );
        let blink = Request::Blink {
            channel: Some(0),
            seconds: 3.0,
        };
        wire.request(blink, at(0.1)).unwrap();
        let done = |tag, request, taken| {
            frame(&protocol::Message::Done(protocol::Done {
                tag,
                request,
                taken,
            }))
        };
        // A tag that nobody waits for, and the right tag for another request.
        let out = heard(&mut wire, &done(77, protocol::Kind::SET_RATE, 1));
        assert_eq!(rejections(&out), [Why::StrayAnswer]);
        let out = heard(&mut wire, &done(1, protocol::Kind::BLINK, 1));
        assert_eq!(rejections(&out), [Why::StrayAnswer]);
        let out = heard(&mut wire, &done(1, protocol::Kind::SET_RATE, 9766));
        let [Heard::Answer(answer)] = &out[..] else {
            panic!("{out:?}");
        };
        assert_eq!(answer.request, rate);
        let Outcome::Done(taken) = answer.outcome else {
            panic!("{answer:?}");
        };
        close(taken, 9.766);
        let refused = frame(&protocol::Message::Refused(protocol::Refused {
            tag: 2,
            request: protocol::Kind::BLINK,
            reason: protocol::Refusal::CANNOT,
        }));
        let out = heard(&mut wire, &refused);
        assert!(
            matches!(&out[..], [Heard::Answer(a)] if a.outcome == Outcome::Refused("cannot do this".into()))
        );
        // Answered once is answered.
        assert_eq!(rejections(&heard(&mut wire, &refused)), [Why::StrayAnswer]);
    }

    #[test]
    fn another_device_on_the_line_and_faults_and_echoes() {
        let mut wire = known();
        heard(&mut wire, &said(identity(42, 0, 1)));
        let out = heard(&mut wire, &sample(0, 0, 0, 0));
        assert_eq!(samples(&out)[0].source.to_string(), "0x000000000000002a/0");
        let out = heard(
            &mut wire,
            &hex("05 01 03 FF 04 03 D8 10 01 01 04 87 93 03 01 01 01 04 82 AD F0 00"),
        );
        assert!(
            matches!(&out[..], [Heard::Fault(f)] if f.words == "supply too low (4312)" && f.channel.is_none() && f.device == Some(42))
        );
        let echo = wire.request(Request::Who, at(0.0)).unwrap();
        assert_eq!(rejections(&heard(&mut wire, &echo)), [Why::WrongWay]);
    }

    #[test]
    fn steps_of_unknown_size_are_not_used() {
        let mut wire = Wire::new();
        let mut odd = identity(3, 0, 1);
        odd.unit = protocol::Unit::STEP;
        let out = heard(&mut wire, &said(odd));
        assert!(matches!(&out[..], [Heard::Identity(i)] if i.kind.is_none() && i.range.is_none()));
        assert_eq!(
            rejections(&heard(&mut wire, &sample(0, 0, 5, 0))),
            [Why::UnknownUnit]
        );
    }

    #[test]
    fn after_reopening_nothing_is_taken_for_known() {
        let mut wire = known();
        heard(&mut wire, &sample(7, 7, 0, 0)[..10]);
        wire.reopened(at(1.0));
        let out = heard(&mut wire, &sample(0, 0, 0, 0));
        assert_eq!(rejections(&out), [Why::NoIdentity]);
        assert!(wire.poll(at(1.0), &mut Vec::new()).is_some());
    }
}

mod xdr {
    use super::*;

    /// One value as the sentence says it: name, number and unit.
    type Said<'a> = (&'a str, f64, char);

    fn said(line: &str) -> (Vec<(String, f64, SampleKind)>, Vec<Why>) {
        let mut xdr = Xdr::new();
        let out = heard(&mut xdr, format!("{line}\r\n").as_bytes());
        let values = samples(&out)
            .iter()
            .map(|sample| {
                let Source::Named(name) = &sample.source else {
                    panic!("{sample:?}");
                };
                (name.clone(), sample.value, sample.kind)
            })
            .collect();
        (values, rejections(&out))
    }

    /// Source: sentences published in the documentation, driver comments and
    /// test logs of the gpsd project (the HC, AP and first II ones), in the
    /// README of a sensor bridge (BB) and in comments of parsers (the others);
    /// every checksum computed again apart from this code.
    #[test]
    fn published_sentences() {
        let table: &[(&str, &[Said], &[Why])] = &[
            (
                "$HCXDR,A,171,D,PITCH,A,-37,D,ROLL,G,367,,MAGX,G,2420,,MAGY,G,-8984,,MAGZ*41",
                &[("PITCH", 171.0, 'D'), ("ROLL", -37.0, 'D')],
                &[],
            ),
            (
                "$HCXDR,A,177,D,PITCH,A,-40,D,ROLL,G,358,,MAGX,G,2432,,MAGY,G,-8974,,MAGZ*47",
                &[("PITCH", 177.0, 'D'), ("ROLL", -40.0, 'D')],
                &[],
            ),
            ("$APXDR,A,0.135,D,PTCH*7C", &[("PTCH", 0.135, 'D')], &[]),
            ("$APXDR,A,3.861,D,ROLL*65", &[("ROLL", 3.861, 'D')], &[]),
            ("$APXDR,A,0.144,D,PTCH*7A", &[("PTCH", 0.144, 'D')], &[]),
            ("$APXDR,A,0.138,D,PTCH*71", &[("PTCH", 0.138, 'D')], &[]),
            (
                "$IIXDR,C,,C,AIRTEMP,A,-3.0,D,HEEL,A,3.7,D,TRIM,P,,B,BARO,A,-4.2,D,RUDDER*28",
                &[
                    ("HEEL", -3.0, 'D'),
                    ("TRIM", 3.7, 'D'),
                    ("RUDDER", -4.2, 'D'),
                ],
                &[],
            ),
            (
                "$IIXDR,C,,C,AIRTEMP,A,4.5,D,HEEL,A,3.7,D,TRIM,P,,B,BARO,A,-1.8,D,RUDDER*08",
                &[
                    ("HEEL", 4.5, 'D'),
                    ("TRIM", 3.7, 'D'),
                    ("RUDDER", -1.8, 'D'),
                ],
                &[],
            ),
            ("$SDXDR,C,23.15,C,WTHI*70", &[], &[]),
            (
                "$IIXDR,A,0.9,D,PTCH,A,0.8,D,ROLL*5D",
                &[("PTCH", 0.9, 'D'), ("ROLL", 0.8, 'D')],
                &[],
            ),
            ("$IIXDR,A,-16.9,D,PTCH*79", &[("PTCH", -16.9, 'D')], &[]),
            ("$IIXDR,A,15.4,D,ROLL*48", &[("ROLL", 15.4, 'D')], &[]),
            ("$IIXDR,D,0.0000,M,DRT1*2A", &[("DRT1", 0.0, 'M')], &[]),
            (
                "$BBXDR,D,0.2410,M,RANGE_VL53L0X*66",
                &[("RANGE_VL53L0X", 0.241, 'M')],
                &[],
            ),
            (
                "$BBXDR,D,0.2430,M,RANGE_VL53L0X*64",
                &[("RANGE_VL53L0X", 0.243, 'M')],
                &[],
            ),
            // Lower-case hex is right; the unit is not one of the standard.
            ("$IIXDR,A,7.8,L,ROLL*7f", &[], &[Why::UnknownUnit]),
            // Another sentence, rightly checked.
            ("$GPZDA,160012.71,11,03,2004,-1,00*7D", &[], &[]),
            // Published with wrong checksums: 11 and 4D would be right.
            ("$IIXDR,A,-1,D,PITCH*10", &[], &[Why::BadCheck]),
            ("$IIXDR,A,20,D,HEEL*7D", &[], &[Why::BadCheck]),
            ("$IIXDR,A,-1,D,PITCH*11", &[("PITCH", -1.0, 'D')], &[]),
            ("$IIXDR,A,20,D,HEEL*4D", &[("HEEL", 20.0, 'D')], &[]),
            ("$IIXDR,D,0.1850,M,FLH*17", &[("FLH", 0.185, 'M')], &[]),
        ];
        for (line, values, rejected) in table {
            let (found, why) = said(line);
            assert_eq!(why, *rejected, "{line}");
            assert_eq!(found.len(), values.len(), "{line}");
            for ((name, value, kind), (expected_name, expected, unit)) in found.iter().zip(*values)
            {
                assert_eq!(name, expected_name, "{line}");
                let (si, due) = match unit {
                    'D' => (expected.to_radians(), SampleKind::Angle),
                    _ => (*expected, SampleKind::Distance),
                };
                close(*value, si);
                assert_eq!(*kind, due);
            }
        }
    }

    fn checked(body: &str) -> String {
        let sum = body.bytes().fold(0, |sum, byte| sum ^ byte);
        format!("${body}*{sum:02X}")
    }

    #[test]
    fn what_is_not_a_value_is_rejected_by_reason() {
        for (line, why) in [
            (checked("IIXDR,A,,D,HEEL"), Why::EmptyValue),
            (checked("IIXDR,A,nan,D,HEEL"), Why::BadNumber),
            (checked("IIXDR,A,inf,D,HEEL"), Why::BadNumber),
            (checked("IIXDR,A,1e300,D,HEEL"), Why::BadNumber),
            (checked("IIXDR,A,1.2.3,D,HEEL"), Why::BadNumber),
            (checked("IIXDR,A,361,D,HEEL"), Why::OutsideSense),
            (checked("IIXDR,D,99999,M,H"), Why::OutsideSense),
            (checked("IIXDR,D,1.0,F,H"), Why::UnknownUnit),
            (checked("IIXDR,D,1.0,M,"), Why::BadField),
            (checked("IIXDR,A,1,D"), Why::WrongLength),
            (checked("IIXDR,A,1,D,HEEL,A"), Why::WrongLength),
            (checked("IIXDR"), Why::WrongLength),
            ("$IIXDR,A,1,D,HEEL".into(), Why::NoCheck),
            ("$IIXDR,A,1,D,HEEL*".into(), Why::BadCheck),
            ("$IIXDR,A,1,D,HEEL*4".into(), Why::BadCheck),
            ("$IIXDR,A,1,D,HEEL*4G".into(), Why::BadCheck),
            ("$IIXDR,A,1,D,HEEL*+4".into(), Why::BadCheck),
            ("hello".into(), Why::OtherForm),
        ] {
            let (values, found) = said(&line);
            assert_eq!(found, [why], "{line}");
            assert!(values.is_empty(), "{line}");
        }
        let mut xdr = Xdr::new();
        assert_eq!(
            rejections(&heard(&mut xdr, b"\xFF\x80\x00rubbish\n")),
            [Why::NotText]
        );
    }

    #[test]
    fn the_temperature_of_a_sentence_goes_with_its_values() {
        let line = checked("IIXDR,A,1.5,D,HEEL,C,21.5,C,T1");
        let mut xdr = Xdr::new();
        let out = heard(&mut xdr, format!("{line}\n").as_bytes());
        assert!((samples(&out)[0].temperature_c.unwrap() - 21.5).abs() < 1e-12);
    }

    #[test]
    fn a_torn_sentence_does_not_take_the_next_one_with_it() {
        let good = checked("IIXDR,A,1.5,D,HEEL");
        let mut xdr = Xdr::new();
        let out = heard(&mut xdr, format!("$IIXDR,A,1.{good}\r\n").as_bytes());
        assert_eq!(rejections(&out), [Why::NoCheck]);
        assert_eq!(samples(&out).len(), 1);
    }

    #[test]
    fn forty_quadruplets_and_more_than_the_standards_length() {
        let mut body = "IIXDR".to_owned();
        for i in 0..40 {
            write!(body, ",A,{i},D,N{i}").unwrap();
        }
        let line = checked(&body);
        assert!(line.len() > 82);
        assert_eq!(said(&line).0.len(), 40);
    }
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
    vec![Box::new(Wire::new()), Box::new(Xdr::new())]
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
    for byte in [0xAA, b'A', 0xFF] {
        for mut driver in every() {
            let block = vec![byte; 1 << 20];
            let mut out = Vec::new();
            for _ in 0..10 {
                driver.feed(&block, at(0.0), &mut out);
            }
            driver.feed(b"\0\r\n", at(0.0), &mut out);
            assert!(
                out.len() <= 2,
                "{} {byte:02x}: {}",
                driver.name(),
                out.len()
            );
            assert_eq!(driver.counts().rejected(Why::TooLong), 1);
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

/// Captures and what each driver makes of them.
mod captures {
    use std::collections::BTreeMap;
    use std::path::{Path, PathBuf};

    use super::*;
    use stillheight::ports::{PortEvent, PortEventKind, Replay};

    fn folder() -> PathBuf {
        PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/captures")
    }

    fn driver_named(name: &str) -> Box<dyn Driver> {
        every()
            .into_iter()
            .find(|driver| driver.name() == name)
            .unwrap_or_else(|| panic!("no driver '{name}'"))
    }

    fn events(path: &Path) -> Vec<PortEvent> {
        let file = std::fs::File::open(path).unwrap();
        Replay::new(std::io::BufReader::new(file))
            .unwrap()
            .map(Result::unwrap)
            .collect()
    }

    /// What comes out, as text; bytes of each arrival fed in pieces.
    fn play(path: &Path, piece: usize) -> String {
        let name = path.file_name().unwrap().to_str().unwrap();
        let protocol = name.split('-').next().unwrap();
        let mut drivers: BTreeMap<usize, Box<dyn Driver>> = BTreeMap::new();
        let mut text = String::new();
        let events = events(path);
        let start = events.first().unwrap().at;
        for event in events {
            let driver = drivers
                .entry(event.port)
                .or_insert_with(|| driver_named(protocol));
            let mut out = Vec::new();
            match &event.kind {
                PortEventKind::Opened { .. } => driver.reopened(event.at),
                PortEventKind::Bytes(bytes) => {
                    for piece in bytes.chunks(piece) {
                        driver.feed(piece, event.at, &mut out);
                    }
                }
                _ => {}
            }
            for heard in out {
                writeln!(text, "{} {}", event.port, line(&heard, start)).unwrap();
            }
        }
        for (port, driver) in &drivers {
            let counts = driver.counts();
            let rejected: Vec<String> = counts
                .by_reason()
                .map(|(why, count)| format!("{} {count}", why.name()))
                .collect();
            writeln!(
                text,
                "{port} counts good {} samples {} lost {} restarts {} rejected [{}]",
                counts.good,
                counts.samples,
                counts.lost,
                counts.restarts,
                rejected.join(", ")
            )
            .unwrap();
        }
        text
    }

    fn line(heard: &Heard, start: Moment) -> String {
        match heard {
            Heard::Sample(s) => format!(
                "{:.3} sample {} {} {:.9} sequence {:?} temperature {:?} {} {:?}",
                s.at.since(start).s(),
                s.source,
                s.kind,
                s.value,
                s.sequence,
                s.temperature_c,
                if s.trusted { "trusted" } else { "not trusted" },
                s.remark
            ),
            Heard::Identity(i) => format!(
                "identity {} {} firmware {} rate {:.3}",
                i.source, i.words, i.firmware, i.rate_hz
            ),
            Heard::Fault(f) => format!("fault {:?} {}", f.channel, f.words),
            Heard::Answer(a) => format!("answer {:?} {:?}", a.request, a.outcome),
            Heard::Rejected(r) => format!("rejected {} {} bytes", r.why.name(), r.bytes),
            other => format!("{other:?}"),
        }
    }

    fn all() -> Vec<PathBuf> {
        let mut paths: Vec<PathBuf> = std::fs::read_dir(folder())
            .unwrap()
            .map(|entry| entry.unwrap().path())
            .filter(|path| path.extension().is_some_and(|e| e == "log"))
            .collect();
        paths.sort();
        paths
    }

    /// The expected text stands beside each capture; `BLESS=1` writes it anew,
    /// to be looked at before it is kept.
    #[test]
    fn every_capture_gives_what_is_expected_in_pieces_of_any_size() {
        for path in all() {
            let whole = play(&path, usize::MAX);
            for piece in [1, 3, 7, 64] {
                assert_eq!(play(&path, piece), whole, "{} by {piece}", path.display());
            }
            let golden = path.with_extension("expected");
            if std::env::var_os("BLESS").is_some() {
                std::fs::write(&golden, &whole).unwrap();
            }
            let expected = std::fs::read_to_string(&golden)
                .unwrap_or_else(|_| panic!("'{}' is missing", golden.display()));
            assert_eq!(whole, expected, "{}", path.display());
        }
    }

    #[test]
    fn every_driver_has_a_capture() {
        for entry in TABLE {
            let start = format!("{}-", entry.name);
            assert!(
                all().iter().any(|path| path
                    .file_name()
                    .and_then(|name| name.to_str())
                    .is_some_and(|name| name.starts_with(&start))),
                "{}",
                entry.name
            );
        }
    }
}
