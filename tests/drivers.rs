//! Drivers against published sentences and frames, captures, and rubbish.

use std::fmt::Write as _;

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

mod modbus {
    use super::*;

    const MODBUS_CHECK: Check = Check::Crc {
        crc: Crc::MODBUS,
        low_first: true,
    };

    fn value(name: &str, address: u8, function: Function, register: u16) -> RegisterValue {
        RegisterValue {
            name: name.into(),
            address,
            function,
            register,
            form: NumberForm::U16,
            order: WordOrder::Abcd,
            scale: 1.0,
            unit: ValueUnit::Millimetre,
        }
    }

    fn bus(values: Vec<RegisterValue>) -> Modbus {
        Modbus::new(BusSettings {
            baud: 9600,
            timeout: Span::from_s(0.2),
            period: Span::from_s(0.1),
            values,
        })
    }

    /// Asks at a time and answers a little later.
    fn exchange(bus: &mut Modbus, when: f64, answer: &[u8]) -> (Vec<u8>, Vec<Heard>) {
        let mut out = Vec::new();
        let asked = bus.poll(at(when), &mut out).unwrap_or_default();
        bus.feed(answer, at(when + 0.02), &mut out);
        (asked, out)
    }

    /// Source: frames with their checks from the examples of the Modbus
    /// application protocol V1.1b3 and the serial line guide 6.2.2, and from the
    /// tests of pymodbus, tokio-modbus and libmodbus.
    #[test]
    fn published_frames_check() {
        for frame in [
            "02 07 41 12",
            "11 03 00 6B 00 03 76 87",
            "11 03 06 02 2B 00 00 00 64 C8 BA",
            "11 03 06 AE 41 56 52 43 40 49 AD",
            "01 03 08 2B 00 02 B6 63",
            "01 03 04 89 02 42 C7 00 9D",
            "01 03 04 00 20 00 00 FB F9",
            "66 82 03 B1 7E",
            "00 03 00 7C 00 02 04 02",
            "11 03 00 7C 00 02 07 43",
            "FF 03 00 7C 00 02 10 0D",
            "00 03 04 00 8D 00 8E FA BC",
            "11 03 04 00 8D 00 8E FB BD",
            "FF 03 04 00 8D 00 8E F5 B3",
            "00 83 02 91 31",
            "11 83 02 C1 34",
            "FF 83 02 A1 01",
            "02 01 01 00 51 CC",
            "FE 04 00 03 00 01 D5 C5",
            "11 01 05 CD 6B B2 0E 1B 45 E6",
            "11 04 00 08 00 01 B2 98",
            "11 04 02 00 0A F8 F4",
            "11 16 00 04 00 F2 00 25 66 E2",
        ] {
            let bytes = hex(frame);
            assert!(MODBUS_CHECK.fits(&bytes), "{frame}");
            for i in 0..bytes.len() {
                let mut damaged = bytes.clone();
                damaged[i] ^= 0x04;
                assert!(!MODBUS_CHECK.fits(&damaged), "{frame}, byte {i}");
            }
        }
    }

    /// Source: Modbus application protocol V1.1b3, 6.4 (read input registers;
    /// frame as in the tests of libmodbus): input register 8 of device 17 holds
    /// 10.
    #[test]
    fn the_example_of_function_04() {
        let mut bus = bus(vec![value("D", 17, Function::Input, 8)]);
        let (asked, out) = exchange(&mut bus, 0.0, &hex("11 04 02 00 0A F8 F4"));
        assert_eq!(asked, hex("11 04 00 08 00 01 B2 98"));
        close(samples(&out)[0].value, 0.010);
        assert!(rejections(&out).is_empty());
    }

    /// Source: request frames computed apart from this code.
    #[test]
    fn requests_for_two_registers() {
        for (function, frame) in [
            (Function::Holding, "01 03 00 00 00 02 C4 0B"),
            (Function::Input, "01 04 00 00 00 02 71 CB"),
        ] {
            let mut value = value("D", 1, function, 0);
            value.form = NumberForm::F32;
            let (asked, _) = exchange(&mut bus(vec![value]), 0.0, &[]);
            assert_eq!(asked, hex(frame));
        }
    }

    /// Source: the four orders of the float 123456.0 (47F12000h) in the tests
    /// of libmodbus.
    #[test]
    fn word_orders() {
        for (order, data) in [
            (WordOrder::Abcd, "47 F1 20 00"),
            (WordOrder::Cdab, "20 00 47 F1"),
            (WordOrder::Badc, "F1 47 00 20"),
            (WordOrder::Dcba, "00 20 F1 47"),
        ] {
            let mut value = value("D", 1, Function::Holding, 0);
            value.form = NumberForm::F32;
            value.order = order;
            let mut reply = hex(&format!("01 03 04 {data}"));
            reply.extend(MODBUS_CHECK.of(&reply));
            let (_, out) = exchange(&mut bus(vec![value]), 0.0, &reply);
            close(samples(&out)[0].value, 123.456);
        }
    }

