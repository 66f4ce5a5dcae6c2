//! Published vectors of the stuffing and of the check.

use stillheight_protocol::{
    check,
    stuffing::{Unfit, stuff, unstuff},
};

fn stuffed(content: &[u8]) -> Vec<u8> {
    let mut out = [0x5a; 300];
    let length = stuff(content, &mut out).unwrap();
    out[..length].to_vec()
}

fn unstuffed(bytes: &[u8]) -> Result<Vec<u8>, Unfit> {
    let mut out = [0x5a; 300];
    unstuff(bytes, &mut out).map(|length| out[..length].to_vec())
}

fn span(first: u8, last: u8) -> Vec<u8> {
    (first..=last).collect()
}

/// Source: Cheshire and Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Transactions
/// on Networking 7(2), 1999, figure 3 (the row that starts with 45), and the test vectors
/// of the public repository cmcqueen/cobs-python, `src/cobs/cobs/test.py` (the others).
/// The empty content is stuffed to 01, as there; some libraries write nothing.
#[test]
fn published_stuffing_vectors_hold_both_ways() {
    let vectors: Vec<(Vec<u8>, Vec<u8>)> = vec![
        (vec![], vec![1]),
        (b"1".to_vec(), b"\x021".to_vec()),
        (b"12345".to_vec(), b"\x0612345".to_vec()),
        (b"12345\x006789".to_vec(), b"\x0612345\x056789".to_vec()),
        (
            b"\x0012345\x006789".to_vec(),
            b"\x01\x0612345\x056789".to_vec(),
        ),
        (
            b"12345\x006789\x00".to_vec(),
            b"\x0612345\x056789\x01".to_vec(),
        ),
        (vec![0], vec![1, 1]),
        (vec![0, 0], vec![1, 1, 1]),
        (vec![0, 0, 0], vec![1, 1, 1, 1]),
        (vec![0, 1, 0], vec![1, 2, 1, 1]),
        (
            vec![0x11, 0x22, 0, 0x33],
            vec![0x03, 0x11, 0x22, 0x02, 0x33],
        ),
        (
            vec![0x11, 0x22, 0x33, 0x44],
            vec![0x05, 0x11, 0x22, 0x33, 0x44],
        ),
        (vec![0x11, 0, 0, 0], vec![0x02, 0x11, 1, 1, 1]),
        (
            vec![0x45, 0, 0, 0x2c, 0x4c, 0x79, 0, 0, 0x40, 0x06, 0x4f, 0x37],
            vec![
                0x02, 0x45, 0x01, 0x04, 0x2c, 0x4c, 0x79, 0x01, 0x05, 0x40, 0x06, 0x4f, 0x37,
            ],
        ),
        (span(1, 0xfd), [vec![0xfe], span(1, 0xfd)].concat()),
        // 254 bytes without a zero at the end: no empty group follows.
        (span(1, 0xfe), [vec![0xff], span(1, 0xfe)].concat()),
    ];
    for (content, line) in vectors {
        assert_eq!(stuffed(&content), line);
        assert_eq!(unstuffed(&line), Ok(content));
    }
    for zeros in 0..=254 {
        let line = vec![1; zeros + 1];
        assert_eq!(stuffed(&vec![0; zeros]), line);
        assert_eq!(unstuffed(&line), Ok(vec![0; zeros]));
    }
}

/// Source: cmcqueen/cobs-python, `src/cobs/cobs/test.py`, decode errors.
#[test]
fn published_wrong_stuffing_is_refused() {
    for wrong in [
        &b"\x00"[..],
        b"\x05123",
        b"\x051234\x00",
        b"\x0512\x004",
        b"",
    ] {
        assert_eq!(unstuffed(wrong), Err(Unfit::NotStuffed), "{wrong:02x?}");
    }
}

/// Source: the published vectors past 254 bytes (figure 2 of the paper, and 01 to FF of
/// cmcqueen/cobs-python): this codec says that they are too long and never guesses.
#[test]
fn published_long_vectors_are_refused_as_too_long() {
    let mut out = [0; 800];
    assert_eq!(stuff(&[1; 679], &mut out), Err(Unfit::TooLong));
    assert_eq!(stuff(&span(1, 0xff), &mut out), Err(Unfit::TooLong));
    let line = [vec![0xff], span(1, 0xfe), vec![2, 0xff]].concat();
    assert_eq!(unstuff(&line, &mut out), Err(Unfit::TooLong));
}

/// Source: the public catalogue of CRC algorithms, entry CRC-16/IBM-3740, check value;
/// the other rows computed bit by bit from the catalogue's parameters by a program of our
/// own in another language.
#[test]
fn published_check_values_hold() {
    assert_eq!(check::crc(b"123456789"), 0x29b1);
    assert_eq!(check::crc(b""), 0xffff);
    assert_eq!(check::crc(&[0]), 0xe1f0);
    assert_eq!(check::crc(&[0xff]), 0xff00);
    assert_eq!(check::crc(&[0; 32]), 0xf14c);
    assert_eq!(check::crc(&[0xff; 32]), 0x75f8);
}

/// Source: the parameters of CRC-16/IBM-3740 in the public catalogue, applied one bit at
/// a time; tables and lengths that do not divide by sixteen are where a fast one goes wrong.
#[test]
fn the_fast_check_is_the_check_bit_by_bit() {
    let bytes: Vec<u8> = (0..=255_u8).map(|n| n.wrapping_mul(167) ^ 0x3c).collect();
    for length in 0..bytes.len() {
        let slow = bytes[..length].iter().fold(0xffff_u16, |crc, &byte| {
            (0..8).fold(crc ^ (u16::from(byte) << 8), |crc, _| {
                let carry = if crc & 0x8000 == 0 { 0 } else { 0x1021 };
                (crc << 1) ^ carry
            })
        });
        assert_eq!(check::crc(&bytes[..length]), slow, "{length} bytes");
    }
}

#[test]
fn a_spread_check_has_no_zero_and_loses_nothing() {
    for crc in 0..=u16::MAX {
        let [first, second, third] = check::spread(crc).map(u16::from);
        assert!(first & second & third & 0x80 != 0);
        let back = ((first & 0x03) << 14) | ((second & 0x7f) << 7) | (third & 0x7f);
        assert_eq!(back, crc);
        assert_eq!(first & 0x7c, 0);
    }
}
