//! Which ports there are, and under which name an adapter is now.
//!
//! In: nothing. Out: [`FoundPort`]s with their USB identity. Never panics:
//! the library's own enumeration does where the system has no `/sys`.
//! Pseudo-terminals are never listed.

use super::platform::{System, worth_showing};
use std::path::{Path, PathBuf};

/// What tells one USB adapter from another.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct UsbIdentity {
    /// Vendor.
    pub vendor: u16,
    /// Product.
    pub product: u16,
    /// Serial number, where it has one; many cheap adapters have none.
    pub serial: Option<String>,
    /// The socket it is plugged in: bus and chain of hubs, as `1-4.2`.
    pub socket: Option<String>,
}

impl UsbIdentity {
    /// Whether `other` is the same adapter as far as one can know: the same
    /// serial number, in whatever socket; without serial numbers, the same
    /// make in the same socket.
    pub fn is_same_adapter(&self, other: &Self) -> bool {
        if (self.vendor, self.product) != (other.vendor, other.product) {
            return false;
        }
        match (&self.serial, &other.serial) {
            (Some(one), Some(two)) => same_serial(one, two),
            (None, None) => self.socket.is_some() && self.socket == other.socket,
            _ => false,
        }
    }

    /// Whether it tells one adapter from another of the same make.
    pub const fn is_telling(&self) -> bool {
        self.serial.is_some() || self.socket.is_some()
    }
}

impl std::fmt::Display for UsbIdentity {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{:04x}:{:04x}", self.vendor, self.product)?;
        match (&self.serial, &self.socket) {
            (Some(serial), _) => write!(f, " serial {serial}"),
            (None, Some(socket)) => write!(f, " in socket {socket}"),
            (None, None) => Ok(()),
        }
    }
}

/// Serial numbers compare loosely: systems differ in case and punctuation.
fn same_serial(one: &str, two: &str) -> bool {
    let plain = |text: &str| -> String {
        text.chars()
            .filter(char::is_ascii_alphanumeric)
            .map(|c| c.to_ascii_uppercase())
            .collect()
    };
    plain(one) == plain(two)
}

/// A port of this computer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FoundPort {
    /// Its path now.
    pub path: PathBuf,
    /// Who it is, where it hangs on USB.
    pub usb: Option<UsbIdentity>,
    /// What its maker calls it.
    pub product_name: Option<String>,
}

/// The ports there are, by path. Empty where the system cannot say.
pub fn list() -> Vec<FoundPort> {
    // The enumeration of the serial library panics without this folder.
    if System::HERE == System::Linux && !Path::new("/sys/class/tty").is_dir() {
        return Vec::new();
    }
    let Ok(Ok(ports)) = std::panic::catch_unwind(serialport::available_ports) else {
        return Vec::new();
    };
    let mut found: Vec<FoundPort> = ports.into_iter().map(from_library).collect();
    found.sort_by(|a, b| a.path.cmp(&b.path));
    worth_showing(System::HERE, found)
}

fn from_library(port: serialport::SerialPortInfo) -> FoundPort {
    let (usb, product_name) = match port.port_type {
        serialport::SerialPortType::UsbPort(usb) => (
            Some(UsbIdentity {
                vendor: usb.vid,
                product: usb.pid,
                serial: usb.serial_number.filter(|s| !s.trim().is_empty()),
                socket: usb.location.map(|l| l.to_string()),
            }),
            usb.product,
        ),
        _ => (None, None),
    };
    FoundPort {
        path: port.port_name.into(),
        usb,
        product_name,
    }
}

/// The path at which the adapter is now, among `ports`; the first, where an
/// adapter has several ports.
pub fn locate<'a>(identity: &UsbIdentity, ports: &'a [FoundPort]) -> Option<&'a Path> {
    ports
        .iter()
        .find(|port| {
            port.usb
                .as_ref()
                .is_some_and(|usb| identity.is_same_adapter(usb))
        })
        .map(|port| port.path.as_path())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn adapter(serial: Option<&str>, socket: Option<&str>) -> UsbIdentity {
        UsbIdentity {
            vendor: 0x1209,
            product: 0x0001,
            serial: serial.map(Into::into),
            socket: socket.map(Into::into),
        }
    }

    fn at(path: &str, usb: Option<UsbIdentity>) -> FoundPort {
        FoundPort {
            path: path.into(),
            usb,
            product_name: None,
        }
    }

    #[test]
    fn found_again_by_serial_number_in_another_socket_under_another_name() {
        let ports = [
            at("/dev/ttyUSB0", Some(adapter(Some("B2"), Some("1-1")))),
            at("/dev/ttyUSB3", Some(adapter(Some("a-1"), Some("1-4.2")))),
            at("/dev/ttyS0", None),
        ];
        assert_eq!(
            locate(&adapter(Some("A1"), Some("1-1")), &ports),
            Some(Path::new("/dev/ttyUSB3"))
        );
    }

    #[test]
    fn without_serial_number_only_the_same_socket_will_do() {
        let ports = [at("/dev/ttyUSB0", Some(adapter(None, Some("1-2"))))];
        assert!(locate(&adapter(None, Some("1-2")), &ports).is_some());
        assert!(locate(&adapter(None, Some("1-3")), &ports).is_none());
        assert!(locate(&adapter(None, None), &ports).is_none());
        assert!(locate(&adapter(Some("A1"), Some("1-2")), &ports).is_none());
    }

    #[test]
    fn listing_does_not_panic() {
        // Whatever this machine has: sorted, and none twice.
        let ports = list();
        assert!(ports.windows(2).all(|w| w[0].path <= w[1].path));
    }
}
