//! Connections: bounded in count, in time and in size; and the end of them.

use super::pages::{Desk, Known, router};
use super::{Allowed, Command, Gate, ShareError, Token, View};
use axum::Router;
use hyper::Request;
use hyper::body::Incoming;
use hyper::server::conn::http1;
use hyper::service::{Service as _, service_fn};
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use std::collections::VecDeque;
use std::net::SocketAddr;
use std::pin::pin;
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpListener;
use tokio::sync::{mpsc, watch};
use tokio::task::{AbortHandle, JoinHandle, JoinSet};

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
    let page = Page::new(gate, views, commands, stopping);
    let task = tokio::spawn(listen_on(listener, page));
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

/// The page behind one connection, whatever carries its bytes: what a socket is
/// served by, and what the fuzzers speak to.
#[doc(hidden)]
#[derive(Debug, Clone)]
pub struct Page {
    app: Router,
    stopping: watch::Receiver<bool>,
}

impl Page {
    /// The page that this gate lets people see.
    #[doc(hidden)]
    pub fn new(
        gate: Gate,
        views: watch::Receiver<Arc<View>>,
        commands: mpsc::Sender<Command>,
        stopping: watch::Receiver<bool>,
    ) -> Self {
        let desk = Desk::new(gate, views, commands, stopping.clone());
        Self {
            app: router(desk),
            stopping,
        }
    }

    /// Answers everything that one connection asks, until it ends or all do.
    #[doc(hidden)]
    pub async fn converse<S>(&self, stream: S)
    where
        S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
    {
        self.converse_as(stream, Known::default()).await;
    }

    /// The same, noting whether the other side has shown the token.
    async fn converse_as<S>(&self, stream: S, known: Known)
    where
        S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
    {
        let mut stopping = self.stopping.clone();
        let app = TowerToHyperService::new(self.app.clone());
        let noting = service_fn(move |mut request: Request<Incoming>| {
            request.extensions_mut().insert(known.clone());
            app.call(request)
        });
        let connection = http1::Builder::new()
            .timer(TokioTimer::new())
            .header_read_timeout(HEAD_WITHIN)
            .max_buf_size(MOST_HEAD)
            .serve_connection(TokioIo::new(stream), noting);
        let mut connection = pin!(connection);
        tokio::select! {
            _ = connection.as_mut() => {}
            _ = stopping.changed() => {
                connection.as_mut().graceful_shutdown();
                let _ = tokio::time::timeout(END_WITHIN, connection).await;
            }
        }
    }
}

/// One that is being served.
struct Guest {
    task: AbortHandle,
    known: Known,
}

/// Serves whoever comes, the newest too: where there is no room, whoever has been here
/// longest without showing the token goes. So a thousand that only hold the line, or
/// speak a byte at a time, keep nobody out who has the address.
async fn listen_on(listener: TcpListener, page: Page) {
    let mut stopping = page.stopping.clone();
    let mut connections = JoinSet::new();
    // Oldest first.
    let mut guests: VecDeque<Guest> = VecDeque::new();
    loop {
        let stranger = |guest: &Guest| !guest.known.is_so();
        // With a room full of known ones nobody is accepted until one goes.
        let room = guests.len() < MOST_CONNECTIONS || guests.iter().any(stranger);
        let accepted = tokio::select! {
            _ = stopping.changed() => break,
            accepted = listener.accept(), if room => accepted,
            Some(_) = connections.join_next(), if !connections.is_empty() => {
                guests.retain(|guest| !guest.task.is_finished());
                continue;
            }
        };
        let Ok((stream, from)) = accepted else {
            tracing::warn!("a connection of a phone could not be accepted");
            // Out of file handles, or the other side has gone already.
            tokio::time::sleep(Duration::from_millis(50)).await;
            continue;
        };
        guests.retain(|guest| !guest.task.is_finished());
        if guests.len() >= MOST_CONNECTIONS {
            let Some(guest) = guests
                .iter()
                .position(stranger)
                .and_then(|oldest| guests.remove(oldest))
            else {
                continue;
            };
            guest.task.abort();
            // Its handle is closed before the next one is opened.
            let _ = connections.join_next().await;
        }
        tracing::debug!(%from, "connection of a phone");
        let _ = stream.set_nodelay(true);
        let known = Known::default();
        let (page, noted) = (page.clone(), known.clone());
        let task = connections.spawn(async move { page.converse_as(stream, noted).await });
        guests.push_back(Guest { task, known });
    }
    connections.shutdown().await;
}
