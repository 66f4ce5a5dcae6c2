//! The nearest known word to one that is not known: "did you mean".
//!
//! In: a word and the words that would be right. Out: the nearest, where one
//! is near enough to be meant. Refused: a guess that is wide of all of them.

/// The candidate nearest to `word`, if it differs by no more than a third of
/// the word's letters (at least one, at most three).
pub fn nearest<'c>(word: &str, candidates: impl IntoIterator<Item = &'c str>) -> Option<&'c str> {
    let letters = word.chars().count();
    if letters == 0 || letters > 64 {
        return None;
    }
    let reach = (letters / 3).clamp(1, 3);
    candidates
        .into_iter()
        .map(|c| (edits(&word.to_lowercase(), &c.to_lowercase()), c))
        // A word of which nothing is left is no likeness.
        .filter(|(d, c)| *d <= reach && *d < letters.max(c.chars().count()))
        .min_by_key(|(d, _)| *d)
        .map(|(_, c)| c)
}

/// Fewest letters to put in, take out, change or swap with the neighbour to
/// make `a` into `b` (each pair swapped at most once).
fn edits(a: &str, b: &str) -> usize {
    let a: Vec<char> = a.chars().collect();
    let b: Vec<char> = b.chars().collect();
    let mut rows = vec![vec![0_usize; b.len() + 1]; a.len() + 1];
    for (i, row) in rows.iter_mut().enumerate() {
        row[0] = i;
    }
    for (j, cell) in rows[0].iter_mut().enumerate() {
        *cell = j;
    }
    for i in 1..=a.len() {
        for j in 1..=b.len() {
            let change = usize::from(a[i - 1] != b[j - 1]);
            let mut best = (rows[i - 1][j] + 1)
                .min(rows[i][j - 1] + 1)
                .min(rows[i - 1][j - 1] + change);
            if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                best = best.min(rows[i - 2][j - 2] + 1);
            }
            rows[i][j] = best;
        }
    }
    rows[a.len()][b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slips_of_the_fingers_are_found() {
        let keys = ["wheelbase", "design_height", "rate", "radius", "track"];
        assert_eq!(nearest("wheelbas", keys), Some("wheelbase"));
        assert_eq!(nearest("rtae", keys), Some("rate"));
        assert_eq!(nearest("design_hieght", keys), Some("design_height"));
        assert_eq!(nearest("Track", keys), Some("track"));
    }

    #[test]
    fn a_word_far_from_all_gets_no_guess() {
        assert_eq!(nearest("colour", ["wheelbase", "rate"]), None);
        assert_eq!(nearest("x", ["m", "s"]), None);
        assert_eq!(nearest("", ["m"]), None);
    }

    /// Source: the usual textbook pair for the edit distance, from memory.
    #[test]
    fn kitten_to_sitting_takes_three() {
        assert_eq!(edits("kitten", "sitting"), 3);
    }
}