    #[test]
    fn signs_scales_and_numbers_that_are_none() {
        let read = |form, data: &str, scale, unit| {
            let mut value = value("A", 1, Function::Holding, 0);
            value.form = form;
            value.scale = scale;
            value.unit = unit;
            let data = hex(data);
            let mut reply = vec![1, 3, u8::try_from(data.len()).unwrap()];
            reply.extend(data);
            reply.extend(MODBUS_CHECK.of(&reply));
            exchange(&mut bus(vec![value]), 0.0, &reply).1
        };
        let out = read(NumberForm::I16, "FF 83", 0.01, ValueUnit::Degree);
        close(samples(&out)[0].value, -1.25_f64.to_radians());
        let out = read(NumberForm::I32, "FF FF FF FE", 1.0, ValueUnit::Millimetre);
        close(samples(&out)[0].value, -0.002);
        let out = read(NumberForm::U32, "00 01 00 00", 0.01, ValueUnit::Inch);
        close(samples(&out)[0].value, 655.36 * 0.0254);
        for (data, why) in [
            ("7F C0 00 00", Why::BadNumber),
            ("7F 80 00 00", Why::BadNumber),
            ("FF 80 00 00", Why::BadNumber),
            ("7F 00 00 00", Why::OutsideSense),
        ] {
            let out = read(NumberForm::F32, data, 1.0, ValueUnit::Degree);
            assert_eq!(rejections(&out), [why], "{data}");
            assert!(samples(&out).is_empty());
        }
    }

    /// Source: the cases of the tests of tokio-modbus and pymodbus: noise before
    /// a frame, a bad check before a good frame.
    #[test]
    fn an_answer_is_found_among_noise() {
        let mut long = value("D", 1, Function::Holding, 0x2B);
        long.form = NumberForm::U32;
        let (_, out) = exchange(
            &mut bus(vec![long]),
            0.0,
            &hex("42 43 01 03 04 89 02 42 C7 00 9D 00"),
        );
        assert!(
            samples(&out).is_empty(),
            "2 298 626 759 mm is outside all sense"
        );
        assert_eq!(rejections(&out), [Why::BadFraming, Why::OutsideSense]);
        let exceptional = |bytes| {
            let mut bus = bus(vec![value("D", 0, Function::Holding, 0)]);
            rejections(&exchange(&mut bus, 0.0, &hex(bytes)).1)
        };
        assert_eq!(exceptional("00 83 02 91 21"), []);
        assert_eq!(exceptional("00 83 02 F0 91 31"), []);
        assert_eq!(
            exceptional("00 83 02 91 21 00 83 02 91 31"),
            [Why::Exception]
        );
    }

    #[test]
    fn exceptions_are_said_in_words_and_the_next_value_goes_on() {
        let mut bus = bus(vec![
            value("none", 1, Function::Holding, 0),
            value("D", 1, Function::Holding, 1),
        ]);
        let (_, out) = exchange(&mut bus, 0.0, &hex("01 83 02 C0 F1"));
        assert!(
            out.iter()
                .any(|h| matches!(h, Heard::Fault(f) if f.words.contains("no such register")))
        );
        let (_, out) = exchange(&mut bus, 0.1, &hex("01 03 02 00 07 F9 86"));
        close(samples(&out)[0].value, 0.007);
    }

    /// Source: Modbus over serial line V1.02 as quoted on public pages: 11 bits
    /// a character, 3.5 characters; fixed above 19 200 baud.
    #[test]
    fn pauses() {
        for (baud, us) in [
            (9600, 4011),
            (19_200, 2006),
            (38_400, 2000),
            (115_200, 2000),
        ] {
            assert_eq!(modbus_pause(baud).us(), us, "{baud}");
        }
        // Slower than the table, by hand: 38.5 bits at 1200 baud.
        assert_eq!(modbus_pause(1200).us(), 32_084);
    }

    #[test]
    fn an_echo_is_not_an_answer() {
        let mut bus = bus(vec![value("D", 17, Function::Input, 8)]);
        let (_, out) = exchange(
            &mut bus,
            0.0,
            &hex("11 04 00 08 00 01 B2 98 11 04 02 00 0A F8 F4"),
        );
        assert_eq!(rejections(&out), [Why::WrongWay]);
        assert_eq!(samples(&out).len(), 1);
    }

