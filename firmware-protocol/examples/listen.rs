//! Prints what a sensor on a serial line says, and asks it things.
//!
//! `listen PATH [SECONDS] [REQUEST ...]`, with requests such as `who`, `set-rate=0:20000`
//! (channel and millihertz) and `blink=255:30` (channel and tenths of a second).
//!
//! In: the path of a line that is already set up (a pseudo-terminal, or a port after
//! `stty -F PATH raw -echo 115200`). Out: one line of text for each message or rejection.
//! Refused: requests that it does not understand.

use std::fs::OpenOptions;
use std::io::{self, Read as _, Write as _};
use std::process::ExitCode;
use std::sync::mpsc::{RecvTimeoutError, channel};
use std::thread;
use std::time::{Duration, Instant};

use stillheight_protocol::{Accumulator, Blink, MAX_FRAME, Message, SetRate, Who, encode};

const USAGE: &str =
    "listen PATH [SECONDS] [who | set-rate=CHANNEL:MILLIHERTZ | blink=CHANNEL:TENTHS ...]";

fn request(text: &str, tag: u8) -> Option<Message> {
    let (name, numbers) = text.split_once('=').unwrap_or((text, "0:0"));
    let (channel, number) = numbers.split_once(':')?;
    let channel = channel.parse().ok()?;
    Some(match name {
        "who" => Message::Who(Who { tag }),
        "set-rate" => Message::SetRate(SetRate {
            tag,
            channel,
            rate_millihertz: number.parse().ok()?,
        }),
        "blink" => Message::Blink(Blink {
            tag,
            channel,
            tenths: number.parse().ok()?,
        }),
        _ => return None,
    })
}

fn listen(path: &str, time: Duration, requests: &[Message]) -> io::Result<()> {
    let mut line = OpenOptions::new().read(true).write(true).open(path)?;
    let mut out = vec![0];
    for message in requests {
        let mut frame = [0; MAX_FRAME];
        let length = encode(message, &mut frame).map_err(io::Error::other)?;
        out.extend(&frame[..length]);
    }
    line.write_all(&out)?;

    // Reading blocks where a sensor is silent; the thread ends with the program.
    let (tell, told) = channel();
    thread::spawn(move || {
        let mut piece = [0; 256];
        loop {
            let read = line.read(&mut piece).map(|count| piece[..count].to_vec());
            let over = !matches!(&read, Ok(bytes) if !bytes.is_empty());
            if tell.send(read).is_err() || over {
                return;
            }
        }
    });
    let end = Instant::now() + time;
    let mut accumulator = Accumulator::new();
    loop {
        match told.recv_timeout(end.saturating_duration_since(Instant::now())) {
            Ok(read) => accumulator.feed(&read?, |heard| match heard {
                Ok(message) => println!("{message}"),
                Err(rejection) => println!("{rejection}: {}", rejection.why),
            }),
            Err(RecvTimeoutError::Timeout) => return Ok(()),
            Err(RecvTimeoutError::Disconnected) => {
                return Err(io::Error::new(
                    io::ErrorKind::UnexpectedEof,
                    "the line is gone",
                ));
            }
        }
    }
}

fn main() -> ExitCode {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let Some((path, rest)) = words.split_first() else {
        eprintln!("{USAGE}");
        return ExitCode::from(2);
    };
    let seconds = rest.first().and_then(|word| word.parse::<f64>().ok());
    let rest = if seconds.is_some() { &rest[1..] } else { rest };
    let time = Duration::try_from_secs_f64(seconds.unwrap_or(5.0)).unwrap_or(Duration::MAX);
    let requests: Option<Vec<Message>> = (1..=u8::MAX)
        .zip(rest)
        .map(|(tag, text)| request(text, tag))
        .collect();
    let Some(requests) = requests else {
        eprintln!("{USAGE}");
        return ExitCode::from(2);
    };
    match listen(path, time, &requests) {
        Ok(()) => ExitCode::SUCCESS,
        Err(why) => {
            eprintln!("listen: '{path}': {why}");
            ExitCode::FAILURE
        }
    }
}
