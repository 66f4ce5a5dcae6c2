//! What must hold for any bytes, whoever sent them.
//!
//! In: bytes, as a fuzzer or the kept corpus gives them. Out: nothing, or a panic that
//! says which law was broken. The fuzz targets and `cargo test` call the same functions.
//!
//! Each law is more than "no panic": whole and in pieces is the same, what is understood
//! and written again is understood the same, a value needs a frame whose check fits, and
//! what a reader holds stays bounded however long the input.

use std::fmt::Write as _;
use std::path::Path;

use stillheight::drivers::{
    BusSettings, Check, Crc, Described, Description, Digits, Driver, Form, FrameForm, FrameValue,
    Function, Heard, LineValue, Modbus, NumberForm, Pattern, RegisterValue, Request, SampleKind,
    Source, ValueUnit, Wire, WordOrder, Xdr, driver_for,
};
use stillheight::ports::{CaptureWriter, Replay};
use stillheight::quantity::{Dimension, Moment, Span, UnitSystem, read, shown};
use stillheight::readings::neighbour::Neighbour;
use stillheight::trials::settling::read_csv;
use stillheight_protocol::{Accumulator, MAX_FRAME, Message, check, decode, encode, stuffing};

pub use page::page;

#[path = "page.rs"]
mod page;

