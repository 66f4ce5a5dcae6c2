//! The word in the address without which nothing answers.

use super::ShareError;
use std::fmt::Write as _;
use subtle::ConstantTimeEq as _;

/// Random bytes of a token: 128 bits, not to be guessed within the life of a run.
const BYTES: usize = 16;

/// A token, made anew for each run.
#[derive(Clone, PartialEq, Eq)]
pub struct Token(String);

impl std::fmt::Debug for Token {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Token(..)")
    }
}

impl Token {
    /// A new one from the machine's own random numbers.
    ///
    /// # Errors
    /// The machine gives none.
    pub fn fresh() -> Result<Self, ShareError> {
        let mut bytes = [0_u8; BYTES];
        getrandom::fill(&mut bytes).map_err(|e| ShareError::Random { why: e.to_string() })?;
        let mut text = String::with_capacity(2 * BYTES);
        for byte in bytes {
            let _ = write!(text, "{byte:02x}");
        }
        Ok(Self(text))
    }

    /// The text of the address.
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// Whether a text is this token. The time that it takes does not tell how much
    /// of it was right.
    pub fn is(&self, text: &str) -> bool {
        bool::from(self.0.as_bytes().ct_eq(text.as_bytes()))
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test may end")]
    use super::*;

    #[test]
    fn a_token_is_long_fresh_and_matches_itself_alone() {
        let (one, two) = (Token::fresh().unwrap(), Token::fresh().unwrap());
        assert_eq!(one.as_str().len(), 32);
        assert_ne!(one, two);
        assert!(one.is(one.as_str()) && !one.is(two.as_str()));
        assert!(
            !one.is("") && !one.is(&one.as_str()[1..]) && !one.is(&format!("{}0", one.as_str()))
        );
        assert_eq!(format!("{one:?}"), "Token(..)");
    }
}
