//! Every table of the page that can be executed, read out of the page itself.

use std::collections::BTreeSet;

use stillheight_protocol::{
    Kind, MAX_FRAME, MAX_STUFFED, MIN_STUFFED, Message, Reason, VERSION, check, decode, stuffing,
};

use crate::notation::{
    PAGE, bytes, example_messages, frame, heard, heard_by_byte, hex, in_words, message, table,
};

#[test]
fn check_examples_hold() {
    for row in table("### 9.1 Check") {
        let crc = check::crc(&bytes(&row[0]));
        assert_eq!(format!("{crc:04X}"), row[1], "crc of {}", row[0]);
        assert_eq!(hex(&check::spread(crc)), row[2], "check of {}", row[0]);
    }
}

#[test]
fn stuffing_examples_hold_both_ways() {
    for row in table("### 9.2 Stuffing") {
        let (content, stuffed) = (bytes(&row[0]), bytes(&row[1]));
        let mut out = [0xaa; 64];
        let length = stuffing::stuff(&content, &mut out).unwrap();
        assert_eq!(hex(&out[..length]), hex(&stuffed));
        let length = stuffing::unstuff(&stuffed, &mut out).unwrap();
        assert_eq!(&out[..length], content);
    }
}

#[test]
fn the_steps_of_one_frame_hold() {
    let steps: Vec<Vec<u8>> = table("### 9.3 One frame step by step")
        .iter()
        .map(|row| bytes(&row[1]))
        .collect();
    let [content, padded, stuffed, checked, ended] = &steps[..] else {
        panic!("five steps")
    };
    assert_eq!(padded, &[&content[..], &[0xff; 3]].concat());
    let mut out = [0; 64];
    let length = stuffing::stuff(padded, &mut out).unwrap();
    assert_eq!(&out[..length], stuffed);
    let covered = &stuffed[..stuffed.len() - 3];
    let check = check::spread(check::crc(covered));
    assert_eq!(checked, &[covered, &check].concat());
    assert_eq!(ended, &[&checked[..], &[0]].concat());
    assert_eq!(ended, &frame(&message("who tag=1")));
}

#[test]
fn message_examples_hold_both_ways() {
    let mut kinds = BTreeSet::new();
    for row in table("### 9.4 Messages") {
        let meant = message(&row[0]);
        assert_eq!(meant.to_string(), row[0], "notation");
        assert_eq!(hex(&frame(&meant)), row[1], "frame of {}", row[0]);
        assert_eq!(
            heard(&bytes(&row[1]), 1000),
            [Ok(meant)],
            "message of {}",
            row[1]
        );
        kinds.insert(meant.kind().0);
    }
    let documented: BTreeSet<u8> = kind_table().iter().map(|row| row.0).collect();
    assert_eq!(kinds, documented, "every kind has an example");
}

#[test]
fn bad_frame_examples_are_rejected_as_the_page_says() {
    let mut seen = BTreeSet::new();
    for row in table("### 9.5 Bad frames") {
        let mut line = bytes(&row[1]);
        let length = line.len();
        line.push(0);
        let rejected = format!("rejected {} bytes={length}", row[2]);
        assert_eq!(in_words(&heard(&line, 1000)), rejected, "{}", row[0]);
        assert_eq!(in_words(&heard_by_byte(&line)), rejected, "{}", row[0]);
        seen.insert(row[2].clone());
    }
    let reasons = table("## 7. Bad frames");
    let named: BTreeSet<String> = reasons.iter().map(|row| row[1].clone()).collect();
    assert_eq!(seen, named, "every reason has an example");
}

#[test]
fn reason_numbers_are_those_of_the_page() {
    for row in table("## 7. Bad frames") {
        let example = table("### 9.5 Bad frames")
            .into_iter()
            .find(|bad| bad[2] == row[1])
            .unwrap();
        let reason: Reason = decode(&bytes(&example[1])).unwrap_err();
        assert_eq!(reason.code().to_string(), row[0]);
        assert_eq!(reason.name(), row[1]);
    }
}

#[test]
fn line_examples_hold_in_any_pieces() {
    for row in table("### 9.6 Pieces of a line") {
        let line = bytes(&row[0]);
        assert_eq!(in_words(&heard_by_byte(&line)), row[1], "byte by byte");
        for piece in 1..=line.len() {
            assert_eq!(in_words(&heard(&line, piece)), row[1], "pieces of {piece}");
        }
    }
}

