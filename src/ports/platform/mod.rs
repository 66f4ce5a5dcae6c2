//! What differs between Linux, macOS and Windows: names of ports, permissions,
//! what a path is, signals.
//!
//! In: a name, a path, the system. Out: what it is, what to do. Everything that can
//! be said without the system's own calls is a plain function of a [`System`], so
//! that all three are tested on any one of them; what needs its calls is in
//! `unix.rs` and `elsewhere.rs`, the only files of this stage with conditional code.

#[cfg(not(unix))]
mod elsewhere;
#[cfg(unix)]
mod unix;

#[cfg(not(unix))]
pub(crate) use elsewhere::{Signals, other_than_device, owning_group, running, standard_output};
#[cfg(unix)]
pub(crate) use unix::{Signals, other_than_device, owning_group, running, standard_output};

use super::FoundPort;
use std::path::Path;

/// An operating system as far as serial ports go.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum System {
    /// Linux, and what behaves like it.
    Linux,
    /// macOS.
    MacOs,
    /// Windows.
    Windows,
}

impl System {
    /// The one this program was built for.
    pub const HERE: Self = if cfg!(windows) {
        Self::Windows
    } else if cfg!(target_os = "macos") {
        Self::MacOs
    } else {
        Self::Linux
    };

    /// What a USB adapter's port is called, as an example.
    pub const fn example(self) -> &'static str {
        match self {
            Self::Linux => "/dev/ttyUSB0",
            Self::MacOs => "/dev/cu.usbserial-1410",
            Self::Windows => "COM5",
        }
    }
}

/// What a port is, by its name alone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum PortName {
    /// A USB adapter or a board with USB.
    Usb,
    /// Built into the computer.
    BuiltIn,
    /// Over Bluetooth.
    Bluetooth,
    /// One end of a pseudo-terminal.
    Pseudo,
    /// The name does not tell.
    Unknown,
}

/// What a port of this name is on a system.
///
/// Names: common practice of the three systems, no source.
pub fn port_name(system: System, path: &Path) -> PortName {
    let text = path.to_string_lossy();
    let after = |start: &str| text.strip_prefix(start);
    match system {
        System::Linux => {
            if after("/dev/pts/").is_some() {
                return PortName::Pseudo;
            }
            match after("/dev/tty") {
                Some(rest) if rest.starts_with("USB") || rest.starts_with("ACM") => PortName::Usb,
                Some(rest) if rest.starts_with('S') || rest.starts_with("AMA") => PortName::BuiltIn,
                _ if after("/dev/rfcomm").is_some() => PortName::Bluetooth,
                _ if after("/dev/serial/by-").is_some() => PortName::Usb,
                _ => PortName::Unknown,
            }
        }
        System::MacOs => {
            if after("/dev/ttys").is_some() {
                return PortName::Pseudo;
            }
            let name = after("/dev/cu.").or_else(|| after("/dev/tty."));
            match name.map(str::to_ascii_lowercase) {
                Some(n) if n.starts_with("bluetooth") => PortName::Bluetooth,
                Some(n) if n.contains("usb") || n.contains("serial") => PortName::Usb,
                Some(_) | None => PortName::Unknown,
            }
        }
        // All kinds are COM with a number there.
        System::Windows => PortName::Unknown,
    }
}

/// The ports worth showing, of those that the system lists.
///
/// macOS has every port twice: `/dev/tty.X` waits at opening for a carrier that no
/// sensor gives, `/dev/cu.X` does not. Where both are there the second is kept.
pub(crate) fn worth_showing(system: System, ports: Vec<FoundPort>) -> Vec<FoundPort> {
    if system != System::MacOs {
        return ports;
    }
    let callout: Vec<String> = ports
        .iter()
        .filter_map(|p| p.path.to_str()?.strip_prefix("/dev/cu.").map(str::to_owned))
        .collect();
    ports
        .into_iter()
        .filter(|p| {
            let waits = p.path.to_str().and_then(|t| t.strip_prefix("/dev/tty."));
            !waits.is_some_and(|name| callout.iter().any(|c| c == name))
        })
        .collect()
}

