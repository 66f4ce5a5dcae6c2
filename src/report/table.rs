//! A plain table: columns aligned by their widest cell, numbers to the right.

/// A table with a heading row.
#[derive(Debug, Clone)]
pub struct Table {
    rows: Vec<Vec<String>>,
    left: usize,
    stacked: bool,
}

impl Default for Table {
    fn default() -> Self {
        Self {
            rows: Vec::new(),
            left: 1,
            stacked: false,
        }
    }
}

impl Table {
    /// With its headings.
    pub fn new<const N: usize>(headings: [&str; N]) -> Self {
        Self {
            rows: vec![headings.map(str::to_owned).to_vec()],
            left: 1,
            stacked: false,
        }
    }

    /// With so many first columns aligned to the left (one is usual).
    #[must_use]
    pub fn left(mut self, columns: usize) -> Self {
        self.left = columns;
        self
    }

    /// With the words of each heading above each other, for narrow columns.
    #[must_use]
    pub fn stacked(mut self) -> Self {
        self.stacked = true;
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

    /// The lines, each indented by `indent`; the first columns to the left, the
    /// others to the right.
    pub fn lines(&self, indent: usize) -> String {
        let mut rows = self.rows.clone();
        if self.stacked && !rows.is_empty() {
            let headings = rows.remove(0);
            let words: Vec<Vec<&str>> = headings
                .iter()
                .map(|h| h.split_whitespace().collect())
                .collect();
            let deep = words.iter().map(Vec::len).max().unwrap_or(0);
            let word = |w: &Vec<&str>, line: usize| {
                (line + w.len())
                    .checked_sub(deep)
                    .and_then(|i| w.get(i))
                    .map_or(String::new(), |s| (*s).to_owned())
            };
            let head = (0..deep).map(|line| words.iter().map(|w| word(w, line)).collect());
            rows.splice(0..0, head.collect::<Vec<Vec<String>>>());
        }
        let columns = rows.iter().map(Vec::len).max().unwrap_or(0);
        let width = |c: usize| {
            rows.iter()
                .filter_map(|r| r.get(c))
                .map(|s| s.chars().count())
                .max()
                .unwrap_or(0)
        };
        let widths: Vec<usize> = (0..columns).map(width).collect();
        let mut text = String::new();
        for row in &rows {
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_are_aligned_and_headings_may_be_stacked() {
        let mut table = Table::new(["place", "rear left"]).stacked();
        table.row(["one".to_owned(), "12.5".to_owned()]);
        assert_eq!(table.lines(1), "        rear\n place  left\n one    12.5\n");
    }
}
