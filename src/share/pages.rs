//! The routes: page, style, script, live picture, buttons.

use super::gate::{Gate, Request as Asked, Ruling};
use super::picture::picture;
use super::{Command, View};
use axum::Router;
use axum::extract::{DefaultBodyLimit, Path, Request, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::middleware::{Next, from_fn_with_state};
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use futures_util::stream::{Stream, unfold};
use std::convert::Infallible;
use std::sync::Arc;
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};
use tokio::sync::{OwnedSemaphorePermit, Semaphore, mpsc, watch};

/// Phones that follow at once; further ones are told to come later. Chosen.
const MOST_PHONES: usize = 12;
/// A phone gets no more pictures than one in this time: five a second are smooth
/// enough, and little enough for a weak network. Chosen.
const BETWEEN_PICTURES: Duration = Duration::from_millis(200);
/// A picture is sent again after so long even where nothing changed, so that the
/// page knows that the program lives.
const SAY_AGAIN: Duration = Duration::from_secs(2);
/// A stream ends after this; the page opens a new one.
const LONGEST_STREAM: Duration = Duration::from_hours(1);
/// A body is not needed by anything.
const MOST_BODY: usize = 64;
/// Buttons are heard once in this time.
const BETWEEN_WRITES: Duration = Duration::from_millis(300);