    /// A reply that comes after the time-out must not be the answer to the next
    /// request: register 1 holds 11 mm, register 2 holds 22 mm.
    #[test]
    fn a_late_reply_is_not_taken_for_the_next_ones() {
        let mut bus = bus(vec![
            value("one", 1, Function::Holding, 1),
            value("two", 1, Function::Holding, 2),
        ]);
        let mut out = Vec::new();
        let mut eleven = hex("01 03 02 00 0B");
        eleven.extend(MODBUS_CHECK.of(&eleven));
        bus.poll(at(0.0), &mut out).unwrap();
        assert!(bus.poll(at(0.201), &mut out).is_none());
        assert_eq!(rejections(&out), [Why::NoAnswer]);
        // In the time of throwing away, and after it, and within the barrier.
        bus.feed(&eleven, at(0.25), &mut out);
        assert!(bus.poll(at(0.5), &mut out).is_none());
        bus.feed(&eleven, at(0.9), &mut out);
        let barrier = bus.poll(at(1.0), &mut out).unwrap();
        assert_eq!(barrier[1], 8, "a barrier before anything else");
        bus.feed(&eleven, at(1.05), &mut out);
        assert!(samples(&out).is_empty());
        bus.feed(&barrier, at(1.1), &mut out);
        let next = bus.poll(at(1.2), &mut out).unwrap();
        assert_eq!(next[1], 3);
        assert!(samples(&out).is_empty());
    }

    /// How a made-up device behaves.
    #[derive(Debug, Clone, Copy)]
    enum Knows08 {
        Answers,
        Refuses,
        IsSilent,
    }

    /// A bus with devices that answer in order, late, damaged or not at all;
    /// register r of device a holds 100 a + r millimetres.
    fn on_a_bad_bus(delays_ms: &[u16], knows: Knows08) -> (usize, Vec<(String, f64)>) {
        let names = [("1/1", 1, 1), ("1/2", 1, 2), ("2/7", 2, 7)];
        let mut bus = bus(names
            .iter()
            .map(|(name, address, register)| value(name, *address, Function::Holding, *register))
            .collect());
        let mut delays = delays_ms.iter().cycle();
        let mut answers: Vec<(u64, Vec<u8>)> = Vec::new();
        let mut busy_until = [0_u64; 3];
        let mut out = Vec::new();
        let mut asked = 0;
        for ms in 0..60_000_u64 {
            let now = at(ms as f64 * 1e-3);
            let due: Vec<_> = answers.iter().filter(|a| a.0 == ms).cloned().collect();
            answers.retain(|a| a.0 > ms);
            for (_, bytes) in due {
                bus.feed(&bytes, now, &mut out);
            }
            let Some(request) = bus.poll(now, &mut out) else {
                continue;
            };
            asked += 1;
            assert!(MODBUS_CHECK.fits(&request));
            let delay = *delays.next().unwrap();
            if delay % 7 == 3 {
                continue;
            }
            let mut reply = match (request[1], knows) {
                (3, _) => {
                    let mut reply = vec![request[0], 3, 2 * request[5]];
                    for i in 0..request[5] {
                        reply.push(0);
                        reply.push(100 * request[0] + request[3] + i);
                    }
                    reply
                }
                (8, Knows08::Answers) => request[..6].to_vec(),
                (8, Knows08::Refuses) => vec![request[0], 0x88, 1],
                _ => continue,
            };
            reply.extend(MODBUS_CHECK.of(&reply));
            if delay % 7 == 5 {
                reply[2] ^= 1;
            }
            let device = usize::from(request[0]);
            let when = (ms + 1 + u64::from(delay)).max(busy_until[device] + 1);
            busy_until[device] = when;
            answers.push((when, reply));
        }
        let found = samples(&out)
            .iter()
            .map(|sample| (sample.source.to_string(), sample.value))
            .collect();
        (asked, found)
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(40))]
        /// Whatever the delays, also far beyond the time-out: never the value
        /// of another register.
        #[test]
        fn prop_no_value_of_another_register(
            delays in prop::collection::vec(0_u16..1500, 1..30),
            knows in prop_oneof![
                Just(Knows08::Answers),
                Just(Knows08::Refuses),
                Just(Knows08::IsSilent)
            ],
        ) {
            let (_, found) = on_a_bad_bus(&delays, knows);
            for (name, value) in found {
                let (address, register) = name.split_once('/').unwrap();
                let expected: f64 = address.parse::<f64>().unwrap() * 0.1
                    + register.parse::<f64>().unwrap() * 0.001;
                prop_assert!((value - expected).abs() < 1e-9, "{} gave {}", name, value);
            }
        }
    }

    /// The same bus with a device that is mostly in time: it does get through,
    /// and a dead neighbour does not starve it.
    #[test]
    fn reading_goes_on_after_failures() {
        for knows in [Knows08::Answers, Knows08::Refuses, Knows08::IsSilent] {
            // 28 in 30 in time, one far too late, one lost.
            let mut delays = vec![14; 28];
            delays.extend([700, 3]);
            let (asked, found) = on_a_bad_bus(&delays, knows);
            for name in ["1/1", "1/2", "2/7"] {
                let count = found.iter().filter(|(n, _)| n == name).count();
                assert!(count > 50, "{knows:?}: {name} {count} of {asked}");
            }
        }
        let mut bus = bus(vec![
            value("dead", 9, Function::Holding, 1),
            value("alive", 1, Function::Holding, 1),
        ]);
        let mut alive = 0;
        let mut out = Vec::new();
        for ms in 0..20_000 {
            let now = at(f64::from(ms) * 1e-3);
            if let Some(request) = bus.poll(now, &mut out)
                && request[0] == 1
            {
                let mut reply = hex("01 03 02 00 07");
                reply.extend(MODBUS_CHECK.of(&reply));
                bus.feed(&reply, now + Span::from_s(0.0005), &mut out);
                alive += 1;
            }
        }
        assert_eq!(samples(&out).len(), alive);
        assert!(alive > 120, "{alive} in 20 s beside a dead one");
    }
}

