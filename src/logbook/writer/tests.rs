#![allow(clippy::unwrap_used, clippy::panic, reason = "a test may stop here")]

use super::super::scratch::{Folder, reading, sitting};
use super::super::{Logbook, Unit, Which};
use super::*;

/// Long enough for a slow machine; nothing here waits that long when it works.
const LIMIT: Duration = Duration::from_secs(20);

fn quick() -> HoldingBounds {
    HoldingBounds {
        records: 50,
        raw_samples: 100,
        retry_every: Duration::from_millis(10),
    }
}

/// Waits until the state is as asked.
fn until(writer: &LogbookWriter, asked: impl Fn(&WriterState) -> bool) -> WriterState {
    let end = Instant::now() + LIMIT;
    loop {
        let state = writer.state();
        if asked(&state) {
            return state;
        }
        assert!(Instant::now() < end, "never came to it: {state:?}");
        std::thread::sleep(Duration::from_millis(2));
    }
}

fn sample(at_us: i64) -> RawSample {
    RawSample {
        sensor: "laser rear left".into(),
        unit: Unit::Metre,
        at: Moment::from_unix_us(at_us),
        value: 0.4,
        trusted: true,
    }
}

fn kept_moments(path: &Path) -> Vec<i64> {
    let logbook = Logbook::open_for_reading(path).unwrap();
    logbook.check().unwrap();
    let kept = logbook.kept(Which::All).unwrap();
    kept.iter().map(|k| k.reading.at.unix_us()).collect()
}

#[test]
fn an_answer_means_that_it_is_there() {
    let folder = Folder::new();
    let writer = LogbookWriter::start(&folder.logbook(), sitting(), quick()).unwrap();
    writer.raw((0..10).map(sample).collect());
    for at in 0..5 {
        writer
            .keep(reading(at))
            .recv_timeout(LIMIT)
            .unwrap()
            .unwrap();
        // Seen by another connection while the writer has it open.
        assert_eq!(
            kept_moments(&folder.logbook()).len(),
            usize::try_from(at).unwrap() + 1
        );
    }
    assert_eq!(writer.state().written, 5);
    assert!(writer.finish().is_empty());
    let logbook = Logbook::open(&folder.logbook()).unwrap();
    let all = (Moment::from_unix_us(0), Moment::from_unix_us(100));
    assert_eq!(logbook.raw(all.0, all.1).unwrap().len(), 10);
}

#[test]
fn a_record_at_fault_is_refused_and_the_next_one_kept() {
    let folder = Folder::new();
    let writer = LogbookWriter::start(&folder.logbook(), sitting(), quick()).unwrap();
    let mut wrong = reading(1);
    wrong.quantities[0].value = f64::NAN;
    let answer = writer.keep(wrong).recv_timeout(LIMIT).unwrap();
    assert!(
        matches!(answer, Err(LogbookError::NotFinite { .. })),
        "{answer:?}"
    );
    writer
        .keep(reading(2))
        .recv_timeout(LIMIT)
        .unwrap()
        .unwrap();
    writer.raw(vec![RawSample {
        value: f64::INFINITY,
        ..sample(1)
    }]);
    until(&writer, |s| s.raw_lost == 1);
    assert_eq!(writer.state().trouble, None);
    assert!(writer.finish().is_empty());
    assert_eq!(kept_moments(&folder.logbook()), [2]);
}

