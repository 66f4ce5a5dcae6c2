//! Records what a port says: `cargo run --example record -- PORT BAUD FILE`.
//!
//! In: the path of a serial port (or pseudo-terminal) and its speed. Out: a
//! capture, see `stillheight::ports`. Ends with Ctrl-C; a port that goes away
//! is waited for.

use std::io::BufWriter;

use anyhow::Context as _;
use stillheight::ports::{
    CaptureHeader, CaptureWriter, CapturedLine, Clock, LineSettings, PortEventKind, attach,
};

#[tokio::main]
async fn main() -> anyhow::Result<()> {
    let mut arguments = std::env::args().skip(1);
    let (Some(port), Some(baud), Some(file)) =
        (arguments.next(), arguments.next(), arguments.next())
    else {
        anyhow::bail!("usage: record PORT BAUD FILE");
    };
    let baud = baud.parse().context("BAUD is a number, for example 9600")?;
    let clock = Clock::real();
    let header = CaptureHeader {
        device: "say what it is".into(),
        situation: "say what was done".into(),
        date: clock.start(),
        serial: vec![CapturedLine {
            baud,
            name: port.clone(),
        }],
        ..CaptureHeader::default()
    };
    let to = std::fs::File::create_new(&file)
        .with_context(|| format!("'{file}' cannot be made (an older capture is not replaced)"))?;
    let mut writer = CaptureWriter::new(BufWriter::new(to), &header)?;
    let (sender, mut events) = tokio::sync::mpsc::channel(256);
    let attached = attach(0, LineSettings::new(&port, baud), clock, sender);
    let mut tick = tokio::time::interval(std::time::Duration::from_secs(1));
    loop {
        tokio::select! {
            stop = tokio::signal::ctrl_c() => {
                stop?;
                break;
            }
            _ = tick.tick() => writer.flush()?,
            event = events.recv() => {
                let Some(event) = event else { break };
                match &event.kind {
                    PortEventKind::Refused { error } => eprintln!("{error}; {}", error.help()),
                    PortEventKind::Opened { path } => eprintln!("open: '{}'", path.display()),
                    PortEventKind::Gone { why } => eprintln!("gone: {why}"),
                    _ => {}
                }
                writer.write(&event)?;
            }
        }
    }
    writer.flush()?;
    eprintln!("{} bytes in '{file}'", attached.counts().bytes_in);
    attached.stop().await?;
    Ok(())
}
