//! A rectangle of the screen that cannot be written past its edge.
//!
//! In: text, styles, places counted from the pane's own upper left corner.
//! Out: cells of a buffer. Refused: anything outside, silently; text that is
//! too long ends in '…'; control characters become blanks.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::{Color, Modifier, Style};
use ratatui::text::Span;

use super::view::{Quality, Severity, Verdict};

/// Colour or none. Blue and yellow stay apart for every kind of colour
/// blindness; nothing is said by colour alone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ink {
    /// The terminal's own sixteen colours.
    Colour,
    /// Bold, dim and reversed only.
    Plain,
}

impl Ink {
    /// Plain where `NO_COLOR` is set to anything but nothing, or the terminal
    /// is a dumb one.
    pub fn from_environment() -> Self {
        let set = |name: &str| std::env::var_os(name).filter(|value| !value.is_empty());
        if set("NO_COLOR").is_some() || set("TERM").is_some_and(|term| term == "dumb") {
            Self::Plain
        } else {
            Self::Colour
        }
    }

    fn with(self, colour: Color) -> Style {
        match self {
            Self::Colour => Style::new().fg(colour),
            Self::Plain => Style::new(),
        }
    }

    pub(super) fn text(self) -> Style {
        self.with(Color::Reset)
    }

    pub(super) fn strong(self) -> Style {
        self.text().add_modifier(Modifier::BOLD)
    }

    pub(super) fn faint(self) -> Style {
        self.text().add_modifier(Modifier::DIM)
    }

    pub(super) fn bar(self) -> Style {
        self.text().add_modifier(Modifier::REVERSED)
    }

    /// Dark on light whatever the terminal's own ground is, for a camera.
    pub(super) fn paper(self) -> Style {
        match self {
            Self::Colour => Style::new().fg(Color::Black).bg(Color::White),
            Self::Plain => Style::new(),
        }
    }

    pub(super) fn key(self) -> Style {
        self.text()
            .add_modifier(Modifier::BOLD | Modifier::UNDERLINED)
    }

    pub(super) fn link(self) -> Style {
        self.with(Color::Magenta).add_modifier(Modifier::BOLD)
    }

    pub(super) fn verdict(self, verdict: Verdict) -> Style {
        match verdict {
            Verdict::Inside => self.with(Color::LightBlue),
            Verdict::Outside => self.with(Color::Yellow),
            Verdict::CannotTell => self.text(),
        }
        .add_modifier(Modifier::BOLD)
    }

    pub(super) fn quality(self, quality: Quality) -> Style {
        match quality {
            Quality::Good => self.with(Color::LightBlue),
            Quality::Moving => self.text(),
            _ => self
                .with(Color::Yellow)
                .add_modifier(Modifier::BOLD | Modifier::REVERSED),
        }
    }

    pub(super) fn message(self, weight: Severity) -> Style {
        match weight {
            Severity::Notice => self.text(),
            Severity::Warning => self.with(Color::Yellow).add_modifier(Modifier::BOLD),
            Severity::Error => self
                .with(Color::Yellow)
                .add_modifier(Modifier::BOLD | Modifier::REVERSED),
        }
    }
}

/// A rectangle of a buffer.
pub(super) struct Pane<'a> {
    buffer: &'a mut Buffer,
    area: Rect,
    pub(super) ink: Ink,
}

impl<'a> Pane<'a> {
    pub(super) fn new(buffer: &'a mut Buffer, area: Rect, ink: Ink) -> Self {
        let area = area.intersection(buffer.area);
        Self { buffer, area, ink }
    }

    pub(super) const fn width(&self) -> u16 {
        self.area.width
    }

    pub(super) const fn height(&self) -> u16 {
        self.area.height
    }

