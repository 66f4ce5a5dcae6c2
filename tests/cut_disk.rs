//! A disk that loses its power: what a program wrote and synced, recorded call by
//! call, and what may be left of it at any moment.
//!
//! In: a recording ([`Recording`]) of the calls that a program made on one folder,
//! with what it acknowledged in between. Out: for any moment and any luck the files
//! as a cut of the power may leave them. Nothing that was not synced is promised:
//! writes may be lost, kept, kept in part (in sectors of 512 bytes) or kept without
//! the ones before them; a file may have its new length and nothing in it; a name
//! that was made, renamed or removed may not have been, until the folder was synced.
//!
//! Source of the rules: fsync(2) of Linux (a file's sync does not promise its name);
//! SQLite, "Atomic Commit In SQLite", sections 2 and 3 (sectors, damage to what is
//! being written only).

use rand::{Rng, rngs::SmallRng};
use std::collections::BTreeMap;
use std::path::Path;

const SECTOR: usize = 512;

/// A call, or an acknowledgement.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Op {
    /// A file was made.
    Create(String),
    /// Bytes were written at a place.
    Write(String, u64, Vec<u8>),
    /// A file got a length.
    Length(String, u64),
    /// A file was synced.
    Sync(String),
    /// The folder was synced.
    SyncFolder,
    /// A file was removed.
    Remove(String),
    /// A file was renamed.
    Rename(String, String),
    /// The program said that this reading is kept.
    Said(i64),
}

/// What happened in one folder.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Recording {
    /// In their order.
    pub ops: Vec<Op>,
}

/// What the cut does to whatever is not synced.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Luck {
    /// All is lost.
    Bad,
    /// All is kept.
    Good,
    /// Each sector and each name by itself.
    Mixed,
    /// As `Bad`, and syncs were a lie: to see whether anybody would notice.
    LyingDisk,
}

#[derive(Debug, Clone)]
enum Change {
    Write(u64, Vec<u8>),
    Length(u64),
}

#[derive(Debug, Clone, Default)]
struct Content {
    safe: Vec<u8>,
    waiting: Vec<Change>,
}

#[derive(Debug, Clone)]
enum Naming {
    Add(String, usize),
    Remove(String),
    Rename(String, String),
}

/// The disk as it is at some moment of a recording.
#[derive(Debug, Clone, Default)]
pub struct Disk {
    contents: Vec<Content>,
    safe: BTreeMap<String, usize>,
    seen: BTreeMap<String, usize>,
    waiting: Vec<Naming>,
}

fn write_at(file: &mut Vec<u8>, at: u64, bytes: &[u8]) {
    let at = usize::try_from(at).unwrap();
    if file.len() < at + bytes.len() {
        file.resize(at + bytes.len(), 0);
    }
    file[at..at + bytes.len()].copy_from_slice(bytes);
}

fn apply(file: &mut Vec<u8>, change: &Change) {
    match change {
        Change::Write(at, bytes) => write_at(file, *at, bytes),
        Change::Length(length) => file.resize(usize::try_from(*length).unwrap(), 0),
    }
}

fn name(names: &mut BTreeMap<String, usize>, naming: &Naming) {
    match naming {
        Naming::Add(at, content) => {
            names.insert(at.clone(), *content);
        }
        Naming::Remove(at) => {
            names.remove(at);
        }
        Naming::Rename(from, to) => {
            if let Some(content) = names.remove(from) {
                names.insert(to.clone(), content);
            }
        }
    }
}

impl Disk {
    fn content(&mut self, at: &str) -> &mut Content {
        let index = *self
            .seen
            .get(at)
            .unwrap_or_else(|| panic!("'{at}' is not there"));
        &mut self.contents[index]
    }

    /// One more call.
    pub fn take(&mut self, op: &Op) {
        let naming = match op {
            Op::Create(at) => {
                self.contents.push(Content::default());
                Naming::Add(at.clone(), self.contents.len() - 1)
            }
            Op::Remove(at) => Naming::Remove(at.clone()),
            Op::Rename(from, to) => Naming::Rename(from.clone(), to.clone()),
            Op::Write(at, place, bytes) => {
                let change = Change::Write(*place, bytes.clone());
                return self.content(at).waiting.push(change);
            }
            Op::Length(at, length) => {
                return self.content(at).waiting.push(Change::Length(*length));
            }
            Op::Sync(at) => {
                let content = self.content(at);
                for change in std::mem::take(&mut content.waiting) {
                    apply(&mut content.safe, &change);
                }
                return;
            }
            Op::SyncFolder => {
                for naming in std::mem::take(&mut self.waiting) {
                    name(&mut self.safe, &naming);
                }
                return;
            }
            Op::Said(_) => return,
        };
        name(&mut self.seen, &naming);
        self.waiting.push(naming);
    }

