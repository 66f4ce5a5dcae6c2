//! The power is cut while readings are kept: a small recording, cut 240 times.
//!
//! The recording is of `examples/power_cut.rs`, which makes a fresh one wherever
//! strace is to be had and cuts it as often as one likes; it is made anew by
//! `cargo run --example power_cut -- record tests/recordings/two-lives.cut 12`.

use crate::cut_disk::{Luck, Op, Recording};
use crate::cut_judge::{NAME, judge, judge_at};
use rand::{SeedableRng, rngs::SmallRng};

/// A missing recording is a failed test.
fn two_lives() -> Vec<u8> {
    let path = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/tests/recordings/two-lives.cut"
    );
    std::fs::read(path).unwrap()
}

fn folder(name: &str) -> std::path::PathBuf {
    let path = std::env::temp_dir().join(format!("stillheight-{name}-{}", std::process::id()));
    std::fs::create_dir_all(&path).unwrap();
    path
}

/// The recording has what it takes: the file made, two lives, readings
/// acknowledged, the log synced and carried over into the file.
#[test]
fn the_recording_is_worth_cutting() {
    let recording = Recording::from_bytes(&two_lives());
    assert_eq!(Recording::from_bytes(&recording.to_bytes()), recording);
    let count = |f: &dyn Fn(&Op) -> bool| recording.ops.iter().filter(|op| f(op)).count();
    let said = count(&|op| matches!(op, Op::Said(_)));
    let wal = format!("{NAME}-wal");
    assert!(said >= 20, "{said}");
    assert!(count(&|op| matches!(op, Op::Sync(at) if *at == wal)) >= said);
    assert!(count(&|op| matches!(op, Op::Write(at, _, _) if at == NAME)) >= 20);
    assert!(count(&|op| matches!(op, Op::Create(at) if *at == wal)) >= 2);
    assert!(count(&|op| matches!(op, Op::SyncFolder)) >= 2);
}

#[test]
fn the_power_is_cut_240_times_and_nothing_acknowledged_is_lost() {
    let folder = folder("power-cuts");
    let lucks = [Luck::Bad, Luck::Mixed, Luck::Good, Luck::Mixed];
    let recording = Recording::from_bytes(&two_lives());
    let tally = judge(&recording, 240, &lucks, 7, &folder);
    std::fs::remove_dir_all(&folder).unwrap();
    assert_eq!(tally.cuts, 240);
    assert_eq!(tally.wrong(), 0, "{tally:#?}");
    assert!(tally.acknowledged > 1_000, "{tally:?}");
}

/// While the file is being made, at every single call: also the program alone may be
/// ended there, with all that it wrote in its place. It was once refused as damaged
/// for good; so was one that was ended while its log was carried over into the file.
#[test]
fn it_is_cut_at_every_call_while_the_file_is_made() {
    let folder = folder("cut-while-made");
    let recording = Recording::from_bytes(&two_lives());
    let first = (recording.ops.iter())
        .position(|op| matches!(op, Op::Said(_)))
        .unwrap();
    assert!(first > 40, "{first}");
    // And at every later call that writes the file itself, when the log is carried over.
    let carried = (recording.ops.iter().enumerate())
        .filter(|(_, op)| matches!(op, Op::Write(at, _, _) | Op::Sync(at) if at == NAME))
        .map(|(i, _)| i + 1);
    let at: Vec<usize> = (0..=first + 1)
        .chain(carried.filter(|i| *i > first + 1))
        .collect();
    for luck in [Luck::Good, Luck::Bad, Luck::Mixed] {
        let mut random = SmallRng::seed_from_u64(11);
        let tally = judge_at(&recording, &at, &[luck], &mut random, &folder);
        assert_eq!(tally.wrong(), 0, "{luck:?}: {tally:#?}");
    }
    std::fs::remove_dir_all(&folder).unwrap();
}

/// A disk that says that it has synced and has not: this must be seen, or the test
/// above would see nothing either.
#[test]
fn a_disk_that_lies_is_found_out() {
    let folder = folder("lying-disk");
    let recording = Recording::from_bytes(&two_lives());
    let tally = judge(&recording, 60, &[Luck::LyingDisk], 7, &folder);
    std::fs::remove_dir_all(&folder).unwrap();
    assert!(tally.missing > 0, "{tally:?}");
}
