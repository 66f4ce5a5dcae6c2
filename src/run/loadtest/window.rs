//! The screen of a load test.
//!
//! In: pictures; keys of a person. Out: what was answered, in the words that a
//! steps file has. Refused: keys that mean nothing here, silently.

use crate::run::Failure;
use crate::run::sensors::steps::Answer as Said;
use crate::screen::view::TaskKey;
use crate::screen::{self, Command, Ended, Ink, ScreenError, View};
use std::collections::VecDeque;
use std::sync::Arc;
use std::thread::JoinHandle;
use tokio::sync::{mpsc, watch};

/// The keys of a step, with the words they stand for.
pub(super) const KEYS: [(TaskKey, &str); 5] = [
    (
        TaskKey {
            key: '\n',
            what: "it is so",
        },
        "done",
    ),
    (
        TaskKey {
            key: 's',
            what: "skip",
        },
        "skip",
    ),
    (
        TaskKey {
            key: 'p',
            what: "pressed",
        },
        "pressed",
    ),
    (
        TaskKey {
            key: 'u',
            what: "lifted",
        },
        "lifted",
    ),
    (
        TaskKey {
            key: 'o',
            what: "bounced",
        },
        "bounced",
    ),
];

/// The screen while a test goes on.
#[derive(Debug)]
pub(super) struct Window {
    views: watch::Sender<Arc<View>>,
    commands: mpsc::Receiver<Command>,
    screen: JoinHandle<Result<Ended, ScreenError>>,
    answers: VecDeque<String>,
}

impl Window {
    /// Takes the terminal.
    pub(super) fn open() -> Result<Self, Failure> {
        let (views, seen) = watch::channel(Arc::new(View::default()));
        let (typed, commands) = mpsc::channel(64);
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .map_err(|e| Failure::ours("screen.runtime", format!("cannot start: {e}"), ""))?;
        let screen = std::thread::spawn(move || {
            runtime.block_on(screen::run(seen, typed, Ink::from_environment()))
        });
        Ok(Self {
            views,
            commands,
            screen,
            answers: VecDeque::new(),
        })
    }

    /// Shows a picture.
    pub(super) fn show(&self, view: View) {
        self.views.send_replace(Arc::new(view));
    }

    /// Whether somebody quit, or the terminal went away.
    pub(super) fn is_over(&self) -> bool {
        self.screen.is_finished()
    }

    /// What was answered since.
    pub(super) fn answer(&mut self) -> Said {
        self.hear();
        match self.answers.pop_front() {
            Some(line) => Said::Line(line),
            None if self.screen.is_finished() => Said::End,
            None => Said::NotYet,
        }
    }

    fn hear(&mut self) {
        while let Ok(command) = self.commands.try_recv() {
            let line = match command {
                Command::Task(i) => KEYS.get(i).map(|(_, word)| (*word).to_owned()),
                Command::Keep => Some("keep".to_owned()),
                Command::ToggleLoad(i) => Some(format!("load {}", i + 1)),
                Command::Note(text) if text.starts_with("on ") || text.starts_with("off ") => {
                    Some(text)
                }
                Command::Note(text) => Some(format!("note {text}")),
                Command::Quit => Some("quit".to_owned()),
                Command::Turn | Command::Count(_) | Command::GiveUp | Command::Pause => None,
            };
            self.answers.extend(line);
        }
    }

    /// Gives the terminal back.
    pub(super) fn close(self) -> Result<(), Failure> {
        drop(self.views);
        match self.screen.join() {
            Ok(Ok(_)) => Ok(()),
            Ok(Err(e)) => Err(e.into()),
            Err(_) => Err(Failure::ours("screen.task", "the screen stopped", "")),
        }
    }
}
