//! The logbook behind a thread of its own, so that a slow disk never holds up
//! the readings.
//!
//! In: records and batches of raw samples. Out: for each record an answer,
//! given once it is on the disk or refused for good; and the writer's state.
//! Refused: more than the bounds allow to wait.
//!
//! While the file cannot be written (no room, read only, moved away, held by
//! another program), records wait in memory in their order and are tried
//! again at an interval; the answer is given when they are written. What still
//! waits at the end is handed back by [`LogbookWriter::finish`].

use std::collections::VecDeque;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{
    Receiver, RecvTimeoutError, SyncSender, TryRecvError, TrySendError, channel, sync_channel,
};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use super::error::LogbookError;
use super::file::Logbook;
use super::raw::Thinning;
use super::records::{Calibration, Change, Fit, KeptId, KeptReading, Mark, RawSample, Sitting};
use crate::quantity::Moment;

/// How much may wait, and how often writing is tried again.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct HoldingBounds {
    /// Records that wait; more are refused.
    pub records: usize,
    /// Raw samples that wait; beyond that the oldest batches are dropped.
    pub raw_samples: usize,
    /// Between two tries.
    pub retry_every: Duration,
}

impl Default for HoldingBounds {
    /// Chosen: 10 000 records (some 40 MB) are weeks of kept readings;
    /// 200 000 samples (some 16 MB) are about ten minutes of eight sensors at
    /// 40 a second.
    fn default() -> Self {
        Self {
            records: 10_000,
            raw_samples: 200_000,
            retry_every: Duration::from_secs(1),
        }
    }
}

/// How the writer is doing.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct WriterState {
    /// Why nothing can be written at present.
    pub trouble: Option<Trouble>,
    /// Records written since the start.
    pub written: u64,
    /// Records that wait in memory.
    pub held: usize,
    /// Raw samples written since the start.
    pub raw_written: u64,
    /// Raw samples that wait in memory.
    pub raw_held: usize,
    /// Raw samples given up since the start.
    pub raw_lost: u64,
    /// The writer has ended.
    pub ended: bool,
}

/// An error in words, for a screen.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Trouble {
    /// The message with its causes.
    pub message: String,
    /// Its stable code.
    pub code: &'static str,
    /// What to do.
    pub help: &'static str,
}

impl From<&LogbookError> for Trouble {
    fn from(error: &LogbookError) -> Self {
        let mut message = error.to_string();
        let mut cause = std::error::Error::source(error);
        while let Some(because) = cause {
            message.push_str(": ");
            message.push_str(&because.to_string());
            cause = because.source();
        }
        Self {
            message,
            code: error.code(),
            help: error.help(),
        }
    }
}

/// A record that could not be written before the end.
#[derive(Debug, Clone, PartialEq)]
pub enum Unsaved {
    /// A reading to keep.
    Reading(KeptReading),
    /// A mark.
    Mark(Mark),
    /// A change made.
    Change(Change),
    /// A calibration.
    Calibration(Calibration),
    /// A fit.
    Fit(Fit),
}

type Reply = Box<dyn FnOnce(Result<i64, LogbookError>) + Send>;
/// The answer to a record: its number, once it is on the disk.
pub type Answer<T> = Receiver<Result<T, LogbookError>>;

enum Request {
    Record(Box<Unsaved>, Reply),
    Raw(Vec<RawSample>),
    Thin(Moment),
    Finish,
    #[cfg(test)]
    With(Box<dyn FnOnce(&mut Logbook) + Send>),
}

/// Requests on their way to the thread. Chosen: some seconds of them.
const QUEUE: usize = 1_024;

/// The logbook's writer.
#[derive(Debug)]
pub struct LogbookWriter {
    requests: SyncSender<Request>,
    state: Arc<Mutex<WriterState>>,
    thread: Option<JoinHandle<Vec<Unsaved>>>,
}

impl LogbookWriter {
    /// Opens the logbook and begins the sitting. Where the disk refuses, the
    /// writer starts all the same and tries again.
    ///
    /// # Errors
    /// Only what a person has to decide: a foreign file, a newer one, another
    /// instance.
    pub fn start(
        path: &Path,
        sitting: Sitting,
        bounds: HoldingBounds,
    ) -> Result<Self, LogbookError> {
        let mut worker = Worker::new(path, sitting, bounds);
        if let Err(error) = worker.reopen() {
            if error.is_users_to_fix() {
                return Err(error);
            }
            worker.stop_for(&error);
        }
        let state = Arc::clone(&worker.state);
        worker.publish(false);
        let (requests, inbox) = sync_channel(QUEUE);
        let thread = std::thread::Builder::new()
            .name("logbook".into())
            .spawn(move || worker.run(&inbox))
            .map_err(|source| LogbookError::Open {
                path: path.to_path_buf(),
                source: Box::new(source),
            })?;
        Ok(Self {
            requests,
            state,
            thread: Some(thread),
        })
    }

