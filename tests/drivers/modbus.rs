//! Modbus RTU, also on a bad bus.

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
        "11 01 00 13 00 25 0E 84",
        "01 01 03 01 00 0A ED 89",
        "11 05 00 AC FF 00 4E 8B",
        "11 06 00 01 00 03 9A 9B",
        "11 10 00 01 00 02 04 00 0A 01 02 C6 F0",
        "11 10 00 01 00 02 12 98",
        "01 03 00 00 00 0A C5 CD",
        "01 83 04 40 F3",
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
    #![proptest_config(ProptestConfig::with_cases(24))]
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
