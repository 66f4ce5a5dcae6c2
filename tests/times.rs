//! Clocks that are set, hours that come twice, a leap day, a night asleep, thirty days:
//! order and durations stay right.

use crate::logbook::{Folder, sitting};
use jiff::tz::TimeZone;
use std::process::{Command, Output};
use stillheight::drivers::{Heard, Sample, SampleKind, Source};
use stillheight::logbook::{KeptBy, KeptQuantity, KeptReading, Logbook, Origin, Unit, Which};
use stillheight::quantity::{Moment, Point, Span, UnitSystem};
use stillheight::readings::{Bench, Quality};
use stillheight::report::{history_json, kept_csv, log_table};
use stillheight::sheet::{Connection, Measurand, Protocol, Sensor};

const HOUR_US: i64 = 3_600_000_000;

fn utc(text: &str) -> Moment {
    Moment::from_unix_us(text.parse::<jiff::Timestamp>().unwrap().as_microsecond())
}

fn reading(at: Moment, height_m: f64) -> KeptReading {
    KeptReading {
        at,
        still_since: Some(at - Span::from_s(12.0)),
        case: None,
        loads: Vec::new(),
        by: KeptBy::Stillness,
        note: String::new(),
        quantities: vec![KeptQuantity {
            name: "height rear left".into(),
            unit: Unit::Metre,
            value: height_m,
            standard_uncertainty: 4e-4,
            origin: Origin::Measured,
        }],
        state: None,
        sensors: Vec::new(),
    }
}

/// Thirty days, a reading an hour, a sitting a day, over a leap day and over the night in
/// which clocks go forward: every hour is there, an hour long, in its order, in the file,
/// as CSV, as JSON and as text.
///
/// Source: Gregorian calendar (29 February 2028); European summer time begins on the last
/// Sunday of March at 01:00 UTC (Directive 2000/84/EC), so on 26 March 2028.
#[test]
fn thirty_days_over_a_leap_day_and_into_summer_time() {
    let folder = Folder::new();
    let mut logbook = Logbook::open(&folder.logbook()).unwrap();
    let start = utc("2028-02-27T00:00:00Z");
    let hours = 30 * 24;
    for hour in 0..hours {
        let now = start + Span::from_us(hour * HOUR_US);
        if hour % 24 == 0 {
            let begun = stillheight::logbook::Sitting {
                started: now,
                ..sitting()
            };
            logbook.begin_sitting(&begun).unwrap();
        }
        logbook
            .keep(&reading(now, 0.4 + 1e-5 * hour as f64))
            .unwrap();
        // Thinned by age as it goes: what is kept is never touched.
        if hour % 240 == 239 {
            logbook.thin(now).unwrap();
        }
    }
    logbook.check().unwrap();
    let kept = logbook.kept(Which::All).unwrap();
    assert_eq!(kept.len(), 720);
    for (hour, k) in kept.iter().enumerate() {
        let due = start + Span::from_us(i64::try_from(hour).unwrap() * HOUR_US);
        assert_eq!(k.reading.at, due);
    }
    let leap_day = Which::Between(utc("2028-02-29T00:00:00Z"), utc("2028-02-29T23:59:59Z"));
    assert_eq!(logbook.kept(leap_day).unwrap().len(), 24);
    assert_eq!(logbook.sittings().unwrap().len(), 30);

    // CSV: UTC, an hour from row to row, whatever the local clocks did.
    let csv = kept_csv(&kept, UnitSystem::Metric);
    let rows: Vec<&str> = csv.lines().skip(1).collect();
    assert_eq!(rows.len(), 720);
    let moments: Vec<Moment> = rows
        .iter()
        .map(|row| utc(row.split(',').next().unwrap()))
        .collect();
    assert!(moments.windows(2).all(|w| w[1].since(w[0]).us() == HOUR_US));
    assert!(
        rows.iter().all(|row| row.contains(",12,")),
        "still for 12 s"
    );

    // Text, by clocks that go forward that night: 01:00 is followed by 03:00.
    let history = logbook.history(Which::All).unwrap();
    let zone = TimeZone::posix("CET-1CEST,M3.5.0,M10.5.0/3").unwrap();
    let text = log_table(&history, UnitSystem::Metric, &zone);
    assert!(!text.contains("set back"));
    let (from, to) = ("2028-03-26 (CE", "2028-03-27 (CE");
    let night = &text[text.find(from).unwrap()..text.find(to).unwrap()];
    assert!(night.contains("01:00:00  kept") && night.contains("03:00:00  kept"));
    assert!(!night.contains("02:00:00  kept"), "{night}");
    assert!(text.contains("2028-03-26 (CEST)"));
    let json: serde_json::Value = serde_json::from_str(&history_json(&history)).unwrap();
    assert_eq!(json["kept"].as_array().unwrap().len(), 720);
}