/// Kind, body length, frame length of section 5.
fn kind_table() -> Vec<(u8, usize, usize)> {
    table("## 5. Messages")
        .iter()
        .map(|row| {
            let kind = u8::from_str_radix(row[0].trim_matches('`'), 16).unwrap();
            (kind, row[3].parse().unwrap(), row[4].parse().unwrap())
        })
        .collect()
}

#[test]
fn lengths_are_those_of_the_page() {
    let kinds = kind_table();
    for &(kind, body, whole) in &kinds {
        assert_eq!(Kind(kind).body_length(), Some(body));
        assert!(whole <= MAX_FRAME);
        for meant in example_messages() {
            if meant.kind().0 == kind {
                assert_eq!(frame(&meant).len(), whole, "{meant}");
            }
        }
    }
    for kind in 0..=u8::MAX {
        let documented = kinds.iter().any(|row| row.0 == kind);
        assert_eq!(Kind(kind).body_length().is_some(), documented);
    }
}

#[test]
fn body_tables_add_up_to_the_lengths() {
    let width = |kind: &str| match kind {
        "u8" => 1,
        "u16" | "i16" => 2,
        "u32" | "i32" => 4,
        "u64" => 8,
        other => panic!("type '{other}'"),
    };
    for (heading, kind) in [
        ("### 5.1 identity (01)", Kind::IDENTITY),
        ("### 5.2 sample (02)", Kind::SAMPLE),
        ("### 5.3 fault (03)", Kind::FAULT),
        ("### 5.4 done (04) and refused (05)", Kind::DONE),
        ("### 5.5 who (81), set-rate (82), blink (83)", Kind::WHO),
    ] {
        let mut at = 0;
        for row in table(heading) {
            assert_eq!(row[0], at.to_string(), "{heading}: {}", row[2]);
            at += width(&row[1]);
        }
        assert_eq!(Some(at), kind.body_length(), "{heading}");
    }
}

#[test]
fn limits_in_the_text_are_those_of_the_crate() {
    // Line breaks of the page do not matter to the sentences.
    let page = PAGE.split_whitespace().collect::<Vec<_>>().join(" ");
    for sentence in [
        format!("at most {MAX_FRAME} bytes with it"),
        format!("more than {MAX_STUFFED} bytes before the zero"),
        format!("fewer than {MIN_STUFFED} bytes before the zero"),
        format!("version, here `{VERSION:02}`"),
    ] {
        assert!(page.contains(&sentence), "the page lacks '{sentence}'");
    }
}

#[test]
fn the_codes_of_the_page_have_the_words_of_the_crate() {
    use stillheight_protocol::{FaultCode, Status};
    let faults: Vec<_> = PAGE
        .split("### 5.3 fault (03)")
        .nth(1)
        .and_then(|rest| rest.split("### 5.4").next())
        .unwrap()
        .lines()
        .filter_map(|line| line.split('|').nth(1)?.trim().parse::<u16>().ok())
        .skip(4) // the offsets of the body table
        .collect();
    assert_eq!(faults, (1..=9).collect::<Vec<u16>>());
    for code in 0..=u16::MAX {
        assert_eq!(FaultCode(code).words().is_some(), faults.contains(&code));
    }
    for (bit, name) in [
        (Status::NOT_SETTLED, "not settled"),
        (Status::WEAK_SIGNAL, "weak signal"),
        (Status::LOW_SUPPLY, "low supply"),
        (Status::LATE, "late"),
        (Status::OVER_RANGE, "over range"),
        (Status::NO_SIGNAL, "no signal"),
        (Status::SELF_TEST_FAILED, "self-test failed"),
        (Status::SATURATED, "saturated"),
    ] {
        assert!(PAGE.contains(&format!("| `{:04x}` | {name} |", bit.0)));
        assert_ne!(bit.is_usable(), bit.0 & 0xff00 != 0);
    }
}

#[test]
fn no_message_is_taken_for_another_direction() {
    for meant in example_messages() {
        let from_host = matches!(
            meant,
            Message::Who(_) | Message::SetRate(_) | Message::Blink(_)
        );
        let top_bit = meant.kind().0 & 0x80 != 0;
        assert_eq!(from_host, top_bit, "{meant}");
    }
}
