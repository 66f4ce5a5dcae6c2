//! Laws over many random messages and bytes.

use proptest::prelude::*;
use stillheight_protocol::{
    Abilities, Blink, COLDEST_CENTIDEGREES, Done, EncodeError, Fault, FaultCode, Field, Firmware,
    Identity, Kind, MAX_FRAME, Message, Quantity, Refusal, Refused, Sample, SetRate, Status, Unit,
    Who, encode, stuffing,
};

use crate::notation::{frame, heard, heard_by_byte, message};

/// Numbers with many zero bytes and many extremes, which is where stuffing has its cases.
fn numbers() -> impl Strategy<Value = u64> {
    (any::<u64>(), any::<u64>(), any::<bool>()).prop_map(|(n, mask, thin)| {
        let keep = mask.to_le_bytes().map(|b| if b < 128 { 0xff } else { 0 });
        if thin {
            n & u64::from_le_bytes(keep)
        } else {
            n
        }
    })
}

#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_possible_wrap,
    reason = "only the low bits of a random number are wanted"
)]
fn identities() -> impl Strategy<Value = Message> {
    let numbers = [(); 8].map(|()| numbers());
    (numbers, 1..255_u8, any::<u8>(), 1..u64::MAX).prop_map(|(n, channels, channel, device)| {
        let quantity = Quantity(n[0] as u8 % 6);
        let ends = [n[1] as i32, n[2] as i32];
        Message::Identity(Identity {
            channel: channel % channels,
            channels,
            device,
            quantity,
            unit: quantity.own_unit().unwrap_or(Unit(n[0] as u8)),
            resolution: n[3] as u32,
            range_min: ends[0].min(ends[1]),
            range_max: ends[0].max(ends[1]),
            firmware: Firmware {
                major: n[4] as u8,
                minor: (n[4] >> 8) as u8,
                patch: (n[4] >> 16) as u16,
            },
            rate_millihertz: n[5] as u32,
            fastest_millihertz: n[6] as u32,
            abilities: Abilities(n[7] as u16),
        })
    })
}

#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_possible_wrap,
    reason = "only the low bits of a random number are wanted"
)]
fn samples() -> impl Strategy<Value = Message> {
    let temperature = proptest::option::of(COLDEST_CENTIDEGREES..=i16::MAX);
    (0..254_u8, [(); 4].map(|()| numbers()), temperature).prop_map(|(channel, n, temperature)| {
        Message::Sample(Sample {
            channel,
            sequence: n[0] as u32,
            time_us: n[1],
            value: n[2] as i32,
            status: Status(n[3] as u16),
            temperature_centidegrees: temperature,
        })
    })
}

pub fn messages() -> impl Strategy<Value = Message> {
    let channel = prop_oneof![0..254_u8, Just(255)];
    let request = (0x80..=0xff_u8).prop_map(Kind);
    prop_oneof![
        identities(),
        samples(),
        (channel.clone(), 1..=u16::MAX, any::<u32>(), numbers()).prop_map(
            |(channel, code, detail, time_us)| Message::Fault(Fault {
                channel,
                code: FaultCode(code),
                detail,
                time_us
            })
        ),
        (any::<u8>(), request.clone(), any::<u32>()).prop_map(|(tag, request, taken)| {
            Message::Done(Done {
                tag,
                request,
                taken,
            })
        }),
        (any::<u8>(), request, 1..=u8::MAX).prop_map(|(tag, request, reason)| {
            Message::Refused(Refused {
                tag,
                request,
                reason: Refusal(reason),
            })
        }),
        any::<u8>().prop_map(|tag| Message::Who(Who { tag })),
        (any::<u8>(), channel.clone(), any::<u32>()).prop_map(|(tag, channel, rate_millihertz)| {
            Message::SetRate(SetRate {
                tag,
                channel,
                rate_millihertz,
            })
        }),
        (any::<u8>(), channel, any::<u16>()).prop_map(|(tag, channel, tenths)| {
            Message::Blink(Blink {
                tag,
                channel,
                tenths,
            })
        }),
    ]
}

