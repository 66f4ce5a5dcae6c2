//! A plain table: columns aligned by their widest cell, numbers to the right.

/// A table with a heading row.
#[derive(Debug, Clone)]
pub struct Table {
    rows: Vec<Vec<String>>,
    left: usize,
}

impl Default for Table {
    fn default() -> Self {
        Self {
            rows: Vec::new(),
            left: 1,
        }
    }
}

impl Table {
    /// With its headings.
    pub fn new<const N: usize>(headings: [&str; N]) -> Self {
        Self {
            rows: vec![headings.map(str::to_owned).to_vec()],
            left: 1,
        }
    }

    /// With so many first columns aligned to the left (one is usual).
    #[must_use]
    pub fn left(mut self, columns: usize) -> Self {
        self.left = columns;
        self
    }

    /// One more row.
    pub fn row<const N: usize>(&mut self, cells: [String; N]) {
        self.rows.push(cells.to_vec());
    }

    /// One more row of any length.
    pub fn row_of(&mut self, cells: Vec<String>) {
        self.rows.push(cells);
    }

    /// Whether there is nothing but headings.
    pub fn is_empty(&self) -> bool {
        self.rows.len() < 2
    }

    /// The lines, each indented by `indent`; the first column to the left, the
    /// others to the right.
    pub fn lines(&self, indent: usize) -> String {
        let columns = self.rows.iter().map(Vec::len).max().unwrap_or(0);
        let width = |c: usize| {
            self.rows
                .iter()
                .filter_map(|r| r.get(c))
                .map(|s| s.chars().count())
                .max()
                .unwrap_or(0)
        };
        let widths: Vec<usize> = (0..columns).map(width).collect();
        let mut text = String::new();
        for row in &self.rows {
            let mut line = " ".repeat(indent);
            for (c, cell) in row.iter().enumerate() {
                let w = widths[c];
                if c > 0 {
                    line.push_str("  ");
                }
                if c < self.left {
                    line.push_str(&format!("{cell:<w$}"));
                } else {
                    line.push_str(&format!("{cell:>w$}"));
                }
            }
            text.push_str(line.trim_end());
            text.push('\n');
        }
        text
    }
}
