//! The page for phones over a real socket: nothing without the token, nothing by
//! another name, nothing written without leave; several phones, and the end.

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::sync::Arc;
use std::time::{Duration, Instant};
use stillheight::screen::view::{LoadMark, Motion, Stance};
use stillheight::screen::{Command, View};
use stillheight::share::{Allowed, Shared, share};
use tokio::runtime::Runtime;
use tokio::sync::{mpsc, watch};

/// No answer takes so long, on the slowest machine.
const PATIENCE: Duration = Duration::from_secs(30);

struct Room {
    runtime: Runtime,
    shared: Option<Shared>,
    views: watch::Sender<Arc<View>>,
    commands: mpsc::Receiver<Command>,
    at: SocketAddr,
    token: String,
}

fn van(stance: Stance) -> View {
    View {
        vehicle: "van".to_owned(),
        stance: vec![stance],
        motion: Motion::Unheard,
        loads: vec![LoadMark {
            name: "helper".to_owned(),
            ..LoadMark::default()
        }],
        ..View::default()
    }
}

impl Room {
    fn new(allowed: Allowed) -> Self {
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .worker_threads(1)
            .enable_all()
            .build()
            .unwrap();
        let (views, views_out) = watch::channel(Arc::new(van(Stance::LeftHigh)));
        let (commands_in, commands) = mpsc::channel(8);
        let at = SocketAddr::from(([127, 0, 0, 1], 0));
        let shared = runtime
            .block_on(share(at, allowed, views_out, commands_in))
            .unwrap();
        let rest = shared.address.strip_prefix("http://").unwrap().to_owned();
        let (host, token) = rest.split_once('/').unwrap();
        Self {
            at: host.parse().unwrap(),
            token: token.trim_end_matches('/').to_owned(),
            runtime,
            shared: Some(shared),
            views,
            commands,
        }
    }

    fn open(&self) -> TcpStream {
        let stream = TcpStream::connect(self.at).unwrap();
        stream.set_read_timeout(Some(PATIENCE)).unwrap();
        stream
    }

    /// Status and everything that came until the other side closed.
    fn ask(&self, method: &str, path: &str, headers: &[(&str, &str)]) -> (u16, String) {
        let mut stream = self.open();
        let own = self.at.to_string();
        let mut head =
            format!("{method} {path} HTTP/1.1\r\nConnection: close\r\nContent-Length: 0\r\n");
        if !headers.iter().any(|(name, _)| *name == "Host") {
            head += &format!("Host: {own}\r\n");
        }
        for (name, value) in headers.iter().filter(|(_, value)| !value.is_empty()) {
            head += &format!("{name}: {value}\r\n");
        }
        stream.write_all(format!("{head}\r\n").as_bytes()).unwrap();
        let mut text = String::new();
        stream.read_to_string(&mut text).unwrap();
        let status = text
            .split(' ')
            .nth(1)
            .and_then(|s| s.parse().ok())
            .unwrap_or(0);
        (status, text)
    }

    fn path(&self, rest: &str) -> String {
        format!("/{}/{rest}", self.token)
    }
}

impl Drop for Room {
    fn drop(&mut self) {
        if let Some(shared) = self.shared.take() {
            self.runtime.block_on(shared.stop());
        }
    }
}

#[test]
fn nothing_answers_without_the_token_or_by_another_name() {
    let room = Room::new(Allowed {
        keep: true,
        load: true,
    });
    let wrong = "0".repeat(32);
    for path in [
        "/",
        "/page.js",
        "/now",
        "/live",
        &format!("/{wrong}/"),
        &format!("/{wrong}/now"),
        "/../etc/passwd",
        "/favicon.ico",
    ] {
        let (status, text) = room.ask("GET", path, &[]);
        assert_eq!(status, 404, "{path}: {text}");
        assert!(
            text.ends_with("\r\n\r\n") && !text.contains("van"),
            "{path}: {text}"
        );
    }
    // With the token, what does not exist looks the same.
    assert_eq!(room.ask("GET", &room.path("other"), &[]).0, 404);
    for host in ["evil.example", "evil.example:80", "127.0.0.1", ""] {
        let (status, text) = room.ask("GET", &room.path("now"), &[("Host", host)]);
        assert!(status == 421 || status == 400, "{host}: {text}");
        assert!(!text.contains("van"));
    }
    let (status, _) = room.ask(
        "GET",
        &room.path("now"),
        &[("Origin", "http://evil.example")],
    );
    assert_eq!(status, 403);
    let (status, text) = room.ask("GET", &room.path("now"), &[]);
    assert_eq!(status, 200);
    assert!(text.contains("\"stance\":\"left high\""), "{text}");
}