/// The database is given a bound on its pages: the same answer as a disk
/// without room (SQLITE_FULL).
#[test]
fn a_full_disk_holds_readings_until_there_is_room() {
    let folder = Folder::new();
    let writer = LogbookWriter::start(&folder.logbook(), sitting(), quick()).unwrap();
    writer.with(|logbook| logbook.limit_size(0).unwrap());
    // Long notes, so that no reading fits in the pages there are.
    let long = |at| {
        let mut reading = reading(at);
        reading.note = "n".repeat(20_000);
        reading
    };
    let answers: Vec<_> = (0..20).map(|at| writer.keep(long(at))).collect();
    let state = until(&writer, |s| s.held == 20 && s.trouble.is_some());
    assert_eq!(state.trouble.unwrap().code, "logbook.disk.full");
    assert!(
        answers.iter().all(|a| a.try_recv().is_err()),
        "no answer before it is written"
    );
    // The bound: 50 may wait, the rest is refused at once.
    let more: Vec<_> = (20..60).map(|at| writer.keep(long(at))).collect();
    let refused = more[39].recv_timeout(LIMIT).unwrap();
    assert!(
        matches!(refused, Err(LogbookError::TooManyHeld { held: 50 })),
        "{refused:?}"
    );
    // Raw samples beyond their bound go, oldest first.
    (0..5).for_each(|n| writer.raw((n * 30..n * 30 + 30).map(sample).collect()));
    let state = until(&writer, |s| s.raw_lost == 60);
    assert_eq!(state.raw_held, 90);

    writer.with(|logbook| logbook.limit_size(1 << 30).unwrap());
    for answer in answers.iter().chain(&more[..30]) {
        answer.recv_timeout(LIMIT).unwrap().unwrap();
    }
    let state = until(&writer, |s| s.raw_written == 90);
    assert_eq!((state.trouble, state.held, state.written), (None, 0, 50));
    assert!(writer.finish().is_empty());
    assert_eq!(kept_moments(&folder.logbook()), (0..50).collect::<Vec<_>>());
}

#[test]
fn what_never_found_room_is_handed_back() {
    let folder = Folder::new();
    let writer = LogbookWriter::start(&folder.logbook(), sitting(), quick()).unwrap();
    writer.with(|logbook| logbook.limit_size(0).unwrap());
    let mut long = reading(7);
    long.note = "n".repeat(20_000);
    let answer = writer.keep(long.clone());
    until(&writer, |s| s.held == 1 && s.trouble.is_some());
    assert_eq!(writer.finish(), [Unsaved::Reading(long)]);
    assert!(matches!(
        answer.recv_timeout(LIMIT).unwrap(),
        Err(LogbookError::WriterEnded)
    ));
    assert!(kept_moments(&folder.logbook()).is_empty());
}

/// `query_only` makes the database answer as a file that cannot be written
/// (SQLITE_READONLY), also to root; a fresh connection cures it.
#[test]
fn a_file_that_became_read_only_is_opened_again() {
    let folder = Folder::new();
    let writer = LogbookWriter::start(&folder.logbook(), sitting(), quick()).unwrap();
    writer.with(|logbook| {
        logbook
            .connection
            .pragma_update(None, "query_only", true)
            .unwrap();
        let refused = logbook.keep(&reading(1)).unwrap_err();
        assert!(
            matches!(refused, LogbookError::ReadOnly { .. }),
            "{refused:?}"
        );
    });
    writer
        .keep(reading(2))
        .recv_timeout(LIMIT)
        .unwrap()
        .unwrap();
    assert!(writer.finish().is_empty());
    assert_eq!(kept_moments(&folder.logbook()), [2]);
    let logbook = Logbook::open(&folder.logbook()).unwrap();
    assert_eq!(logbook.sittings().unwrap().len(), 1, "the sitting goes on");
}

#[cfg(unix)]
#[test]
fn a_file_moved_away_is_waited_for() {
    let folder = Folder::new();
    let (path, elsewhere) = (folder.logbook(), folder.0.join("elsewhere"));
    let writer = LogbookWriter::start(&path, sitting(), quick()).unwrap();
    writer
        .keep(reading(1))
        .recv_timeout(LIMIT)
        .unwrap()
        .unwrap();
    std::fs::rename(&path, &elsewhere).unwrap();
    let answer = writer.keep(reading(2));
    let state = until(&writer, |s| s.trouble.is_some());
    assert_eq!(state.trouble.unwrap().code, "logbook.file.moved");
    // Another file in its place is left alone.
    std::fs::write(&path, "a shopping list").unwrap();
    std::thread::sleep(Duration::from_millis(50));
    assert!(answer.try_recv().is_err());
    assert_eq!(std::fs::read(&path).unwrap(), b"a shopping list");
    std::fs::rename(&elsewhere, &path).unwrap();
    answer.recv_timeout(LIMIT).unwrap().unwrap();
    assert!(writer.finish().is_empty());
    assert_eq!(kept_moments(&path), [1, 2]);
}

