//! In the place of the connection, where the program was built without MQTT.

use super::Broker;
use serde_json::Value;

/// There is none.
#[derive(Debug)]
pub enum Publisher {}

/// Publishes nothing.
pub const fn publish(_broker: &Broker) -> Option<Publisher> {
    None
}

impl Publisher {
    /// Never called.
    pub const fn tell(&self, _line: &Value) {
        match *self {}
    }

    /// Never called.
    pub const fn news(&mut self) -> Option<(bool, String)> {
        match *self {}
    }

    /// Never called.
    #[allow(clippy::unused_async, reason = "as the one that is there")]
    pub async fn stop(self) {
        match self {}
    }
}
