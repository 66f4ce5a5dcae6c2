//! A sign of life on anything that takes longer than a second.
//!
//! In: what is being done, in words, and whether it must be quiet. Out: a moving line
//! on standard error, after a second, gone at the end. Refused: to be where nobody
//! looks or where it would be in the way: standard error that is no terminal, JSON.

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::io::IsTerminal as _;
use std::sync::mpsc::{RecvTimeoutError, Sender, channel};
use std::thread::JoinHandle;
use std::time::Duration;

/// What is done before this needs no sign.
const AFTER: Duration = Duration::from_secs(1);
/// The sign moves so often.
const BEAT: Duration = Duration::from_millis(120);

/// Something that is going on; the sign goes when this is dropped.
#[derive(Debug)]
pub(super) struct Waiting {
    done: Option<Sender<()>>,
    shower: Option<JoinHandle<()>>,
}

impl Waiting {
    /// Begins; `quiet` where the output is for a program.
    pub(super) fn begin(words: &'static str, quiet: bool) -> Self {
        Self::on(words, !quiet && std::io::stderr().is_terminal())
    }

    fn on(words: &'static str, shown: bool) -> Self {
        if !shown {
            return Self {
                done: None,
                shower: None,
            };
        }
        let (done, ended) = channel::<()>();
        let shower = std::thread::spawn(move || {
            if ended.recv_timeout(AFTER) != Err(RecvTimeoutError::Timeout) {
                return;
            }
            let bar = ProgressBar::with_draw_target(None, ProgressDrawTarget::stderr());
            if let Ok(style) = ProgressStyle::with_template("{spinner} {msg}, {elapsed}") {
                bar.set_style(style);
            }
            bar.set_message(words);
            bar.enable_steady_tick(BEAT);
            // Until the sender is dropped.
            let _ = ended.recv();
            bar.finish_and_clear();
        });
        Self {
            done: Some(done),
            shower: Some(shower),
        }
    }
}

impl Drop for Waiting {
    fn drop(&mut self) {
        drop(self.done.take());
        if let Some(shower) = self.shower.take() {
            let _ = shower.join();
        }
    }
}
