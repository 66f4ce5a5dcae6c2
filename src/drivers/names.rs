//! Names of sources that were heard before, each kept once.
//!
//! In: a name as it stands in a message. Out: the same, shared, without asking for memory
//! after the first time. Refused: to keep more than a bounded number, whatever comes.

use std::sync::Arc;

/// So many names are kept. Chosen, because no line carries more sensors; names beyond are
/// told all the same.
const MOST: usize = 64;

/// The names.
#[derive(Debug, Default)]
pub(super) struct Names(Vec<Arc<str>>);

impl Names {
    /// The shared name.
    pub(super) fn of(&mut self, name: &str) -> Arc<str> {
        if let Some(known) = self.0.iter().find(|known| ***known == *name) {
            return Arc::clone(known);
        }
        let new: Arc<str> = name.into();
        if self.0.len() < MOST {
            self.0.push(Arc::clone(&new));
        }
        new
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_same_name_is_kept_once_and_there_is_an_end_to_it() {
        let mut names = Names::default();
        assert!(Arc::ptr_eq(&names.of("ROLL"), &names.of("ROLL")));
        for n in 0..1000 {
            assert_eq!(&*names.of(&n.to_string()), n.to_string());
        }
        assert_eq!(names.0.len(), MOST);
        assert!(Arc::ptr_eq(&names.of("ROLL"), &names.of("ROLL")));
    }
}
