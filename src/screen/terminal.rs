//! The terminal: entered, run, and given back as it was, whatever happens.
//!
//! In: views over a watch channel. Out: frames, and commands over a channel.
//! Refused: standard input or output that is no terminal.
//!
//! The terminal is given back on quit, on SIGTERM, SIGHUP and SIGINT, on an
//! error, and on a panic. A panic of any thread or task while the screen is on
//! ends the program with code 1: the rest would run on unseen. So nothing may
//! panic and be caught on purpose meanwhile.

use std::fs::File;
use std::io::{BufWriter, IsTerminal, Write};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, Once, PoisonError, TryLockError};
use std::time::Duration;

use crossterm::event::{Event, EventStream};
use crossterm::terminal::{
    Clear, ClearType, EnterAlternateScreen, LeaveAlternateScreen, disable_raw_mode, enable_raw_mode,
};
use crossterm::{cursor, execute};
use futures_util::StreamExt;
use ratatui::Terminal;
use ratatui::backend::CrosstermBackend;
use tokio::sync::{mpsc, watch};
use tokio::time::Instant;

use super::chime::chime;
use super::face;
use super::keys::{Desk, Overlay};
use super::pane::Ink;
use super::view::{Command, Message, Severity, View};
use super::{ScreenError, wording};
use crate::quantity::Span;

/// Frames are at least this far apart, however fast keys come. How often there is a new
/// picture is for who sends the views: a second pause here would only make them late.
const SHORTEST_BETWEEN_FRAMES: Duration = Duration::from_millis(5);
/// Frames are at most this far apart, so that a terminal that vanished is
/// noticed by the error of drawing.
const LONGEST_BETWEEN_FRAMES: Duration = Duration::from_secs(1);
/// A view older than this is said to be old.
const VIEW_DEADLINE: Duration = Duration::from_secs(3);

/// Why the screen ended, when it ended well.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ended {
    /// The quit key.
    Quit,
    /// A signal, by name.
    Signal(&'static str),
    /// No more views will come.
    NoMoreViews,
}

/// Runs the screen until a key, a signal or an error ends it.
///
/// Call it once at a time: there is one terminal. [`Command::Quit`] is sent
/// as well as reported by [`Ended::Quit`].
pub async fn run(
    mut views: watch::Receiver<Arc<View>>,
    commands: mpsc::Sender<Command>,
    ink: Ink,
) -> Result<Ended, ScreenError> {
    let mut signals =
        crate::ports::platform::Signals::new().map_err(|source| ScreenError::Signals { source })?;
    let mut screen = Screen::enter()?;
    let mut keys = Keys::listen();
    let mut desk = Desk::new(ink);
    let mut view = Arc::clone(&views.borrow_and_update());
    let mut code_shown = false;
    let mut view_came = Instant::now();
    let mut drawn: Option<Instant> = None;
    let mut changed = true;
    loop {
        let pause = if changed {
            SHORTEST_BETWEEN_FRAMES
        } else {
            LONGEST_BETWEEN_FRAMES
        };
        let next = drawn.map_or_else(Instant::now, |drawn| drawn + pause);
        tokio::select! {
            biased;
            name = signals.next() => return Ok(Ended::Signal(name)),
            event = keys.0.recv() => {
                changed = true;
                match event {
                    Some(Ok(Event::Key(key))) => {
                        desk.message = None;
                        let rang = desk.bell;
                        if let Some(command) = desk.press(key, &view)
                            && let Some(ended) = send(&commands, command, &mut desk)
                        {
                            return Ok(ended);
                        }
                        if desk.bell && !rang {
                            // How it sounds, and that it can be heard at all.
                            screen.ring()?;
                        }
                    }
                    Some(Ok(_)) => {}
                    Some(Err(source)) => return Err(ScreenError::Keys { source: Some(source) }),
                    None => return Err(ScreenError::Keys { source: None }),
                }
            }
            news = views.changed() => {
                if news.is_err() {
                    return Ok(Ended::NoMoreViews);
                }
                let newer = Arc::clone(&views.borrow_and_update());
                if desk.bell && chime(&view, &newer).is_some() {
                    screen.ring()?;
                }
                view = newer;
                if view.shared.is_some() && !code_shown {
                    // Once at the start: it is there to be held a phone to.
                    code_shown = true;
                    desk.overlay.get_or_insert(Overlay::Shared);
                }
                view_came = Instant::now();
                changed = true;
            }
            () = tokio::time::sleep_until(next) => {
                say_if_old(&mut desk, &view, view_came.elapsed());
                screen.draw(&view, &desk)?;
                drawn = Some(Instant::now());
                changed = false;
            }
        }
    }
}