    /// The part that starts at (`left`, `top`), cut off at this pane's edge.
    pub(super) fn part(&mut self, left: u16, top: u16, width: u16, height: u16) -> Pane<'_> {
        let left = left.min(self.area.width);
        let top = top.min(self.area.height);
        let area = Rect {
            x: self.area.x + left,
            y: self.area.y + top,
            width: width.min(self.area.width - left),
            height: height.min(self.area.height - top),
        };
        Pane {
            buffer: self.buffer,
            area,
            ink: self.ink,
        }
    }

    /// Blanks everything.
    pub(super) fn clear(&mut self) {
        for y in self.area.top()..self.area.bottom() {
            for x in self.area.left()..self.area.right() {
                if let Some(cell) = self.buffer.cell_mut((x, y)) {
                    cell.reset();
                }
            }
        }
    }

    /// One character.
    pub(super) fn set(&mut self, left: u16, top: u16, letter: char, style: Style) {
        if left < self.area.width
            && top < self.area.height
            && let Some(cell) = self
                .buffer
                .cell_mut((self.area.x + left, self.area.y + top))
        {
            cell.set_char(letter).set_style(alone(style));
        }
    }

    /// Text from (`left`, `top`); gives the column after it.
    pub(super) fn write(&mut self, left: u16, top: u16, text: &str, style: Style) -> u16 {
        if left >= self.area.width || top >= self.area.height {
            return left;
        }
        let free = self.area.width - left;
        let (end, _) = self.buffer.set_stringn(
            self.area.x + left,
            self.area.y + top,
            cut(text, free),
            usize::from(free),
            alone(style),
        );
        end.saturating_sub(self.area.x)
    }

    /// Text that ends at the right edge.
    pub(super) fn write_right(&mut self, top: u16, text: &str, style: Style) {
        let left = self.area.width.saturating_sub(wide(text));
        self.write(left, top, text, style);
    }

    /// Text in the middle.
    pub(super) fn write_middle(&mut self, top: u16, text: &str, style: Style) {
        let left = self.area.width.saturating_sub(wide(text)) / 2;
        self.write(left, top, text, style);
    }

    /// Pieces one after another; gives the column after the last.
    pub(super) fn write_all(&mut self, left: u16, top: u16, pieces: &[(&str, Style)]) -> u16 {
        pieces
            .iter()
            .fold(left, |at, (text, style)| self.write(at, top, text, *style))
    }

    /// A line across with a title in it.
    pub(super) fn rule(&mut self, top: u16, title: &str) {
        let faint = self.ink.faint();
        for column in 0..self.area.width {
            self.set(column, top, '─', faint);
        }
        if !title.is_empty() {
            let strong = self.ink.strong();
            self.write(2, top, &format!(" {title} "), strong);
        }
    }

    /// Fills a row with blanks in a style.
    pub(super) fn fill(&mut self, top: u16, style: Style) {
        for column in 0..self.area.width {
            self.set(column, top, ' ', style);
        }
    }
}

/// The style without anything of what the cell had before.
fn alone(style: Style) -> Style {
    Style::reset().patch(style)
}

/// Columns that a text takes.
pub(super) fn wide(text: &str) -> u16 {
    u16::try_from(Span::raw(text).width()).unwrap_or(u16::MAX)
}

/// The text within `columns`, with '…' where something was left out, and
/// without control characters.
pub(super) fn cut(text: &str, columns: u16) -> String {
    let clean: String = text
        .chars()
        .map(|letter| if letter.is_control() { ' ' } else { letter })
        .collect();
    if wide(&clean) <= columns {
        return clean;
    }
    let mut kept = String::new();
    let mut used = 0_u16;
    for grapheme in Span::raw(clean.as_str()).styled_graphemes(Style::new()) {
        let next = used.saturating_add(wide(grapheme.symbol));
        if next >= columns {
            break;
        }
        used = next;
        kept.push_str(grapheme.symbol);
    }
    let mut kept = kept.trim_end().to_owned();
    if columns > 0 {
        kept.push('…');
    }
    kept
}

/// A text broken at blanks into lines of at most `columns`.
pub(super) fn wrap(text: &str, columns: u16) -> Vec<String> {
    wrap_pieces(text.split_whitespace(), columns)
}

/// Pieces with blanks between them in lines of at most `columns`; no piece is
/// broken.
pub(super) fn wrap_pieces<'t>(pieces: impl Iterator<Item = &'t str>, columns: u16) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for piece in pieces {
        match lines.last_mut() {
            Some(line) if wide(line).saturating_add(wide(piece)).saturating_add(1) <= columns => {
                line.push(' ');
                line.push_str(piece);
            }
            _ => lines.push(piece.to_owned()),
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_does_not_fit_ends_in_an_ellipsis() {
        assert_eq!(cut("rear left", 9), "rear left");
        assert_eq!(cut("rear left", 8), "rear le…");
        assert_eq!(cut("rear left", 6), "rear…");
        assert_eq!(cut("rear left", 1), "…");
        assert_eq!(cut("rear left", 0), "");
        assert_eq!(cut("前輪左", 5), "前輪…");
        assert_eq!(cut("a\u{1b}[2Jb", 9), "a [2Jb");
    }

    #[test]
    fn nothing_is_written_outside() {
        let mut buffer = Buffer::empty(Rect::new(0, 0, 6, 3));
        let mut pane = Pane::new(&mut buffer, Rect::new(0, 0, 6, 3), Ink::Plain);
        let mut part = pane.part(2, 1, 3, 1);
        part.write(0, 0, "abcdef", Style::new());
        part.write(0, 1, "zzz", Style::new());
        part.set(3, 0, 'z', Style::new());
        assert_eq!(buffer, Buffer::with_lines(["      ", "  ab… ", "      "]));
    }
}
