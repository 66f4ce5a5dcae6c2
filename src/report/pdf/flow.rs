//! From blocks to pages.
//!
//! In: blocks, the paper. Out: a PDF. A heading stays with what follows it, a row
//! of a table on one page, the head of a table is written again on the next.

use super::blocks::{Block, Cell, Table, Width};
use super::letters;
use super::picture::{self, Place, f};
use pdf_writer::{Content, Finish, Name, Pdf, Rect, Ref, Str, TextStr};

/// The paper.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Paper {
    /// 210 mm x 297 mm.
    #[default]
    A4,
    /// 8 1/2 in x 11 in.
    Letter,
}

impl Paper {
    /// Width and height in points.
    const fn size(self) -> (f64, f64) {
        match self {
            Self::A4 => (595.28, 841.89),
            Self::Letter => (612.0, 792.0),
        }
    }
}

const MARGIN: f64 = 42.0;
const BOTTOM: f64 = 50.0;
const TEXT: f64 = 9.5;
const SMALL: f64 = 8.0;
const LEADING: f64 = 1.3;
/// A paragraph is no wider, so that the eye finds the next line.
const LONGEST_LINE: f64 = 430.0;

/// Between drawings beside each other.
const BETWEEN: f64 = 14.0;
/// A drawing is made no smaller than this share to fit the rest of a page; its letters
/// stay as large as they must be.
const LEAST_SHARE: f64 = 0.7;

const INK: [f64; 3] = [0.086, 0.141, 0.169];
const SOFT: [f64; 3] = [0.333, 0.4, 0.431];
const RUST: [f64; 3] = [0.612, 0.239, 0.071];
const LINE: [f64; 3] = [0.725, 0.769, 0.784];

/// How a text is set.
#[derive(Debug, Clone, Copy)]
struct Type {
    size: f64,
    bold: bool,
    colour: [f64; 3],
}

const BODY: Type = Type {
    size: TEXT,
    bold: false,
    colour: INK,
};
const NOTE: Type = Type {
    size: SMALL,
    bold: false,
    colour: SOFT,
};

struct Pages {
    done: Vec<Content>,
    page: Content,
    y: f64,
    width: f64,
    height: f64,
}

impl Pages {
    fn new(paper: Paper) -> Self {
        let (width, height) = paper.size();
        Self {
            done: Vec::new(),
            page: Content::new(),
            y: height - MARGIN,
            width,
            height,
        }
    }

    fn inner(&self) -> f64 {
        self.width - 2.0 * MARGIN
    }

    fn next_page(&mut self) {
        self.done
            .push(std::mem::replace(&mut self.page, Content::new()));
        self.y = self.height - MARGIN;
    }

    /// Makes room; a new page where there is none.
    fn need(&mut self, height: f64) {
        let fresh = (self.y - (self.height - MARGIN)).abs() < 1.0;
        if self.y - height < BOTTOM && !fresh {
            self.next_page();
        }
    }

    fn write(&mut self, x: f64, y: f64, of: Type, text: &str) {
        let [r, g, b] = of.colour;
        self.page.begin_text();
        self.page.set_fill_rgb(f(r), f(g), f(b));
        self.page
            .set_font(Name(if of.bold { b"B" } else { b"R" }), f(of.size));
        self.page.set_text_matrix([1.0, 0.0, 0.0, 1.0, f(x), f(y)]);
        self.page.show(Str(&letters::bytes(text)));
        self.page.end_text();
    }

    fn rule(&mut self, x: f64, y: f64, length: f64, width: f64, [r, g, b]: [f64; 3]) {
        self.page.save_state();
        self.page.set_stroke_rgb(f(r), f(g), f(b));
        self.page.set_line_width(f(width));
        self.page.move_to(f(x), f(y));
        self.page.line_to(f(x + length), f(y));
        self.page.stroke();
        self.page.restore_state();
    }

