//! Keys: what each one does.
//!
//! In: a key and the view on the screen. Out: a [`Command`] for the program,
//! or a change of the [`Desk`], which is the screen's own. Refused: keys
//! without a meaning, silently; a note longer than [`NOTE_LIMIT`].

use crossterm::event::{KeyCode, KeyEvent, KeyEventKind, KeyModifiers};

use super::pane::Ink;
use super::view::{Command, Message, Severity, Source, View};

/// Letters that a note may have; chosen, because a logbook line is a line.
pub const NOTE_LIMIT: usize = 500;

/// What can lie over the screen.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Overlay {
    /// Keys and signs.
    Help,
    /// What to do next, the message and what was kept, with nothing left out.
    InFull,
    /// The address of the page for phones, as a QR code.
    Shared,
}

/// What the keys have opened, and how the screen is inked.
#[derive(Debug, Clone, PartialEq)]
pub struct Desk {
    /// Colour or none.
    pub ink: Ink,
    /// The quantity shown large.
    pub large: Option<usize>,
    /// What lies over the screen.
    pub overlay: Option<Overlay>,
    /// The note being written.
    pub note: Option<String>,
    /// A message of the screen's own; it goes before the view's.
    pub message: Option<Message>,
    /// Whether the bell rings; off unless the key is pressed.
    pub bell: bool,
}

impl Desk {
    /// Nothing opened.
    pub const fn new(ink: Ink) -> Self {
        Self {
            ink,
            large: None,
            overlay: None,
            note: None,
            message: None,
            bell: false,
        }
    }

    /// The message to show: the desk's own goes before the view's.
    pub(super) fn message_for<'a>(&'a self, view: &'a View) -> Option<(Severity, &'a str)> {
        self.message
            .as_ref()
            .or(view.message.as_ref())
            .map(|message| (message.weight, message.text.as_str()))
    }

    /// Takes a key; gives the command, if it is one for the program.
    pub fn press(&mut self, key: KeyEvent, view: &View) -> Option<Command> {
        // Some terminals report the release as well.
        if key.kind == KeyEventKind::Release {
            return None;
        }
        if key.modifiers.contains(KeyModifiers::CONTROL) {
            return matches!(key.code, KeyCode::Char('c' | 'C' | 'd' | 'D'))
                .then_some(Command::Quit);
        }
        if self.note.is_some() {
            return self.write_note(key.code);
        }
        if self.overlay.take().is_some() {
            return (key.code == KeyCode::Char('q')).then_some(Command::Quit);
        }
        if let Some(index) = task_key(key.code, view) {
            return Some(Command::Task(index));
        }
        match key.code {
            KeyCode::Char('q') => return Some(Command::Quit),
            KeyCode::Char('k') => return Some(Command::Keep),
            KeyCode::Char('t') => return Some(Command::Turn),
            KeyCode::Char('+') if view.task.is_some() => return Some(Command::Count(1)),
            KeyCode::Char('-') if view.task.is_some() => return Some(Command::Count(-1)),
            KeyCode::Char('p') if view.source == Source::Replay => return Some(Command::Pause),
            KeyCode::Char('n') => self.note = Some(String::new()),
            KeyCode::Char('?' | 'h') | KeyCode::F(1) => self.overlay = Some(Overlay::Help),
            KeyCode::Char('b') => self.bell = !self.bell,
            KeyCode::Char('w') => self.overlay = Some(Overlay::InFull),
            KeyCode::Char('a') if view.shared.is_some() => self.overlay = Some(Overlay::Shared),
            KeyCode::Char('l') => {
                self.large = if self.large.is_some() { None } else { Some(0) };
            }
            KeyCode::Esc if self.large.is_none() && view.task.is_some() => {
                return Some(Command::GiveUp);
            }
            KeyCode::Esc => self.large = None,
            KeyCode::Tab | KeyCode::Right | KeyCode::Down => {
                self.large = self.large.map(|index| index.wrapping_add(1));
            }
            KeyCode::Char(letter) => {
                return view
                    .loads
                    .iter()
                    .position(|load| load.key == Some(letter))
                    .map(Command::ToggleLoad);
            }
            _ => {}
        }
        None
    }

    fn write_note(&mut self, code: KeyCode) -> Option<Command> {
        let note = self.note.as_mut()?;
        match code {
            KeyCode::Char(letter) if note.chars().count() < NOTE_LIMIT => note.push(letter),
            KeyCode::Backspace => {
                note.pop();
            }
            KeyCode::Esc => self.note = None,
            KeyCode::Enter => {
                let text = self.note.take().unwrap_or_default().trim().to_owned();
                return (!text.is_empty()).then_some(Command::Note(text));
            }
            _ => {}
        }
        None
    }
}