/// Keys and changes of size, heard by a task of its own: every look at the stream of events
/// costs a dozen calls of the system, and the screen looks whenever a view comes.
struct Keys(
    mpsc::Receiver<std::io::Result<Event>>,
    tokio::task::JoinHandle<()>,
);

impl Keys {
    fn listen() -> Self {
        let (to, keys) = mpsc::channel(16);
        let listening = tokio::spawn(async move {
            let mut events = EventStream::new();
            while let Some(event) = events.next().await {
                if to.send(event).await.is_err() {
                    return;
                }
            }
        });
        Self(keys, listening)
    }
}

impl Drop for Keys {
    fn drop(&mut self) {
        self.1.abort();
    }
}

/// Hands a command over; the end of the screen where that is what it means.
fn send(commands: &mpsc::Sender<Command>, command: Command, desk: &mut Desk) -> Option<Ended> {
    let quit = command == Command::Quit;
    match commands.try_send(command) {
        _ if quit => Some(Ended::Quit),
        Ok(()) => None,
        Err(mpsc::error::TrySendError::Full(command)) => {
            // A note that took a minute to write goes back onto its line.
            if let Command::Note(text) = command {
                desk.note = Some(text);
            }
            desk.message = Some(Message {
                weight: Severity::Warning,
                text: "the program is busy: press that key again".to_owned(),
            });
            None
        }
        Err(mpsc::error::TrySendError::Closed(_)) => Some(Ended::NoMoreViews),
    }
}

/// A screen that stands still must not pass for a vehicle that does.
fn say_if_old(desk: &mut Desk, view: &View, age: Duration) {
    const OLD: &str = "this picture is old, nothing new came for ";
    let says_old = desk
        .message
        .as_ref()
        .is_some_and(|message| message.text.starts_with(OLD));
    if age >= VIEW_DEADLINE && !view.paused {
        let age = wording::duration(Span::from_s(age.as_secs_f64()), false);
        desk.message = Some(Message {
            weight: Severity::Error,
            text: format!("{OLD}{age}"),
        });
    } else if says_old {
        desk.message = None;
    }
}

/// Whether the terminal is in the screen's hands.
static ON: AtomicBool = AtomicBool::new(false);
/// The terminal, for giving it back from wherever that is needed. Not the
/// locked standard output: the thread that panics may hold that.
static WAY_BACK: Mutex<Option<File>> = Mutex::new(None);
/// Held while a frame is written, so that none follows the giving back.
static DRAWING: Mutex<()> = Mutex::new(());
static HOOK: Once = Once::new();

/// The terminal while it is in the screen's hands.
struct Screen {
    terminal: Terminal<CrosstermBackend<BufWriter<File>>>,
}

impl Screen {
    fn enter() -> Result<Self, ScreenError> {
        if !std::io::stdin().is_terminal() {
            return Err(ScreenError::NotATerminal { which: "input" });
        }
        if !std::io::stdout().is_terminal() {
            return Err(ScreenError::NotATerminal { which: "output" });
        }
        Self::take().map_err(|source| {
            give_back();
            ScreenError::Enter { source }
        })
    }

    fn take() -> std::io::Result<Self> {
        HOOK.call_once(install_hook);
        let mut out = crate::ports::platform::standard_output()?;
        *WAY_BACK.lock().unwrap_or_else(PoisonError::into_inner) = Some(out.try_clone()?);
        ON.store(true, Ordering::SeqCst);
        enable_raw_mode()?;
        execute!(
            out,
            EnterAlternateScreen,
            Clear(ClearType::All),
            cursor::Hide
        )?;
        // Not cleared by the library: that asks where the cursor is, and fails
        // on a terminal that does not answer.
        let terminal = Terminal::new(CrosstermBackend::new(BufWriter::new(out)))?;
        Ok(Self { terminal })
    }

    fn draw(&mut self, view: &View, desk: &Desk) -> Result<(), ScreenError> {
        let _drawing = DRAWING.lock().unwrap_or_else(PoisonError::into_inner);
        if !ON.load(Ordering::SeqCst) {
            return Ok(());
        }
        self.terminal
            .draw(|frame| {
                let area = frame.area();
                face::draw(frame.buffer_mut(), area, view, desk);
            })
            .map_err(|source| ScreenError::Draw { source })?;
        Ok(())
    }
}

