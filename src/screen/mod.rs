//! The live screen: how the vehicle stands, at a glance and in detail.
//!
//! In: one immutable [`View`] per tick. Out: frames on the terminal, and one
//! [`Command`] for each key that means something to the program. Refused: a
//! standard input or output that is no terminal.
//!
//! ```text
//! view      what is shown, plain data       keys      what a key does
//! face      which part goes where           terminal  enter, run, leave
//! head      the band to read from afar      large     one quantity
//! behind    rear view, links, coilovers     above     plan with heights
//! lists     sensors, loads, kept, task      help      keys and signs
//! digits, gauge, sketch, pane, wording      what they are drawn with
//! ```

mod above;
mod behind;
mod chime;
mod digits;
mod face;
mod gauge;
mod head;
mod help;
mod keys;
mod large;
mod lists;
mod pane;
mod sketch;
mod terminal;
pub mod view;
mod wording;

pub(crate) use crate::ports::platform::Signals;
pub use chime::{Chime, chime};
pub use face::draw;
pub use keys::{Desk, NOTE_LIMIT, Overlay};
pub use pane::Ink;
pub use terminal::{Ended, run};
pub use view::{Command, View};

/// What can go wrong with the terminal.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ScreenError {
    /// Input or output is a pipe or a file.
    #[error("standard {which} is not a terminal")]
    NotATerminal {
        /// 'input' or 'output'.
        which: &'static str,
    },
    /// The terminal could not be made ready.
    #[error("the terminal could not be made ready for the screen: {source}")]
    Enter {
        /// What the system said.
        source: std::io::Error,
    },
    /// A frame could not be drawn; the terminal is probably gone.
    #[error("the screen could not be drawn: {source}")]
    Draw {
        /// What the system said.
        source: std::io::Error,
    },
    /// Keys could not be read; the terminal is probably gone.
    #[error("the keys could not be read")]
    Keys {
        /// What the system said; none where the input simply ended.
        source: Option<std::io::Error>,
    },
    /// The handlers of signals could not be set up.
    #[error("signals could not be listened for: {source}")]
    Signals {
        /// What the system said.
        source: std::io::Error,
    },
}

impl ScreenError {
    /// A code that stays the same.
    pub const fn code(&self) -> &'static str {
        match self {
            Self::NotATerminal { .. } => "screen.terminal.none",
            Self::Enter { .. } => "screen.terminal.enter",
            Self::Draw { .. } => "screen.terminal.draw",
            Self::Keys { .. } => "screen.terminal.keys",
            Self::Signals { .. } => "screen.signals",
        }
    }

    /// What to do about it.
    pub const fn help(&self) -> &'static str {
        match self {
            Self::NotATerminal { .. } => {
                "run it in a terminal, or add --plain for lines of text that can go anywhere"
            }
            Self::Enter { .. } | Self::Signals { .. } => {
                "try another terminal, or add --plain for lines of text"
            }
            Self::Draw { .. } | Self::Keys { .. } => {
                "the terminal was probably closed; what was kept stays kept: start again"
            }
        }
    }
}