    fn paragraph(&mut self, text: &str, of: Type, indent: f64, most: f64) {
        for line in letters::lines(text, of.bold, of.size, most) {
            let step = of.size * LEADING;
            self.need(step);
            self.y -= step;
            self.write(MARGIN + indent, self.y + 0.25 * of.size, of, &line);
        }
    }

    /// How much room a heading wants, so that what it heads begins on its page.
    fn with_heading(&self, after: &[Block]) -> f64 {
        let mut room = 44.0;
        for block in after {
            match block {
                Block::Text { text, small, .. } => {
                    let of = if *small { NOTE } else { BODY };
                    let lines = letters::lines(text, of.bold, of.size, LONGEST_LINE).len();
                    room += lines as f64 * of.size * LEADING + 4.0;
                }
                Block::Drawings(drawings, width) => {
                    let (across, share) = shares(*width);
                    let each = self.each(across, share);
                    let row = drawings.iter().take(across);
                    let tall = row.map(|(svg, _)| picture::height(svg, each));
                    return room + LEAST_SHARE * tall.fold(0.0, f64::max) + 30.0;
                }
                Block::Heading(..) => return room,
                _ => return room + 62.0,
            }
        }
        room
    }

    /// Width of each of so many drawings beside each other.
    fn each(&self, across: usize, share: f64) -> f64 {
        (self.inner() * share - BETWEEN * (across as f64 - 1.0)) / across as f64
    }

    fn block(&mut self, block: &Block) {
        match block {
            Block::Over(text) => {
                self.paragraph(
                    &text.to_uppercase(),
                    Type {
                        size: 8.0,
                        bold: false,
                        colour: RUST,
                    },
                    0.0,
                    self.inner(),
                );
            }
            Block::Heading(1, text) => {
                self.paragraph(
                    text,
                    Type {
                        size: 21.0,
                        bold: true,
                        colour: INK,
                    },
                    0.0,
                    self.inner(),
                );
                self.y -= 4.0;
            }
            Block::Heading(2, text) => {
                self.need(110.0);
                self.y -= 16.0;
                self.rule(MARGIN, self.y, self.inner(), 1.6, INK);
                self.y -= 4.0;
                self.paragraph(
                    text,
                    Type {
                        size: 13.5,
                        bold: true,
                        colour: INK,
                    },
                    0.0,
                    self.inner(),
                );
                self.y -= 4.0;
            }
            Block::Heading(_, text) => {
                self.need(70.0);
                self.y -= 6.0;
                self.paragraph(
                    text,
                    Type {
                        size: 10.5,
                        bold: true,
                        colour: INK,
                    },
                    0.0,
                    self.inner(),
                );
            }
            Block::Text { text, small, .. } => {
                self.paragraph(text, if *small { NOTE } else { BODY }, 0.0, LONGEST_LINE);
                self.y -= 4.0;
            }
            Block::Item(text) => {
                self.need(TEXT * LEADING);
                self.write(MARGIN + 2.0, self.y - TEXT * (LEADING - 0.25), BODY, "•");
                self.paragraph(text, BODY, 12.0, LONGEST_LINE);
                self.y -= 1.5;
            }
            Block::Facts(facts) => self.facts(facts),
            Block::Table(table) => self.table(table),
            Block::Drawings(drawings, width) => self.drawings(drawings, *width),
            Block::Signs(signs) => self.signs(signs),
        }
    }

    fn facts(&mut self, facts: &[(String, String)]) {
        let column = self.inner() / facts.len().max(1) as f64;
        self.need(34.0);
        self.y -= 6.0;
        for (i, (name, value)) in facts.iter().enumerate() {
            let x = MARGIN + column * i as f64;
            self.write(x, self.y - 8.0, NOTE, name);
            let bold = Type {
                size: 8.6,
                bold: true,
                colour: INK,
            };
            for (k, line) in letters::lines(value, true, 8.6, column - 8.0)
                .iter()
                .take(2)
                .enumerate()
            {
                self.write(x, self.y - 20.0 - 10.5 * k as f64, bold, line);
            }
        }
        self.y -= 36.0;
        self.rule(MARGIN, self.y, self.inner(), 0.5, LINE);
    }