impl Screen {
    /// The terminal's own bell.
    fn ring(&mut self) -> Result<(), ScreenError> {
        let _drawing = DRAWING.lock().unwrap_or_else(PoisonError::into_inner);
        if !ON.load(Ordering::SeqCst) {
            return Ok(());
        }
        let out = self.terminal.backend_mut();
        out.write_all(b"\x07")
            .and_then(|()| out.flush())
            .map_err(|source| ScreenError::Draw { source })
    }
}

impl Drop for Screen {
    fn drop(&mut self) {
        give_back();
    }
}

/// Gives the terminal back as it was; does nothing the second time. Errors are
/// passed over: there is nobody left to tell.
fn give_back() {
    if !ON.swap(false, Ordering::SeqCst) {
        return;
    }
    let _ = disable_raw_mode();
    let mut way_back = WAY_BACK.lock().unwrap_or_else(PoisonError::into_inner);
    if let Some(out) = way_back.as_mut() {
        let _ = execute!(out, LeaveAlternateScreen, cursor::Show);
        let _ = out.flush();
    }
    *way_back = None;
}

/// Lets a frame that another thread is writing come to its end and keeps the
/// next from starting. If it is this very thread that was drawing, waiting is
/// in vain, so not for long.
fn wait_for_frame() -> Option<MutexGuard<'static, ()>> {
    for _ in 0..20 {
        match DRAWING.try_lock() {
            Ok(drawing) => return Some(drawing),
            Err(TryLockError::Poisoned(drawing)) => return Some(drawing.into_inner()),
            Err(TryLockError::WouldBlock) => std::thread::sleep(Duration::from_millis(5)),
        }
    }
    None
}

/// From now on a panic of any thread while the screen is on gives the terminal
/// back, says what happened and ends the program with code 1.
fn install_hook() {
    let previous = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |info| {
        let was_on = ON.load(Ordering::SeqCst);
        if was_on {
            let _drawing = wait_for_frame();
            give_back();
        }
        previous(info);
        if was_on {
            let _ = writeln!(
                std::io::stderr(),
                "stillheight: a fault in the program ended it; what was kept stays kept"
            );
            std::process::exit(1);
        }
    }));
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test may stop at once")]
    use super::*;

    fn said(desk: &Desk) -> String {
        desk.message
            .as_ref()
            .map_or_else(String::new, |message| message.text.clone())
    }

    #[test]
    fn an_old_picture_is_called_old_until_a_new_one_comes() {
        let mut desk = Desk::new(Ink::Plain);
        let view = View::default();
        say_if_old(&mut desk, &view, Duration::from_millis(2900));
        assert_eq!(said(&desk), "");
        say_if_old(&mut desk, &view, Duration::from_secs(7));
        assert_eq!(said(&desk), "this picture is old, nothing new came for 7 s");
        say_if_old(&mut desk, &view, Duration::ZERO);
        assert_eq!(said(&desk), "");
    }

    #[test]
    fn a_replay_that_is_held_is_not_old() {
        let mut desk = Desk::new(Ink::Plain);
        let view = View {
            paused: true,
            ..View::default()
        };
        say_if_old(&mut desk, &view, Duration::from_secs(70));
        assert_eq!(said(&desk), "");
    }

    #[test]
    fn a_note_that_finds_no_room_goes_back_onto_its_line() {
        let (to_us, mut commands) = mpsc::channel(1);
        let mut desk = Desk::new(Ink::Plain);
        assert_eq!(send(&to_us, Command::Keep, &mut desk), None);
        let note = Command::Note("squeak".to_owned());
        assert_eq!(send(&to_us, note, &mut desk), None);
        assert_eq!(desk.note.as_deref(), Some("squeak"));
        assert_eq!(said(&desk), "the program is busy: press that key again");
        assert_eq!(commands.try_recv().unwrap(), Command::Keep);
    }

    #[test]
    fn quit_is_heard_even_when_nobody_listens() {
        let (to_us, commands) = mpsc::channel(1);
        drop(commands);
        let mut desk = Desk::new(Ink::Plain);
        assert_eq!(send(&to_us, Command::Quit, &mut desk), Some(Ended::Quit));
        assert_eq!(
            send(&to_us, Command::Keep, &mut desk),
            Some(Ended::NoMoreViews)
        );
    }
}
