//! Connections: bounded in count, in time and in size; and the end of them.

use super::pages::{Desk, router};
use super::{Allowed, Command, Gate, ShareError, Token, View};
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use std::net::SocketAddr;
use std::pin::pin;
use std::sync::Arc;
use std::time::Duration;
use tokio::net::TcpListener;
use tokio::sync::{Semaphore, mpsc, watch};
use tokio::task::{JoinHandle, JoinSet};

/// Connections at once. A browser opens up to six. Chosen for a dozen phones.
const MOST_CONNECTIONS: usize = 48;
/// A request's head must have come by then; idle connections end by it too.
const HEAD_WITHIN: Duration = Duration::from_secs(10);
/// A request's head at most.
const MOST_HEAD: usize = 16 * 1024;
/// At the end connections have so long.
const END_WITHIN: Duration = Duration::from_secs(1);

/// A page that is being shared.
#[derive(Debug)]
pub struct Shared {
    /// The whole address with the token.
    pub address: String,
    stop: watch::Sender<bool>,
    task: JoinHandle<()>,
}

/// Begins to share views on an address; port 0 takes a free one.
///
/// # Errors
/// The address cannot be listened on; there are no random numbers.
pub async fn share(
    at: SocketAddr,
    allowed: Allowed,
    views: watch::Receiver<Arc<View>>,
    commands: mpsc::Sender<Command>,
) -> Result<Shared, ShareError> {
    let token = Token::fresh()?;
    let listen = |source| ShareError::Listen { at, source };
    let listener = TcpListener::bind(at).await.map_err(listen)?;
    let at = listener.local_addr().map_err(listen)?;
    let mut hosts = vec![at.to_string()];
    if at.ip().is_loopback() {
        hosts.push(format!("localhost:{}", at.port()));
    }
    let address = format!("http://{at}/{}/", token.as_str());
    // The address without its token: who reads the log must not get in.
    tracing::info!(%at, keep = allowed.keep, load = allowed.load, "page for phones is served");
    let (stop, stopping) = watch::channel(false);
    let gate = Gate {
        token,
        hosts,
        allowed,
    };
    let desk = Desk::new(gate, views, commands, stopping.clone());
    let task = tokio::spawn(listen_on(listener, desk, stopping));
    Ok(Shared {
        address,
        stop,
        task,
    })
}

impl Shared {
    /// Ends every stream and connection.
    pub async fn stop(self) {
        let _ = self.stop.send(true);
        tracing::info!("page for phones ends");
        let _ = tokio::time::timeout(END_WITHIN * 2, self.task).await;
    }
}

async fn listen_on(listener: TcpListener, desk: Desk, mut stopping: watch::Receiver<bool>) {
    let app = router(desk);
    let room = Arc::new(Semaphore::new(MOST_CONNECTIONS));
    let mut connections = JoinSet::new();
    loop {
        // Nobody is accepted for whom there is no room.
        let Ok(permit) = Arc::clone(&room).acquire_owned().await else {
            break;
        };
        let accepted = tokio::select! {
            _ = stopping.changed() => break,
            accepted = listener.accept() => accepted,
            Some(_) = connections.join_next(), if !connections.is_empty() => continue,
        };
        let Ok((stream, from)) = accepted else {
            tracing::warn!("a connection of a phone could not be accepted");
            // Out of file handles, or the other side has gone already.
            tokio::time::sleep(Duration::from_millis(50)).await;
            continue;
        };
        tracing::debug!(%from, "connection of a phone");
        let _ = stream.set_nodelay(true);
        let service = TowerToHyperService::new(app.clone());
        let mut stopping = stopping.clone();
        connections.spawn(async move {
            let _permit = permit;
            let connection = http1::Builder::new()
                .timer(TokioTimer::new())
                .header_read_timeout(HEAD_WITHIN)
                .max_buf_size(MOST_HEAD)
                .serve_connection(TokioIo::new(stream), service);
            let mut connection = pin!(connection);
            tokio::select! {
                _ = connection.as_mut() => {}
                _ = stopping.changed() => {
                    connection.as_mut().graceful_shutdown();
                    let _ = tokio::time::timeout(END_WITHIN, connection).await;
                }
            }
        });
    }
    connections.shutdown().await;
}