    /// What is left when the power goes now.
    pub fn cut(&self, luck: Luck, random: &mut SmallRng) -> BTreeMap<String, Vec<u8>> {
        let mut names = self.safe.clone();
        let kept = match luck {
            Luck::Bad | Luck::LyingDisk => 0,
            Luck::Good => self.waiting.len(),
            // Names are journalled in their order.
            Luck::Mixed => random.random_range(0..=self.waiting.len()),
        };
        for naming in &self.waiting[..kept] {
            name(&mut names, naming);
        }
        names
            .into_iter()
            .map(|(at, index)| (at, self.contents[index].left(luck, random)))
            .collect()
    }
}

impl Content {
    fn left(&self, luck: Luck, random: &mut SmallRng) -> Vec<u8> {
        let mut file = self.safe.clone();
        match luck {
            Luck::Bad | Luck::LyingDisk => {}
            Luck::Good => self.waiting.iter().for_each(|c| apply(&mut file, c)),
            Luck::Mixed => {
                let odds = [0.1, 0.5, 0.9][random.random_range(0..3)];
                for change in &self.waiting {
                    if !random.random_bool(odds) {
                        continue;
                    }
                    let Change::Write(at, bytes) = change else {
                        apply(&mut file, change);
                        continue;
                    };
                    // Whole, or sector by sector; the length without the rest.
                    let whole = random.random_bool(0.5);
                    let end = usize::try_from(*at).unwrap() + bytes.len();
                    if file.len() < end {
                        file.resize(end, 0);
                    }
                    for (i, sector) in bytes.chunks(SECTOR).enumerate() {
                        if whole || random.random() {
                            write_at(&mut file, at + (i * SECTOR) as u64, sector);
                        }
                    }
                }
            }
        }
        file
    }
}

/// So many moments, spread over all of a recording.
pub fn moments(recording: &Recording, cuts: usize, random: &mut SmallRng) -> Vec<usize> {
    let mut at: Vec<usize> = (0..cuts)
        .map(|_| random.random_range(0..=recording.ops.len()))
        .collect();
    at.sort_unstable();
    at
}

/// Goes through a recording and cuts the power at these moments (so many calls have
/// been made), with one luck after the other. `judge` is given the files and the last
/// reading that had been acknowledged.
pub fn cut_often(
    recording: &Recording,
    at: &[usize],
    lucks: &[Luck],
    random: &mut SmallRng,
    mut judge: impl FnMut(usize, Luck, &BTreeMap<String, Vec<u8>>, Option<i64>),
) {
    let lying = lucks == [Luck::LyingDisk];
    let mut disk = Disk::default();
    let mut said = None;
    let mut done = 0;
    for (n, &at) in at.iter().enumerate() {
        for op in &recording.ops[done..at] {
            if let Op::Said(reading) = op {
                said = Some(*reading);
            }
            if !(lying && matches!(op, Op::Sync(at) if at.ends_with("-wal"))) {
                disk.take(op);
            }
        }
        done = at;
        let luck = lucks[n % lucks.len()];
        judge(at, luck, &disk.cut(luck, random), said);
    }
}

/// Puts the files into an empty folder.
pub fn lay_out(files: &BTreeMap<String, Vec<u8>>, folder: &Path) {
    std::fs::create_dir_all(folder).unwrap();
    for (at, bytes) in files {
        std::fs::write(folder.join(at), bytes).unwrap();
    }
}

// A recording as a file: pages are told by what differs from one written before.

const REACH: usize = 128;

impl Recording {
    /// As bytes.
    pub fn to_bytes(&self) -> Vec<u8> {
        let mut out = b"cut-disk 1\n".to_vec();
        let mut pages: Vec<&[u8]> = Vec::new();
        for op in &self.ops {
            match op {
                Op::Create(at) => tagged(&mut out, 0, at),
                Op::Write(at, place, bytes) => {
                    tagged(&mut out, 1, at);
                    number(&mut out, *place);
                    number(&mut out, bytes.len() as u64);
                    let like = pages
                        .iter()
                        .rev()
                        .take(REACH)
                        .enumerate()
                        .filter(|(_, page)| page.len() == bytes.len())
                        .map(|(back, page)| {
                            let differs = page.iter().zip(bytes).filter(|(a, b)| a != b).count();
                            (differs, back + 1, *page)
                        })
                        .min_by_key(|(differs, _, _)| *differs);
                    let (back, page) = like.map_or((0, None), |(_, back, page)| (back, Some(page)));
                    number(&mut out, back as u64);
                    let differences: Vec<u8> = bytes
                        .iter()
                        .enumerate()
                        .map(|(i, b)| b ^ page.map_or(0, |p| p[i]))
                        .collect();
                    squeezed(&mut out, &differences);
                    pages.push(bytes);
                }
                Op::Length(at, length) => {
                    tagged(&mut out, 2, at);
                    number(&mut out, *length);
                }
                Op::Sync(at) => tagged(&mut out, 3, at),
                Op::SyncFolder => out.push(4),
                Op::Remove(at) => tagged(&mut out, 5, at),
                Op::Rename(from, to) => {
                    tagged(&mut out, 6, from);
                    text(&mut out, to);
                }
                Op::Said(reading) => {
                    out.push(7);
                    number(&mut out, reading.unsigned_abs());
                }
            }
        }
        out
    }