    fn signs(&mut self, signs: &[String]) {
        let half = self.inner() / 2.0;
        for pair in signs.chunks(2) {
            self.need(64.0);
            self.y -= 38.0;
            for (i, words) in pair.iter().enumerate() {
                let x = MARGIN + half * i as f64;
                self.rule(x, self.y, half - 16.0, 0.8, INK);
                for (k, line) in words.split('\n').enumerate() {
                    self.write(x, self.y - 10.0 - 10.0 * k as f64, NOTE, line);
                }
            }
            self.y -= 26.0;
        }
    }

    fn drawings(&mut self, drawings: &[(String, String)], width: Width) {
        let (across, share) = shares(width);
        let most = self.each(across, share);
        for row in drawings.chunks(across) {
            let mut each = most;
            let tall = row
                .iter()
                .map(|(svg, _)| picture::height(svg, each))
                .fold(0.0, f64::max);
            let words = row
                .iter()
                .map(|(_, under)| letters::lines(under, false, SMALL, most).len())
                .max()
                .unwrap_or(0) as f64;
            let below = words * SMALL * LEADING + 12.0;
            // A little smaller, where that saves an empty rest of the page.
            let left = self.y - BOTTOM - below;
            let tall = if across == 1 && tall > left && tall * LEAST_SHARE <= left {
                each *= left / tall;
                left
            } else {
                tall
            };
            self.need(tall + below);
            self.y -= 4.0;
            let top = self.y;
            for (i, (svg, under)) in row.iter().enumerate() {
                let left = MARGIN + (each + BETWEEN) * i as f64;
                let place = Place {
                    left,
                    top,
                    width: each,
                    least_text: 6.2,
                };
                picture::draw(svg, place, &mut self.page);
                for (k, line) in letters::lines(under, false, SMALL, most).iter().enumerate() {
                    let y = top - tall - SMALL * LEADING * (k as f64 + 1.0);
                    self.write(left, y, NOTE, line);
                }
            }
            self.y = top - tall - words * SMALL * LEADING - 8.0;
        }
    }

    fn table(&mut self, table: &Table) {
        let (columns, size) = columns(table, self.inner());
        self.need(62.0);
        self.y -= 3.0;
        self.paragraph(&table.caption, NOTE, 0.0, self.inner());
        let head = Layout {
            columns: &columns,
            size: (size - 1.0).max(6.0),
            colour: SOFT,
        };
        let body = Layout {
            columns: &columns,
            size,
            colour: INK,
        };
        self.need(head.height(&table.head) + 20.0);
        self.row(&table.head, &head, true);
        for row in &table.rows {
            if self.y - body.height(row) < BOTTOM {
                self.next_page();
                self.row(&table.head, &head, true);
            }
            self.row(row, &body, false);
        }
        self.y -= 8.0;
    }

    fn row(&mut self, row: &[Cell], of: &Layout<'_>, head: bool) {
        let height = of.height(row);
        let mut x = MARGIN;
        for (cell, width) in row.iter().zip(of.columns) {
            let lines = letters::lines(&cell.text, cell.bold, of.size, width - GAP + 0.01);
            // The words of a head stand on its line.
            let down = if head {
                height - 3.0 - lines.len() as f64 * of.size * LEADING
            } else {
                0.0
            };
            for (k, line) in lines.iter().enumerate() {
                let back = if cell.right {
                    width - GAP - letters::width(line, cell.bold, of.size)
                } else {
                    0.0
                };
                let y = self.y - down - of.size * LEADING * (k as f64 + 1.0);
                self.write(
                    x + back,
                    y,
                    Type {
                        size: of.size,
                        bold: cell.bold,
                        colour: of.colour,
                    },
                    line,
                );
            }
            if let Some(svg) = &cell.drawing {
                let wide = (width - GAP).min(STRIP);
                let tall = picture::height(svg, wide);
                let place = Place {
                    left: x,
                    top: self.y - (height - tall) / 2.0,
                    width: wide,
                    least_text: 6.0,
                };
                picture::draw(svg, place, &mut self.page);
            }
            x += width;
        }
        self.y -= height;
        let (width, colour) = if head { (0.8, INK) } else { (0.35, LINE) };
        self.rule(MARGIN, self.y, self.inner(), width, colour);
    }
}

