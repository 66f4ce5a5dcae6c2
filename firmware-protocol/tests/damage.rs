//! Damaged frames: what the page promises is tried out in full, not sampled.

use stillheight_protocol::{Message, decode};

use crate::notation::{example_messages, frame, heard, message};

/// Flips bit `bit` of a line, counted from the top bit of each byte.
fn flip(line: &mut [u8], bit: usize) {
    line[bit / 8] ^= 0x80 >> (bit % 8);
}

/// The messages that come out of a damaged line and that nobody sent.
fn never_sent(line: &[u8], sent: &[Message]) -> Vec<Message> {
    heard(line, line.len())
        .into_iter()
        .filter_map(Result::ok)
        .filter(|message| !sent.contains(message))
        .collect()
}

/// Two frames in a row, so that zeros can be lost and made between good neighbours.
fn line(first: &Message) -> (Vec<u8>, [Message; 2]) {
    let second = message("done tag=77 request=0x82 taken=9766");
    ([frame(first), frame(&second)].concat(), [*first, second])
}

#[test]
fn no_single_wrong_bit_makes_a_message() {
    for meant in example_messages() {
        let (good, sent) = line(&meant);
        for bit in 0..good.len() * 8 {
            let mut bad = good.clone();
            flip(&mut bad, bit);
            assert_eq!(never_sent(&bad, &sent), [], "{meant}: bit {bit}");
            // The damaged frame itself is not taken for the right one either.
            let in_first = bit < (frame(&meant).len() - 1) * 8;
            let still_there = heard(&bad, bad.len()).contains(&Ok(meant));
            assert!(!(in_first && still_there), "{meant}: bit {bit}");
        }
    }
}

#[test]
fn no_two_wrong_bits_make_a_message() {
    for meant in example_messages() {
        let (good, sent) = line(&meant);
        // Both bits within the first frame and its zero, or one of them in its neighbour.
        for first in 0..frame(&meant).len() * 8 {
            for second in first + 1..good.len() * 8 {
                let mut bad = good.clone();
                flip(&mut bad, first);
                flip(&mut bad, second);
                assert_eq!(
                    never_sent(&bad, &sent),
                    [],
                    "{meant}: bits {first}, {second}"
                );
            }
        }
    }
}

/// All 32 768 patterns of damage within 16 bits, at every place of a frame and over its end.
#[test]
fn no_burst_of_sixteen_bits_makes_a_message() {
    for meant in [
        message(
            "sample channel=0 sequence=1 time_us=100000 value=-1250000 status=0x0000 temperature=2150",
        ),
        message("set-rate tag=2 channel=0 rate_millihertz=10000"),
        message("who tag=1"),
    ] {
        let (good, sent) = line(&meant);
        let places = frame(&meant).len() * 8;
        for start in 0..places {
            for pattern in (1..=u16::MAX).step_by(2) {
                let mut bad = good.clone();
                // The odd pattern has its lowest bit at `start`, so each burst comes once.
                let byte = start / 8;
                let spread = u32::from(pattern.reverse_bits()) << (16 - start % 8);
                for (place, wrong) in bad[byte..].iter_mut().zip(spread.to_be_bytes()) {
                    *place ^= wrong;
                }
                assert_eq!(
                    never_sent(&bad, &sent),
                    [],
                    "{meant}: {pattern:04x} at {start}"
                );
            }
        }
    }
}

/// What the page calls certain, tried on one frame in full: three wrong bits that neither
/// make nor remove a zero.
#[test]
fn three_wrong_bits_are_always_seen() {
    let good = frame(&message("blink tag=3 channel=0 tenths=30"));
    let good = &good[..good.len() - 1];
    let bits = good.len() * 8;
    for a in 0..bits {
        for b in a + 1..bits {
            for c in b + 1..bits {
                let mut bad = good.to_vec();
                for bit in [a, b, c] {
                    flip(&mut bad, bit);
                }
                if !bad.contains(&0) {
                    assert!(decode(&bad).is_err(), "bits {a}, {b}, {c}");
                }
            }
        }
    }
}

#[test]
fn a_frame_cut_anywhere_is_no_message() {
    for meant in example_messages() {
        let whole = frame(&meant);
        for cut in 1..whole.len() - 1 {
            let torn_off = [&whole[..cut], &[0]].concat();
            let tail = &whole[cut..];
            assert_eq!(never_sent(&torn_off, &[]), [], "{meant}: first {cut}");
            assert_eq!(never_sent(tail, &[]), [], "{meant}: from {cut}");
        }
    }
}

#[test]
fn a_lost_or_doubled_byte_is_no_message() {
    for meant in example_messages() {
        let whole = frame(&meant);
        for place in 0..whole.len() - 1 {
            let mut lost = whole.clone();
            lost.remove(place);
            assert_eq!(never_sent(&lost, &[]), [], "{meant}: lost {place}");
            let mut doubled = whole.clone();
            doubled.insert(place, whole[place]);
            assert_eq!(never_sent(&doubled, &[]), [], "{meant}: doubled {place}");
        }
    }
}
