//! A capture played as fast as can be, against counting its lines.

use super::process::{Folder, PROGRAM, peak_mb, processor_s, sheet_text};
use super::{Asked, table, wire};
use std::io::{BufWriter, Write as _};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Instant;
use stillheight_protocol::{MAX_FRAME, Message, Quantity, Sample, Status, Unit, encode};

const SENSORS: usize = 16;
const RATE: u64 = 200;

fn line(to: &mut impl std::io::Write, at_us: u64, port: usize, message: &Message) -> usize {
    let mut frame = [0; MAX_FRAME];
    let length = encode(message, &mut frame).unwrap();
    let mut text = format!("{at_us} {port} ");
    for byte in &frame[..length] {
        text.push(char::from(b"0123456789abcdef"[usize::from(byte >> 4)]));
        text.push(char::from(b"0123456789abcdef"[usize::from(byte & 15)]));
    }
    text.push('\n');
    to.write_all(text.as_bytes()).unwrap();
    text.len()
}

/// A capture of about so many bytes: sixteen distance sensors at 200 samples a second, still
/// for twenty seconds, moving for four, and so on.
pub fn capture(path: &Path, bytes: usize) -> usize {
    let mut to = BufWriter::new(std::fs::File::create(path).unwrap());
    let mut head = String::from(
        "# Device: simulated\n# Firmware: 1.0.7\n# Situation: still and moving by turns\n# Date: 2026-11-25T09:00:00Z\n",
    );
    for i in 0..SENSORS {
        head += &format!("# Serial: 115200 8N1 /dev/measured-{i}\n");
    }
    to.write_all(head.as_bytes()).unwrap();
    let mut written = head.len();
    for i in 0..SENSORS {
        let Message::Identity(mut said) = wire::identity(i as u64 + 1) else {
            panic!("an identity is an identity")
        };
        said.quantity = Quantity::DISTANCE;
        said.unit = Unit::MICROMETRE;
        said.resolution = 10;
        said.range_min = 0;
        said.range_max = 5_000_000;
        written += line(&mut to, 1000, i, &Message::Identity(said));
    }
    let step = 1_000_000 / (RATE * SENSORS as u64);
    let mut n = 0_u64;
    while written < bytes {
        let turn = n / SENSORS as u64;
        let t = turn as f64 / RATE as f64;
        let within = t % 24.0;
        let swing = if within > 20.0 {
            10_000.0 * ((within - 20.0) * std::f64::consts::TAU / 4.0).sin()
        } else {
            0.0
        };
        let noise = (n.wrapping_mul(2_654_435_761) >> 7) % 301;
        written += line(
            &mut to,
            10_000 + n * step,
            n as usize % SENSORS,
            &Message::Sample(Sample {
                channel: 0,
                sequence: turn as u32,
                time_us: 1_000_000 + turn * 1_000_000 / RATE,
                value: (330_000.0 + swing) as i32 + noise as i32,
                status: Status(0),
                temperature_centidegrees: Some(2150),
            }),
        );
        n += 1;
    }
    to.flush().unwrap();
    written
}

/// Plays it; seconds of the processor, peak memory in megabytes, lines of postures told.
pub fn play(sheet: &Path, capture: &Path) -> (f64, f64, usize) {
    let mut child = Command::new(PROGRAM)
        .args([
            "watch",
            sheet.to_str().unwrap(),
            "--from",
            capture.to_str().unwrap(),
        ])
        .args(["--speed", "max", "--json"])
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let id = child.id();
    let stdout = child.stdout.take().unwrap();
    let reader = std::thread::spawn(move || {
        use std::io::BufRead as _;
        std::io::BufReader::new(stdout)
            .lines()
            .map_while(Result::ok)
            .filter(|l| l.contains("quantities"))
            .count()
    });
    let (mut mb, mut s): (f64, f64) = (0.0, 0.0);
    while child.try_wait().unwrap().is_none() {
        mb = mb.max(peak_mb(id));
        let now = processor_s(id);
        if now.is_finite() {
            s = s.max(now);
        }
        std::thread::sleep(std::time::Duration::from_millis(10));
    }
    (s, mb, reader.join().unwrap())
}

pub fn row(asked: &Asked) {
    let folder = Folder::new("replay");
    let paths: Vec<PathBuf> = (0..SENSORS)
        .map(|i| format!("/dev/measured-{i}").into())
        .collect();
    let sheet = folder.0.join("van.toml");
    let borrowed: Vec<&Path> = paths.iter().map(PathBuf::as_path).collect();
    std::fs::write(&sheet, sheet_text(&borrowed)).unwrap();
    let file = folder.0.join("all.log");
    let bytes = capture(&file, asked.megabytes as usize * 1_000_000);
    let small = folder.0.join("tenth.log");
    capture(&small, bytes / 10);
    let (mut times, mut counts) = (Vec::new(), Vec::new());
    let (_, small_mb, _) = play(&sheet, &small);
    let (mut mb, mut postures) = (0.0, 0);
    // Five of the whole would take long; the file is long enough to be its own average.
    for _ in 0..3 {
        let begun = Instant::now();
        let counted = Command::new("wc").arg("-l").arg(&file).output();
        if counted.is_ok_and(|o| o.status.success()) {
            counts.push(begun.elapsed().as_secs_f64());
        }
        let (s, peak, told) = play(&sheet, &file);
        times.push(s);
        (mb, postures) = (f64::max(mb, peak), told);
    }
    let s = super::clock::median(&mut times);
    let speed = bytes as f64 / s / 1e6;
    let floor = if counts.is_empty() {
        "wc: NOT RUN".to_owned()
    } else {
        format!(
            "wc -l {:.0} MB/s",
            bytes as f64 / super::clock::median(&mut counts) / 1e6
        )
    };
    table::row(
        &format!(
            "replay of a {:.0} MB capture to postures",
            bytes as f64 / 1e6
        ),
        &format!(
            "{speed:.0} MB a second of the processor ({postures} postures told), {mb:.0} MB of memory ({small_mb:.0} MB for a tenth of it); {floor}"
        ),
        "> 100 MB/s, constant memory",
        speed > 100.0 && postures > 0 && mb < 1.1 * small_mb + 2.0,
    );
}
