//! The text files of a build: the sheet, and those beside it.
//!
//! In: a path, and how much it may be at most. Out: the text; or a file replaced as a
//! whole. Refused: more than that much, however it comes (a pipe or a device has no
//! size to ask for); to write through a link that somebody has laid where the new file
//! is made.

use std::fs::File;
use std::io::{Error, ErrorKind, Read as _, Result, Write as _};
use std::path::Path;

/// The text of a file of at most so many bytes.
///
/// # Errors
/// It cannot be read, is longer ([`ErrorKind::FileTooLarge`]), or is no text.
pub fn text_of(path: &Path, most: usize) -> Result<String> {
    let mut bytes = Vec::new();
    File::open(path)?
        .take(most as u64 + 1)
        .read_to_end(&mut bytes)?;
    if bytes.len() > most {
        let why = format!("it is longer than {most} bytes");
        return Err(Error::new(ErrorKind::FileTooLarge, why));
    }
    String::from_utf8(bytes).map_err(|_| Error::new(ErrorKind::InvalidData, "it is no text"))
}

/// Writes a file whole or not at all: into a new one beside it, onto the disk, then in
/// its place. A full disk leaves the old one as it was.
///
/// # Errors
/// It cannot be written.
pub fn replace(path: &Path, content: &[u8]) -> Result<()> {
    let mut name = path.file_name().unwrap_or_default().to_owned();
    name.push(format!(".{}.part", std::process::id()));
    let beside = path.with_file_name(name);
    let made = new_file(&beside)
        .and_then(|mut file| {
            file.write_all(content)?;
            file.sync_all()
        })
        .and_then(|()| std::fs::rename(&beside, path));
    if made.is_err() {
        let _ = std::fs::remove_file(&beside);
    }
    made
}

/// A file that was not there: what a killed run of the same number left goes, and a
/// link is removed, never followed.
///
/// # Errors
/// It cannot be made.
pub fn new_file(path: &Path) -> Result<File> {
    match std::fs::remove_file(path) {
        Err(e) if e.kind() != ErrorKind::NotFound => return Err(e),
        _ => {}
    }
    File::create_new(path)
}

#[cfg(all(test, unix))]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test may end")]
    use super::*;
    use std::os::unix::fs::symlink;

    #[test]
    fn a_link_laid_in_the_way_is_not_written_through() {
        let folder = std::env::temp_dir().join(format!("stillheight-file-{}", std::process::id()));
        let _ = std::fs::remove_dir_all(&folder);
        std::fs::create_dir_all(&folder).unwrap();
        let (treasure, van) = (folder.join("treasure"), folder.join("van.toml"));
        std::fs::write(&treasure, "mine").unwrap();
        let part = folder.join(format!("van.toml.{}.part", std::process::id()));
        symlink(&treasure, &part).unwrap();
        replace(&van, b"new").unwrap();
        assert_eq!(std::fs::read_to_string(&van).unwrap(), "new");
        assert_eq!(std::fs::read_to_string(&treasure).unwrap(), "mine");
        assert!(!part.exists());
        std::fs::remove_dir_all(&folder).unwrap();
    }

    #[test]
    fn what_has_no_end_is_not_read_to_its_end() {
        let error = text_of(Path::new("/dev/zero"), 1000).unwrap_err();
        assert_eq!(error.kind(), ErrorKind::FileTooLarge);
    }
}
