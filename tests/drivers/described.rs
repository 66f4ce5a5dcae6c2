//! Text lines and short frames by description.

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

pub(super) fn digits() -> FrameForm {
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