mod described {
    use super::*;

    fn line(pattern: &str, unit: ValueUnit) -> LineValue {
        LineValue {
            name: "D".into(),
            pattern: Pattern::new(pattern).unwrap(),
            scale: 1.0,
            unit,
        }
    }

    fn lines(values: Vec<LineValue>) -> Described {
        Described::new(Description {
            form: Form::Lines(values),
            start: b"D".to_vec(),
            ask_every: Some(Span::from_s(0.5)),
        })
        .unwrap()
    }

    fn frames(form: FrameForm) -> Described {
        Described::new(Description {
            form: Form::Frames(form),
            start: Vec::new(),
            ask_every: None,
        })
        .unwrap()
    }

    /// Source: a public part document of a distance module with text replies:
    /// distance and signal quality, supply and temperature.
    #[test]
    fn text_replies_of_a_module() {
        let mut module = lines(vec![line("{value}m, {skip}", ValueUnit::Metre)]);
        let out = heard(
            &mut module,
            b"12.345m, 0079\r\n18.0'C, 2.7V\r\n 0.412m,0079\r\n",
        );
        close(samples(&out)[0].value, 12.345);
        assert_eq!(rejections(&out), [Why::OtherForm, Why::OtherForm]);
    }

    #[test]
    fn patterns() {
        for (pattern, text, value) in [
            ("{value}", " -12.5 ", Some("-12.5")),
            ("D: {value} mm", "D: 412 mm", Some("412")),
            ("D: {value} mm", "D:  412   mm", Some("412")),
            ("D: {value} mm", "E: 412 mm", None),
            ("D: {value} mm", "D: 412 mm more", None),
            ("{skip};{value};{skip}", "3;4;5;6", Some("4")),
            ("X={value},Y={skip}", "X=+0.5,Y=1", Some("+0.5")),
            ("{value} mm", " mm", Some("")),
        ] {
            assert_eq!(
                Pattern::new(pattern).unwrap().value_in(text),
                value,
                "{pattern} {text}"
            );
        }
        for (pattern, code) in [
            ("mm", "drivers.described.one_value"),
            ("{value} {value}", "drivers.described.one_value"),
            ("{value}{skip}", "drivers.described.touching"),
            ("{number}", "drivers.described.word"),
            ("{value", "drivers.described.word"),
        ] {
            assert_eq!(Pattern::new(pattern).unwrap_err().code(), code, "{pattern}");
        }
    }

    #[test]
    fn two_values_in_a_line_and_values_that_are_none() {
        let mut pitch = line("{skip},{value}", ValueUnit::Degree);
        pitch.name = "P".into();
        let mut both = lines(vec![line("{value},{skip}", ValueUnit::Degree), pitch]);
        let out = heard(&mut both, b"1.5,-2.5\n");
        close(samples(&out)[0].value, 1.5_f64.to_radians());
        close(samples(&out)[1].value, -2.5_f64.to_radians());
        let out = heard(&mut both, b"nan,720\n,1e3\n\xFF\xFE\n");
        assert!(samples(&out).is_empty());
        assert_eq!(
            rejections(&out),
            [
                Why::BadNumber,
                Why::OutsideSense,
                Why::EmptyValue,
                Why::BadNumber,
                Why::NotText
            ]
        );
    }

