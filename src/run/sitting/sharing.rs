//! `--share`: from what was asked to an address, and how it is told.
//!
//! In: the flags. Out: where to listen and what is allowed; the address as text
//! and QR code. Refused: what is no address.

use crate::run::Failure;
use crate::run::arguments::{ShareAllow, Sharing};
use crate::screen::view::SharedView;
use crate::share::{Allowed, ShareError, Shared, code_of, own_address};
use serde_json::json;
use std::net::{IpAddr, Ipv4Addr, SocketAddr};

impl From<ShareError> for Failure {
    fn from(e: ShareError) -> Self {
        let users = !matches!(e, ShareError::Random { .. });
        Self {
            message: e.to_string(),
            code: e.code().to_owned(),
            help: e.help().to_owned(),
            exit: if users { 2 } else { 1 },
        }
    }
}

/// Where to listen and what is allowed; none where nobody asked.
pub(in crate::run) fn asked(flags: &Sharing) -> Result<Option<(SocketAddr, Allowed)>, Failure> {
    if !flags.share {
        return Ok(None);
    }
    let at = match flags.share_on.as_deref().map(str::trim) {
        None => SocketAddr::from((Ipv4Addr::LOCALHOST, 0)),
        Some("network") => SocketAddr::new(own_address()?, 0),
        Some(text) => text
            .parse::<SocketAddr>()
            .or_else(|_| text.parse::<IpAddr>().map(|ip| SocketAddr::new(ip, 0)))
            .map_err(|_| no_address(text))?,
    };
    if at.ip().is_unspecified() {
        // Every network at once, also those that nobody thought of.
        return Err(no_address(&at.ip().to_string()));
    }
    let allow = |what| flags.share_allow.contains(&what);
    let allowed = Allowed {
        keep: allow(ShareAllow::Keep),
        load: allow(ShareAllow::Load),
    };
    Ok(Some((at, allowed)))
}

fn no_address(text: &str) -> Failure {
    Failure::users(
        "share.address",
        format!("'{text}' is no address of this machine"),
        "for example --share-on 192.168.1.20, --share-on 192.168.1.20:4711 or --share-on network",
    )
}

/// What the screen shows of it.
pub(in crate::run) fn shown(shared: &Shared) -> SharedView {
    let code = code_of(&shared.address);
    let rows = |light| code.as_ref().map_or_else(Vec::new, |c| c.rows(light));
    SharedView {
        address: shared.address.clone(),
        code: rows(false),
        code_light: rows(true),
    }
}

/// What is told of it without a screen.
pub(in crate::run) fn told(shown: &SharedView, as_json: bool) -> String {
    if as_json {
        return format!(
            "{}\n",
            json!({ "event": "shared", "address": shown.address })
        );
    }
    format!(
        "on a phone, while this runs: {}\n{}\n",
        shown.address,
        shown.code_light.join("\n")
    )
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test may end")]
    use super::*;

    fn flags(on: Option<&str>) -> Sharing {
        Sharing {
            share: true,
            share_on: on.map(str::to_owned),
            share_allow: vec![ShareAllow::Keep],
        }
    }

    #[test]
    fn it_is_off_unless_asked_for_and_loopback_unless_told() {
        assert_eq!(asked(&Sharing::default()).unwrap(), None);
        let (at, allowed) = asked(&flags(None)).unwrap().unwrap();
        assert!(at.ip().is_loopback() && at.port() == 0);
        assert_eq!(
            allowed,
            Allowed {
                keep: true,
                load: false
            }
        );
        let (at, _) = asked(&flags(Some("192.168.1.20:4711"))).unwrap().unwrap();
        assert_eq!(at.to_string(), "192.168.1.20:4711");
        for wrong in ["everywhere", "0.0.0.0", "0.0.0.0:80", "::", "1.2.3"] {
            assert_eq!(
                asked(&flags(Some(wrong))).unwrap_err().code,
                "share.address"
            );
        }
    }
}