    /// From the bytes of [`Recording::to_bytes`].
    pub fn from_bytes(bytes: &[u8]) -> Self {
        let mut rest = bytes.strip_prefix(b"cut-disk 1\n").expect("a recording");
        let mut pages: Vec<Vec<u8>> = Vec::new();
        let mut ops = Vec::new();
        while let Some((&tag, after)) = rest.split_first() {
            rest = after;
            ops.push(match tag {
                0 => Op::Create(take_text(&mut rest)),
                1 => {
                    let at = take_text(&mut rest);
                    let place = take_number(&mut rest);
                    let length = usize::try_from(take_number(&mut rest)).unwrap();
                    let back = usize::try_from(take_number(&mut rest)).unwrap();
                    let mut page = take_squeezed(&mut rest, length);
                    if back > 0 {
                        let like = &pages[pages.len() - back];
                        page.iter_mut().zip(like).for_each(|(a, b)| *a ^= b);
                    }
                    pages.push(page.clone());
                    Op::Write(at, place, page)
                }
                2 => Op::Length(take_text(&mut rest), take_number(&mut rest)),
                3 => Op::Sync(take_text(&mut rest)),
                4 => Op::SyncFolder,
                5 => Op::Remove(take_text(&mut rest)),
                6 => Op::Rename(take_text(&mut rest), take_text(&mut rest)),
                7 => Op::Said(i64::try_from(take_number(&mut rest)).unwrap()),
                other => panic!("no such call: {other}"),
            });
        }
        Self { ops }
    }
}

fn number(out: &mut Vec<u8>, mut n: u64) {
    while n >= 0x80 {
        out.push(0x80 | u8::try_from(n & 0x7f).unwrap());
        n >>= 7;
    }
    out.push(u8::try_from(n).unwrap());
}

fn take_number(rest: &mut &[u8]) -> u64 {
    let mut n = 0;
    for shift in (0..).step_by(7) {
        let (&byte, after) = rest.split_first().unwrap();
        *rest = after;
        n |= u64::from(byte & 0x7f) << shift;
        if byte < 0x80 {
            break;
        }
    }
    n
}

fn text(out: &mut Vec<u8>, text: &str) {
    number(out, text.len() as u64);
    out.extend(text.as_bytes());
}

fn tagged(out: &mut Vec<u8>, tag: u8, name: &str) {
    out.push(tag);
    text(out, name);
}

fn take_text(rest: &mut &[u8]) -> String {
    let length = usize::try_from(take_number(rest)).unwrap();
    let (name, after) = rest.split_at(length);
    *rest = after;
    String::from_utf8(name.to_vec()).unwrap()
}

/// Runs of zeros by their length, the rest as it is.
fn squeezed(out: &mut Vec<u8>, bytes: &[u8]) {
    let mut rest = bytes;
    while !rest.is_empty() {
        let zeros = rest.iter().take_while(|b| **b == 0).count();
        rest = &rest[zeros..];
        // Up to three zeros in a row cost less as they are.
        let mut end = 0;
        while end < rest.len() && !rest[end..].starts_with(&[0, 0, 0, 0]) {
            end += 1;
        }
        number(out, zeros as u64);
        number(out, end as u64);
        out.extend(&rest[..end]);
        rest = &rest[end..];
    }
}

fn take_squeezed(rest: &mut &[u8], length: usize) -> Vec<u8> {
    let mut out = Vec::with_capacity(length);
    while out.len() < length {
        let zeros = usize::try_from(take_number(rest)).unwrap();
        out.resize(out.len() + zeros, 0);
        let count = usize::try_from(take_number(rest)).unwrap();
        let (bytes, after) = rest.split_at(count);
        out.extend(bytes);
        *rest = after;
    }
    out
}
