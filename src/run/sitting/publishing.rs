//! `--publish`: from what was asked to a broker with its password.
//!
//! In: the flags, a variable of the environment or a file. Out: where to publish.
//! Refused: an address that is none; a program built without MQTT; a file of a password
//! that cannot be read or is empty.

use crate::run::Failure;
use crate::run::arguments::Publishing;
use crate::share::broker::{Broker, BrokerError};

/// Where the password may be; never on the command line.
const PASSWORD_VARIABLE: &str = "STILLHEIGHT_MQTT_PASSWORD";

impl From<BrokerError> for Failure {
    fn from(e: BrokerError) -> Self {
        Self::users(e.code(), e.to_string(), e.help())
    }
}

/// Where to publish; none where nobody asked.
pub(in crate::run) fn asked(flags: &Publishing) -> Result<Option<Broker>, Failure> {
    let broker = named(flags)?;
    if broker.is_some() && cfg!(not(feature = "mqtt")) {
        return Err(BrokerError::NotBuilt.into());
    }
    Ok(broker)
}

/// The broker that the flags name, whether this program can publish or not.
fn named(flags: &Publishing) -> Result<Option<Broker>, Failure> {
    let Some(text) = &flags.publish else {
        return Ok(None);
    };
    let mut broker = Broker::parse(text)?;
    broker.password = match &flags.publish_password_file {
        None => std::env::var(PASSWORD_VARIABLE).ok(),
        Some(path) => {
            let text = std::fs::read_to_string(path)
                .map_err(|e| crate::run::failure::file("read", path, &e))?;
            let word = text.lines().next().unwrap_or_default().to_owned();
            if word.is_empty() {
                return Err(Failure::users(
                    "publish.password_file",
                    format!("'{}' has no password in its first line", path.display()),
                    "the password alone, and a line end",
                ));
            }
            Some(word)
        }
    };
    if broker.password.is_some() && broker.user.is_none() {
        return Err(Failure::users(
            "publish.user",
            "there is a password for the broker, and nobody to log in by it",
            "say who: mqtt://USER@HOST/PREFIX",
        ));
    }
    Ok(Some(broker))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test may end")]
    use super::*;

    #[test]
    fn the_password_comes_from_a_file_and_needs_a_user() {
        let path = std::env::temp_dir().join(format!("stillheight-word-{}", std::process::id()));
        let with = |address: &str| Publishing {
            publish: Some(address.to_owned()),
            publish_password_file: Some(path.clone()),
        };
        std::fs::write(&path, "secret word\nnot this\n").unwrap();
        let broker = named(&with("mqtt://me@shop/van")).unwrap().unwrap();
        assert_eq!(broker.password.as_deref(), Some("secret word"));
        let code = |flags: &Publishing| named(flags).unwrap_err().code;
        assert_eq!(code(&with("mqtt://shop/van")), "publish.user");
        std::fs::write(&path, "\n").unwrap();
        assert_eq!(code(&with("mqtt://me@shop/van")), "publish.password_file");
        std::fs::remove_file(&path).unwrap();
        assert_eq!(code(&with("mqtt://me@shop/van")), "file.read");
        assert_eq!(asked(&Publishing::default()).unwrap(), None);
    }
}
