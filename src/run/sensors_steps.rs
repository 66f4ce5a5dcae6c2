//! Guided steps: one a screen for a person, one after the other for a script.
//!
//! In: answers from the keyboard, another program or a file, one a line. Out:
//! what is asked, on standard output. Empty lines and lines that begin with
//! `#` in a steps file do not count; at the keyboard an empty line is an answer.

use super::failure::file;
use super::{Failure, sheets};
use crate::quantity::{Dimension, read};
use std::io::{BufRead as _, IsTerminal as _};
use std::path::Path;
use std::sync::mpsc::{Receiver, TryRecvError, channel};

/// The way to ask and to be answered.
#[derive(Debug)]
pub(super) struct Steps {
    lines: Receiver<String>,
    plain: bool,
}

/// An answer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Answer {
    /// A line, trimmed; empty for Enter alone.
    Line(String),
    /// Nothing has been said yet.
    NotYet,
    /// Nothing more will be said.
    End,
}

impl Steps {
    pub(super) fn new(plain: bool, from: Option<&Path>) -> Result<Self, Failure> {
        let (sender, lines) = channel();
        if let Some(path) = from {
            let text = std::fs::read_to_string(path).map_err(|e| file("read", path, &e))?;
            let answers = text
                .lines()
                .map(str::trim)
                .filter(|l| !l.is_empty() && !l.starts_with('#'));
            for answer in answers {
                let _ = sender.send(answer.to_owned());
            }
        } else {
            std::thread::spawn(move || {
                for line in std::io::stdin().lock().lines() {
                    let Ok(line) = line else { return };
                    if sender.send(line.trim().to_owned()).is_err() {
                        return;
                    }
                }
            });
        }
        Ok(Self {
            lines,
            plain: plain || from.is_some() || !std::io::stdout().is_terminal(),
        })
    }

    /// Begins a step: on a screen of its own, or as further lines.
    pub(super) fn step(&self, title: &str, body: &str, answers: &str) -> Result<(), Failure> {
        let clear = if self.plain { "" } else { "\x1b[2J\x1b[H" };
        sheets::print(&format!("{clear}STEP {title}\n"))?;
        for line in body.lines() {
            self.say(line)?;
        }
        self.say(&format!("> {answers}"))
    }

    /// One more line within a step.
    #[allow(clippy::unused_self, reason = "whoever tells a step has it")]
    pub(super) fn say(&self, text: &str) -> Result<(), Failure> {
        sheets::print(&format!("   {text}\n"))
    }

    /// What has been answered.
    pub(super) fn answer(&self) -> Answer {
        match self.lines.try_recv() {
            Ok(line) => Answer::Line(line),
            Err(TryRecvError::Empty) => Answer::NotYet,
            Err(TryRecvError::Disconnected) => Answer::End,
        }
    }
}

/// Reads a quantity in an answer; SI.
pub(super) fn quantity(text: &str, due: Dimension) -> Result<f64, String> {
    read(text, due)
        .map(|w| w.si)
        .map_err(|e| format!("'{text}': {}. {}", e.reason(), e.help()))
}