/// Which of the keys of the work at hand it is.
fn task_key(code: KeyCode, view: &View) -> Option<usize> {
    let letter = match code {
        KeyCode::Enter => '\n',
        KeyCode::Char(letter) => letter,
        _ => return None,
    };
    let keys = &view.task.as_ref()?.keys;
    keys.iter().position(|k| k.key == letter)
}

#[cfg(test)]
mod tests {
    use super::super::view::{LoadMark, Task, TaskKey};
    use super::*;

    fn view() -> View {
        let load = |key: char| LoadMark {
            key: Some(key),
            ..LoadMark::default()
        };
        View {
            loads: vec![load('1'), load('k'), load('3')],
            ..View::default()
        }
    }

    fn type_in(desk: &mut Desk, keys: &str) -> Vec<Command> {
        keys.chars()
            .filter_map(|letter| {
                let code = match letter {
                    '\n' => KeyCode::Enter,
                    '\t' => KeyCode::Tab,
                    '\u{1b}' => KeyCode::Esc,
                    '\u{8}' => KeyCode::Backspace,
                    other => KeyCode::Char(other),
                };
                desk.press(KeyEvent::new(code, KeyModifiers::NONE), &view())
            })
            .collect()
    }

    #[test]
    fn a_load_has_its_own_key_unless_that_means_something_else() {
        let mut desk = Desk::new(Ink::Plain);
        assert_eq!(
            type_in(&mut desk, "31k9"),
            [
                Command::ToggleLoad(2),
                Command::ToggleLoad(0),
                Command::Keep
            ]
        );
    }

    #[test]
    fn the_work_at_hand_has_keys_of_its_own_but_not_in_a_note() {
        let mut desk = Desk::new(Ink::Plain);
        let mut view = view();
        let key = |key, what| TaskKey { key, what };
        view.task = Some(Task {
            keys: vec![key('\n', "it is so"), key('s', "skip")],
            ..Task::default()
        });
        let mut press = |code| desk.press(KeyEvent::new(code, KeyModifiers::NONE), &view);
        assert_eq!(press(KeyCode::Char('s')), Some(Command::Task(1)));
        assert_eq!(press(KeyCode::Enter), Some(Command::Task(0)));
        press(KeyCode::Char('n'));
        assert_eq!(press(KeyCode::Char('s')), None);
        assert_eq!(press(KeyCode::Enter), Some(Command::Note("s".to_owned())));
    }

    #[test]
    fn a_note_takes_every_letter_until_enter() {
        let mut desk = Desk::new(Ink::Plain);
        assert_eq!(
            type_in(&mut desk, "nquiett\u{8} 1\nn  \nnlost\u{1b}"),
            [Command::Note("quiet 1".to_owned())]
        );
        assert_eq!(desk, Desk::new(Ink::Plain));
    }

    #[test]
    fn large_mode_opens_goes_on_and_closes() {
        let mut desk = Desk::new(Ink::Plain);
        assert!(type_in(&mut desk, "\tl\t\t").is_empty());
        assert_eq!(desk.large, Some(2));
        type_in(&mut desk, "l");
        assert_eq!(desk.large, None);
    }

    #[test]
    fn help_closes_with_any_key_and_control_c_always_quits() {
        let mut desk = Desk::new(Ink::Plain);
        assert!(type_in(&mut desk, "?k").is_empty());
        assert_eq!(desk.overlay, None);
        type_in(&mut desk, "n");
        let key = KeyEvent::new(KeyCode::Char('c'), KeyModifiers::CONTROL);
        assert_eq!(desk.press(key, &view()), Some(Command::Quit));
    }

    #[test]
    fn releases_and_hold_outside_a_replay_do_nothing() {
        let mut desk = Desk::new(Ink::Plain);
        let mut key = KeyEvent::new(KeyCode::Char('q'), KeyModifiers::NONE);
        key.kind = KeyEventKind::Release;
        assert_eq!(desk.press(key, &view()), None);
        assert!(type_in(&mut desk, "p").is_empty());
    }
}