    /// Keeps a reading; the answer comes when it is on the disk.
    pub fn keep(&self, reading: KeptReading) -> Answer<KeptId> {
        let (sender, answer) = channel();
        self.keep_then(reading, move |result| drop(sender.send(result)));
        answer
    }

    /// As [`LogbookWriter::keep`], with the answer given to a function. It is
    /// called on the writer's thread and must be quick.
    pub fn keep_then(
        &self,
        reading: KeptReading,
        then: impl FnOnce(Result<KeptId, LogbookError>) + Send + 'static,
    ) {
        self.record(
            Unsaved::Reading(reading),
            Box::new(move |result| then(result.map(KeptId))),
        );
    }

    /// Writes down a mark.
    pub fn mark(&self, mark: Mark) -> Answer<i64> {
        self.write(Unsaved::Mark(mark))
    }

    /// Writes down a change made.
    pub fn change(&self, change: Change) -> Answer<i64> {
        self.write(Unsaved::Change(change))
    }

    /// Writes down a record of any kind.
    pub fn write(&self, record: Unsaved) -> Answer<i64> {
        let (sender, answer) = channel();
        self.record(record, Box::new(move |result| drop(sender.send(result))));
        answer
    }

    /// Writes a batch of raw samples, after what is to be kept. No answer: see
    /// [`WriterState::raw_lost`].
    pub fn raw(&self, batch: Vec<RawSample>) {
        let count = batch.len() as u64;
        if self.requests.try_send(Request::Raw(batch)).is_err() {
            lock(&self.state).raw_lost += count;
        }
    }

    /// Thins the raw samples by their age at `now`, a piece at a time, when
    /// there is nothing else to do.
    pub fn thin(&self, now: Moment) {
        // A thinning that does not fit in the queue is asked for again later.
        let _ = self.requests.try_send(Request::Thin(now));
    }

    /// How it is doing.
    pub fn state(&self) -> WriterState {
        let mut state = lock(&self.state).clone();
        state.ended |= self.thread.as_ref().is_none_or(JoinHandle::is_finished);
        state
    }

    /// Writes what waits, ends, and hands back what could not be written. If
    /// the logbook was moved away and nothing took its place, what waits goes
    /// into a new one there.
    #[must_use = "what could not be written is lost unless it is shown"]
    pub fn finish(mut self) -> Vec<Unsaved> {
        self.end()
    }

    fn end(&mut self) -> Vec<Unsaved> {
        let Some(thread) = self.thread.take() else {
            return Vec::new();
        };
        // An error means that it has ended already.
        let _ = self.requests.send(Request::Finish);
        thread.join().unwrap_or_default()
    }

    fn record(&self, record: Unsaved, reply: Reply) {
        let (request, error) = match self
            .requests
            .try_send(Request::Record(Box::new(record), reply))
        {
            Ok(()) => return,
            Err(TrySendError::Full(request)) => (
                request,
                LogbookError::TooManyHeld {
                    held: lock(&self.state).held + QUEUE,
                },
            ),
            Err(TrySendError::Disconnected(request)) => (request, LogbookError::WriterEnded),
        };
        if let Request::Record(_, reply) = request {
            reply(Err(error));
        }
    }

    #[cfg(test)]
    fn with(&self, work: impl FnOnce(&mut Logbook) + Send + 'static) {
        assert!(self.requests.send(Request::With(Box::new(work))).is_ok());
    }
}

impl Drop for LogbookWriter {
    fn drop(&mut self) {
        self.end();
    }
}

fn lock(state: &Mutex<WriterState>) -> std::sync::MutexGuard<'_, WriterState> {
    state.lock().unwrap_or_else(PoisonError::into_inner)
}

/// What lives on the thread.
struct Worker {
    path: PathBuf,
    sitting: Sitting,
    bounds: HoldingBounds,
    logbook: Option<Logbook>,
    held: VecDeque<(Unsaved, Reply)>,
    raw: VecDeque<Vec<RawSample>>,
    thinning: Option<Thinning>,
    retry_at: Option<Instant>,
    /// The file is not where it was; it may come back.
    moved: bool,
    here: WriterState,
    state: Arc<Mutex<WriterState>>,
}

impl Worker {
    fn new(path: &Path, sitting: Sitting, bounds: HoldingBounds) -> Self {
        Self {
            path: path.to_path_buf(),
            sitting,
            bounds,
            logbook: None,
            held: VecDeque::new(),
            raw: VecDeque::new(),
            thinning: None,
            retry_at: None,
            moved: false,
            here: WriterState::default(),
            state: Arc::default(),
        }
    }

    fn run(mut self, inbox: &Receiver<Request>) -> Vec<Unsaved> {
        loop {
            match self.next(inbox) {
                Some(Request::Finish) => break,
                Some(request) => self.take(request),
                None => {}
            }
            if self.retry_at.is_none_or(|at| at <= Instant::now()) {
                self.work();
            }
            self.publish(false);
        }
        self.work();
        if self.moved && !self.path.exists() {
            self.logbook = None;
            self.moved = false;
            self.work();
        }
        self.publish(true);
        self.logbook = None;
        self.held
            .into_iter()
            .map(|(record, reply)| {
                reply(Err(LogbookError::WriterEnded));
                record
            })
            .collect()
    }