/// What is sent with everything. The page may load its own script and style and
/// ask its own address; nothing else, by nobody else's frame.
const HEADERS: [(header::HeaderName, &str); 6] = [
    (
        header::CONTENT_SECURITY_POLICY,
        "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    ),
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (header::REFERRER_POLICY, "no-referrer"),
    (header::CACHE_CONTROL, "no-store"),
    (header::X_FRAME_OPTIONS, "DENY"),
    (header::SERVER, "stillheight"),
];

/// Whether the other side of a connection has shown the token.
#[derive(Debug, Clone, Default)]
pub(super) struct Known(Arc<AtomicBool>);

impl Known {
    pub(super) fn is_so(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }
}

/// What all routes share.
#[derive(Debug, Clone)]
pub(super) struct Desk {
    pub(super) gate: Arc<Gate>,
    pub(super) views: watch::Receiver<Arc<View>>,
    pub(super) commands: mpsc::Sender<Command>,
    pub(super) stopping: watch::Receiver<bool>,
    phones: Arc<Semaphore>,
    written: Arc<Mutex<Option<Instant>>>,
}

impl Desk {
    pub(super) fn new(
        gate: Gate,
        views: watch::Receiver<Arc<View>>,
        commands: mpsc::Sender<Command>,
        stopping: watch::Receiver<bool>,
    ) -> Self {
        Self {
            gate: Arc::new(gate),
            views,
            commands,
            stopping,
            phones: Arc::new(Semaphore::new(MOST_PHONES)),
            written: Arc::default(),
        }
    }

    fn text(&self) -> String {
        let view = Arc::clone(&self.views.borrow());
        picture(&view, self.gate.allowed).to_string()
    }

    /// Hands a command over, not too often.
    fn write(&self, command: Command) -> StatusCode {
        let mut last = self
            .written
            .lock()
            .unwrap_or_else(std::sync::PoisonError::into_inner);
        if last.is_some_and(|at| at.elapsed() < BETWEEN_WRITES) {
            return StatusCode::TOO_MANY_REQUESTS;
        }
        *last = Some(Instant::now());
        tracing::info!(?command, "a button of the page");
        match self.commands.try_send(command) {
            Ok(()) => StatusCode::NO_CONTENT,
            Err(_) => StatusCode::SERVICE_UNAVAILABLE,
        }
    }
}

pub(super) fn router(desk: Desk) -> Router {
    Router::new()
        .route("/{token}/", get(page))
        .route("/{token}/page.css", get(style))
        .route("/{token}/page.js", get(script))
        .route("/{token}/now", get(now))
        .route("/{token}/live", get(live))
        .route("/{token}/keep", post(keep))
        .route("/{token}/load/{index}/{way}", post(load))
        .fallback(|| async { StatusCode::NOT_FOUND })
        .layer(DefaultBodyLimit::max(MOST_BODY))
        .layer(from_fn_with_state(desk.clone(), guard))
        .with_state(desk)
}

/// Nothing gets past it that is not let in; everything carries the headers.
async fn guard(State(desk): State<Desk>, request: Request, next: Next) -> Response {
    let text = |headers: &HeaderMap, name| -> Option<String> {
        let mut all = headers.get_all(name).iter();
        let first = all.next()?.to_str().ok()?.to_owned();
        // Two of them contradict each other.
        all.next().is_none().then_some(first)
    };
    let (host, origin) = (
        text(request.headers(), header::HOST),
        text(request.headers(), header::ORIGIN),
    );
    // An Origin that cannot be read is not the page's.
    let origin = if request.headers().contains_key(header::ORIGIN) {
        Some(origin.unwrap_or_default())
    } else {
        None
    };
    let asked = Asked {
        method: request.method().as_str(),
        path: request.uri().path(),
        host: host.as_deref(),
        origin: origin.as_deref(),
    };
    let ruling = desk.gate.ruling(&asked);
    if ruling != Ruling::In {
        // Neither path nor headers: there may be a token in them.
        tracing::warn!(method = asked.method, ?ruling, "a request was refused");
    }
    let mut response = match ruling {
        Ruling::In => {
            if let Some(Known(known)) = request.extensions().get() {
                known.store(true, Ordering::Relaxed);
            }
            next.run(request).await
        }
        Ruling::NotHere => StatusCode::NOT_FOUND.into_response(),
        Ruling::WrongHost => StatusCode::MISDIRECTED_REQUEST.into_response(),
        Ruling::WrongOrigin | Ruling::NotAllowed => StatusCode::FORBIDDEN.into_response(),
        Ruling::NoSuchMethod => StatusCode::METHOD_NOT_ALLOWED.into_response(),
    };
    for (name, value) in HEADERS {
        response
            .headers_mut()
            .insert(name, HeaderValue::from_static(value));
    }
    response
}

fn of_type(kind: &'static str, text: &'static str) -> impl IntoResponse {
    ([(header::CONTENT_TYPE, kind)], text)
}

async fn page() -> impl IntoResponse {
    of_type("text/html; charset=utf-8", include_str!("page.html"))
}

async fn style() -> impl IntoResponse {
    of_type("text/css; charset=utf-8", include_str!("page.css"))
}

async fn script() -> impl IntoResponse {
    of_type("text/javascript; charset=utf-8", include_str!("page.js"))
}

/// The picture of this moment: for a phone that wakes.
async fn now(State(desk): State<Desk>) -> impl IntoResponse {
    ([(header::CONTENT_TYPE, "application/json")], desk.text())
}

impl Drop for Following {
    fn drop(&mut self) {
        let for_s = self.began.elapsed().as_secs();
        tracing::info!(for_s, "a phone follows no more");
    }
}

/// What a stream remembers.
struct Following {
    desk: Desk,
    began: Instant,
    sent: Option<Instant>,
    _phone: OwnedSemaphorePermit,
}

async fn live(State(desk): State<Desk>) -> Response {
    let Ok(phone) = Arc::clone(&desk.phones).try_acquire_owned() else {
        tracing::warn!(most = MOST_PHONES, "one phone too many");
        return (
            StatusCode::SERVICE_UNAVAILABLE,
            [(header::RETRY_AFTER, "10")],
        )
            .into_response();
    };
    tracing::info!(
        room_for = desk.phones.available_permits(),
        "a phone follows"
    );
    let following = Following {
        desk,
        began: Instant::now(),
        sent: None,
        _phone: phone,
    };
    Sse::new(pictures(following))
        .keep_alive(KeepAlive::new().interval(Duration::from_secs(10)))
        .into_response()
}

/// The pictures of a stream: always the newest, none twice but to say that it
/// lives. A phone that is slow misses some and never holds the program up.
fn pictures(following: Following) -> impl Stream<Item = Result<Event, Infallible>> {
    unfold(following, |mut f| async move {
        if f.began.elapsed() > LONGEST_STREAM || *f.desk.stopping.borrow() {
            return None;
        }
        if let Some(sent) = f.sent {
            let soonest = BETWEEN_PICTURES.saturating_sub(sent.elapsed());
            tokio::select! {
                _ = f.desk.stopping.changed() => return None,
                () = tokio::time::sleep(soonest) => {}
            }
            tokio::select! {
                _ = f.desk.stopping.changed() => return None,
                news = f.desk.views.changed() => if news.is_err() { return None },
                () = tokio::time::sleep(SAY_AGAIN) => {}
            }
        }
        f.desk.views.mark_unchanged();
        f.sent = Some(Instant::now());
        let event = Event::default()
            .data(f.desk.text())
            .retry(Duration::from_secs(2));
        Some((Ok(event), f))
    })
}

async fn keep(State(desk): State<Desk>) -> StatusCode {
    desk.write(Command::Keep)
}

/// The way is said and not only 'the other way', so that two phones or a button
/// pressed twice do not undo each other.
async fn load(
    State(desk): State<Desk>,
    Path((_, index, way)): Path<(String, usize, String)>,
) -> StatusCode {
    let wanted = match way.as_str() {
        "on" => true,
        "off" => false,
        _ => return StatusCode::NOT_FOUND,
    };
    let is = desk.views.borrow().loads.get(index).map(|l| l.on);
    match is {
        None => StatusCode::NOT_FOUND,
        Some(is) if is == wanted => StatusCode::NO_CONTENT,
        Some(_) => desk.write(Command::ToggleLoad(index)),
    }
}
