//! Why a port cannot be opened or used, with what to do.
//!
//! In: the path and the system's own words. Out: [`PortError`] with a stable
//! code and a help sentence.

use super::platform::{System, other_than_device, owning_group, permission_help};
use std::path::{Path, PathBuf};

/// Why a port cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum PortError {
    /// Nothing has that path.
    #[error("there is no port '{}'", path.display())]
    Missing {
        /// The path as given.
        path: PathBuf,
    },
    /// The adapter with that USB identity is not plugged in.
    #[error("no adapter '{identity}' is plugged in")]
    NotPlugged {
        /// The identity in words.
        identity: String,
    },
    /// Another program holds it.
    #[error("port '{}' is in use", path.display())]
    InUse {
        /// The path.
        path: PathBuf,
    },
    /// The user may not open it.
    #[error("no permission to open port '{}'", path.display())]
    NotPermitted {
        /// The path.
        path: PathBuf,
        /// The group that owns the device node, where it has a name.
        group: Option<String>,
    },
    /// The path leads to something else than a serial port.
    #[error("'{}' is not a serial port but {what}", path.display())]
    NotSerial {
        /// The path.
        path: PathBuf,
        /// What it is.
        what: &'static str,
    },
    /// The port does not do this speed.
    #[error("port '{}' cannot be set to {baud} baud", path.display())]
    SpeedRefused {
        /// The path.
        path: PathBuf,
        /// The speed asked for.
        baud: u32,
    },
    /// The other end of it is closed (a pseudo-terminal that nobody holds).
    #[error("the other end of port '{}' is closed", path.display())]
    FarEndClosed {
        /// The path.
        path: PathBuf,
    },
    /// The system refuses for another reason.
    #[error("port '{}' cannot be opened: {reason}", path.display())]
    Open {
        /// The path.
        path: PathBuf,
        /// The system's words.
        reason: String,
    },
    /// Bytes were to be sent on a port that is not open.
    #[error("port '{}' is not open, so nothing can be sent", path.display())]
    NotOpen {
        /// The path or the identity in words.
        path: PathBuf,
    },
    /// More is waiting to be sent than the line takes away.
    #[error("port '{}' does not take what is sent", path.display())]
    SendQueueFull {
        /// The path or the identity in words.
        path: PathBuf,
    },
}