#[cfg(unix)]
#[test]
fn a_file_deleted_for_good_is_begun_anew_at_the_end() {
    let folder = Folder::new();
    let path = folder.logbook();
    let writer = LogbookWriter::start(&path, sitting(), quick()).unwrap();
    writer
        .keep(reading(1))
        .recv_timeout(LIMIT)
        .unwrap()
        .unwrap();
    for ending in ["", "-wal", "-shm"] {
        let mut name = path.as_os_str().to_owned();
        name.push(ending);
        std::fs::remove_file(name).unwrap();
    }
    let answer = writer.keep(reading(2));
    until(&writer, |s| s.trouble.is_some());
    assert!(writer.finish().is_empty());
    answer.recv_timeout(LIMIT).unwrap().unwrap();
    assert_eq!(kept_moments(&path), [2]);
}

#[test]
fn a_folder_that_comes_later_gets_what_was_held() {
    let folder = Folder::new();
    let yard = folder.0.join("yard");
    let path = yard.join("van.logbook.sqlite");
    let writer = LogbookWriter::start(&path, sitting(), quick()).unwrap();
    assert_eq!(writer.state().trouble.unwrap().code, "logbook.file.open");
    let answer = writer.keep(reading(1));
    std::thread::sleep(Duration::from_millis(30));
    assert!(answer.try_recv().is_err());
    std::fs::create_dir(&yard).unwrap();
    answer.recv_timeout(LIMIT).unwrap().unwrap();
    assert!(writer.finish().is_empty());
    assert_eq!(kept_moments(&path), [1]);
}

#[test]
fn a_second_writer_is_told_at_the_start() {
    let folder = Folder::new();
    let writer = LogbookWriter::start(&folder.logbook(), sitting(), quick()).unwrap();
    let second = LogbookWriter::start(&folder.logbook(), sitting(), quick()).unwrap_err();
    assert!(
        matches!(second, LogbookError::InUse { by: Some(pid), .. } if pid == std::process::id()),
        "{second:?}"
    );
    writer
        .keep(reading(1))
        .recv_timeout(LIMIT)
        .unwrap()
        .unwrap();
    drop(writer);
    drop(LogbookWriter::start(&folder.logbook(), sitting(), quick()).unwrap());
}

#[test]
fn thinning_goes_on_beside_keeping() {
    let folder = Folder::new();
    let writer =
        LogbookWriter::start(&folder.logbook(), sitting(), HoldingBounds::default()).unwrap();
    // An hour at one a second, in whole minutes.
    for minute in 0..60 {
        writer.raw(
            (minute * 60..minute * 60 + 60)
                .map(|s| sample(s * 1_000_000))
                .collect(),
        );
    }
    writer.thin(Moment::from_unix_us(2 * 86_400 * 1_000_000));
    writer
        .keep(reading(1))
        .recv_timeout(LIMIT)
        .unwrap()
        .unwrap();
    until(&writer, |s| s.raw_written == 3_600);
    let end = Instant::now() + LIMIT;
    let reader = Logbook::open_for_reading(&folder.logbook()).unwrap();
    let all = Moment::from_unix_us(i64::MAX);
    while reader.raw(Moment::from_unix_us(0), all).unwrap().len() != 360 {
        assert!(Instant::now() < end);
        std::thread::sleep(Duration::from_millis(5));
    }
}