#[test]
fn the_page_loads_nothing_from_elsewhere_and_says_what_it_may() {
    let room = Room::new(Allowed::default());
    for (path, kind) in [
        ("", "text/html"),
        ("page.css", "text/css"),
        ("page.js", "text/javascript"),
    ] {
        let (status, text) = room.ask("GET", &room.path(path), &[]);
        assert_eq!(status, 200, "{path}");
        let (head, body) = text.split_once("\r\n\r\n").unwrap();
        let head = head.to_lowercase();
        assert!(head.contains(&format!("content-type: {kind}")), "{head}");
        for needed in [
            "content-security-policy: default-src 'none'; script-src 'self'",
            "frame-ancestors 'none'",
            "x-content-type-options: nosniff",
            "referrer-policy: no-referrer",
            "cache-control: no-store",
        ] {
            assert!(head.contains(needed), "{path}: {needed}");
        }
        let without_names = body.replace("http://www.w3.org/2000/svg", "");
        for never in ["http:", "https:", "//cdn", "innerHTML", "eval("] {
            assert!(!without_names.contains(never), "{path}: {never}");
        }
    }
}

#[test]
fn nothing_is_written_without_leave() {
    let origin = |room: &Room| format!("http://{}", room.at);
    let mut room = Room::new(Allowed::default());
    for path in ["keep", "load/0/on"] {
        let own = origin(&room);
        let (status, _) = room.ask("POST", &room.path(path), &[("Origin", &own)]);
        assert_eq!(status, 403, "{path}");
    }
    assert!(room.commands.try_recv().is_err());

    let mut room = Room::new(Allowed {
        keep: false,
        load: true,
    });
    let own = origin(&room);
    assert_eq!(
        room.ask("POST", &room.path("keep"), &[("Origin", &own)]).0,
        403
    );
    // Another page's form, and none at all.
    assert_eq!(
        room.ask(
            "POST",
            &room.path("load/0/on"),
            &[("Origin", "http://evil.example")]
        )
        .0,
        403
    );
    assert_eq!(room.ask("POST", &room.path("load/0/on"), &[]).0, 403);
    assert_eq!(room.ask("GET", &room.path("load/0/on"), &[]).0, 405);
    // Off already: nothing to do. No such load, no such way.
    assert_eq!(
        room.ask("POST", &room.path("load/0/off"), &[("Origin", &own)])
            .0,
        204
    );
    assert_eq!(
        room.ask("POST", &room.path("load/7/on"), &[("Origin", &own)])
            .0,
        404
    );
    assert_eq!(
        room.ask("POST", &room.path("load/0/up"), &[("Origin", &own)])
            .0,
        404
    );
    assert!(room.commands.try_recv().is_err());
    assert_eq!(
        room.ask("POST", &room.path("load/0/on"), &[("Origin", &own)])
            .0,
        204
    );
    assert_eq!(room.commands.try_recv().unwrap(), Command::ToggleLoad(0));
}

/// Reads a stream until a text has come.
fn until(stream: &mut TcpStream, wanted: &str) -> String {
    let (mut text, mut piece) = (String::new(), [0_u8; 4096]);
    let began = Instant::now();
    while !text.contains(wanted) {
        assert!(
            began.elapsed() < PATIENCE,
            "'{wanted}' did not come: {text}"
        );
        let read = stream.read(&mut piece).unwrap();
        assert!(read > 0, "the stream ended before '{wanted}': {text}");
        text.push_str(&String::from_utf8_lossy(&piece[..read]));
    }
    text
}

#[test]
fn several_phones_follow_and_the_end_ends_their_streams() {
    let mut room = Room::new(Allowed::default());
    let follow = || {
        let mut stream = room.open();
        let head = format!(
            "GET {} HTTP/1.1\r\nHost: {}\r\n\r\n",
            room.path("live"),
            room.at
        );
        stream.write_all(head.as_bytes()).unwrap();
        stream
    };
    let mut phones = [follow(), follow(), follow()];
    for phone in &mut phones {
        assert!(until(phone, "left high").contains("text/event-stream"));
    }
    room.views.send(Arc::new(van(Stance::Level))).unwrap();
    for phone in &mut phones {
        until(phone, "\"stance\":\"level\"");
    }
    // One that comes later gets the newest at once.
    let mut late = follow();
    until(&mut late, "\"stance\":\"level\"");
    let shared = room.shared.take().unwrap();
    room.runtime.block_on(shared.stop());
    for phone in &mut phones {
        let mut rest = Vec::new();
        // Closed, or reset: over in both.
        let _ = phone.read_to_end(&mut rest);
    }
    assert!(
        TcpStream::connect_timeout(&room.at, PATIENCE).is_err(),
        "nobody listens any more"
    );
}

