//! Guided steps: one a screen for a person, one after the other for a script.
//!
//! In: answers from the keyboard, another program or a file, one a line. Out:
//! what is asked, on standard output. Empty lines and lines that begin with
//! `#` in a steps file do not count; at the keyboard an empty line is an answer.

use crate::quantity::{Dimension, read};
use crate::run::failure::file;
use crate::run::{Failure, sheets};
use crate::sheet::text_of;
use std::cell::RefCell;
use std::io::{BufRead as _, IsTerminal as _};
use std::path::Path;
use std::sync::mpsc::{Receiver, TryRecvError, channel};

/// More bytes than any file of answers has. Chosen.
const MOST_BYTES: usize = 1 << 22;

/// The way to ask and to be answered.
#[derive(Debug)]
pub(in crate::run) struct Steps {
    lines: Receiver<String>,
    plain: bool,
    /// What was said since the last step began: shown again over the next one, whose
    /// screen would else wipe it away before it is read.
    said: RefCell<Vec<String>>,
}

/// An answer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(in crate::run) enum Answer {
    /// A line, trimmed; empty for Enter alone.
    Line(String),
    /// Nothing has been said yet.
    NotYet,
    /// Nothing more will be said.
    End,
}

impl Steps {
    pub(in crate::run) fn new(plain: bool, from: Option<&Path>) -> Result<Self, Failure> {
        let (sender, lines) = channel();
        if let Some(path) = from {
            let text = text_of(path, MOST_BYTES).map_err(|e| file("read", path, &e))?;
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
            said: RefCell::default(),
        })
    }

    /// Begins a step: on a screen of its own, or as further lines.
    pub(in crate::run) fn step(
        &self,
        title: &str,
        body: &str,
        answers: &str,
    ) -> Result<(), Failure> {
        let said = self.said.take();
        if !self.plain {
            sheets::print("\x1b[2J\x1b[H")?;
            for line in &said {
                self.print(line)?;
            }
            if !said.is_empty() {
                sheets::print("\n")?;
            }
        }
        sheets::print(&format!("STEP {title}\n"))?;
        for line in body.lines() {
            self.print(line)?;
        }
        self.print(&format!("> {answers}"))
    }

    /// One more line within a step.
    pub(in crate::run) fn say(&self, text: &str) -> Result<(), Failure> {
        self.said.borrow_mut().push(text.to_owned());
        self.print(text)
    }

    /// A line; on a screen broken between words.
    fn print(&self, text: &str) -> Result<(), Failure> {
        let width = if self.plain {
            usize::MAX
        } else {
            crossterm::terminal::size().map_or(80, |(columns, _)| usize::from(columns))
        };
        sheets::print(&indented(text, width))
    }

    /// On a screen, what is happening while nothing can be seen of it.
    pub(in crate::run) fn meanwhile(&self, text: &str) -> Result<(), Failure> {
        if self.plain { Ok(()) } else { self.print(text) }
    }

    /// What has been answered.
    pub(in crate::run) fn answer(&self) -> Answer {
        match self.lines.try_recv() {
            Ok(line) => Answer::Line(line),
            Err(TryRecvError::Empty) => Answer::NotYet,
            Err(TryRecvError::Disconnected) => Answer::End,
        }
    }
}

/// Three columns in, what goes on two more; no line longer than `width` where its
/// words allow it.
fn indented(text: &str, width: usize) -> String {
    let mut lines = vec!["  ".to_owned()];
    for word in text.split(' ') {
        let length = |s: &str| s.chars().count();
        let last = lines.len() - 1;
        let here = &mut lines[last];
        if length(here) + 1 + length(word) > width && length(here) > 4 {
            lines.push(format!("     {word}"));
        } else {
            here.push(' ');
            here.push_str(word);
        }
    }
    lines.join("\n") + "\n"
}

/// Reads a quantity in an answer; SI.
pub(in crate::run) fn quantity(text: &str, due: Dimension) -> Result<f64, String> {
    read(text, due)
        .map(|w| w.si)
        .map_err(|e| format!("'{text}': {}. {}", e.reason(), e.help()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_break_between_words_and_go_on_further_in() {
        assert_eq!(indented("stand still", usize::MAX), "   stand still\n");
        assert_eq!(indented("so  far", 80), "   so  far\n");
        let text = "> its length, '100 mm' or '100 mm +- 0.05 mm'; or: keep, undo, face LIMIT, warm, skip, quit";
        let lines = indented(text, 40);
        assert!(lines.lines().all(|l| l.chars().count() <= 40), "{lines}");
        assert!(lines.lines().skip(1).all(|l| l.starts_with("     ")));
        let words: Vec<&str> = lines.split_whitespace().collect();
        assert_eq!(words, text.split_whitespace().collect::<Vec<_>>());
        // A word that is longer than the screen is not cut.
        assert_eq!(
            indented("/dev/serial/by-id/x", 10),
            "   /dev/serial/by-id/x\n"
        );
    }
}
