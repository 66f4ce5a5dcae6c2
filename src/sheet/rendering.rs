//! Mistakes as a person reads them: file, line, column, the line with carets
//! under what is wrong, and what would be right.
//!
//! In: all mistakes of a sheet. Out: text, in the order of the places; with
//! colour only where asked.

use std::borrow::Cow;
use std::fmt;

use annotate_snippets::{AnnotationKind, Level, Renderer, Snippet};

use super::mistakes::{Found, Wrong};
use super::sources::Sources;

/// No more than this are drawn; a text with more is no sheet. Chosen.
const MOST_DRAWN: usize = 200;

/// All mistakes of one sheet, sorted by place. Never empty.
#[derive(Debug, Clone, PartialEq)]
pub struct Mistakes {
    pub(super) sources: Sources,
    pub(super) found: Vec<Found>,
}

/// One mistake.
#[derive(Debug, Clone, PartialEq)]
pub struct Mistake {
    /// The file, or `--set`.
    pub file: String,
    /// Line, counted from 1.
    pub line: usize,
    /// Column in characters, counted from 1.
    pub column: usize,
    /// The stable code: `sheet.spring_rate.range`.
    pub code: String,
    /// What is wrong.
    pub wrong: Wrong,
    /// What would be right.
    pub help: String,
}

impl Mistakes {
    pub(super) fn new(sources: Sources, mut found: Vec<Found>) -> Self {
        found.sort_by_key(|f| f.at);
        let mut once: Vec<Found> = Vec::new();
        for one in found {
            let mut here = once.iter().rev().take_while(|o| o.at == one.at);
            if !here.any(|o| o.wrong.says_what(&one.wrong)) {
                once.push(one);
            }
        }
        Self {
            sources,
            found: once,
        }
    }

    /// How many there are.
    pub fn count(&self) -> usize {
        self.found.len()
    }

    /// Each with its place.
    pub fn iter(&self) -> impl Iterator<Item = Mistake> + '_ {
        self.found.iter().map(|found| {
            let (source, range) = self.sources.find(found.at);
            let line = source.lines.partition_point(|l| *l <= range.start);
            let line_start = line.checked_sub(1).map_or(0, |i| source.lines[i]);
            Mistake {
                file: source.name.clone(),
                line,
                column: source.text[line_start..range.start].chars().count() + 1,
                code: found.wrong.code(),
                wrong: found.wrong.clone(),
                help: tame(&found.wrong.help()),
            }
        })
    }

    /// As text, in colour or plain.
    pub fn render(&self, colour: bool) -> String {
        let renderer = if colour {
            Renderer::styled()
        } else {
            Renderer::plain()
        };
        let mut text = String::new();
        for found in self.found.iter().take(MOST_DRAWN) {
            text.push_str(&self.render_one(found, &renderer));
            text.push_str("\n\n");
        }
        let file = &self.sources.0[0].name;
        let count = match self.found.len() {
            1 => "1 mistake".to_owned(),
            many => format!("{many} mistakes"),
        };
        text.push_str(&count);
        text.push_str(" in ");
        text.push_str(file);
        if self.found.len() > MOST_DRAWN {
            text.push_str(" (the first ");
            text.push_str(&MOST_DRAWN.to_string());
            text.push_str(" are shown)");
        }
        text.push('\n');
        text
    }

    fn render_one(&self, found: &Found, renderer: &Renderer) -> String {
        let (source, range) = self.sources.find(found.at);
        let text = without_long_commands(&source.text);
        let mut snippet = Snippet::source(text.as_ref())
            .path(&source.name)
            .annotation(AnnotationKind::Primary.span(range));
        for (place, why) in &found.also {
            let (other, range) = self.sources.find(*place);
            // What stands in another text cannot be drawn in this one.
            if other.base == source.base {
                snippet = snippet.annotation(AnnotationKind::Context.span(range).label(*why));
            }
        }
        let group = Level::ERROR
            .primary_title(tame(&found.wrong.to_string()))
            .id(found.wrong.code())
            .element(snippet)
            .element(Level::HELP.message(tame(&found.wrong.help())));
        renderer.render(&[group])
    }
}

/// What a sheet says, without what commands a terminal: control characters by their pictures.
fn tame(text: &str) -> String {
    text.chars()
        .map(|c| match u32::from(c) {
            0x09 | 0x0a => c,
            // Unicode, Control Pictures: U+2400 and on for U+0000 and on.
            code @ 0..0x20 => char::from_u32(0x2400 + code).unwrap_or('\u{fffd}'),
            0x7f => '\u{2421}',
            0x80..0xa0 => '\u{fffd}',
            _ => c,
        })
        .collect()
}

/// A text whose places stay what they are, without the control characters U+0080 to U+009F:
/// some terminals obey them, and the renderer shows pictures for the shorter ones only.
fn without_long_commands(text: &str) -> Cow<'_, str> {
    let command = |c: char| ('\u{80}'..='\u{9f}').contains(&c);
    if text.contains(command) {
        // As long in UTF-8 as what it stands for.
        Cow::Owned(text.replace(command, "\u{bf}"))
    } else {
        Cow::Borrowed(text)
    }
}

impl fmt::Display for Mistakes {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.render(false))
    }
}

impl std::error::Error for Mistakes {}
