//! A folder of a test's own, and the program run in it.

use serde_json::Value;
use std::path::PathBuf;
use std::process::{Command, Output};
use std::sync::atomic::{AtomicU32, Ordering};

/// Gone again at the end of the test.
pub(crate) struct Folder(pub(crate) PathBuf);

impl Folder {
    /// An empty one; the name is only to know it by.
    pub(crate) fn new(name: &str) -> Self {
        static COUNT: AtomicU32 = AtomicU32::new(0);
        let path = std::env::temp_dir().join(format!(
            "stillheight-test-{}-{}-{name}",
            std::process::id(),
            COUNT.fetch_add(1, Ordering::Relaxed)
        ));
        let _ = std::fs::remove_dir_all(&path);
        std::fs::create_dir_all(&path).unwrap();
        Self(path)
    }

    /// Runs the program, without colours and by the clocks of UTC.
    pub(crate) fn run(&self, arguments: &[&str]) -> Output {
        Command::new(env!("CARGO_BIN_EXE_stillheight"))
            .args(arguments)
            .current_dir(&self.0)
            .env("NO_COLOR", "1")
            .env("TZ", "UTC")
            .output()
            .unwrap()
    }

    /// What it says where it must go well.
    pub(crate) fn text(&self, arguments: &[&str]) -> String {
        let output = self.run(arguments);
        assert!(output.status.success(), "{arguments:?}: {}", err(&output));
        String::from_utf8(output.stdout).unwrap()
    }

    pub(crate) fn json(&self, arguments: &[&str]) -> Value {
        serde_json::from_str(&self.text(arguments)).unwrap()
    }

    /// What was said on the way out with exit code 2.
    pub(crate) fn refused(&self, arguments: &[&str]) -> String {
        let output = self.run(arguments);
        let errors = err(&output);
        assert_eq!(output.status.code(), Some(2), "{arguments:?}: {errors}");
        assert!(output.stdout.is_empty(), "{arguments:?}");
        errors
    }

    pub(crate) fn write(&self, name: &str, text: &str) -> PathBuf {
        let path = self.0.join(name);
        std::fs::write(&path, text).unwrap();
        path
    }

    pub(crate) fn read(&self, name: &str) -> String {
        std::fs::read_to_string(self.0.join(name)).unwrap()
    }

    /// The files in it, sorted.
    pub(crate) fn names(&self) -> Vec<String> {
        let entries = std::fs::read_dir(&self.0).unwrap();
        let mut names: Vec<String> = entries
            .map(|e| e.unwrap().file_name().to_string_lossy().into_owned())
            .collect();
        names.sort();
        names
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

pub(crate) fn out(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned()
}

pub(crate) fn err(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}
