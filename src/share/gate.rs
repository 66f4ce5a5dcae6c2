//! Which request is let in. Pure.
//!
//! In: method, path, Host and Origin of a request. Out: a [`Ruling`]. The order
//! matters: a request for another host learns nothing of the token.

use super::{Allowed, Token};

/// What of a request decides.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Request<'a> {
    /// `GET`, `POST`, ...
    pub method: &'a str,
    /// The path, from its first slash.
    pub path: &'a str,
    /// The Host header.
    pub host: Option<&'a str>,
    /// The Origin header.
    pub origin: Option<&'a str>,
}

/// What becomes of a request.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ruling {
    /// It is answered.
    In,
    /// It came by another name than the address: somebody else's page may be
    /// behind it (DNS rebinding).
    WrongHost,
    /// It came from another page.
    WrongOrigin,
    /// The token is not there or wrong; told like a path that does not exist.
    NotHere,
    /// Only looking is allowed.
    NotAllowed,
    /// A method that nothing here has.
    NoSuchMethod,
}

/// The gate of one run.
#[derive(Debug, Clone)]
pub struct Gate {
    /// The token.
    pub token: Token,
    /// Hosts it is called by: `192.168.1.20:4711`, and `localhost:4711` on loopback.
    pub hosts: Vec<String>,
    /// What is allowed beside looking.
    pub allowed: Allowed,
}

impl Gate {
    /// Rules on a request.
    pub fn ruling(&self, request: &Request<'_>) -> Ruling {
        let own = |host: &str| self.hosts.iter().any(|h| h.eq_ignore_ascii_case(host));
        if !request.host.is_some_and(own) {
            return Ruling::WrongHost;
        }
        let first = request.path.trim_start_matches('/').split('/').next();
        if !self.token.is(first.unwrap_or_default()) {
            return Ruling::NotHere;
        }
        let own_page = |origin: &str| origin.strip_prefix("http://").is_some_and(own);
        match request.method {
            "GET" | "HEAD" => {
                if request.origin.is_none_or(own_page) {
                    Ruling::In
                } else {
                    Ruling::WrongOrigin
                }
            }
            // Every browser sends the Origin with a POST: without it, it is none of
            // the page's buttons.
            "POST" => {
                if !request.origin.is_some_and(own_page) {
                    return Ruling::WrongOrigin;
                }
                let what = request.path.trim_start_matches('/').split('/').nth(1);
                match what {
                    Some("keep") if self.allowed.keep => Ruling::In,
                    Some("load") if self.allowed.load => Ruling::In,
                    _ => Ruling::NotAllowed,
                }
            }
            _ => Ruling::NoSuchMethod,
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test may end")]
    use super::*;

    fn gate(keep: bool, load: bool) -> Gate {
        Gate {
            token: Token::fresh().unwrap(),
            hosts: vec!["192.168.1.20:4711".to_owned()],
            allowed: Allowed { keep, load },
        }
    }

    #[test]
    fn only_the_own_host_origin_and_token_are_let_in() {
        let gate = gate(false, false);
        let right = format!("/{}/", gate.token.as_str());
        let (host, page) = (Some("192.168.1.20:4711"), Some("http://192.168.1.20:4711"));
        let table = [
            ("GET", right.as_str(), host, None, Ruling::In),
            ("GET", &right, host, page, Ruling::In),
            (
                "GET",
                &right,
                Some("evil.example:4711"),
                None,
                Ruling::WrongHost,
            ),
            ("GET", &right, Some("192.168.1.20"), None, Ruling::WrongHost),
            ("GET", &right, None, None, Ruling::WrongHost),
            (
                "GET",
                &right,
                host,
                Some("http://evil.example"),
                Ruling::WrongOrigin,
            ),
            ("GET", &right, host, Some("null"), Ruling::WrongOrigin),
            ("GET", "/", host, None, Ruling::NotHere),
            (
                "GET",
                "/0123456789abcdef0123456789abcdef/",
                host,
                None,
                Ruling::NotHere,
            ),
            ("GET", "/page.js", host, None, Ruling::NotHere),
            ("GET", "/", Some("evil.example"), None, Ruling::WrongHost),
            ("DELETE", &right, host, page, Ruling::NoSuchMethod),
        ];
        for (method, path, host, origin, expected) in table {
            let request = Request {
                method,
                path,
                host,
                origin,
            };
            assert_eq!(gate.ruling(&request), expected, "{request:?}");
        }
    }

    #[test]
    fn nothing_is_written_without_leave() {
        let page = Some("http://192.168.1.20:4711");
        for (keep, load) in [(false, false), (true, false), (false, true), (true, true)] {
            let gate = gate(keep, load);
            for (what, allowed) in [("keep", keep), ("load/0/on", load), ("live", false)] {
                let path = format!("/{}/{what}", gate.token.as_str());
                let request = |origin| Request {
                    method: "POST",
                    path: &path,
                    host: Some("192.168.1.20:4711"),
                    origin,
                };
                let expected = if allowed {
                    Ruling::In
                } else {
                    Ruling::NotAllowed
                };
                assert_eq!(gate.ruling(&request(page)), expected, "{what}");
                assert_eq!(gate.ruling(&request(None)), Ruling::WrongOrigin);
                assert_eq!(
                    gate.ruling(&request(Some("http://evil.example"))),
                    Ruling::WrongOrigin
                );
            }
        }
    }
}
