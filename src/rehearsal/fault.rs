//! What can go wrong in the rehearsal: pseudo-terminals and the names for them.

use std::path::PathBuf;

/// Why the rehearsal cannot go on.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum RehearsalError {
    /// The system gave no pseudo-terminal, or not as needed.
    #[error("cannot make a pseudo-terminal: {step} failed: {source}")]
    Terminal {
        /// Which step failed.
        step: Step,
        /// What the system said.
        source: std::io::Error,
    },
    /// No folder for the names of the lines.
    #[error("cannot make the folder '{}' for the simulated ports: {source}", path.display())]
    Folder {
        /// The folder.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// No name for a line.
    #[error("cannot give a simulated port the name '{}': {source}", path.display())]
    Link {
        /// The name.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// The simulation could not be started.
    #[error("cannot start the simulation's thread: {source}")]
    Thread {
        /// What the system said.
        source: std::io::Error,
    },
    /// A sensor that the rehearsal does not have.
    #[error("there is no simulated sensor '{name}'")]
    NoSuchSensor {
        /// The name asked for.
        name: String,
    },
    /// A coilover that the rehearsal does not have.
    #[error("there is no simulated coilover '{name}'")]
    NoSuchUnit {
        /// The name asked for.
        name: String,
    },
    /// A speed that is none.
    #[error("a speed of '{speed}' is not between 0.1 and 100 times real time")]
    Speed {
        /// The speed asked for.
        speed: f64,
    },
}

/// A step of making a pseudo-terminal.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum Step {
    /// Opening the near end.
    Open,
    /// Granting access to the far end.
    Grant,
    /// Unlocking the far end.
    Unlock,
    /// Asking for the far end's path.
    Name,
    /// Opening the far end.
    OpenFar,
    /// Setting it to pass all bytes unchanged.
    Raw,
    /// Setting the near end not to wait.
    NoWaiting,
}

impl std::fmt::Display for Step {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Open => "opening it",
            Self::Grant => "granting access",
            Self::Unlock => "unlocking it",
            Self::Name => "asking for its path",
            Self::OpenFar => "opening its far end",
            Self::Raw => "setting it to raw bytes",
            Self::NoWaiting => "setting it not to wait",
        })
    }
}

impl RehearsalError {
    /// A code that stays the same from version to version.
    pub const fn code(&self) -> &'static str {
        match self {
            Self::Terminal { .. } => "rehearsal.terminal",
            Self::Folder { .. } => "rehearsal.folder",
            Self::Link { .. } => "rehearsal.link",
            Self::Thread { .. } => "rehearsal.thread",
            Self::NoSuchSensor { .. } => "rehearsal.sensor",
            Self::NoSuchUnit { .. } => "rehearsal.coilover",
            Self::Speed { .. } => "rehearsal.speed.range",
        }
    }

    /// What to do about it.
    pub const fn help(&self) -> &'static str {
        match self {
            Self::Terminal { .. } => {
                "the rehearsal needs seven pseudo-terminals; close programs that hold many of them, \
                 and in a container see that /dev/pts is there"
            }
            Self::Folder { .. } | Self::Link { .. } => {
                "set TMPDIR to a folder in which you may make files and symbolic links"
            }
            Self::Thread { .. } => "the system has no thread left; close other programs",
            Self::NoSuchSensor { .. } | Self::NoSuchUnit { .. } => {
                "the names are those of the rehearsal's build sheet"
            }
            Self::Speed { .. } => "1 is real time; 20 runs the whole story in about ten seconds",
        }
    }
}