impl PortError {
    /// The stable code.
    pub const fn code(&self) -> &'static str {
        match self {
            Self::Missing { .. } => "ports.open.missing",
            Self::NotPlugged { .. } => "ports.open.not_plugged",
            Self::InUse { .. } => "ports.open.in_use",
            Self::NotPermitted { .. } => "ports.open.permission",
            Self::NotSerial { .. } => "ports.open.not_serial",
            Self::SpeedRefused { .. } => "ports.open.speed",
            Self::FarEndClosed { .. } => "ports.open.far_end",
            Self::Open { .. } => "ports.open.system",
            Self::NotOpen { .. } => "ports.send.not_open",
            Self::SendQueueFull { .. } => "ports.send.full",
        }
    }

    /// What to do about it.
    pub fn help(&self) -> String {
        match self {
            Self::Missing { .. } => {
                format!("plug the adapter in, or give the name it has now, for example '{}' (they change with the order of plugging)", System::HERE.example())
            }
            Self::NotPlugged { .. } => {
                "plug it in; it is found again under whatever name it gets".into()
            }
            Self::InUse { .. } => {
                "close the other program that reads it (a second stillheight, a serial monitor, a modem or braille service); only one can read a port".into()
            }
            Self::NotPermitted { group, .. } => permission_help(System::HERE, group.as_deref()),
            Self::NotSerial { .. } => {
                "give the path of a serial port, for example one from the list of ports".into()
            }
            Self::SpeedRefused { .. } => {
                "use a speed from the sensor's own paper, for example 9600 or 115200".into()
            }
            Self::FarEndClosed { .. } => {
                "start what is at the other end first; it is tried again by itself".into()
            }
            Self::Open { .. } => "unplug the adapter and plug it in again; it is tried again by itself".into(),
            Self::NotOpen { .. } => "wait until the port is back".into(),
            Self::SendQueueFull { .. } => {
                "check that the device listens: wiring, speed, flow control off".into()
            }
        }
    }

    /// Whether it may mend itself, so that trying again makes sense without
    /// anybody doing anything but plugging.
    pub const fn is_transient(&self) -> bool {
        !matches!(
            self,
            Self::NotPermitted { .. } | Self::NotSerial { .. } | Self::SpeedRefused { .. }
        )
    }

    /// The error that stands for a failure to open `path`, from what the
    /// serial library says and from what the path is.
    pub(super) fn from_open(path: &Path, baud: u32, error: &serialport::Error) -> Self {
        use serialport::ErrorKind as Kind;
        use std::io::ErrorKind as Io;
        let owned = path.to_path_buf();
        if let Some(what) = other_than_device(path) {
            return Self::NotSerial { path: owned, what };
        }
        match error.kind {
            Kind::Io(Io::PermissionDenied) => Self::NotPermitted {
                group: owning_group(path),
                path: owned,
            },
            // The library says "no device" both for a lock held by another
            // process and for a node marked exclusive.
            Kind::NoDevice if path.exists() => Self::InUse { path: owned },
            Kind::Io(Io::NotFound) | Kind::NoDevice => Self::Missing { path: owned },
            Kind::InvalidInput => Self::SpeedRefused { path: owned, baud },
            // The library hands on the words of the system without its
            // number; these are the words of ENOTTY and EIO.
            _ if error.description.contains("typewriter")
                || error.description.contains("ioctl") =>
            {
                Self::NotSerial {
                    path: owned,
                    what: "another kind of device",
                }
            }
            _ if error.description.contains("I/O error") => Self::FarEndClosed { path: owned },
            _ => Self::Open {
                path: owned,
                reason: error.description.clone(),
            },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn said(kind: serialport::ErrorKind, words: &str) -> serialport::Error {
        serialport::Error::new(kind, words)
    }

    /// The way an ordinary user meets it; a test that runs as root can open
    /// everything, so the mapping is tested and not the opening.
    #[cfg(unix)]
    #[test]
    fn no_permission_names_the_group_and_the_command() {
        let error = PortError::from_open(
            Path::new("/dev/null"),
            9600,
            &said(
                serialport::ErrorKind::Io(std::io::ErrorKind::PermissionDenied),
                "Permission denied",
            ),
        );
        assert_eq!(error.code(), "ports.open.permission");
        assert_eq!(error.to_string(), "no permission to open port '/dev/null'");
        assert!(!error.is_transient());
        let named = PortError::NotPermitted {
            path: "/dev/ttyUSB0".into(),
            group: Some("dialout".into()),
        };
        assert_eq!(named.help(), permission_help(System::HERE, Some("dialout")));
    }

    #[test]
    fn every_error_has_its_own_code_and_a_help() {
        let path = PathBuf::from("/dev/ttyX");
        let all = [
            PortError::Missing { path: path.clone() },
            PortError::NotPlugged {
                identity: "1a86:7523".into(),
            },
            PortError::InUse { path: path.clone() },
            PortError::NotPermitted {
                path: path.clone(),
                group: None,
            },
            PortError::NotSerial {
                path: path.clone(),
                what: "a file",
            },
            PortError::SpeedRefused {
                path: path.clone(),
                baud: 3,
            },
            PortError::FarEndClosed { path: path.clone() },
            PortError::Open {
                path: path.clone(),
                reason: "odd".into(),
            },
            PortError::NotOpen { path: path.clone() },
            PortError::SendQueueFull { path },
        ];
        let mut codes: Vec<_> = all.iter().map(PortError::code).collect();
        codes.sort_unstable();
        codes.dedup();
        assert_eq!(codes.len(), all.len());
        assert!(all.iter().all(|e| e.help().len() > 10));
        assert!(all.iter().all(|e| !e.to_string().ends_with('.')));
    }
}