/// Between two columns.
const GAP: f64 = 7.0;
/// Width of a drawing in a cell.
const STRIP: f64 = 105.0;

struct Layout<'a> {
    columns: &'a [f64],
    size: f64,
    colour: [f64; 3],
}

impl Layout<'_> {
    fn height(&self, row: &[Cell]) -> f64 {
        let lines = row
            .iter()
            .zip(self.columns)
            .map(|(c, w)| letters::lines(&c.text, c.bold, self.size, w - GAP + 0.01).len())
            .max()
            .unwrap_or(1) as f64;
        lines * self.size * LEADING + 4.5
    }
}

/// Widths of the columns and the size of the letters: as wide as the content where
/// there is room, else words are broken, else the letters are smaller.
fn columns(table: &Table, most: f64) -> (Vec<f64>, f64) {
    let count = table
        .rows
        .iter()
        .map(Vec::len)
        .max()
        .unwrap_or(0)
        .max(table.head.len());
    let cells = |i: usize| table.rows.iter().filter_map(move |r| r.get(i));
    for size in [8.6, 7.8, 7.0, 6.2] {
        // The longest word of a column, and its longest text.
        let of = |i: usize, whole: bool| {
            let text = |c: &Cell, size: f64| {
                let numbers = c.right && size > 0.0;
                if whole || numbers {
                    c.text
                        .split('\n')
                        .map(|l| letters::width(l, c.bold, size))
                        .fold(0.0, f64::max)
                } else {
                    c.text
                        .split_whitespace()
                        .map(|w| letters::width(w, c.bold, size))
                        .fold(0.0, f64::max)
                }
            };
            let head = table.head.get(i).map_or(0.0, |c| {
                c.text
                    .split_whitespace()
                    .map(|w| letters::width(w, false, size - 1.0))
                    .fold(0.0, f64::max)
            });
            let drawn = if cells(i).any(|c| c.drawing.is_some()) {
                STRIP
            } else {
                0.0
            };
            cells(i)
                .map(|c| text(c, size))
                .fold(head.max(drawn), f64::max)
                + GAP
        };
        let least: Vec<f64> = (0..count).map(|i| of(i, false)).collect();
        let wanted: Vec<f64> = (0..count).map(|i| of(i, true)).collect();
        let (low, high): (f64, f64) = (least.iter().sum(), wanted.iter().sum());
        if low > most && size > 6.5 {
            continue;
        }
        let columns = if high <= most {
            // What is over goes between the columns, the first one first.
            let over = (most - high) / count.max(1) as f64;
            wanted.iter().map(|w| w + over).collect()
        } else {
            let share = ((most - low) / (high - low)).clamp(0.0, 1.0);
            least
                .iter()
                .zip(&wanted)
                .map(|(l, w)| l + share * (w - l))
                .collect()
        };
        return (columns, size);
    }
    (vec![most / count.max(1) as f64; count], 6.2)
}

/// How many drawings beside each other, on what share of the width.
const fn shares(width: Width) -> (usize, f64) {
    match width {
        Width::Full => (1, 1.0),
        Width::Narrow => (1, 0.72),
        Width::Half => (2, 1.0),
    }
}

