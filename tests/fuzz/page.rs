//! The page for phones, spoken to with any bytes.
//!
//! In: what a connection sends; `{t}` in it stands for the token, `{h}` for the address,
//! `{m}` for a word that must not come back. Out: nothing, or a panic that says what got
//! through.

use std::sync::Arc;

use stillheight::screen::view::{LoadMark, Stance};
use stillheight::screen::{Command, View};
use stillheight::share::{Allowed, Gate, Page, Request, Ruling, Token};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::runtime::Runtime;
use tokio::sync::{mpsc, watch};

const HOST: &str = "192.168.1.20:4711";
/// What only somebody with the token may see.
const SECRET: &str = "Bluebottle";
const MARK: &str = "Zq9xMarkedWord";

struct Room {
    runtime: Runtime,
    page: Page,
    gate: Gate,
    commands: mpsc::Receiver<Command>,
    _views: watch::Sender<Arc<View>>,
    _stop: watch::Sender<bool>,
}

impl Room {
    fn new(allowed: Allowed) -> Self {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_time()
            .build()
            .unwrap();
        let view = View {
            vehicle: SECRET.to_owned(),
            stance: vec![Stance::LeftHigh],
            loads: vec![LoadMark {
                name: "helper".to_owned(),
                ..LoadMark::default()
            }],
            ..View::default()
        };
        let (views, views_out) = watch::channel(Arc::new(view));
        let (commands_in, commands) = mpsc::channel(8);
        let (stop, stopping) = watch::channel(false);
        let gate = Gate {
            token: Token::fresh().unwrap(),
            hosts: vec![HOST.to_owned()],
            allowed,
        };
        Self {
            page: Page::new(gate.clone(), views_out, commands_in, stopping),
            runtime,
            gate,
            commands,
            _views: views,
            _stop: stop,
        }
    }

    /// All that comes back to some bytes.
    fn answer(&self, sent: &[u8]) -> Vec<u8> {
        self.runtime.block_on(async {
            let (mut phone, server) = tokio::io::duplex(1 << 20);
            phone.write_all(sent).await.unwrap();
            let page = self.page.clone();
            let talk = tokio::spawn(async move { page.converse(server).await });
            // Everything is in memory: what there is to do is done within some turns.
            for _ in 0..40 {
                tokio::task::yield_now().await;
            }
            talk.abort();
            let _ = talk.await;
            let mut back = Vec::new();
            let _ = phone.read_to_end(&mut back).await;
            back
        })
    }
}

thread_local! {
    static ROOMS: std::cell::RefCell<Vec<Room>> = std::cell::RefCell::new(
        [(false, false), (true, false), (false, true), (true, true)]
            .map(|(keep, load)| Room::new(Allowed { keep, load }))
            .into(),
    );
}

fn put_in(bytes: &[u8], token: &str) -> Vec<u8> {
    let mut out = Vec::with_capacity(bytes.len() + 64);
    let mut rest = bytes;
    while let Some((&first, after)) = rest.split_first() {
        let word = match rest {
            [b'{', b't', b'}', ..] => Some(token),
            [b'{', b'h', b'}', ..] => Some(HOST),
            [b'{', b'm', b'}', ..] => Some(MARK),
            _ => None,
        };
        if let Some(word) = word {
            out.extend(word.bytes());
            rest = &rest[3..];
        } else {
            out.push(first);
            rest = after;
        }
    }
    out
}

fn has(bytes: &[u8], word: &str) -> bool {
    bytes
        .windows(word.len())
        .any(|w| w.eq_ignore_ascii_case(word.as_bytes()))
}

/// Requests of any form.
pub fn page(data: &[u8]) {
    let ([how], rest) = super::controlled::<1>(data);
    ROOMS.with_borrow_mut(|rooms| {
        let room = &mut rooms[usize::from(how) % 4];
        let token = room.gate.token.as_str().to_owned();
        let sent = put_in(rest, &token);
        gate(&room.gate, &sent);
        let back = room.answer(&sent);
        assert!(
            back.is_empty() || back.starts_with(b"HTTP/1."),
            "no answer of ours"
        );
        assert!(back.len() < 600_000, "a small question, an endless answer");
        assert!(!has(&back, &token), "the token is told");
        assert!(!has(&back, MARK), "what was asked comes back");
        let mut written = Vec::new();
        while let Ok(command) = room.commands.try_recv() {
            written.push(command);
        }
        if !(has(&sent, &token) && has(&sent, HOST)) {
            assert!(
                !has(&back, SECRET) && !has(&back, "HTTP/1.1 2"),
                "let in without token or host"
            );
            assert!(written.is_empty());
        }
        for command in written {
            assert!(has(&sent, "POST") && has(&sent, "Origin:"), "{command:?}");
            match command {
                Command::Keep => assert!(room.gate.allowed.keep),
                Command::ToggleLoad(_) => assert!(room.gate.allowed.load),
                other => panic!("a page has no button for {other:?}"),
            }
        }
    });
}

/// The gate alone, over the lines as method, path, Host and Origin.
fn gate(gate: &Gate, sent: &[u8]) {
    let text = String::from_utf8_lossy(sent);
    let mut lines = text.lines();
    let mut first = lines.next().unwrap_or_default().split(' ');
    let request = Request {
        method: first.next().unwrap_or_default(),
        path: first.next().unwrap_or_default(),
        host: lines.next(),
        origin: lines.next(),
    };
    let ruling = gate.ruling(&request);
    if ruling == Ruling::In {
        let begins = request
            .path
            .trim_start_matches('/')
            .starts_with(gate.token.as_str());
        assert!(begins && request.host.is_some_and(|h| h.eq_ignore_ascii_case(HOST)));
        assert!(request.method != "POST" || request.origin.is_some());
    }
}
