//! The report as PDF, without a browser: the page's own text and drawings, laid out
//! again.
//!
//! In: the HTML that [`report_page`](super::report_page) made, the paper. Out: a
//! PDF file. Refused: nothing; it reads what the report writes and no other HTML,
//! and what it does not know it leaves out.
//!
//! ```text
//! letters   which byte a character is, how wide a text is
//! blocks    HTML of the report -> headings, paragraphs, tables, drawings
//! picture   SVG of the report -> strokes of a page
//! flow      blocks -> pages
//! ```

mod blocks;
mod flow;
mod letters;
mod picture;

pub use flow::Paper;

/// The PDF of a page that the report made.
pub fn report_pdf(page: &str, paper: Paper) -> Vec<u8> {
    flow::pdf(&blocks::blocks(page), paper)
}
