//! Share: the live reading in the hand, as a page for phones in the same room.
//!
//! In: one immutable [`View`] per tick, an address to listen on, what the builder
//! allows. Out: a page that follows the view (server-sent events), and the
//! [`Command`]s of its buttons where they are allowed. Refused: everything without
//! the token that was made for this run, another Host or Origin than its own, more
//! connections or longer requests than a room full of phones needs.
//!
//! ```text
//! token    random, made anew each time, compared in constant time
//! gate     which request is let in: token, Host, Origin, method   (pure)
//! picture  View -> JSON of the page                               (pure)
//! code     address -> QR code as text                             (pure)
//! pages    the routes: page, style, script, live, keep, load
//! serve    connections: bounded in count, time and size; the end
//! broker   the same readings as messages to an MQTT broker
//! ```
//!
//! Nothing is encrypted: who can read the room's network can read the address.
//! So it is for a network that the builder trusts, and off unless asked for.

pub mod broker;
mod code;
mod gate;
mod pages;
mod picture;
mod serve;
mod token;

pub use code::{Code, code_of};
pub use gate::{Gate, Request, Ruling};
pub use picture::picture;
#[doc(hidden)]
pub use serve::Page;
pub use serve::{Shared, share};
pub use token::Token;

use crate::screen::{Command, View};
use std::net::{IpAddr, SocketAddr, UdpSocket};

/// What a phone may do beside looking.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Allowed {
    /// Keep a reading.
    pub keep: bool,
    /// Mark loads on and off.
    pub load: bool,
}

/// Why nothing can be shared.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ShareError {
    /// The address is taken, or not one of this machine's.
    #[error("cannot listen on {at}: {source}")]
    Listen {
        /// Where.
        at: SocketAddr,
        /// Why.
        source: std::io::Error,
    },
    /// The machine gave no random numbers.
    #[error("the machine gives no random numbers: {why}")]
    Random {
        /// Why.
        why: String,
    },
    /// No network is up.
    #[error("this machine is on no network")]
    NoNetwork,
}

impl ShareError {
    /// The stable code.
    pub const fn code(&self) -> &'static str {
        match self {
            Self::Listen { .. } => "share.listen",
            Self::Random { .. } => "share.random",
            Self::NoNetwork => "share.no_network",
        }
    }

    /// What to do about it.
    pub const fn help(&self) -> &'static str {
        match self {
            Self::Listen { .. } => {
                "another program may have that port: leave the port out and a free one is taken; the address must be one of this machine's"
            }
            Self::Random { .. } => {
                "try again; without them the page could be guessed and is not shared"
            }
            Self::NoNetwork => {
                "join the network that the phone is on, or give this machine's address on it"
            }
        }
    }
}

/// This machine's address on the network it would use; nothing is sent to find it.
///
/// # Errors
/// It is on no network.
pub fn own_address() -> Result<IpAddr, ShareError> {
    // Source: RFC 5737: 192.0.2.0/24 is for documentation, nobody answers there.
    // Connecting a datagram socket only chooses a route.
    usable(UdpSocket::bind(("0.0.0.0", 0)).and_then(|s| {
        s.connect(("192.0.2.1", 9))?;
        s.local_addr()
    }))
}

/// The address of a route, where there is one that leads out of this machine.
fn usable(found: std::io::Result<SocketAddr>) -> Result<IpAddr, ShareError> {
    found
        .map(|a| a.ip())
        .ok()
        .filter(|ip| !ip.is_unspecified() && !ip.is_loopback())
        .ok_or(ShareError::NoNetwork)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test may end")]
    use super::*;

    #[test]
    fn without_a_network_it_says_so() {
        let none = std::io::Error::from(std::io::ErrorKind::NetworkUnreachable);
        let at = |text: &str| Ok(text.parse::<SocketAddr>().unwrap());
        for found in [Err(none), at("127.0.0.1:9"), at("0.0.0.0:9")] {
            let refused = usable(found).unwrap_err();
            assert_eq!(refused.code(), "share.no_network");
            assert!(refused.help().contains("network"));
        }
        let ip = usable(at("192.168.1.20:9")).unwrap();
        assert_eq!(ip.to_string(), "192.168.1.20");
    }
}