/// The sentence that says how to be let in to a port that a group owns.
pub fn permission_help(system: System, group: Option<&str>) -> String {
    match (system, group) {
        (System::Linux, Some(group)) if group != "root" => format!(
            "the port belongs to the group '{group}': run 'sudo usermod -aG {group} \"$USER\"', then log out and in again"
        ),
        (System::Linux, _) => "the port belongs to root alone; ask whoever looks after this computer for a rule that gives it to a group".into(),
        (System::MacOs, _) => "use the port's '/dev/cu.' name; where that is refused too, see whether its driver is allowed in the system's settings under privacy and security".into(),
        (System::Windows, _) => "another program probably holds the port: close it, or unplug the adapter and plug it in again".into(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_of_all_three_systems() {
        use PortName::{Bluetooth, BuiltIn, Pseudo, Unknown, Usb};
        use System::{Linux, MacOs, Windows};
        for (system, name, due) in [
            (Linux, "/dev/ttyUSB0", Usb),
            (Linux, "/dev/ttyACM3", Usb),
            (Linux, "/dev/serial/by-id/usb-1a86_x-if00", Usb),
            (Linux, "/dev/ttyS0", BuiltIn),
            (Linux, "/dev/ttyAMA0", BuiltIn),
            (Linux, "/dev/rfcomm0", Bluetooth),
            (Linux, "/dev/pts/7", Pseudo),
            (Linux, "/dev/tty7", Unknown),
            (MacOs, "/dev/cu.usbserial-1410", Usb),
            (MacOs, "/dev/tty.usbmodem14201", Usb),
            (MacOs, "/dev/cu.wchusbserial1420", Usb),
            (MacOs, "/dev/cu.Bluetooth-Incoming-Port", Bluetooth),
            (MacOs, "/dev/ttys003", Pseudo),
            (MacOs, "/dev/cu.debug-console", Unknown),
            (Windows, "COM5", Unknown),
            (Windows, "/dev/ttyUSB0", Unknown),
        ] {
            assert_eq!(port_name(system, Path::new(name)), due, "{name}");
        }
        for system in [Linux, MacOs] {
            let example = port_name(system, Path::new(system.example()));
            assert_eq!(example, Usb, "{system:?}");
        }
    }

    #[test]
    fn a_port_with_two_names_is_shown_once() {
        let ports = |names: &[&str]| -> Vec<FoundPort> {
            names
                .iter()
                .map(|name| FoundPort {
                    path: name.into(),
                    usb: None,
                    product_name: None,
                })
                .collect()
        };
        let listed = [
            "/dev/cu.usbserial-1",
            "/dev/tty.usbserial-1",
            "/dev/tty.only-this",
        ];
        let kept = ["/dev/cu.usbserial-1", "/dev/tty.only-this"];
        let shown = |system| worth_showing(system, ports(&listed));
        assert_eq!(shown(System::MacOs), ports(&kept));
        assert_eq!(shown(System::Linux), ports(&listed));
        assert_eq!(shown(System::Windows), ports(&listed));
    }

    #[test]
    fn how_to_be_let_in_is_said_for_each_system() {
        let linux = permission_help(System::Linux, Some("dialout"));
        assert!(linux.contains("sudo usermod -aG dialout \"$USER\""));
        for group in [None, Some("root")] {
            assert!(permission_help(System::Linux, group).contains("root alone"));
        }
        let mac = permission_help(System::MacOs, Some("wheel"));
        assert!(mac.contains("/dev/cu.") && !mac.contains("usermod"));
        let windows = permission_help(System::Windows, None);
        assert!(windows.contains("close it") && !windows.contains("sudo"));
    }
}
