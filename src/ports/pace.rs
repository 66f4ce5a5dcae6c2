//! How often one looks: often enough for the eye, seldom enough for an old laptop.
//!
//! In: when something came. Out: when it is to be taken. Ports that hear much take what has
//! come all at the same beats, so that a processor wakes once for sixteen of them; and who
//! works with it waits a moment for the others of the same beat.

use std::sync::atomic::{AtomicUsize, Ordering::SeqCst};
use std::sync::{Arc, LazyLock};
use std::time::{Duration, Instant};
use tokio::sync::watch;

/// From beat to beat. Chosen: from byte to posture may be 5 ms, this and [`TOGETHER`] and
/// the work included.
const BEAT: Duration = Duration::from_millis(4);
/// A port whose reads follow one another within this waits for the beat; a port that hears
/// something seldom is read at once.
const OFTEN: Duration = Duration::from_millis(20);
/// No look is sooner than so long after the one before.
const BETWEEN_LOOKS: Duration = Duration::from_millis(2);
/// What comes within this of the first belongs together.
const TOGETHER: Duration = Duration::from_micros(200);

/// Whether a port hears much.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct ReadPace {
    last: Option<Instant>,
}

impl ReadPace {
    /// Bytes were read at this moment: whether they come often.
    pub(super) fn read(&mut self, now: Instant) -> bool {
        let before = self.last.replace(now);
        is_often(before, now)
    }

    /// There was nothing at this moment: whether something still comes often.
    pub(super) fn nothing(&self, now: Instant) -> bool {
        is_often(self.last, now)
    }
}

fn is_often(last: Option<Instant>, now: Instant) -> bool {
    last.is_some_and(|last| now.duration_since(last) < OFTEN)
}

/// The beat that all ports keep: a thread of its own, because the timers of the runtime come
/// a millisecond or two late. It rests while nobody listens.
struct Beat {
    beats: watch::Sender<u64>,
    listeners: Arc<AtomicUsize>,
    thread: std::thread::Thread,
}

/// Nothing where the system has no thread left; ports are then read at once.
static BEAT_OF_ALL: LazyLock<Option<Beat>> = LazyLock::new(Beat::begin);

impl Beat {
    fn begin() -> Option<Self> {
        let listeners = Arc::new(AtomicUsize::new(0));
        let beats = watch::Sender::new(0);
        let (counted, beating) = (Arc::clone(&listeners), beats.clone());
        let thread = std::thread::Builder::new()
            .name("beat".to_owned())
            .spawn(move || {
                loop {
                    while counted.load(SeqCst) == 0 {
                        std::thread::park();
                    }
                    std::thread::sleep(BEAT);
                    beating.send_modify(|n: &mut u64| *n = n.wrapping_add(1));
                }
            })
            .ok()?;
        Some(Self {
            beats,
            listeners,
            thread: thread.thread().clone(),
        })
    }
}

/// Somebody who listens to the beat.
#[derive(Debug)]
pub(super) struct Beating(watch::Receiver<u64>);

impl Beating {
    /// Listens from now on, where there is a beat.
    pub(super) fn listen() -> Option<Self> {
        let beat = BEAT_OF_ALL.as_ref()?;
        let listening = Self(beat.beats.subscribe());
        if beat.listeners.fetch_add(1, SeqCst) == 0 {
            beat.thread.unpark();
        }
        Some(listening)
    }

    /// Waits for the next beat.
    pub(super) async fn next(&mut self) {
        // There is one as long as the program runs.
        let _ = self.0.changed().await;
    }
}

impl Drop for Beating {
    fn drop(&mut self) {
        if let Some(beat) = BEAT_OF_ALL.as_ref() {
            beat.listeners.fetch_sub(1, SeqCst);
        }
    }
}

/// When what has come is looked at.
#[derive(Debug, Clone, Copy, Default)]
pub struct LookPace {
    first_unseen: Option<Instant>,
    last: Option<Instant>,
}

impl LookPace {
    /// Something came.
    pub fn heard(&mut self, now: Instant) {
        self.first_unseen.get_or_insert(now);
    }

    /// Waits for what belongs to the first that came, where a look is due right after it;
    /// whether it is due now.
    ///
    /// Holds the thread up for a fifth of a millisecond. A timer of the runtime would take
    /// one to two in place of it and wake two threads; so this is for a thread that nothing
    /// else runs on.
    pub fn gather(&self) -> bool {
        let now = Instant::now();
        let wait = self.due().map(|due| due.saturating_duration_since(now));
        let soon = wait.filter(|wait| *wait <= TOGETHER);
        if let Some(wait) = soon {
            std::thread::sleep(wait);
        }
        soon.is_some()
    }

    /// All that came was looked at.
    pub fn looked(&mut self, now: Instant) {
        self.first_unseen = None;
        self.last = Some(now);
    }

    /// When to look; nothing while nothing has come.
    pub fn due(&self) -> Option<Instant> {
        let due = self.first_unseen? + TOGETHER;
        Some(self.last.map_or(due, |last| due.max(last + BETWEEN_LOOKS)))
    }
}

#[cfg(test)]
mod tests {
    #![allow(
        clippy::unwrap_used,
        reason = "a test that cannot go on says so by stopping"
    )]
    use super::*;

    const MS: Duration = Duration::from_millis(1);

    #[test]
    fn what_comes_often_is_told_from_what_comes_seldom() {
        let from = Instant::now();
        let mut pace = ReadPace::default();
        assert!(!pace.read(from), "the first is read at once");
        assert!(pace.read(from + 5 * MS));
        assert!(pace.nothing(from + 8 * MS));
        assert!(!pace.nothing(from + 25 * MS));
        assert!(!pace.read(from + 100 * MS), "after a pause at once");
    }

    #[tokio::test]
    async fn the_beat_goes_on_for_those_who_come_later() {
        let mut beats = Vec::new();
        for _ in 0..2 {
            let mut beat = Beating::listen().unwrap();
            for _ in 0..3 {
                // Long, for a machine with much to do.
                let next = tokio::time::timeout(Duration::from_secs(20), beat.next()).await;
                assert!(next.is_ok(), "no beat after {beats:?}");
                beats.push(*beat.0.borrow());
            }
            // Nobody listens for a while.
            drop(beat);
            tokio::time::sleep(4 * BEAT).await;
        }
        assert!(beats.is_sorted_by(|a, b| a < b), "{beats:?}");
    }

    #[test]
    fn what_came_is_looked_at_together_and_not_too_often() {
        let from = Instant::now();
        let mut pace = LookPace::default();
        assert_eq!(pace.due(), None);
        pace.heard(from);
        pace.heard(from + MS / 10);
        assert_eq!(pace.due(), Some(from + TOGETHER));
        pace.looked(from + MS);
        assert_eq!(pace.due(), None);
        pace.heard(from + MS);
        assert_eq!(pace.due(), Some(from + 3 * MS));
    }
}
