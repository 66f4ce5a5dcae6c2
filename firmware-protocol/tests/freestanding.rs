//! The crate needs neither `std` nor an allocator: proved by building it into something
//! that brings a panic handler of its own, which cannot be where `std` is linked.
//!
//! Targets without an operating system are not installed everywhere; this takes the
//! machine's own target and so proves the absence of `std` and of a heap, not the size.

use std::fs;
use std::path::Path;
use std::process::Command;

const FIRMWARE: &str = r"
#![no_std]
//! Uses every entry of the protocol crate, with nothing beneath it.
use stillheight_protocol::{Accumulator, MAX_FRAME, encode};

#[panic_handler]
fn halt(_: &core::panic::PanicInfo<'_>) -> ! {
    loop {}
}

/// Hears bytes and says each message again.
pub fn echo(heard: &[u8], mut say: impl FnMut(&[u8])) {
    let mut accumulator = Accumulator::new();
    let mut out = [0; MAX_FRAME];
    accumulator.feed(heard, |message| {
        if let Ok(message) = message
            && let Ok(length) = encode(&message, &mut out)
        {
            say(&out[..length]);
        }
    });
    for &byte in heard {
        let _ = accumulator.push(byte);
    }
}

/// Makes the above be compiled for good.
pub fn run(heard: &[u8], say: &mut dyn FnMut(&[u8])) {
    echo(heard, say);
}
";

fn build(name: &str, source: &str, features: &str) -> (bool, String) {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    let place = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
    fs::create_dir_all(place.join("src")).unwrap();
    let manifest = format!(
        "[package]\nname = \"freestanding\"\nversion = \"0.0.0\"\nedition = \"2024\"\n\
         [lib]\ncrate-type = [\"staticlib\"]\n\
         [profile.dev]\npanic = \"abort\"\n\
         [dependencies]\nstillheight-protocol = {{ path = '{}', features = [{features}] }}\n\
         [workspace]\n",
        here.display()
    );
    fs::write(place.join("Cargo.toml"), manifest).unwrap();
    fs::write(place.join("src/lib.rs"), source).unwrap();
    // The same versions as in the workspace, and nothing fetched.
    fs::copy(here.join("../Cargo.lock"), place.join("Cargo.lock")).unwrap();
    let built = Command::new(env!("CARGO"))
        .args(["build", "--offline"])
        .current_dir(&place)
        .env("CARGO_TARGET_DIR", place.join("target"))
        .env_remove("RUSTFLAGS")
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&built.stderr).into_owned();
    (built.status.success(), said)
}

#[test]
fn the_crate_builds_without_std_and_without_a_heap() {
    let (built, said) = build("freestanding", FIRMWARE, "");
    assert!(built, "{said}");
}

#[test]
fn the_crate_builds_with_the_compact_table() {
    let (built, said) = build("freestanding-compact", FIRMWARE, "\"compact\"");
    assert!(built, "{said}");
}

/// The proof itself must be able to fail: with `std` in, the same build is refused.
#[test]
fn the_proof_notices_std() {
    let with_std = FIRMWARE.replace("#![no_std]", "#![no_std]\nextern crate std;");
    let (built, said) = build("freestanding-not", &with_std, "");
    assert!(!built, "std went unnoticed");
    assert!(said.contains("panic_impl"), "{said}");
}
