//! From the report's own HTML to blocks.
//!
//! In: HTML as the template writes it: every tag closed, no comments. Out: blocks
//! in order. Refused: nothing; unknown tags are passed through.

/// A part of the page.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Block {
    /// Level 1 to 3.
    Heading(u8, String),
    /// The small line over the title.
    Over(String),
    /// A paragraph; small where it is a note.
    Text {
        text: String,
        small: bool,
        box_rule: bool,
    },
    /// A line of a list.
    Item(String),
    /// Names and values beside each other.
    Facts(Vec<(String, String)>),
    /// A table.
    Table(Table),
    /// Drawings beside each other, with what is written under each.
    Drawings(Vec<(String, String)>, Width),
    /// Lines to sign on.
    Signs(Vec<String>),
}

/// How much of the page a drawing takes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Width {
    Full,
    Narrow,
    Half,
}

/// A table.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Table {
    pub(super) caption: String,
    pub(super) head: Vec<Cell>,
    pub(super) rows: Vec<Vec<Cell>>,
}

/// A cell.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Cell {
    pub(super) text: String,
    pub(super) bold: bool,
    pub(super) right: bool,
    pub(super) drawing: Option<String>,
}

/// A tag with its attributes, or text, or a whole drawing.
enum Token<'a> {
    Open(&'a str, &'a str),
    Close(&'a str),
    Words(&'a str),
    Drawing(&'a str),
}

fn tokens(html: &str) -> Vec<Token<'_>> {
    let mut all = Vec::new();
    let mut rest = html;
    while let Some(at) = rest.find('<') {
        if at > 0 {
            all.push(Token::Words(&rest[..at]));
        }
        rest = &rest[at..];
        if rest.starts_with("<svg") {
            let end = rest.find("</svg>").map_or(rest.len(), |e| e + 6);
            all.push(Token::Drawing(&rest[..end]));
            rest = &rest[end..];
            continue;
        }
        let end = rest.find('>').map_or(rest.len(), |e| e + 1);
        let inside = rest[1..end].trim_end_matches('>').trim_end_matches('/');
        if let Some(name) = inside.strip_prefix('/') {
            all.push(Token::Close(name.trim()));
        } else {
            let (name, attributes) = inside
                .split_once(char::is_whitespace)
                .unwrap_or((inside, ""));
            all.push(Token::Open(name, attributes));
        }
        rest = &rest[end..];
    }
    all
}

/// Text without its escapes.
pub(super) fn plain(text: &str) -> String {
    text.replace("&lt;", "<")
        .replace("&gt;", ">")
        .replace("&quot;", "\"")
        .replace("&#39;", "'")
        .replace("&amp;", "&")
}

fn has_class(attributes: &str, class: &str) -> bool {
    attributes
        .split_once("class=\"")
        .and_then(|(_, rest)| rest.split_once('"'))
        .is_some_and(|(classes, _)| classes.split(' ').any(|c| c == class))
}

/// What is being gathered.
#[derive(Default)]
struct Gatherer {
    blocks: Vec<Block>,
    text: String,
    small: bool,
    over: bool,
    table: Option<Table>,
    row: Vec<Cell>,
    cell: Option<Cell>,
    in_head: bool,
    drawings: Option<(Vec<(String, String)>, Width)>,
    pair: bool,
    boxed: bool,
    facts: Vec<(String, String)>,
    signs: Option<Vec<String>>,
    number: bool,
}

impl Gatherer {
    fn take(&mut self) -> String {
        let text = std::mem::take(&mut self.text);
        let lines: Vec<String> = text
            .split('\n')
            .map(|l| l.split_whitespace().collect::<Vec<_>>().join(" "))
            .collect();
        lines.join("\n").trim().to_owned()
    }

    fn open(&mut self, name: &str, attributes: &str) {
        match name {
            "br" => self.text.push('\n'),
            "p" => {
                self.take();
                self.small = has_class(attributes, "note");
                self.over = has_class(attributes, "over");
            }
            "h1" | "h2" | "h3" | "li" | "dt" | "dd" | "caption" | "figcaption" => {
                self.take();
            }
            "span" => self.number = has_class(attributes, "no"),
            "table" => self.table = Some(Table::default()),
            "thead" => self.in_head = true,
            "tr" => self.row.clear(),
            "th" | "td" => {
                self.take();
                self.cell = Some(Cell {
                    bold: name == "th" && !self.in_head,
                    right: has_class(attributes, "n"),
                    ..Cell::default()
                });
            }
            "strong" if self.cell.is_some() => {
                if let Some(cell) = &mut self.cell {
                    cell.bold = true;
                }
            }
            "figure" if !self.pair => {
                let narrow = has_class(attributes, "narrow");
                let width = if narrow { Width::Narrow } else { Width::Full };
                self.drawings = Some((Vec::new(), width));
            }
            "div" if has_class(attributes, "pair") => {
                self.pair = true;
                self.drawings = Some((Vec::new(), Width::Half));
            }
            "div" if has_class(attributes, "box") => self.boxed = true,
            "div" if has_class(attributes, "sign") => self.signs = Some(Vec::new()),
            "div" if self.signs.is_some() => {
                self.take();
            }
            _ => {}
        }
    }

    fn close(&mut self, name: &str) {
        match name {
            "p" => {
                let text = self.take();
                if !text.is_empty() {
                    let block = if self.over {
                        Block::Over(text)
                    } else {
                        Block::Text {
                            text,
                            small: self.small,
                            box_rule: self.boxed,
                        }
                    };
                    self.blocks.push(block);
                }
            }
            "h1" | "h2" | "h3" => {
                let level = name.as_bytes()[1] - b'0';
                let text = self.take();
                self.blocks.push(Block::Heading(level, text));
            }
            "span" if self.number => {
                self.text.push_str(". ");
                self.number = false;
            }
            "li" => {
                let text = self.take();
                self.blocks.push(Block::Item(text));
            }
            "dt" => {
                let name = self.take();
                self.facts.push((name, String::new()));
            }
            "dd" => {
                let value = self.take();
                if let Some(last) = self.facts.last_mut() {
                    last.1 = value;
                }
            }
            "dl" => self
                .blocks
                .push(Block::Facts(std::mem::take(&mut self.facts))),
            "caption" => {
                let text = self.take();
                if let Some(table) = &mut self.table {
                    table.caption = text;
                }
            }
            "th" | "td" => {
                let text = self.take();
                if let Some(mut cell) = self.cell.take() {
                    cell.text = text;
                    self.row.push(cell);
                }
            }
            "tr" => {
                let row = std::mem::take(&mut self.row);
                if let Some(table) = &mut self.table {
                    if self.in_head {
                        table.head = row;
                    } else {
                        table.rows.push(row);
                    }
                }
            }
            "thead" => self.in_head = false,
            "table" => self.blocks.extend(self.table.take().map(Block::Table)),
            "figcaption" => {
                let text = self.take();
                if let Some(last) = self.drawings.as_mut().and_then(|d| d.0.last_mut()) {
                    last.1 = text;
                }
            }
            "figure" if !self.pair => self.put_drawings(),
            "div" => self.close_div(),
            _ => {}
        }
    }

    fn close_div(&mut self) {
        if let Some(signs) = &mut self.signs {
            let words = std::mem::take(&mut self.text);
            let words = words
                .split('\n')
                .map(str::trim)
                .collect::<Vec<_>>()
                .join("\n");
            if words.trim().is_empty() {
                self.blocks.extend(self.signs.take().map(Block::Signs));
            } else {
                signs.push(words.trim().to_owned());
            }
        } else if self.pair {
            self.pair = false;
            self.put_drawings();
        } else {
            self.boxed = false;
        }
    }

    fn put_drawings(&mut self) {
        if let Some((drawings, width)) = self.drawings.take().filter(|d| !d.0.is_empty()) {
            self.blocks.push(Block::Drawings(drawings, width));
        }
    }
}

/// The blocks of a page.
pub(super) fn blocks(page: &str) -> Vec<Block> {
    let body = page.split_once("<body>").map_or(page, |(_, body)| body);
    let mut g = Gatherer::default();
    for token in tokens(body) {
        match token {
            Token::Open(name, attributes) => g.open(name, attributes),
            Token::Close(name) => g.close(name),
            Token::Words(words) => g.text.push_str(&plain(words).replace('\n', " ")),
            Token::Drawing(svg) => {
                if let Some(cell) = &mut g.cell {
                    cell.drawing = Some(svg.to_owned());
                } else if let Some((drawings, _)) = &mut g.drawings {
                    drawings.push((svg.to_owned(), String::new()));
                }
            }
        }
    }
    g.blocks
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_page_comes_apart_into_its_blocks() {
        let page = "<html><head><title>no</title></head><body><h2><span class=\"no\">1</span>Heights</h2>\
            <p class=\"note\">a &lt;b&gt; &amp; c</p><table><caption>cap</caption><thead><tr><th>x</th><th class=\"n\">y</th></tr></thead>\
            <tbody><tr><th scope=\"row\">r</th><td class=\"n\">1 <strong>2</strong></td></tr></tbody></table>\
            <figure><svg viewBox=\"0 0 1 1\"></svg><figcaption>under</figcaption></figure>\
            <div class=\"sign\"><div>by<br>name</div></div></body></html>";
        let found = blocks(page);
        assert_eq!(found[0], Block::Heading(2, "1. Heights".to_owned()));
        assert_eq!(
            found[1],
            Block::Text {
                text: "a <b> & c".to_owned(),
                small: true,
                box_rule: false
            }
        );
        let Block::Table(table) = &found[2] else {
            unreachable!("{found:?}")
        };
        assert_eq!(
            (table.caption.as_str(), table.head.len(), table.rows.len()),
            ("cap", 2, 1)
        );
        assert!(table.rows[0][0].bold && table.rows[0][1].bold && table.rows[0][1].right);
        assert_eq!(table.rows[0][1].text, "1 2");
        assert!(matches!(&found[3], Block::Drawings(d, Width::Full) if d[0].1 == "under"));
        assert_eq!(found[4], Block::Signs(vec!["by\nname".to_owned()]));
    }
}