/// In autumn an hour comes twice by the local clocks: both are told apart by the name of
/// the time, in their order.
#[test]
fn the_hour_that_comes_twice_is_told_apart() {
    let folder = Folder::new();
    let mut logbook = Logbook::open(&folder.logbook()).unwrap();
    logbook.begin_sitting(&sitting()).unwrap();
    for (i, moment) in ["2028-10-29T00:30:00Z", "2028-10-29T01:30:00Z"]
        .iter()
        .enumerate()
    {
        logbook
            .keep(&reading(utc(moment), 0.4 + 0.01 * i as f64))
            .unwrap();
    }
    let zone = TimeZone::posix("CET-1CEST,M3.5.0,M10.5.0/3").unwrap();
    let history = logbook.history(Which::All).unwrap();
    let text = log_table(&history, UnitSystem::Metric, &zone);
    let summer = text.find("2028-10-29 (CEST)").unwrap();
    let winter = text.find("2028-10-29 (CET)").unwrap();
    assert!(summer < winter, "{text}");
    assert_eq!(text.matches("02:30:00").count(), 2, "{text}");
    assert!(
        text.find("400.0").unwrap() < text.find("410.0").unwrap(),
        "{text}"
    );
}

/// The computer's clock was set back between two sittings: nothing is lost, all stands in
/// the order of its times, and it is said that these are not the order in which it was kept.
#[test]
fn a_clock_set_back_between_sittings_is_told() {
    let folder = Folder::new();
    let mut logbook = Logbook::open(&folder.logbook()).unwrap();
    for (day, started) in [
        "2026-05-02T10:00:00Z",
        "2026-05-01T09:00:00Z",
        "2026-05-03T08:00:00Z",
    ]
    .iter()
    .enumerate()
    {
        let begun = stillheight::logbook::Sitting {
            started: utc(started),
            ..sitting()
        };
        logbook.begin_sitting(&begun).unwrap();
        for minute in 0..3 {
            let now = utc(started) + Span::from_us(minute * 60_000_000);
            logbook
                .keep(&reading(now, 0.4 + day as f64 * 0.01))
                .unwrap();
        }
    }
    logbook.check().unwrap();
    let kept = logbook.kept(Which::All).unwrap();
    assert_eq!(kept.len(), 9);
    assert!(kept.windows(2).all(|w| w[0].reading.at < w[1].reading.at));
    let history = logbook.history(Which::All).unwrap();
    let text = log_table(&history, UnitSystem::Metric, &TimeZone::UTC);
    assert!(
        text.starts_with("Kept 4 carries a time before kept 3: was the"),
        "{text}"
    );
}

fn laser() -> Sensor {
    Sensor {
        name: "rear left".into(),
        connection: Connection {
            port: None,
            baud: 115_200,
            protocol: Protocol::Wire {
                device: 7,
                channel: 0,
            },
        },
        reads: Measurand::FrameToFloor {
            from: Point::from_mm(0.0, 400.0, 0.0),
        },
        zero: 0.0,
        zero_uncertainty: 0.0,
        scale_uncertainty: 0.0,
        deadline_s: 2.0,
    }
}

/// Ten samples a second for so many seconds, from a moment and a device time on.
fn speak(bench: &mut Bench, from: Moment, device_us: u64, seconds: i64, value: f64) -> Moment {
    for n in 0..seconds * 10 {
        let passed = n * 100_000;
        bench.hear(
            0,
            &Heard::Sample(Sample {
                source: Source::Wire {
                    device: 7,
                    channel: 0,
                },
                value: value + [1e-5, -1e-5, 0.0][usize::try_from(n % 3).unwrap()],
                kind: SampleKind::Distance,
                sequence: None,
                device_time_us: Some(device_us + passed.unsigned_abs()),
                temperature_c: None,
                trusted: true,
                remark: None,
                at: from + Span::from_us(passed),
            }),
        );
    }
    from + Span::from_us(seconds * 1_000_000)
}

