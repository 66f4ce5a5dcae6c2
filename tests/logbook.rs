//! The logbook through its public face: what is kept stays, what is not ours
//! is left alone.

use std::io::{BufRead, BufReader, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

use rand::{Rng, SeedableRng};
use stillheight::logbook::{
    APPLICATION_ID, Calibration, Change, ChangeKind, Fit, HoldingBounds, KeptBy, KeptQuantity,
    KeptReading, KeptSensor, KeptState, Load, Logbook, LogbookError, LogbookWriter, Mark, MarkKind,
    MountEnd, Origin, RawSample, SCHEMA_VERSION, Sitting, Strange, THINNING, Unit, Which,
};
use stillheight::quantity::{Moment, Span};

/// A folder that goes with the test.
pub struct Folder(PathBuf);

impl Folder {
    pub fn new() -> Self {
        static COUNT: AtomicU32 = AtomicU32::new(0);
        let path = std::env::temp_dir().join(format!(
            "stillheight-logbook-it-{}-{}",
            std::process::id(),
            COUNT.fetch_add(1, Ordering::Relaxed)
        ));
        std::fs::create_dir_all(&path).unwrap();
        Self(path)
    }
    pub fn path(&self) -> &Path {
        &self.0
    }
    pub fn logbook(&self) -> PathBuf {
        self.0.join("van.logbook.sqlite")
    }
    fn names(&self) -> Vec<String> {
        let mut names: Vec<_> = std::fs::read_dir(&self.0)
            .unwrap()
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        names
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

fn at(us: i64) -> Moment {
    Moment::from_unix_us(us)
}

pub fn sitting() -> Sitting {
    Sitting {
        started: at(1_750_000_000_000_000),
        sheet_text: "name = \"delivery van\"\n".into(),
        program: "0.1.0".into(),
    }
}

fn helper() -> Load {
    Load {
        name: "helper".into(),
        mass_kg: 82.5,
        at_m: Some([0.4, -0.35, 0.6]),
    }
}

/// A reading with something in every field.
fn full_reading(us: i64) -> KeptReading {
    KeptReading {
        at: at(us),
        still_since: Some(at(us - 4_000_000)),
        case: Some("finished".into()),
        loads: vec![
            helper(),
            Load {
                name: "sandbags".into(),
                mass_kg: 100.0,
                at_m: None,
            },
        ],
        by: KeptBy::Stillness,
        note: "nach dem Mittag, \"still\"\nzweite Zeile".into(),
        quantities: vec![
            KeptQuantity {
                name: "height rear left".into(),
                unit: Unit::Metre,
                value: 0.412_345_678_9,
                standard_uncertainty: 0.000_41,
                origin: Origin::Measured,
            },
            KeptQuantity {
                name: "roll".into(),
                unit: Unit::Radian,
                value: -0.0021,
                standard_uncertainty: 0.0,
                origin: Origin::Assumed,
            },
        ],
        state: Some(KeptState {
            coordinates: vec!["frame_heave_m".into(), "frame_roll_rad".into()],
            values: vec![-0.0, 1e-300],
            covariance: vec![1e-8, -2e-9, -2e-9, 4e-8],
        }),
        sensors: vec![
            KeptSensor {
                name: "laser rear left".into(),
                unit: Unit::Metre,
                value: Some(0.3991),
                noise_uncertainty: Some(0.0002),
                zero_uncertainty: 0.0005,
                quality: "good".into(),
                temperature_c: None,
            },
            KeptSensor {
                name: "tilt link".into(),
                unit: Unit::Radian,
                value: None,
                noise_uncertainty: None,
                zero_uncertainty: 0.0003,
                quality: "silent".into(),
                temperature_c: None,
            },
        ],
    }
}

fn open(path: &Path) -> Logbook {
    let mut logbook = Logbook::open(path).unwrap();
    logbook.begin_sitting(&sitting()).unwrap();
    logbook
}

/// Source: SQLite release notes 3.51.3 (the fix of the write-ahead log being
/// reset while another connection checkpoints).
#[test]
fn the_database_engine_is_new_enough() {
    assert!(
        rusqlite::version_number() >= 3_051_003,
        "{}",
        rusqlite::version()
    );
}

#[test]
fn everything_comes_back_as_it_was_written() {
    let folder = Folder::new();
    let mut logbook = open(&folder.logbook());
    let reading = full_reading(1_750_000_100_000_000);
    let id = logbook.keep(&reading).unwrap();
    let marks = [
        MarkKind::LoadOn(helper()),
        MarkKind::LoadOff(helper()),
        MarkKind::Note,
    ]
    .map(|kind| Mark {
        at: at(7),
        kind,
        note: "words".into(),
    });
    let changes = [
        ChangeKind::Collar {
            coilover: "rear left".into(),
            turns: -1.5,
        },
        ChangeKind::Hole {
            coilover: "rear left".into(),
            end: MountEnd::Upper,
            from: "B".into(),
            to: "C".into(),
        },
        ChangeKind::Spring {
            coilover: "rear right".into(),
            spring: "24.5 N/mm, 250 mm".into(),
        },
        ChangeKind::Other,
    ]
    .map(|kind| Change {
        at: at(8),
        kind,
        note: String::new(),
    });
    for mark in &marks {
        logbook.mark(mark).unwrap();
        logbook.mark(mark).unwrap(); // a retry
    }
    for change in &changes {
        logbook.change(change).unwrap();
        logbook.change(change).unwrap();
    }
    let calibration = Calibration {
        at: at(9),
        sensor: "tilt link".into(),
        kind: "zero".into(),
        result: serde_json::json!({"zero_deg": 0.12}),
    };
    logbook.calibrate(&calibration).unwrap();
    let fit = Fit {
        at: at(10),
        kind: "settling".into(),
        result: serde_json::json!(["power law", 0.3]),
    };
    logbook.fit(&fit).unwrap();
    drop(logbook);

    let logbook = Logbook::open_for_reading(&folder.logbook()).unwrap();
    let kept = logbook.kept(Which::All).unwrap();
    assert_eq!(kept.len(), 1);
    assert_eq!((kept[0].id, &kept[0].reading), (id, &reading));
    assert!(kept[0].intact);
    let found: Vec<_> = logbook.marks(Which::All).unwrap();
    assert_eq!(
        found.into_iter().map(|m| m.record).collect::<Vec<_>>(),
        marks
    );
    let found: Vec<_> = logbook.changes(Which::All).unwrap();
    assert_eq!(
        found.into_iter().map(|c| c.record).collect::<Vec<_>>(),
        changes
    );
    assert_eq!(
        logbook.calibrations(Which::All).unwrap()[0].record,
        calibration
    );
    assert_eq!(logbook.fits(Which::All).unwrap()[0].record, fit);
    assert_eq!(logbook.sittings().unwrap()[0].1, sitting());
    logbook.check().unwrap();
}

#[test]
fn the_sheet_is_stored_once_and_a_sitting_goes_on() {
    let folder = Folder::new();
    let mut logbook = Logbook::open(&folder.logbook()).unwrap();
    assert!(matches!(
        logbook.keep(&full_reading(1)),
        Err(LogbookError::NoSitting)
    ));
    let first = logbook.begin_sitting(&sitting()).unwrap();
    assert_eq!(logbook.begin_sitting(&sitting()).unwrap(), first);
    let later = Sitting {
        started: at(1_760_000_000_000_000),
        ..sitting()
    };
    assert_ne!(logbook.begin_sitting(&later).unwrap(), first);
    drop(logbook);
    let raw = rusqlite::Connection::open(folder.logbook()).unwrap();
    let sheets: i64 = raw
        .query_row("SELECT count(*) FROM sheets", [], |row| row.get(0))
        .unwrap();
    assert_eq!(sheets, 1);
}

#[test]
fn a_retry_does_not_double_and_another_reading_is_told() {
    let folder = Folder::new();
    let mut logbook = open(&folder.logbook());
    let id = logbook.keep(&full_reading(5)).unwrap();
    assert_eq!(logbook.keep(&full_reading(5)).unwrap(), id);
    let other = KeptReading {
        note: "another".into(),
        ..full_reading(5)
    };
    let error = logbook.keep(&other).unwrap_err();
    assert!(matches!(error, LogbookError::MomentTaken { at_us: 5 }));
    assert!(error.is_about_the_record());
    assert_eq!(logbook.kept(Which::All).unwrap().len(), 1);
}

#[test]
fn which_ones() {
    let folder = Folder::new();
    let mut logbook = open(&folder.logbook());
    // Not in the order of time: the clock was set back.
    for us in [30, 10, 20, 40] {
        logbook.keep(&full_reading(us)).unwrap();
    }
    let moments = |which| -> Vec<i64> {
        let kept = logbook.kept(which).unwrap();
        kept.iter().map(|k| k.reading.at.unix_us()).collect()
    };
    assert_eq!(moments(Which::All), [10, 20, 30, 40]);
    assert_eq!(moments(Which::Latest(2)), [30, 40]);
    assert_eq!(moments(Which::Between(at(10), at(20))), [10, 20]);
    assert!(moments(Which::Latest(0)).is_empty());
}

type Spoil = fn(&mut KeptReading);

#[test]
fn numbers_that_are_none_are_refused_with_their_place() {
    let folder = Folder::new();
    let mut logbook = open(&folder.logbook());
    let table: [(Spoil, &str, &str); 12] = [
        (
            |r| r.quantities[0].value = f64::NAN,
            "logbook.record.not_finite",
            "'NaN' as value of 'height rear left' is not a number that can be kept",
        ),
        (
            |r| r.quantities[1].standard_uncertainty = f64::INFINITY,
            "logbook.record.not_finite",
            "'inf' as standard uncertainty of 'roll' is not a number that can be kept",
        ),
        (
            |r| r.quantities[1].standard_uncertainty = -0.1,
            "logbook.record.negative",
            "'-0.1' as standard uncertainty of 'roll' is below zero",
        ),
        (
            |r| r.quantities[1].name = "height rear left".into(),
            "logbook.record.twice",
            "the quantity 'height rear left' comes twice in one reading",
        ),
        (
            |r| r.loads[0].mass_kg = f64::NAN,
            "logbook.record.not_finite",
            "'NaN' as mass of 'helper' is not a number that can be kept",
        ),
        (
            |r| r.loads[0].at_m = Some([0.0, f64::NEG_INFINITY, 0.0]),
            "logbook.record.not_finite",
            "'-inf' as place of 'helper' is not a number that can be kept",
        ),
        (
            |r| r.sensors[0].value = Some(f64::NAN),
            "logbook.record.not_finite",
            "'NaN' as value of 'laser rear left' is not a number that can be kept",
        ),
        (
            |r| r.sensors[1].value = Some(0.1),
            "logbook.record.half_sensor",
            "the sensor 'tilt link' has a value without its noise or noise without a value",
        ),
        (
            |r| r.sensors[0].zero_uncertainty = f64::NAN,
            "logbook.record.not_finite",
            "'NaN' as uncertainty of the zero of 'laser rear left' is not a number that can be kept",
        ),
        (
            |r| r.state.as_mut().unwrap().covariance[2] = f64::NAN,
            "logbook.record.not_finite",
            "'NaN' as covariance of 'frame_roll_rad' is not a number that can be kept",
        ),
        (
            |r| r.state.as_mut().unwrap().covariance[3] = -1.0,
            "logbook.record.negative",
            "'-1' as variance of 'frame_roll_rad' is below zero",
        ),
        (
            |r| r.state.as_mut().unwrap().covariance.truncate(3),
            "logbook.record.state_size",
            "a state of 2 coordinates needs as many values and 4 covariances, not 2 and 3",
        ),
    ];
    for (spoil, code, message) in table {
        let mut reading = full_reading(1);
        spoil(&mut reading);
        let error = logbook.keep(&reading).unwrap_err();
        assert_eq!((error.code(), error.to_string().as_str()), (code, message));
        assert!(error.is_about_the_record());
    }
    let collar = Change {
        at: at(1),
        kind: ChangeKind::Collar {
            coilover: "rear left".into(),
            turns: f64::NAN,
        },
        note: String::new(),
    };
    assert!(logbook.change(&collar).is_err());
    assert!(logbook.kept(Which::All).unwrap().is_empty());
    assert!(logbook.changes(Which::All).unwrap().is_empty());
    logbook.keep(&full_reading(1)).unwrap();
}

#[test]
fn what_is_not_ours_is_refused_and_unchanged() {
    let folder = Folder::new();
    let path = folder.logbook();
    let other_database = |application_id: i32, wal: bool| {
        let _ = std::fs::remove_file(&path);
        let raw = rusqlite::Connection::open(&path).unwrap();
        if wal {
            raw.pragma_update_and_check(None, "journal_mode", "WAL", |_| Ok(()))
                .unwrap();
        }
        raw.pragma_update(None, "application_id", application_id)
            .unwrap();
        raw.execute_batch("CREATE TABLE recipes (name TEXT); INSERT INTO recipes VALUES ('soup')")
            .unwrap();
    };
    let expect = |found: &Strange| {
        let before = std::fs::read(&path).unwrap();
        for result in [Logbook::open(&path), Logbook::open_for_reading(&path)] {
            let error = result.unwrap_err();
            assert!(
                matches!(&error, LogbookError::Foreign { found: f, .. } if f == found),
                "{error:?}"
            );
            assert!(error.is_users_to_fix());
        }
        assert_eq!(std::fs::read(&path).unwrap(), before, "unchanged");
        assert_eq!(
            folder.names(),
            ["van.logbook.sqlite"],
            "nothing put beside it"
        );
    };
    std::fs::write(&path, "name,height\n").unwrap();
    expect(&Strange::NotSqlite);
    std::fs::write(&path, vec![0; 5_000]).unwrap();
    expect(&Strange::NotSqlite);
    for (id, wal) in [(0, false), (0, true), (77, false)] {
        other_database(id, wal);
        expect(&Strange::OtherProgram { application_id: id });
    }
    std::fs::remove_file(&path).unwrap();
    std::fs::create_dir(&path).unwrap();
    let error = Logbook::open(&path).unwrap_err();
    assert_eq!(
        error.to_string(),
        format!(
            "'{}' is not a logbook of this program: it is not a plain file",
            path.display()
        )
    );
}

#[test]
fn a_strange_lock_file_is_left_alone() {
    let folder = Folder::new();
    let lock = folder.0.join("van.logbook.sqlite.lock");
    std::fs::write(&lock, "my diary").unwrap();
    let error = Logbook::open(&folder.logbook()).unwrap_err();
    assert!(matches!(
        error,
        LogbookError::Foreign {
            found: Strange::NotALock,
            ..
        }
    ));
    assert_eq!(std::fs::read(&lock).unwrap(), b"my diary");
    assert!(!folder.logbook().exists());
}

/// A lock file as a power cut leaves it: nothing in it but its length, or the end of
/// it without the beginning.
#[test]
fn a_lock_file_from_before_a_power_cut_is_ours() {
    let folder = Folder::new();
    let lock = folder.0.join("van.logbook.sqlite.lock");
    for left in [
        &[0; 31][..],
        b"logbook in use",
        &[&[0; 26][..], b"1234\n"].concat(),
    ] {
        std::fs::write(&lock, left).unwrap();
        open(&folder.logbook()).keep(&full_reading(1)).unwrap();
    }
}

#[test]
fn a_newer_version_is_refused_and_unchanged() {
    let folder = Folder::new();
    let path = folder.logbook();
    drop(open(&path));
    let raw = rusqlite::Connection::open(&path).unwrap();
    raw.pragma_update(None, "user_version", 99).unwrap();
    drop(raw);
    let before = std::fs::read(&path).unwrap();
    for result in [Logbook::open(&path), Logbook::open_for_reading(&path)] {
        let error = result.unwrap_err();
        assert!(
            matches!(
                error,
                LogbookError::Newer {
                    found: 99,
                    known: SCHEMA_VERSION,
                    ..
                }
            ),
            "{error:?}"
        );
    }
    assert_eq!(std::fs::read(&path).unwrap(), before);
}

#[test]
fn no_logbook_yet_is_told_and_none_is_made_by_reading() {
    let folder = Folder::new();
    let error = Logbook::open_for_reading(&folder.logbook()).unwrap_err();
    assert_eq!(error.code(), "logbook.file.open");
    assert!(folder.names().is_empty());
}

#[test]
fn one_writes_the_others_read() {
    let folder = Folder::new();
    let path = folder.logbook();
    let mut writer = open(&path);
    writer.keep(&full_reading(1)).unwrap();
    let error = Logbook::open(&path).unwrap_err();
    assert_eq!(
        error.to_string(),
        format!(
            "'{}' is in use by another instance (process {})",
            path.display(),
            std::process::id()
        )
    );
    let reader = Logbook::open_for_reading(&path).unwrap();
    assert_eq!(reader.kept(Which::All).unwrap().len(), 1);
    writer.keep(&full_reading(2)).unwrap();
    assert_eq!(reader.kept(Which::All).unwrap().len(), 2);
    reader.check().unwrap();
    drop(writer);
    // The reader still has it open.
    let mut again = open(&path);
    again.keep(&full_reading(3)).unwrap();
    assert_eq!(reader.kept(Which::All).unwrap().len(), 3);
    let mut reader = reader;
    let error = reader.begin_sitting(&sitting()).unwrap_err();
    assert!(matches!(error, LogbookError::ReadOnly { .. }), "{error:?}");
}

#[test]
fn no_room_is_told_and_what_was_kept_stays() {
    let folder = Folder::new();
    let mut logbook = open(&folder.logbook());
    logbook.limit_size(256 * 1024).unwrap();
    let mut kept = 0;
    let error = loop {
        match logbook.keep(&full_reading(kept)) {
            Ok(_) => kept += 1,
            Err(error) => break error,
        }
    };
    assert!(matches!(error, LogbookError::Full { .. }), "{error:?}");
    assert!(kept > 10, "{kept}");
    logbook.check().unwrap();
    logbook.limit_size(1 << 30).unwrap();
    logbook.keep(&full_reading(kept)).unwrap();
    let found = logbook.kept(Which::All).unwrap();
    assert_eq!(found.len(), usize::try_from(kept).unwrap() + 1);
}

fn overwrite(path: &Path, offset: u64, bytes: &[u8]) {
    let mut file = std::fs::OpenOptions::new().write(true).open(path).unwrap();
    file.seek(SeekFrom::Start(offset)).unwrap();
    file.write_all(bytes).unwrap();
}

#[test]
fn a_damaged_page_is_told() {
    let folder = Folder::new();
    let path = folder.logbook();
    let mut logbook = open(&path);
    for us in 0..200 {
        logbook.keep(&full_reading(us)).unwrap();
    }
    drop(logbook);
    let mut whole = Vec::new();
    std::fs::File::open(&path)
        .unwrap()
        .read_to_end(&mut whole)
        .unwrap();
    let raw = rusqlite::Connection::open(&path).unwrap();
    let root: u64 = raw
        .query_row(
            "SELECT rootpage FROM sqlite_schema WHERE name = 'kept'",
            [],
            |row| row.get::<_, i64>(0),
        )
        .unwrap()
        .cast_unsigned();
    drop(raw);
    overwrite(&path, (root - 1) * 4096, &[0xa5; 4096]);
    let logbook = Logbook::open(&path).unwrap();
    for error in [
        logbook.check().unwrap_err(),
        logbook.kept(Which::All).unwrap_err(),
    ] {
        assert_eq!(error.code(), "logbook.file.damaged");
        assert!(error.to_string().contains("is damaged: "), "{error}");
        assert!(!error.is_about_the_record());
    }
}

/// The database has no checksum of its pages: a single altered number passes
/// its own check, but not the reading's digest.
#[test]
fn one_altered_number_is_told() {
    let folder = Folder::new();
    let path = folder.logbook();
    let mut logbook = open(&path);
    for us in 0..3 {
        let mut reading = full_reading(us);
        reading.quantities[0].value = 0.5 + f64::from(u8::try_from(us).unwrap()) / 7.0;
        logbook.keep(&reading).unwrap();
    }
    drop(logbook);
    let bytes = std::fs::read(&path).unwrap();
    let number = (0.5 + 1.0 / 7.0_f64).to_be_bytes();
    let place = bytes.windows(8).position(|w| w == number).unwrap();
    overwrite(&path, place as u64 + 3, &[number[3] ^ 0x10]);

    let logbook = Logbook::open_for_reading(&path).unwrap();
    let intact: Vec<_> = logbook.kept(Which::All).unwrap();
    assert_eq!(
        intact.iter().map(|k| k.intact).collect::<Vec<_>>(),
        [true, false, true]
    );
    let error = logbook.check().unwrap_err();
    assert!(
        error
            .to_string()
            .ends_with("kept reading 2 is not as it was written"),
        "{error}"
    );
}

fn sample(sensor: &str, us: i64) -> RawSample {
    RawSample {
        sensor: sensor.into(),
        unit: Unit::Metre,
        at: at(us),
        value: 0.4,
        trusted: true,
    }
}

#[test]
fn raw_samples_are_thinned_by_age() {
    const S: i64 = 1_000_000;
    const DAY: i64 = 86_400 * S;
    let folder = Folder::new();
    let mut logbook = open(&folder.logbook());
    let now = at(100 * DAY);
    // Two sensors, twice a second, for 20 minutes: today, a week ago, two
    // months ago.
    for begin in [99 * DAY + DAY / 2, 93 * DAY, 40 * DAY] {
        for sensor in ["laser rear left", "laser rear right"] {
            let batch: Vec<_> = (0..2_400)
                .map(|n| sample(sensor, begin + n * S / 2))
                .collect();
            logbook.add_raw(&batch).unwrap();
        }
    }
    logbook.keep(&full_reading(40 * DAY)).unwrap();
    let removed = logbook.thin(now).unwrap();
    let count = |from: i64| logbook.raw(at(from), at(from + 1_200 * S)).unwrap().len();
    // By hand: 2 x 2400 of today; 2 x 1200 s / 10 s; 2 x 1200 s / 600 s.
    assert_eq!(count(99 * DAY + DAY / 2), 4_800);
    assert_eq!(count(93 * DAY), 240);
    assert_eq!(count(40 * DAY), 4);
    assert_eq!(removed, 3 * 4_800 - 4_800 - 240 - 4);
    // The earliest of each slot stays.
    let old = logbook.raw(at(93 * DAY), at(93 * DAY + 15 * S)).unwrap();
    let moments: Vec<_> = old.iter().map(|s| s.at.unix_us() - 93 * DAY).collect();
    assert_eq!(moments, [0, 0, 10 * S, 10 * S]);
    assert_eq!(logbook.kept(Which::All).unwrap().len(), 1);
    assert_eq!(logbook.thin(now).unwrap(), 0, "a second time takes nothing");
    logbook.check().unwrap();
    assert!(THINNING[0].older_than == Span::from_us(DAY));
}

#[test]
fn a_batch_goes_in_whole_or_not_at_all() {
    let folder = Folder::new();
    let mut logbook = open(&folder.logbook());
    let mut batch = vec![sample("laser rear left", 1), sample("laser rear left", 2)];
    batch[1].value = f64::NAN;
    assert!(logbook.add_raw(&batch).is_err());
    assert!(logbook.raw(at(0), at(9)).unwrap().is_empty());
}

/// Keeps readings through the writer and prints each one's moment when it is
/// acknowledged. As a child of the kill test it goes on until it is killed;
/// by itself it keeps a few and looks for them.
#[test]
fn keeps_until_killed() {
    let child = std::env::var_os("STILLHEIGHT_TEST_KEEP_IN").map(PathBuf::from);
    let from = std::env::var("STILLHEIGHT_TEST_KEEP_FROM").map_or(0, |n| n.parse().unwrap());
    let folder = Folder::new();
    let path = child.clone().unwrap_or_else(|| folder.logbook());
    let to = if child.is_some() { i64::MAX } else { 20 };
    let writer = LogbookWriter::start(&path, sitting(), HoldingBounds::default()).unwrap();
    let mut waiting = std::collections::VecDeque::new();
    for n in from..to {
        writer.raw((0..50).map(|k| sample("laser", n * 50 + k)).collect());
        waiting.push_back((n, writer.keep(full_reading(n))));
        if waiting.len() > 3 {
            let (n, answer) = waiting.pop_front().unwrap();
            answer.recv().unwrap().unwrap();
            println!("kept {n}.");
        }
    }
    drop(waiting);
    assert!(writer.finish().is_empty());
    let kept = Logbook::open(&path).unwrap().kept(Which::All).unwrap();
    assert_eq!(kept.len(), 20);
}

/// SIGKILL at random moments while writing: every acknowledged reading is
/// there, none twice, and the next start goes on.
#[test]
fn killed_twenty_times() {
    let folder = Folder::new();
    let path = folder.logbook();
    let mut random = rand::rngs::SmallRng::seed_from_u64(20_251_125);
    let (mut from, mut acknowledged) = (0_i64, 0_i64);
    for round in 0..20 {
        let mut child = Command::new(std::env::current_exe().unwrap())
            .args([
                "logbook::keeps_until_killed",
                "--exact",
                "--nocapture",
                "--test-threads=1",
            ])
            .env("STILLHEIGHT_TEST_KEEP_IN", &path)
            .env("STILLHEIGHT_TEST_KEEP_FROM", from.to_string())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let lines = BufReader::new(child.stdout.take().unwrap()).lines();
        let reader = std::thread::spawn(move || {
            // Whole lines only: the one cut by the kill has no full stop.
            lines
                .map_while(Result::ok)
                .filter_map(|line| {
                    let (_, rest) = line.split_once("kept ")?;
                    rest.strip_suffix('.')?.parse::<i64>().ok()
                })
                .last()
        });
        std::thread::sleep(Duration::from_micros(random.random_range(10_000..120_000)));
        child.kill().unwrap();
        child.wait().unwrap();
        if let Some(last) = reader.join().unwrap() {
            acknowledged = last + 1;
        }
        // A reader first: it must cope with what the kill left behind.
        if path.exists() && std::fs::metadata(&path).unwrap().len() > 0 {
            let logbook = Logbook::open(&path).unwrap();
            logbook.check().unwrap();
            let kept = logbook.kept(Which::All).unwrap();
            let moments: Vec<_> = kept.iter().map(|k| k.reading.at.unix_us()).collect();
            let expected: Vec<_> = (0..i64::try_from(moments.len()).unwrap()).collect();
            assert_eq!(moments, expected, "round {round}: none missing, none twice");
            assert!(
                i64::try_from(moments.len()).unwrap() >= acknowledged,
                "round {round}: {acknowledged} acknowledged, {} found",
                moments.len()
            );
            assert!(logbook.sittings().unwrap().len() <= 1);
        } else {
            assert_eq!(acknowledged, 0);
        }
        // The child does again what it could not know to be written.
        from = acknowledged;
    }
    assert!(acknowledged > 20, "the kills came while writing");
}

#[test]
fn the_mark_of_the_file_is_in_its_header() {
    let folder = Folder::new();
    drop(open(&folder.logbook()));
    let bytes = std::fs::read(folder.logbook()).unwrap();
    assert_eq!(&bytes[68..72], b"SHlb");
    assert_eq!(APPLICATION_ID.to_be_bytes(), *b"SHlb");
}

/// A disk that is really full. Make one of a few megabytes and name it:
/// `mount -t tmpfs -o size=16m tmpfs /mnt/small`, then
/// `STILLHEIGHT_SMALL_DISK=/mnt/small cargo test really_full -- --ignored`.
#[test]
#[ignore = "needs a file system of a few megabytes at STILLHEIGHT_SMALL_DISK"]
fn a_disk_that_is_really_full() {
    let disk = PathBuf::from(std::env::var_os("STILLHEIGHT_SMALL_DISK").unwrap());
    let (path, ballast) = (disk.join("van.logbook.sqlite"), disk.join("ballast"));
    assert!(!path.exists(), "the disk is empty at the start");
    let bounds = HoldingBounds {
        retry_every: Duration::from_millis(20),
        ..HoldingBounds::default()
    };
    let writer = LogbookWriter::start(&path, sitting(), bounds).unwrap();
    let limit = Duration::from_secs(20);
    writer
        .keep(full_reading(0))
        .recv_timeout(limit)
        .unwrap()
        .unwrap();
    let mut file = std::fs::File::create(&ballast).unwrap();
    let mut chunk = 1 << 20;
    while chunk > 0 {
        if file.write_all(&vec![1; chunk]).is_err() {
            chunk /= 2;
        }
    }
    let answers: Vec<_> = (1..2_000).map(|n| (n, full_reading(n))).collect();
    let answers: Vec<_> = answers
        .into_iter()
        .map(|(n, reading)| {
            // Slower than the queue is emptied.
            if n % 500 == 0 {
                std::thread::sleep(Duration::from_millis(200));
            }
            writer.keep(reading)
        })
        .collect();
    std::thread::sleep(Duration::from_millis(500));
    let state = writer.state();
    assert!(state.held > 0, "{state:?}");
    assert_eq!(state.trouble.unwrap().code, "logbook.disk.full");
    drop(file);
    std::fs::remove_file(&ballast).unwrap();
    for answer in answers {
        answer.recv_timeout(limit).unwrap().unwrap();
    }
    assert!(writer.finish().is_empty());
    let logbook = Logbook::open(&path).unwrap();
    logbook.check().unwrap();
    assert_eq!(logbook.kept(Which::All).unwrap().len(), 2_000);
    drop(logbook);
    std::fs::remove_file(&path).unwrap();
}

/// Opening the file a second time in one process must not drop the locks of
/// the first: another program could then take the write-ahead log away.
/// Source: SQLite, "How To Corrupt An SQLite Database File", section 2.2.
#[cfg(target_os = "linux")]
#[test]
fn a_second_look_leaves_the_locks_of_the_first() {
    use std::os::unix::fs::MetadataExt;
    let folder = Folder::new();
    let path = folder.logbook();
    let mut writer = open(&path);
    writer.keep(&full_reading(1)).unwrap();
    let inode = std::fs::metadata(&path).unwrap().ino();
    let locks = || {
        let mine = format!(" {} ", std::process::id());
        let all = std::fs::read_to_string("/proc/locks").unwrap();
        all.lines()
            .filter(|l| l.contains("POSIX") && l.contains(&mine))
            .filter(|l| l.contains(&format!(":{inode} ")))
            .count()
    };
    assert!(locks() > 0, "the open logbook holds a lock");
    let before = locks();
    let reader = Logbook::open_for_reading(&path).unwrap();
    assert_eq!(reader.kept(Which::All).unwrap().len(), 1);
    drop(reader);
    assert!(Logbook::open(&path).is_err());
    assert_eq!(locks(), before);
}

/// What a reader leaves behind takes the file's own permissions; it must not
/// be in the way of a writer later.
#[cfg(unix)]
#[test]
fn reading_a_read_only_file_leaves_nothing_behind() {
    use std::os::unix::fs::PermissionsExt;
    let folder = Folder::new();
    let path = folder.logbook();
    open(&path).keep(&full_reading(1)).unwrap();
    std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o444)).unwrap();
    let reader = Logbook::open_for_reading(&path).unwrap();
    assert_eq!(reader.kept(Which::All).unwrap().len(), 1);
    drop(reader);
    assert_eq!(
        folder.names(),
        ["van.logbook.sqlite", "van.logbook.sqlite.lock"]
    );
}