#[test]
fn a_head_without_end_is_not_kept() {
    let room = Room::new(Allowed::default());
    let mut stream = room.open();
    let long = format!(
        "GET {} HTTP/1.1\r\nHost: {}\r\nX: {}",
        room.path(""),
        room.at,
        "a".repeat(64 * 1024)
    );
    // The other side may close while this is still being written.
    let _ = stream.write_all(long.as_bytes());
    let mut text = Vec::new();
    let _ = stream.read_to_end(&mut text);
    let text = String::from_utf8_lossy(&text);
    assert!(text.is_empty() || text.starts_with("HTTP/1.1 4"), "{text}");
}

/// Somebody who says half of what he wants to ask, and then nothing.
#[test]
fn half_a_head_is_not_waited_for_without_end() {
    let room = Room::new(Allowed::default());
    let mut stream = room.open();
    stream
        .write_all(b"GET / HTTP/1.1\r\nHost: somebody")
        .unwrap();
    let mut text = Vec::new();
    match stream.read_to_end(&mut text) {
        // Closed by the other side; reset is over, too.
        Ok(_) => {}
        Err(e) if e.kind() == std::io::ErrorKind::ConnectionReset => {}
        Err(e) => panic!("the connection still stands: {e}"),
    }
    let text = String::from_utf8_lossy(&text);
    assert!(text.is_empty() || text.starts_with("HTTP/1.1 4"), "{text}");
}

/// An address from before: each run has a token of its own.
#[test]
fn an_old_token_opens_nothing() {
    let before = Room::new(Allowed::default());
    let old = before.path("now");
    assert_eq!(before.ask("GET", &old, &[]).0, 200);
    drop(before);
    let room = Room::new(Allowed::default());
    assert_eq!(room.ask("GET", &old, &[]).0, 404);
    assert_eq!(room.ask("GET", &room.path("now"), &[]).0, 200);
}

/// A phone that slept: its stream is gone, the vehicle moved on meanwhile. What it gets when
/// it comes back is the newest picture at once, by either way, and nothing old before it.
#[test]
fn a_phone_that_slept_catches_up_with_the_newest_picture() {
    let room = Room::new(Allowed::default());
    let follow = || {
        let mut stream = room.open();
        let head = format!(
            "GET {} HTTP/1.1\r\nHost: {}\r\nLast-Event-ID: 7\r\n\r\n",
            room.path("live"),
            room.at
        );
        stream.write_all(head.as_bytes()).unwrap();
        stream
    };
    let mut phone = follow();
    until(&mut phone, "left high");
    drop(phone);
    for stance in [Stance::RightHigh, Stance::NoseDown, Stance::Level] {
        room.views.send(Arc::new(van(stance))).unwrap();
    }
    let (_, now) = room.ask("GET", &room.path("now"), &[]);
    assert!(now.contains("\"stance\":\"level\""), "{now}");
    let again = until(&mut follow(), "\"stance\":\"level\"");
    assert!(
        !again.contains("right high") && !again.contains("nose down"),
        "{again}"
    );
}

#[test]
fn a_port_that_is_taken_says_so() {
    let room = Room::new(Allowed::default());
    let (_, views) = watch::channel(Arc::new(View::default()));
    let (commands, _) = mpsc::channel(1);
    let error = room
        .runtime
        .block_on(share(room.at, Allowed::default(), views, commands))
        .unwrap_err();
    assert_eq!(error.code(), "share.listen");
    assert!(error.to_string().contains(&room.at.to_string()));
    // And so does the command, before anything else is begun on a screen.
    let output = std::process::Command::new(env!("CARGO_BIN_EXE_stillheight"))
        .args([
            "rehearse",
            "--plain",
            "--for",
            "1s",
            "--share",
            "--share-on",
        ])
        .arg(room.at.to_string())
        .output()
        .unwrap();
    let errors = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{errors}");
    assert!(errors.contains("[share.listen]"), "{errors}");
}