    #[test]
    fn it_is_asked_at_opening_and_again() {
        let mut module = lines(vec![line("{value}", ValueUnit::Metre)]);
        let mut out = Vec::new();
        assert_eq!(module.poll(at(0.0), &mut out).as_deref(), Some(&b"D"[..]));
        assert_eq!(module.poll(at(0.4), &mut out), None);
        assert!(module.poll(at(0.5), &mut out).is_some());
        module.reopened(at(0.6));
        assert!(module.poll(at(0.6), &mut out).is_some());
    }

    fn digits() -> FrameForm {
        FrameForm {
            header: vec![0xFF],
            length: 7,
            check: Check::None,
            values: vec![FrameValue {
                name: "D".into(),
                at: 1,
                bytes: 6,
                digits: Digits::Text,
                scale: 1.0,
                unit: ValueUnit::Millimetre,
            }],
        }
    }

    /// Source: a public user manual of a distance module: FF and six digits of
    /// millimetres, blanks for leading zeros, strokes for no value.
    #[test]
    fn digits_in_a_frame() {
        let mut module = frames(digits());
        let out = heard(
            &mut module,
            &hex(
                "33 34 FF 20 20 33 34 35 36 FF 31 32 33 34 35 36 FF 20 2D 2D 2D 2D 20 FF FF 20 20 33 34 35 36",
            ),
        );
        let values: Vec<f64> = samples(&out).iter().map(|s| s.value).collect();
        close(values[0], 3.456);
        close(values[1], 123.456);
        close(values[2], 3.456);
        assert_eq!(values.len(), 3);
        assert!(rejections(&out).contains(&Why::EmptyValue));
        assert!(rejections(&out).contains(&Why::OtherForm));
    }

    #[test]
    fn whole_numbers_and_checks() {
        let form = |signed, low_first, check| FrameForm {
            header: vec![0x55, 0xAA],
            length: 4 + 2,
            check,
            values: vec![FrameValue {
                name: "A".into(),
                at: 2,
                bytes: 2,
                digits: Digits::Whole { signed, low_first },
                scale: 0.01,
                unit: ValueUnit::Degree,
            }],
        };
        let crc = Check::Crc {
            crc: Crc::IBM_3740,
            low_first: false,
        };
        for (signed, low_first, bytes, degrees) in [
            (true, false, "55 AA FF 83", -1.25),
            (true, true, "55 AA 83 FF", -1.25),
            (false, false, "55 AA 00 7D", 1.25),
        ] {
            let mut frame = hex(bytes);
            frame.extend(crc.of(&frame));
            let mut module = frames(form(signed, low_first, crc));
            // A damaged one before it, and one that looks like its header.
            let mut stream = frame.clone();
            stream[3] ^= 1;
            stream.extend([0x55, 0x55, 0xAA]);
            stream.truncate(stream.len() - 2);
            stream.extend(&frame);
            let out = heard(&mut module, &stream);
            assert_eq!(samples(&out).len(), 1);
            close(samples(&out)[0].value, f64::to_radians(degrees));
            assert!(module.counts().rejected(Why::BadCheck) > 0);
        }
    }

    #[test]
    fn senseless_descriptions_are_refused() {
        let try_form = |change: fn(&mut FrameForm)| {
            let mut form = digits();
            change(&mut form);
            Described::new(Description {
                form: Form::Frames(form),
                start: Vec::new(),
                ask_every: None,
            })
            .unwrap_err()
        };
        assert_eq!(
            try_form(|form| form.header.clear()),
            DescriptionError::NoHeader
        );
        for error in [
            try_form(|form| form.values[0].at = 0),
            try_form(|form| form.values[0].bytes = 7),
            try_form(|form| form.check = Check::Sum),
            try_form(|form| form.length = 3),
        ] {
            assert_eq!(error.code(), "drivers.described.place");
        }
        let error = try_form(|form| {
            form.values[0].digits = Digits::Whole {
                signed: false,
                low_first: false,
            };
        });
        assert_eq!(error.code(), "drivers.described.bytes");
    }

    /// For the tests that feed every driver.
    pub(super) fn some() -> [Described; 3] {
        let mut checked = digits();
        checked.check = Check::Xor;
        checked.values[0].bytes = 5;
        [
            lines(vec![line("{skip}={value} mm", ValueUnit::Millimetre)]),
            frames(digits()),
            frames(checked),
        ]
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