/// A law by the name of its fuzz target.
pub type Law = (&'static str, fn(&[u8]));

/// All of them.
pub const ALL: &[Law] = &[
    ("accumulator", accumulator),
    ("wire", wire),
    ("xdr", xdr),
    ("modbus", modbus),
    ("lines", lines),
    ("frames", frames),
    ("sheet", sheet),
    ("neighbour", neighbour),
    ("quantity", quantity),
    ("settling_csv", settling_csv),
    ("capture", capture),
    ("page", page),
];

/// The first bytes say how, the rest is what.
fn controlled<const N: usize>(data: &[u8]) -> ([u8; N], &[u8]) {
    let mut control = [0; N];
    let (first, rest) = data.split_at(data.len().min(N));
    control[..first.len()].copy_from_slice(first);
    (control, rest)
}

/// Pieces of sizes that follow from one byte.
fn pieces(bytes: &[u8], how: u8) -> impl Iterator<Item = &[u8]> {
    let mut rest = bytes;
    let mut state = u32::from(how) | 1;
    std::iter::from_fn(move || {
        if rest.is_empty() {
            return None;
        }
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let size = 1 + (state >> 24) as usize % (1 + usize::from(how) % 90);
        let (piece, after) = rest.split_at(size.min(rest.len()));
        rest = after;
        Some(piece)
    })
}

const START: Moment = Moment::from_unix_us(1_700_000_000_000_000);

// ---------------------------------------------------------------- wire frames

/// Frames with checks that fit, so that more than the check is reached.
fn wire_line(how: u8, bytes: &[u8]) -> Vec<u8> {
    match how % 3 {
        0 => bytes.to_vec(),
        // Runs as they come, their last three bytes made to fit.
        1 => {
            let mut line = Vec::new();
            for (i, run) in bytes.split(|b| *b == 0).enumerate() {
                if i > 0 {
                    line.push(0);
                }
                let covered = run.len().saturating_sub(check::LENGTH);
                line.extend(&run[..covered]);
                if covered > 0 {
                    line.extend(check::spread(check::crc(&run[..covered])));
                } else {
                    line.extend(run);
                }
            }
            line
        }
        // Contents, each with its length before it.
        _ => {
            let mut line = Vec::new();
            let mut rest = bytes;
            while let Some((length, after)) = rest.split_first() {
                let length = (usize::from(*length) % 60).min(after.len());
                let (content, after) = after.split_at(length);
                rest = after;
                let padded = [content, &[0xff; 3]].concat();
                let mut room = [0; 80];
                let stuffed = stuffing::stuff(&padded, &mut room).unwrap();
                let covered = stuffed - check::LENGTH;
                let spread = check::spread(check::crc(&room[..covered]));
                room[covered..stuffed].copy_from_slice(&spread);
                line.extend(&room[..=stuffed]);
            }
            line
        }
    }
}

/// The wire protocol's accumulator.
pub fn accumulator(data: &[u8]) {
    let ([how, cut], rest) = controlled::<2>(data);
    let line = wire_line(how, rest);
    let (mut whole, mut in_pieces, mut by_byte) = (Vec::new(), Vec::new(), Vec::new());
    let mut one = Accumulator::new();
    one.feed(&line, |heard| whole.push(heard));
    let mut two = Accumulator::new();
    for piece in pieces(&line, cut) {
        two.feed(piece, |heard| in_pieces.push(heard));
    }
    let mut three = Accumulator::new();
    by_byte.extend(line.iter().filter_map(|byte| three.push(*byte)));
    assert_eq!(whole, in_pieces, "in pieces");
    assert_eq!(whole, by_byte, "byte by byte");
    assert!(one.pending() == two.pending() && one.pending() == three.pending());
    assert!(size_of::<Accumulator>() <= 80);

    let runs: Vec<&[u8]> = line.split(|b| *b == 0).collect();
    assert_eq!(runs.last().map_or(0, |r| r.len()), one.pending());
    let ended: Vec<&&[u8]> = runs[..runs.len() - 1]
        .iter()
        .filter(|r| !r.is_empty())
        .collect();
    assert_eq!(whole.len(), ended.len(), "one result for each run");
    for (heard, run) in whole.iter().zip(ended) {
        match heard {
            // Read and written again is the same frame to the byte: nothing has two forms.
            Ok(message) => {
                assert_eq!(decode(run), Ok(*message));
                let mut room = [0; MAX_FRAME];
                let length = encode(message, &mut room).unwrap();
                assert_eq!(&room[..length - 1], *run, "{message:?}");
            }
            Err(rejection) => assert_eq!(rejection.bytes, run.len()),
        }
    }
}

// -------------------------------------------------------------------- drivers

/// What goes for whatever a driver heard.
fn sane(driver: &dyn Driver, heard: &[Heard]) {
    let mut samples = 0;
    let mut rejections = 0;
    for one in heard {
        match one {
            Heard::Sample(sample) => {
                samples += 1;
                assert!(sample.value.is_finite());
                assert!(
                    sample
                        .temperature_c
                        .is_none_or(|t| (-273.16..=1000.0).contains(&t))
                );
                if matches!(sample.source, Source::Named(_)) {
                    let most = match sample.kind {
                        SampleKind::Angle => std::f64::consts::TAU,
                        SampleKind::Distance => 1000.0,
                    };
                    assert!(sample.value.abs() <= most);
                }
            }
            Heard::Rejected(_) => rejections += 1,
            _ => {}
        }
    }
    let counts = driver.counts();
    assert_eq!(counts.samples, samples, "samples are counted");
    assert_eq!(
        counts.rejected_total(),
        rejections,
        "rejections are counted"
    );
    // Its words are a measure of what it holds: every held byte is in them.
    let room = format!("{driver:?}").len();
    assert!(room < 40_000, "{} holds too much: {room}", driver.name());
}

/// Whole and in pieces is the same; a long run of it takes no room.
fn fed(make: &dyn Fn() -> Box<dyn Driver>, line: &[u8], cut: u8) -> Vec<Heard> {
    let (mut whole, mut in_pieces) = (Vec::new(), Vec::new());
    let mut one = make();
    let mut two = make();
    assert_eq!(one.poll(START, &mut whole), two.poll(START, &mut in_pieces));
    one.feed(line, START, &mut whole);
    for piece in pieces(line, cut) {
        two.feed(piece, START, &mut in_pieces);
    }
    assert_eq!(whole, in_pieces, "in pieces");
    assert_eq!(one.counts(), two.counts());
    sane(one.as_ref(), &whole);
    if cut.is_multiple_of(64) {
        // The same over and over, to some thirty thousand bytes.
        let mut all = whole.clone();
        for _ in 0..(30_000 / line.len().max(64)) {
            one.feed(line, START, &mut all);
        }
        sane(one.as_ref(), &all);
    }
    one.reopened(START);
    assert!(format!("{one:?}").len() < 40_000);
    whole
}

/// After it was asked, a driver does not want to be asked at the same moment again.
fn no_endless_asking(driver: &dyn Driver, now: Moment) {
    assert!(driver.due().is_none_or(|due| due > now), "asks without end");
}

/// The wire driver: as above, and identities, restarts, requests and time.
pub fn wire(data: &[u8]) {
    let ([how, cut, ask], rest) = controlled::<3>(data);
    let line = wire_line(how, rest);
    let heard = fed(&|| Box::new(Wire::new()), &line, cut);
    let zeros = line.split(|b| *b == 0).count() - 1;
    assert!(heard.len() <= zeros, "nothing without a frame");
    // A trusted value lies in the range of the newest identity of its own channel.
    let mut known = std::collections::BTreeMap::new();
    let mut device = None;
    for one in &heard {
        match one {
            Heard::Identity(identity) => {
                if let Source::Wire { device: said, .. } = identity.source {
                    if device != Some(said) {
                        known.clear();
                    }
                    device = Some(said);
                }
                known.insert(identity.source.clone(), identity.clone());
            }
            Heard::Sample(sample) => {
                let identity = known
                    .get(&sample.source)
                    .expect("an identity before a value");
                assert_eq!(Some(sample.kind), identity.kind);
                let (low, high) = identity.range.unwrap();
                let slack = 1e-9 * (1.0 + sample.value.abs());
                let within = sample.value >= low - slack && sample.value <= high + slack;
                assert!(within || !sample.trusted, "{sample:?} {identity:?}");
            }
            _ => {}
        }
    }
    // Requests and time in between.
    let mut driver = Wire::new();
    let mut out = Vec::new();
    let mut now = START;
    for (i, piece) in pieces(&line, cut).enumerate() {
        let turn = ask.rotate_left(u32::try_from(i % 8).unwrap());
        let sent = match turn % 5 {
            0 => driver.poll(now, &mut out),
            1 => driver.request(
                Request::SetRate {
                    channel: None,
                    hz: f64::from(turn),
                },
                now,
            ),
            2 => driver.request(
                Request::Blink {
                    channel: Some(turn),
                    seconds: 1e9,
                },
                now,
            ),
            3 => {
                driver.reopened(now);
                None
            }
            _ => None,
        };
        if let Some(sent) = sent {
            let message = decode(&sent[..sent.len() - 1]).expect("our own requests are good");
            assert!(matches!(
                message,
                Message::Who(_) | Message::SetRate(_) | Message::Blink(_)
            ));
        }
        if turn % 5 == 0 {
            no_endless_asking(&driver, now);
        }
        driver.feed(piece, now, &mut out);
        now = now + Span::from_us(i64::from(turn) * 20_000);
    }
    sane(&driver, &out);
}

/// Transducer sentences.
pub fn xdr(data: &[u8]) {
    let ([how, cut], rest) = controlled::<2>(data);
    let mut line = rest.to_vec();
    if how % 2 == 1 {
        // Sums made to fit.
        line.clear();
        for part in rest.split_inclusive(|b| matches!(b, b'\n' | b'\r')) {
            let body = part
                .iter()
                .position(|b| *b == b'*')
                .map_or(part, |end| &part[..end]);
            let body = body.strip_prefix(b"$").unwrap_or(body);
            let sum = body.iter().fold(0, |sum, b| sum ^ b);
            line.extend(b"$");
            line.extend(body);
            line.extend(format!("*{sum:02X}\r\n").bytes());
        }
    }
    let heard = fed(&|| Box::new(Xdr::new()), &line, cut);
    // A value needs a sentence whose sum fits, worked out here once more.
    let mut names = Vec::new();
    let mut begun: Vec<Vec<u8>> = vec![Vec::new()];
    for byte in &line {
        match byte {
            b'\r' | b'\n' => begun.push(Vec::new()),
            b'$' => begun.push(vec![b'$']),
            other => begun.last_mut().unwrap().push(*other),
        }
    }
    for sentence in begun.iter().filter_map(|s| std::str::from_utf8(s).ok()) {
        let Some((body, sum)) = sentence.strip_prefix('$').and_then(|s| s.rsplit_once('*')) else {
            continue;
        };
        let meant = body.bytes().fold(0, |sum, b| sum ^ b);
        if u8::from_str_radix(sum.trim(), 16) == Ok(meant) {
            names.extend(body.split(',').map(|f| f.trim().to_owned()));
        }
    }
    for one in &heard {
        if let Heard::Sample(sample) = one {
            let Source::Named(name) = &sample.source else {
                panic!("a sentence has names")
            };
            assert!(
                !name.is_empty() && names.iter().any(|n| **n == **name),
                "'{name}' out of nothing"
            );
        }
    }
}

const MODBUS: Check = Check::Crc {
    crc: Crc::MODBUS,
    low_first: true,
};

/// The bus of the Modbus law: two devices, three values, forms as told.
fn bus(how: u8) -> BusSettings {
    let forms = [
        NumberForm::U16,
        NumberForm::I16,
        NumberForm::U32,
        NumberForm::I32,
        NumberForm::F32,
    ];
    let orders = [
        WordOrder::Abcd,
        WordOrder::Cdab,
        WordOrder::Badc,
        WordOrder::Dcba,
    ];
    let value = |address: u8, function, register, form: usize| RegisterValue {
        name: format!("{address}/{register}").into(),
        address,
        function,
        register,
        form: forms[form % 5],
        order: orders[form / 5 % 4],
        scale: 0.01,
        unit: ValueUnit::Millimetre,
    };
    let how = usize::from(how);
    BusSettings {
        baud: 9600,
        timeout: Span::from_s(0.2),
        period: Span::from_s(0.1),
        values: vec![
            value(1, Function::Input, 0, how),
            value(1, Function::Holding, 7, how / 2),
            value(2, Function::Input, 0, how / 3),
        ],
    }
}

/// Modbus: a bus on which anything may answer anything at any time.
pub fn modbus(data: &[u8]) {
    let ([how], mut rest) = controlled::<1>(data);
    let mut driver = Modbus::new(bus(how));
    let mut out = Vec::new();
    let mut now = START;
    // The request that waits, when it was sent, and all that came since.
    let mut sent: Option<(Vec<u8>, Moment, Vec<u8>)> = None;
    let mut steps = 0;
    while let Some((&step, after)) = rest.split_first() {
        rest = after;
        let heard_before = out.len();
        let mut bytes = Vec::new();
        match step % 6 {
            0 => {
                let (ms, after) = rest.split_first().map_or((10, rest), |(ms, a)| (*ms, a));
                rest = after;
                now = now + Span::from_us(i64::from(ms) * 1500);
            }
            1 | 2 => {
                let length = usize::from(step / 6).min(rest.len());
                let (raw, after) = rest.split_at(length);
                rest = after;
                bytes.extend(raw);
                if step % 6 == 2 {
                    bytes.extend(MODBUS.of(raw));
                }
            }
            // A right answer, perhaps with one byte changed.
            3 | 4 => {
                let (place, change) = match rest {
                    [place, change, after @ ..] => {
                        rest = after;
                        (*place, *change)
                    }
                    _ => (0, 0),
                };
                if let Some((request, ..)) = &sent {
                    bytes = answer(request, place, change);
                    if step % 6 == 4 && !bytes.is_empty() {
                        let place = usize::from(place) % bytes.len();
                        bytes[place] ^= change;
                    }
                }
            }
            _ => {
                driver.reopened(now);
                sent = None;
            }
        }
        if !bytes.is_empty() {
            if let Some((.., heard)) = &mut sent {
                heard.extend(&bytes);
            }
            driver.feed(&bytes, now, &mut out);
        }
        let samples: Vec<_> = out[heard_before..]
            .iter()
            .filter_map(|h| {
                if let Heard::Sample(s) = h {
                    Some(s)
                } else {
                    None
                }
            })
            .collect();
        assert!(samples.len() <= 1, "one request, one value");
        if let Some(sample) = samples.first() {
            let (request, when, heard) = sent.take().expect("a value without a request");
            assert!(
                now.since(when) <= Span::from_s(0.2),
                "a value that came too late"
            );
            let data = 2 * usize::from(request[5]);
            let fits = heard.windows(data + 5).any(|frame| {
                frame[..2] == request[..2] && usize::from(frame[2]) == data && MODBUS.fits(frame)
            });
            assert!(fits, "a value out of nothing");
            let name = format!("{}/{}", request[0], request[3]);
            assert_eq!(sample.source, Source::Named(name.into()));
        }
        if let Some(request) = driver.poll(now, &mut out) {
            assert!(MODBUS.fits(&request) && request.len() == 8);
            assert!(matches!(request[1], 3 | 4 | 8));
            sent = Some((request, now, Vec::new()));
        }
        no_endless_asking(&driver, now);
        steps += 1;
        if steps > 600 {
            break;
        }
    }
    sane(&driver, &out);
}

/// What a device answers to a request.
fn answer(request: &[u8], a: u8, b: u8) -> Vec<u8> {
    let mut bytes = match request {
        [_, 8, ..] => return request.to_vec(),
        [from, kind, .., count, _, _] => {
            let mut bytes = vec![*from, *kind, 2 * count];
            bytes.extend([a, b].iter().cycle().take(2 * usize::from(*count)));
            bytes
        }
        _ => return Vec::new(),
    };
    bytes.extend(MODBUS.of(&bytes));
    bytes
}

const UNITS: [ValueUnit; 5] = [
    ValueUnit::Degree,
    ValueUnit::Radian,
    ValueUnit::Metre,
    ValueUnit::Millimetre,
    ValueUnit::Inch,
];

/// Described text lines; the first line is the description.
pub fn lines(data: &[u8]) {
    let ([unit, cut, scale], rest) = controlled::<3>(data);
    let end = rest.iter().position(|b| *b == b'\n').unwrap_or(rest.len());
    let (pattern, line) = (&rest[..end], rest.get(end + 1..).unwrap_or_default());
    let pattern_text = String::from_utf8_lossy(pattern);
    let pattern = match Pattern::new(&pattern_text) {
        Ok(pattern) => pattern,
        Err(error) => {
            assert!(!error.help().is_empty() && error.code().starts_with("drivers."));
            return;
        }
    };
    // The line that the pattern describes is read, where its text cannot be taken for
    // a part of the number.
    let sent = pattern_text
        .replace("{value}", "12.5")
        .replace("{skip}", "");
    let numberlike = |c: char| c.is_ascii_digit() || matches!(c, '.' | '+' | '-');
    if !pattern_text.contains(numberlike) {
        assert_eq!(pattern.value_in(&sent), Some("12.5"), "{pattern_text}");
    }
    let value = LineValue {
        name: "D".into(),
        pattern,
        scale: f64::from(scale) * 0.01,
        unit: UNITS[usize::from(unit) % 5],
    };
    let described = Description {
        form: Form::Lines(vec![value]),
        start: b"D".to_vec(),
        ask_every: Some(Span::from_s(0.1)),
    };
    let make = || -> Box<dyn Driver> { Box::new(Described::new(described.clone()).unwrap()) };
    let heard = fed(&make, line, cut);
    let ends = line.iter().filter(|b| matches!(b, b'\r' | b'\n')).count();
    assert!(heard.len() <= ends, "nothing without a line");
    let mut driver = make();
    driver.poll(START, &mut Vec::new());
    no_endless_asking(driver.as_ref(), START);
}

/// Described short frames, with a description that the bytes give.
pub fn frames(data: &[u8]) {
    let ([shape, length, at, bytes, cut, how], rest) = controlled::<6>(data);
    let checks = [
        Check::None,
        Check::Sum,
        Check::ZeroSum,
        Check::Xor,
        MODBUS,
        Check::Crc {
            crc: Crc::SMBUS,
            low_first: false,
        },
        Check::Crc {
            crc: Crc::KERMIT,
            low_first: false,
        },
    ];
    let check = checks[usize::from(shape >> 4) % checks.len()];
    let header = rest[..rest.len().min(usize::from(shape & 3))].to_vec();
    let form = FrameForm {
        header: header.clone(),
        length,
        check,
        values: vec![FrameValue {
            name: "F".into(),
            at,
            bytes: bytes >> 2,
            digits: if bytes & 1 == 0 {
                Digits::Text
            } else {
                Digits::Whole {
                    signed: bytes & 2 == 0,
                    low_first: how & 2 == 0,
                }
            },
            scale: 0.001,
            unit: UNITS[usize::from(how >> 4) % 5],
        }],
    };
    let sensible = form.check_sense().is_ok();
    let described = Description {
        form: Form::Frames(form),
        start: Vec::new(),
        ask_every: None,
    };
    let Ok(_) = Described::new(described.clone()) else {
        assert!(!sensible);
        return;
    };
    let rest = &rest[header.len()..];
    let mut line = rest.to_vec();
    let body = usize::from(length).saturating_sub(header.len() + check.length());
    if how & 1 == 1 && body > 0 {
        // Frames that check, with a byte of noise between some.
        line.clear();
        for part in rest.chunks(body) {
            let begun = [&header[..], part].concat();
            line.extend(&begun);
            line.extend(check.of(&begun));
            line.extend(part.first().filter(|b| **b & 0x40 != 0));
        }
    }
    let make = || -> Box<dyn Driver> { Box::new(Described::new(described.clone()).unwrap()) };
    let heard = fed(&make, &line, cut);
    let samples = heard
        .iter()
        .filter(|h| matches!(h, Heard::Sample(_)))
        .count();
    assert!(
        samples * usize::from(length) <= line.len(),
        "more frames than bytes"
    );
    if check != Check::None && samples > 0 {
        assert!(line.windows(usize::from(length)).any(|w| check.fits(w)));
    }
}

// ---------------------------------------------------------------------- files

/// Characters that make a terminal do things.
pub fn commands_a_terminal(text: &str) -> bool {
    text.chars()
        .any(|c| c.is_control() && c != '\n' && c != '\t')
}

/// The build sheet.
pub fn sheet(data: &[u8]) {
    let text = String::from_utf8_lossy(data);
    let once = stillheight::sheet::parse(&text, "van.toml");
    match once {
        Ok(checked) => {
            let again = stillheight::sheet::parse(&text, "van.toml").unwrap();
            assert_eq!(checked, again);
            for one in &checked.understood {
                let back = read(&one.typed, one.written.of);
                assert_eq!(back.as_ref(), Ok(&one.written), "{}", one.path);
                assert!(one.written.si.is_finite());
            }
            for sensor in &checked.sheet.sensors {
                let _ = driver_for(&[&sensor.connection.protocol]);
            }
            let all: Vec<_> = checked
                .sheet
                .sensors
                .iter()
                .map(|s| &s.connection.protocol)
                .collect();
            let _ = driver_for(&all);
        }
        Err(mistakes) => {
            assert!(mistakes.count() > 0);
            assert!(mistakes.iter().all(|m| !format!("{m:?}").is_empty()));
            let plain = mistakes.render(false);
            assert!(!plain.trim().is_empty());
            assert!(!commands_a_terminal(&plain), "{plain:?}");
            let _ = mistakes.render(true);
            // A small text is not answered by a large one.
            let most = 20_000 + 60 * text.len() + 2_000 * mistakes.count();
            assert!(plain.len() < most, "{} of {}", plain.len(), text.len());
        }
    }
}

/// The sheet's neighbour file.
pub fn neighbour(data: &[u8]) {
    let text = String::from_utf8_lossy(data);
    if let Ok(read) = Neighbour::parse(&text, Path::new("van.sensors.toml")) {
        let written = read.text();
        let again = Neighbour::parse(&written, Path::new("van.sensors.toml"))
            .expect("what was read and written is read again");
        assert_eq!(written, again.text());
        assert_eq!((&read.places, &read.zeros), (&again.places, &again.zeros));
    }
}

/// Quantities as people write them.
pub fn quantity(data: &[u8]) {
    let text = String::from_utf8_lossy(data);
    for due in Dimension::ALL {
        match read(&text, due) {
            Ok(written) => {
                assert!(written.si.is_finite() && written.of == due);
                assert!(!written.to_string().is_empty());
                // Written again as it was understood, it is the same to the last bit.
                let again = read(&format!("{} {}", written.number, written.unit), due).unwrap();
                assert_eq!(written.si.to_bits(), again.si.to_bits(), "{written:?}");
                for units in [UnitSystem::Metric, UnitSystem::Inch] {
                    let words = shown(due, units, written.si);
                    let back = read(&words, due).expect(&words);
                    assert!(back.si.is_finite());
                    assert_eq!(shown(due, units, back.si), words);
                }
            }
            Err(error) => {
                assert!(!error.help().is_empty() && !error.reason().is_empty());
                let words = error.to_string();
                assert!(words.chars().count() < 300, "{words}");
            }
        }
    }
}

/// A plain file of readings.
pub fn settling_csv(data: &[u8]) {
    let text = String::from_utf8_lossy(data);
    match read_csv(&text, "van.csv") {
        Ok(series) => {
            let rows = series.time_h.len();
            assert!(rows > 0 && series.height_mm.len() == rows);
            assert!(series.u_mm.as_ref().is_none_or(|u| u.len() == rows));
            let numbers = || {
                let u = series.u_mm.iter().flatten();
                series.time_h.iter().chain(&series.height_mm).chain(u)
            };
            assert!(numbers().all(|n| n.is_finite()), "{series:?}");
            let mut written = String::from("time_h;height_mm");
            if series.u_mm.is_some() {
                written += ";u_mm";
            }
            for row in 0..rows {
                let _ = write!(
                    written,
                    "\n{};{}",
                    series.time_h[row], series.height_mm[row]
                );
                if let Some(u) = &series.u_mm {
                    let _ = write!(written, ";{}", u[row]);
                }
            }
            assert_eq!(read_csv(&written, "van.csv").as_ref(), Ok(&series));
        }
        Err(error) => assert!(!error.to_string().is_empty()),
    }
}

/// Captures.
pub fn capture(data: &[u8]) {
    let Ok(replay) = Replay::new(data) else {
        return;
    };
    let header = replay.header().clone();
    let events: Vec<_> = replay.map_while(Result::ok).collect();
    assert!(events.windows(2).all(|pair| pair[0].at <= pair[1].at));
    assert!(events.iter().all(|event| event.port < header.serial.len()));
    let mut writer = CaptureWriter::new(Vec::new(), &header).unwrap();
    for event in &events {
        writer.write(event).unwrap();
    }
    let written = writer.into_inner();
    let again = Replay::new(&written[..]).expect("what was read and written is read again");
    assert_eq!(again.header(), &header);
    let back: Vec<_> = again.map(Result::unwrap).collect();
    assert_eq!(back, events);
}