proptest! {
    #[test]
    fn prop_decode_encode_roundtrip(meant in messages()) {
        let line = frame(&meant);
        prop_assert!(line.len() <= MAX_FRAME);
        prop_assert_eq!(line.iter().position(|&byte| byte == 0), Some(line.len() - 1));
        prop_assert_eq!(heard(&line, 1000), vec![Ok(meant)]);
        prop_assert_eq!(message(&meant.to_string()), meant);
    }

    #[test]
    fn prop_any_bytes_never_panic(line in proptest::collection::vec(any::<u8>(), 0..600), piece in 1..70_usize) {
        let whole = heard(&line, line.len());
        prop_assert_eq!(&whole, &heard_by_byte(&line));
        prop_assert_eq!(&whole, &heard(&line, piece));
        // Every byte is in a frame, is a zero, or waits for its zero.
        let runs = line.split(|&byte| byte == 0);
        let ended = runs.clone().count() - 1;
        let expected = runs.take(ended).filter(|run| !run.is_empty()).count();
        prop_assert_eq!(whole.len(), expected);
    }

    #[test]
    fn prop_pieces_do_not_matter(
        meant in proptest::collection::vec((messages(), proptest::collection::vec(any::<u8>(), 0..90)), 1..8),
        cuts in proptest::collection::vec(1..40_usize, 1..40),
    ) {
        let mut line = Vec::new();
        for (message, noise) in &meant {
            line.extend(noise);
            line.push(0);
            line.extend(frame(message));
        }
        let whole = heard(&line, line.len());
        prop_assert_eq!(&whole, &heard_by_byte(&line));
        let mut accumulator = stillheight_protocol::Accumulator::new();
        let mut in_pieces = Vec::new();
        let mut rest = &line[..];
        for &cut in cuts.iter().cycle() {
            let (piece, after) = rest.split_at(cut.min(rest.len()));
            accumulator.feed(piece, |heard| in_pieces.push(heard));
            rest = after;
            if rest.is_empty() { break; }
        }
        prop_assert_eq!(&whole, &in_pieces);
        // After each piece of noise and its zero, the message behind it is heard.
        let good: Vec<_> = whole.into_iter().filter_map(Result::ok).collect();
        let wanted: Vec<_> = meant.iter().map(|(message, _)| *message).collect();
        prop_assert_eq!(good, wanted);
    }

    /// Source: the independent encoder and decoder of the crate `cobs`.
    #[test]
    fn prop_stuffing_agrees_with_another_library(content in proptest::collection::vec(prop_oneof![Just(0_u8), any::<u8>()], 1..254)) {
        let mut ours = [0; 300];
        let mut theirs = [0; 300];
        let length = stuffing::stuff(&content, &mut ours).unwrap();
        let their_length = cobs::encode(&content, &mut theirs);
        prop_assert_eq!(&ours[..length], &theirs[..their_length]);
        let mut back = [0; 300];
        let report = cobs::decode(&ours[..length], &mut back).unwrap();
        prop_assert_eq!(&back[..report.frame_size()], &content[..]);
        let length = stuffing::unstuff(&ours[..length], &mut back).unwrap();
        prop_assert_eq!(&back[..length], &content[..]);
    }

    #[test]
    fn prop_a_short_buffer_is_refused_and_left_in_peace(meant in messages(), room in 0..MAX_FRAME) {
        let needed = frame(&meant).len();
        let mut out = [0x77; MAX_FRAME];
        let result = encode(&meant, &mut out[..room]);
        if room < needed {
            prop_assert_eq!(result, Err(EncodeError::RoomTooSmall { needed }));
            prop_assert_eq!(out, [0x77; MAX_FRAME]);
        } else {
            prop_assert_eq!(result, Ok(needed));
        }
    }
}

#[test]
fn what_the_receiver_would_reject_is_not_sent() {
    let refused = |text: &str, field: Field| {
        let mut out = [0; MAX_FRAME];
        assert_eq!(
            encode(&message(text), &mut out),
            Err(EncodeError::BadField(field)),
            "{text}"
        );
    };
    refused(
        "sample channel=254 sequence=0 time_us=0 value=0 status=0x0000 temperature=none",
        Field::Channel,
    );
    refused(
        "sample channel=0 sequence=0 time_us=0 value=0 status=0x0000 temperature=-27316",
        Field::Temperature,
    );
    // The number that means 'none' is not a temperature.
    refused(
        "sample channel=0 sequence=0 time_us=0 value=0 status=0x0000 temperature=-32768",
        Field::Temperature,
    );
    refused("fault channel=0 code=0 detail=0 time_us=0", Field::Code);
    refused(
        "fault channel=254 code=1 detail=0 time_us=0",
        Field::Channel,
    );
    refused("done tag=0 request=0x02 taken=0", Field::Request);
    refused("refused tag=0 request=0x02 reason=1", Field::Request);
    refused("refused tag=0 request=0x82 reason=0", Field::Code);
    refused(
        "set-rate tag=0 channel=254 rate_millihertz=1",
        Field::Channel,
    );
    refused("blink tag=0 channel=254 tenths=1", Field::Channel);
}

#[test]
fn ten_megabytes_without_a_zero_are_one_rejection() {
    let mut accumulator = stillheight_protocol::Accumulator::new();
    let noise = [0x55; 4096];
    for _ in 0..2560 {
        accumulator.feed(&noise, |heard| panic!("{heard:?} out of nothing"));
    }
    assert_eq!(accumulator.pending(), 10_485_760);
    let mut out = Vec::new();
    accumulator.feed(b"\0", |heard| out.push(heard));
    accumulator.feed(&frame(&message("who tag=9")), |heard| out.push(heard));
    assert_eq!(
        crate::notation::in_words(&out),
        "rejected too-long bytes=10485760; who tag=9"
    );
    // Nothing grows: what is held stands inside the value itself.
    assert!(size_of_val(&accumulator) <= 80);
}