/// The pages as a file.
pub(super) fn pdf(blocks: &[Block], paper: Paper) -> Vec<u8> {
    let mut pages = Pages::new(paper);
    for (i, block) in blocks.iter().enumerate() {
        if matches!(block, Block::Heading(2 | 3, _)) {
            let after = blocks.get(i + 1..).unwrap_or_default();
            pages.need(pages.with_heading(after));
        }
        pages.block(block);
    }
    pages.next_page();
    let (width, height) = (pages.width, pages.height);
    let count = pages.done.len();
    let mut file = Pdf::new();
    let (catalog, tree, info, regular, bold) = (
        Ref::new(1),
        Ref::new(2),
        Ref::new(3),
        Ref::new(4),
        Ref::new(5),
    );
    let number = |i: usize| i32::try_from(i).unwrap_or(0);
    let page_id = |i: usize| Ref::new(6 + 2 * number(i));
    let content_id = |i: usize| Ref::new(7 + 2 * number(i));
    let title = blocks.iter().find_map(|b| match b {
        Block::Heading(1, text) => Some(text.as_str()),
        _ => None,
    });
    file.catalog(catalog).pages(tree).lang(TextStr("en"));
    file.pages(tree)
        .kids((0..count).map(page_id))
        .count(number(count));
    file.document_info(info)
        .title(TextStr(title.unwrap_or("stillheight")))
        .producer(TextStr("stillheight"));
    for (id, name) in [
        (regular, b"Helvetica".as_slice()),
        (bold, b"Helvetica-Bold"),
    ] {
        file.type1_font(id)
            .base_font(Name(name))
            .encoding_predefined(Name(b"WinAnsiEncoding"));
    }
    let mut done = std::mem::take(&mut pages.done);
    for (i, content) in done.drain(..).enumerate() {
        pages.page = content;
        let foot = format!("{} of {count}", i + 1);
        let right = width - MARGIN - letters::width(&foot, false, 7.5);
        let small = Type {
            size: 7.5,
            bold: false,
            colour: SOFT,
        };
        pages.write(MARGIN, 28.0, small, "stillheight");
        pages.write(right, 28.0, small, &foot);
        let written = std::mem::replace(&mut pages.page, Content::new()).finish();
        let mut page = file.page(page_id(i));
        page.parent(tree)
            .media_box(Rect::new(0.0, 0.0, f(width), f(height)))
            .contents(content_id(i));
        let mut resources = page.resources();
        resources
            .fonts()
            .pair(Name(b"R"), regular)
            .pair(Name(b"B"), bold);
        resources.finish();
        page.finish();
        file.stream(content_id(i), &written);
    }
    file.finish()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cell(text: &str) -> Cell {
        Cell {
            text: text.to_owned(),
            ..Cell::default()
        }
    }

    #[test]
    fn columns_never_go_beyond_the_paper() {
        let long = "a very long text that has to be broken into several lines somewhere";
        let table = Table {
            head: vec![cell("one"); 9],
            rows: vec![vec![cell(long); 9]],
            ..Table::default()
        };
        let (columns, size) = columns(&table, 500.0);
        assert!(columns.iter().sum::<f64>() <= 500.0 + 1e-6, "{columns:?}");
        assert!(size >= 6.0);
    }

    #[test]
    fn a_long_table_goes_over_pages_and_the_file_has_a_frame() {
        let table = Table {
            caption: "caption".to_owned(),
            head: vec![cell("a"), cell("b")],
            rows: vec![vec![cell("x"), cell("y")]; 200],
        };
        for paper in [Paper::A4, Paper::Letter] {
            let file = pdf(
                &[
                    Block::Heading(1, "t".to_owned()),
                    Block::Table(table.clone()),
                ],
                paper,
            );
            let text = String::from_utf8_lossy(&file);
            assert!(text.starts_with("%PDF-") && text.trim_end().ends_with("%%EOF"));
            assert!(
                text.matches("/Type /Page\n").count() >= 4,
                "{}",
                text.matches("/Type /Page\n").count()
            );
        }
    }
}
