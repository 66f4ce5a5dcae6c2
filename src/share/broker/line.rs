//! The connection to the broker: made, lost, made again.

use super::{Broker, MOST_WAITING, Message, messages, status};
use rumqttc::{AsyncClient, Event, EventLoop, LastWill, MqttOptions, Outgoing, Packet, QoS};
use serde_json::Value;
use std::time::Duration;
use tokio::sync::watch;
use tokio::task::JoinHandle;

/// The first and the longest pause before it is tried again.
const PAUSES: [Duration; 2] = [Duration::from_millis(500), Duration::from_secs(15)];
/// An answer to being connected must have come by then, seconds.
const WITHIN_S: u64 = 5;
/// The broker says that this program is gone after one and a half of this.
const KEEP_ALIVE: Duration = Duration::from_secs(10);
/// At the end what waits has so long.
const END_WITHIN: Duration = Duration::from_secs(2);

/// Readings on their way to a broker.
#[derive(Debug)]
pub struct Publisher {
    client: AsyncClient,
    prefix: String,
    state: watch::Receiver<Result<bool, String>>,
    said: Option<bool>,
    task: JoinHandle<()>,
}

/// Begins to publish; comes back at once, whether the broker is there or not.
/// Nothing only where the program was built without MQTT.
pub fn publish(broker: &Broker) -> Option<Publisher> {
    let id = format!("stillheight-{:08x}", std::process::id());
    let mut options = MqttOptions::new(id, broker.host.clone(), broker.port);
    options.set_keep_alive(KEEP_ALIVE);
    if let Some(user) = &broker.user {
        let password = broker.password.clone().unwrap_or_default();
        options.set_credentials(user.clone(), password);
    }
    let place = format!("{}/status", broker.prefix);
    let will = status(false).to_string();
    options.set_last_will(LastWill::new(place, will, QoS::AtLeastOnce, true));
    let (client, mut line) = AsyncClient::new(options, MOST_WAITING);
    line.network_options.set_connection_timeout(WITHIN_S);
    let (state_in, state) = watch::channel(Ok(false));
    let shown = broker.to_string();
    let task = tokio::spawn(follow(
        line,
        client.clone(),
        broker.prefix.clone(),
        state_in,
        shown,
    ));
    Some(Publisher {
        client,
        prefix: broker.prefix.clone(),
        state,
        said: None,
        task,
    })
}

/// Keeps the connection, for as long as it is let.
async fn follow(
    mut line: EventLoop,
    client: AsyncClient,
    prefix: String,
    state: watch::Sender<Result<bool, String>>,
    shown: String,
) {
    let mut pause = PAUSES[0];
    loop {
        match line.poll().await {
            Ok(Event::Incoming(Packet::ConnAck(_))) => {
                pause = PAUSES[0];
                tracing::info!(broker = shown, "connected to the broker");
                let online = status(true).to_string();
                let topic = format!("{prefix}/status");
                let _ = client.try_publish(topic, QoS::AtLeastOnce, true, online);
                let _ = state.send(Ok(true));
            }
            Ok(Event::Outgoing(Outgoing::Disconnect)) => return,
            Ok(_) => {}
            Err(error) => {
                let why = error.to_string();
                tracing::warn!(broker = shown, why, "no connection to the broker");
                let _ = state.send(Err(why));
                tokio::time::sleep(pause).await;
                pause = (pause * 2).min(PAUSES[1]);
            }
        }
    }
}

impl Publisher {
    /// Sends what a line tells. Never waits.
    pub fn tell(&self, line: &Value) {
        let connected = matches!(&*self.state.borrow(), Ok(true));
        for Message {
            topic,
            payload,
            retained,
            waits,
        } in messages(line)
        {
            if !connected && !waits {
                continue;
            }
            let quality = if waits {
                QoS::AtLeastOnce
            } else {
                QoS::AtMostOnce
            };
            let topic = format!("{}/{topic}", self.prefix);
            let sent = self
                .client
                .try_publish(topic, quality, retained, payload.to_string());
            if sent.is_err() {
                tracing::debug!("too much waits for the broker: a message was dropped");
            }
        }
    }

    /// What is to be said of the connection since it was asked last: whether it is
    /// there, and why not.
    pub fn news(&mut self) -> Option<(bool, String)> {
        let (there, why) = match &*self.state.borrow() {
            Ok(false) => return None,
            Ok(true) => (true, String::new()),
            Err(why) => (false, why.clone()),
        };
        if self.said == Some(there) {
            return None;
        }
        self.said = Some(there);
        Some((there, why))
    }

    /// Says goodbye, where there is somebody to say it to.
    pub async fn stop(self) {
        let there = matches!(&*self.state.borrow(), Ok(true));
        if there {
            let topic = format!("{}/status", self.prefix);
            let offline = status(false).to_string();
            let _ = self
                .client
                .try_publish(topic, QoS::AtLeastOnce, true, offline);
            let _ = self.client.try_disconnect();
            let mut task = self.task;
            if tokio::time::timeout(END_WITHIN, &mut task).await.is_err() {
                task.abort();
            }
        } else {
            self.task.abort();
        }
    }
}