/// The whole code and the whole address are on a terminal of 80 by 24, so that a
/// phone can be held to it.
#[test]
fn the_screen_shows_the_code_and_the_address_in_full() {
    use ratatui::buffer::Buffer;
    use ratatui::layout::Rect;
    use stillheight::screen::view::SharedView;
    use stillheight::screen::{Desk, Ink, Overlay, draw};
    use stillheight::share::code_of;
    let address = format!("http://192.168.100.200:65535/{}/", "a0".repeat(16));
    let code = code_of(&address).unwrap();
    let view = View {
        shared: Some(SharedView {
            address: address.clone(),
            code: code.rows(false),
            code_light: code.rows(true),
        }),
        ..van(Stance::Level)
    };
    for (ink, rows) in [
        (Ink::Plain, code.rows(true)),
        (Ink::Colour, code.rows(false)),
    ] {
        let area = Rect::new(0, 0, 80, 24);
        let mut buffer = Buffer::empty(area);
        let desk = Desk {
            overlay: Some(Overlay::Shared),
            ..Desk::new(ink)
        };
        draw(&mut buffer, area, &view, &desk);
        let lines: Vec<String> = (0..24)
            .map(|y| (0..80).map(|x| buffer[(x, y)].symbol()).collect())
            .collect();
        assert!(lines.iter().any(|l| l.contains(&address)), "{lines:#?}");
        let first = lines
            .iter()
            .position(|l| l.contains(rows[1].as_str()))
            .unwrap();
        for (i, row) in rows.iter().enumerate() {
            assert!(
                lines[first - 1 + i].contains(row.as_str()),
                "row {i}: {lines:#?}"
            );
        }
    }
}

/// Handles for a thousand connections, which many systems do not give unasked.
#[cfg(target_os = "linux")]
fn room_for_handles() {
    use rustix::process::{Resource, Rlimit, getrlimit, setrlimit};
    let now = getrlimit(Resource::Nofile);
    let wanted = 4096;
    if now.current.is_some_and(|current| current < wanted) {
        let current = now.maximum.map_or(wanted, |most| most.min(wanted));
        setrlimit(
            Resource::Nofile,
            Rlimit {
                current: Some(current),
                maximum: now.maximum,
            },
        )
        .unwrap();
    }
}

/// A thousand connections at once.
#[cfg(target_os = "linux")]
fn a_thousand(at: SocketAddr, said: &[u8]) -> Vec<TcpStream> {
    (0..1000)
        .map(|_| {
            let mut stream = TcpStream::connect(at).unwrap();
            // It may have been shown out already.
            let _ = stream.write_all(said);
            stream
        })
        .collect()
}

/// Strangers that only hold the line, or stop in the middle of a head, keep nobody out;
/// a phone that follows is not shown out for them.
#[cfg(target_os = "linux")]
#[test]
fn a_thousand_that_hold_the_line_keep_no_phone_out() {
    room_for_handles();
    let room = Room::new(Allowed::default());
    let mut phone = room.open();
    let head = format!(
        "GET {} HTTP/1.1\r\nHost: {}\r\n\r\n",
        room.path("live"),
        room.at
    );
    phone.write_all(head.as_bytes()).unwrap();
    until(&mut phone, "left high");
    for said in [&b""[..], b"GET /", b"GET / HTTP/1.1\r\nHost: x\r\nX: "] {
        let crowd = a_thousand(room.at, said);
        let (status, text) = room.ask("GET", &room.path("now"), &[]);
        assert_eq!(status, 200, "{text}");
        room.views.send(Arc::new(van(Stance::Level))).unwrap();
        until(&mut phone, "\"stance\":\"level\"");
        room.views.send(Arc::new(van(Stance::LeftHigh))).unwrap();
        until(&mut phone, "left high");
        drop(crowd);
    }
}

