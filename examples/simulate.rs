//! Plays the simulated vehicle on pseudo-terminals, for trying any program that
//! reads serial ports.
//!
//! `cargo run --example simulate -- [SPEED] [SEED]` prints the build sheet with
//! the ports filled in, then one line of truth a second, until the story ends.

#[cfg(unix)]
fn main() -> anyhow::Result<()> {
    use std::time::Duration;

    use stillheight::rehearsal::{CueKind, Stage, StagePlan};

    let mut arguments = std::env::args().skip(1);
    let speed = arguments.next().map_or(Ok(1.0), |text| text.parse())?;
    let seed = arguments.next().map_or(Ok(1), |text| text.parse())?;
    let mut stage = Stage::set_up(&StagePlan {
        seed,
        speed,
        folder: None,
    })?;
    println!("{}", stage.sheet_text());
    stage.begin();
    let mut cues = stage.cues().into_iter().peekable();
    while stage.now_s() < stage.ends_s() {
        std::thread::sleep(Duration::from_secs(1));
        let now_s = stage.now_s();
        while let Some(cue) = cues.next_if(|cue| cue.at_s <= now_s) {
            match cue.kind {
                CueKind::LoadOn(name) => println!("# {:.0} s: {name} on", cue.at_s),
                CueKind::LoadOff(name) => println!("# {:.0} s: {name} off", cue.at_s),
                CueKind::Note(text) => println!("# {:.0} s: {text}", cue.at_s),
                _ => {}
            }
        }
        if let Some(truth) = stage.truth_now() {
            println!(
                "# {:7.1} s  heights {:.1?} mm  roll {:+.2}  pitch {:+.2}  link {:+.2} deg",
                truth.time_s,
                truth.heights_mm,
                truth.roll_deg,
                truth.pitch_deg,
                truth.link_angle_deg
            );
        }
    }
    for line in stage.finish().lines {
        println!(
            "# {}: {} frames, {} bytes, {} dropped",
            line.name, line.frames_written, line.bytes_written, line.frames_dropped
        );
    }
    Ok(())
}

#[cfg(not(unix))]
fn main() {
    eprintln!("the simulated vehicle needs pseudo-terminals, which this system does not have");
}