    /// The next request; nothing when it is time to try again or to thin.
    fn next(&self, inbox: &Receiver<Request>) -> Option<Request> {
        if let Some(at) = self.retry_at {
            let wait = at.saturating_duration_since(Instant::now());
            return match inbox.recv_timeout(wait) {
                Ok(request) => Some(request),
                Err(RecvTimeoutError::Timeout) => None,
                Err(RecvTimeoutError::Disconnected) => Some(Request::Finish),
            };
        }
        if self.thinning.is_some() {
            return match inbox.try_recv() {
                Ok(request) => Some(request),
                Err(TryRecvError::Empty) => None,
                Err(TryRecvError::Disconnected) => Some(Request::Finish),
            };
        }
        Some(inbox.recv().unwrap_or(Request::Finish))
    }

    fn take(&mut self, request: Request) {
        match request {
            Request::Record(_, reply) if self.held.len() >= self.bounds.records => {
                reply(Err(LogbookError::TooManyHeld {
                    held: self.held.len(),
                }));
            }
            Request::Record(record, reply) => self.held.push_back((*record, reply)),
            Request::Raw(batch) => {
                self.here.raw_held += batch.len();
                self.raw.push_back(batch);
                while self.here.raw_held > self.bounds.raw_samples {
                    let Some(oldest) = self.raw.pop_front() else {
                        break;
                    };
                    self.here.raw_held -= oldest.len();
                    self.lose(oldest.len());
                }
            }
            Request::Thin(now) => self.thinning = Some(Thinning::new(now)),
            Request::Finish => {}
            #[cfg(test)]
            Request::With(work) => {
                if let Some(logbook) = &mut self.logbook {
                    work(logbook);
                }
            }
        }
    }

    /// Writes what waits, records first, until done or stopped.
    fn work(&mut self) {
        match self.try_to_work() {
            Ok(()) => {
                self.retry_at = None;
                self.moved = false;
                self.here.trouble = None;
            }
            Err(error) => self.stop_for(&error),
        }
    }

    fn try_to_work(&mut self) -> Result<(), LogbookError> {
        if self.logbook.is_none() {
            self.reopen()?;
        }
        let Some(mut logbook) = self.logbook.take() else {
            return Ok(());
        };
        let result = self.write_all(&mut logbook);
        let reopen = matches!(
            result,
            Err(LogbookError::ReadOnly { .. }
                | LogbookError::Disk { .. }
                | LogbookError::Open { .. }
                | LogbookError::Damaged { .. }
                | LogbookError::Refused { .. })
        );
        if !reopen {
            self.logbook = Some(logbook);
        }
        result
    }

    fn write_all(&mut self, logbook: &mut Logbook) -> Result<(), LogbookError> {
        while let Some((record, _)) = self.held.front() {
            let result = match record {
                Unsaved::Reading(reading) => logbook.keep(reading).map(|id| id.0),
                Unsaved::Mark(mark) => logbook.mark(mark),
                Unsaved::Change(change) => logbook.change(change),
                Unsaved::Calibration(calibration) => logbook.calibrate(calibration),
                Unsaved::Fit(fit) => logbook.fit(fit),
            };
            match result {
                Err(error) if !error.is_about_the_record() => return Err(error),
                answer => {
                    let Some((_, reply)) = self.held.pop_front() else {
                        break;
                    };
                    self.here.written += u64::from(answer.is_ok());
                    self.publish(false);
                    reply(answer);
                }
            }
        }
        while let Some(batch) = self.raw.front() {
            let count = batch.len();
            match logbook.add_raw(batch) {
                Ok(()) => self.here.raw_written += count as u64,
                Err(error) if error.is_about_the_record() => self.lose(count),
                Err(error) => return Err(error),
            }
            self.raw.pop_front();
            self.here.raw_held -= count;
        }
        if let Some(step) = self.thinning {
            self.thinning = logbook.thin_window(step)?.1;
        }
        Ok(())
    }

    fn reopen(&mut self) -> Result<(), LogbookError> {
        let mut logbook = Logbook::open(&self.path)?;
        logbook.begin_sitting(&self.sitting)?;
        self.logbook = Some(logbook);
        Ok(())
    }

    fn stop_for(&mut self, error: &LogbookError) {
        self.moved = matches!(error, LogbookError::Moved { .. });
        self.here.trouble = Some(error.into());
        self.retry_at = Some(Instant::now() + self.bounds.retry_every);
    }

    fn lose(&self, samples: usize) {
        lock(&self.state).raw_lost += samples as u64;
    }

    fn publish(&mut self, ended: bool) {
        let mut shown = lock(&self.state);
        self.here.held = self.held.len();
        self.here.ended = ended;
        // Counted from both sides of the channel, so only in the shared one.
        self.here.raw_lost = shown.raw_lost;
        shown.clone_from(&self.here);
    }
}

#[cfg(test)]
mod tests;
