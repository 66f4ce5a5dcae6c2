//! The project's own wire protocol.

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
        &hex("03 01 02 02 01 01 01 04 A0 86 01 01 01 01 01 05 30 ED EC FF 01 06 66 08 81 A1 96 00"),
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
        &hex("03 01 02 02 4D 01 01 04 94 35 77 01 01 01 01 01 01 01 01 01 07 02 60 08 83 9E 99 00"),
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
    assert_eq!(wire.due(), Some(at(1.0)));
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
    assert_eq!(wire.due(), None);
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