/// The same against the real program: how many handles and how much memory it takes, and
/// whether the token lands in any file.
#[cfg(target_os = "linux")]
#[test]
fn a_thousand_connections_take_little_room_and_the_token_is_kept_nowhere() {
    use std::io::{BufRead, BufReader};
    use std::process::{Command, Stdio};
    room_for_handles();
    let folder = std::env::temp_dir().join(format!("stillheight-crowd-{}", std::process::id()));
    let _ = std::fs::remove_dir_all(&folder);
    std::fs::create_dir_all(&folder).unwrap();
    let mut child = Command::new(env!("CARGO_BIN_EXE_stillheight"))
        .args([
            "rehearse", "--json", "--speed", "10", "--folder", "kept", "--share",
        ])
        .current_dir(&folder)
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
    let mut said = Vec::new();
    let address = loop {
        let line = lines.next().unwrap().unwrap();
        let value: serde_json::Value = serde_json::from_str(&line).unwrap();
        if value["event"] == "shared" {
            break value["address"].as_str().unwrap().to_owned();
        }
    };
    let rest = address.strip_prefix("http://").unwrap();
    let (host, token) = rest.trim_end_matches('/').split_once('/').unwrap();
    let at: SocketAddr = host.parse().unwrap();
    let of_process = |name: &str| format!("/proc/{}/{name}", child.id());
    let handles = || std::fs::read_dir(of_process("fd")).unwrap().count();
    let peak_kb = || -> u64 {
        let status = std::fs::read_to_string(of_process("status")).unwrap();
        let line = status.lines().find(|l| l.starts_with("VmHWM:")).unwrap();
        line.split_whitespace().nth(1).unwrap().parse().unwrap()
    };
    let (handles_before, peak_before) = (handles(), peak_kb());
    let mut crowds = Vec::new();
    let half = format!("GET /{}", "a".repeat(15_000));
    for said in [&b""[..], half.as_bytes()] {
        crowds.push(a_thousand(at, said));
        let mut phone = TcpStream::connect(at).unwrap();
        phone.set_read_timeout(Some(PATIENCE)).unwrap();
        write!(phone, "GET /{token}/now HTTP/1.1\r\nHost: {host}\r\n\r\n").unwrap();
        until(&mut phone, "\"vehicle\":");
        assert!(
            handles() <= handles_before + 48 + 8,
            "{} handles",
            handles()
        );
    }
    assert!(
        peak_kb() < peak_before + 32 * 1024,
        "{peak_before} kB grew to {} kB",
        peak_kb()
    );
    drop(crowds);
    for line in &mut lines {
        said.push(line.unwrap());
    }
    let output = child.wait_with_output().unwrap();
    assert!(output.status.success());
    // It was told once, on standard output, and is in nothing else.
    assert!(!said.iter().any(|line| line.contains(token)));
    assert!(!String::from_utf8_lossy(&output.stderr).contains(token));
    let mut looked_at = 0;
    for file in std::fs::read_dir(folder.join("kept")).unwrap() {
        let path = file.unwrap().path();
        let bytes = std::fs::read(&path).unwrap();
        looked_at += 1;
        assert!(
            !bytes.windows(token.len()).any(|w| w == token.as_bytes()),
            "{}",
            path.display()
        );
    }
    assert!(looked_at >= 2, "a sheet and a logbook");
    std::fs::remove_dir_all(&folder).unwrap();
}

#[test]
fn a_large_body_is_neither_taken_nor_waited_for() {
    let mut room = Room::new(Allowed {
        keep: true,
        load: true,
    });
    for length in ["100000000000", "64000"] {
        let mut stream = room.open();
        let head = format!(
            "POST {} HTTP/1.1\r\nHost: {at}\r\nOrigin: http://{at}\r\nContent-Length: {length}\r\n\r\nsome",
            room.path("load/7/on"),
            at = room.at
        );
        stream.write_all(head.as_bytes()).unwrap();
        until(&mut stream, "HTTP/1.1 404");
    }
    assert!(room.commands.try_recv().is_err());
}

#[test]
fn nothing_that_was_asked_comes_back() {
    let room = Room::new(Allowed {
        keep: true,
        load: true,
    });
    let mark = "Zq9xMarkedWord";
    let own = format!("http://{}", room.at);
    let with_token = |rest: &str| room.path(&format!("{rest}{mark}"));
    for (method, path) in [
        ("GET", format!("/{mark}")),
        ("GET", with_token("")),
        ("GET", with_token("now?")),
        ("GET", with_token("?<script>")),
        ("POST", with_token("load/0/")),
        ("POST", with_token("load/")),
        (mark, room.path("now")),
        ("GET", format!("http://{mark}/{}/now", room.token)),
    ] {
        for headers in [
            &[("X-Some", mark)][..],
            &[("Origin", own.as_str()), ("Cookie", mark)],
            &[("Origin", mark)],
            &[("Host", mark)],
            &[("Referer", mark), ("User-Agent", mark)],
        ] {
            let (status, text) = room.ask(method, &path, headers);
            assert!(status >= 200, "{method} {path}: {text}");
            assert!(!text.contains(mark), "{method} {path}: {text}");
            assert!(!text.contains(&room.token), "{method} {path}: {text}");
        }
    }
}