/// The computer sleeps for ten hours, the van is loaded meanwhile. The sensor's own clock
/// went on, stood still with the bus, or began anew: in each case what was before is not
/// mixed with what comes, and stillness begins after the night.
#[test]
fn ten_hours_asleep_leave_no_trace_in_a_reading() {
    let night_us = 10 * HOUR_US;
    for device_after in [20_000_000 + night_us.unsigned_abs(), 20_100_000, 0] {
        let mut bench = Bench::new(&[laser()], &[Some(0)]);
        let evening = utc("2026-11-24T21:00:00Z");
        let before = speak(&mut bench, evening, 0, 20, 0.5);
        assert_eq!(bench.readings(before)[0].quality, Quality::Good);
        let morning = before + Span::from_us(night_us);
        let asleep = &bench.readings(morning)[0];
        assert!(
            matches!(asleep.quality, Quality::Silent { since } if morning.since(since).s() >= 36_000.0),
            "{asleep:?}"
        );
        // The first seconds are not still yet, and already the new value alone.
        let awake = speak(&mut bench, morning, device_after, 1, 0.47);
        let first = &bench.readings(awake)[0];
        assert_eq!(first.quality, Quality::Moving, "device at {device_after}");
        assert!((first.value - 0.47).abs() < 1e-4, "{first:?}");
        let later = speak(&mut bench, awake, device_after + 1_000_000, 20, 0.47);
        let still = &bench.readings(later)[0];
        assert_eq!(still.quality, Quality::Good, "device at {device_after}");
        assert!((still.value - 0.47).abs() < 1e-5, "{still:?}");
        assert!(
            still.at > morning,
            "the middle of what was averaged is of this morning"
        );
        let since = bench.stillness(0).unwrap().since.unwrap();
        // As far back as the window of one look may reach, no further.
        assert!(
            since >= morning - Span::from_s(1.0),
            "still since {since:?}"
        );
    }
}

/// The device's own clock jumps or goes back while samples keep coming (its firmware
/// wraps, or lies): what is told stays within what it said.
#[test]
fn a_devices_clock_that_jumps_does_not_hold_up_the_readings() {
    let mut bench = Bench::new(&[laser()], &[Some(0)]);
    let mut now = utc("2026-11-24T21:00:00Z");
    for device_us in [0, u64::MAX - 3_000_000_000, 5_000_000, 1 << 40, 0] {
        now = speak(&mut bench, now, device_us, 20, 0.5);
        let reading = &bench.readings(now)[0];
        assert_eq!(
            reading.quality,
            Quality::Good,
            "after device time {device_us}"
        );
        assert!((reading.value - 0.5).abs() < 1e-4);
        assert!(
            reading.at <= now && now.since(reading.at).s() < 15.0,
            "{reading:?}"
        );
    }
}

fn settle_event(folder: &Folder, zone: &str, local: &str) -> Output {
    Command::new(env!("CARGO_BIN_EXE_stillheight"))
        .args(["settle", "event", "van.toml", "--what", "moved"])
        .args(["--note", "greased", "--at", local])
        .current_dir(folder.path())
        .env("TZ", zone)
        .output()
        .unwrap()
}

/// A time by the local clocks, entered by hand, in the hour that there is not and in the
/// one that there is twice; and one from a leap day that there never was.
///
/// Source: RFC 5545, 3.3.5: a local time that comes twice means the first; one that does
/// not come is taken with the offset before the gap.
#[test]
fn local_times_in_the_nights_when_clocks_change() {
    let folder = Folder::new();
    let made = Command::new(env!("CARGO_BIN_EXE_stillheight"))
        .args(["sheet", "new", "van.toml"])
        .current_dir(folder.path())
        .output()
        .unwrap();
    assert!(made.status.success());
    let zone = "CET-1CEST,M3.5.0,M10.5.0/3";
    for (local, due) in [
        ("2025-03-30 02:30", "2025-03-30T01:30:00Z"),
        ("2025-10-26 02:30", "2025-10-26T00:30:00Z"),
        ("2025-10-26 03:30", "2025-10-26T02:30:00Z"),
        ("2024-02-29 12:00", "2024-02-29T11:00:00Z"),
    ] {
        let entered = settle_event(&folder, zone, local);
        let said = String::from_utf8_lossy(&entered.stderr).into_owned();
        assert!(entered.status.success(), "{local}: {said}");
        let logbook = Logbook::open_for_reading(&folder.logbook()).unwrap();
        let changes = logbook.changes(Which::All).unwrap();
        assert!(
            changes.iter().any(|c| c.record.at == utc(due)),
            "{local}: {changes:?}"
        );
    }
    let never = settle_event(&folder, zone, "2025-02-29 12:00");
    assert_eq!(never.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&never.stderr).contains("settle.event.time"));
}
