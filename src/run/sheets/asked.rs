//! `sheet new --ask`: a build sheet from what a builder can answer with a tape.
//!
//! In: answers, one a line, from the keyboard or a pipe; an empty line takes what
//! stands in brackets. Out: a sheet that says no more than was answered; the front
//! stands on stands until its axle is described. Refused: an answer that is no
//! such quantity, or cannot be: the question comes again. Where the answers end
//! too early nothing is written.

use crate::quantity::{Length, Mass, Quantity, SpringRate, UnitSystem};
use crate::run::{Failure, sheets, targets};
use crate::sheet::parse;
use std::fmt::Write as _;
use std::io::{BufRead, IsTerminal as _, Write};
use std::path::Path;
use std::process::ExitCode;

/// Asks and listens.
struct Desk<R, W> {
    answers: R,
    out: W,
    units: UnitSystem,
    asked: usize,
    /// Answers that nobody typed here are written beside their questions.
    echo: bool,
}

/// What a question may be answered with.
struct Range<Q> {
    least: Q,
    most: Q,
}

/// Everything that was answered.
struct Answers {
    name: String,
    wheelbase: Length,
    design_height: Length,
    rails: Length,
    track: Length,
    tyre: Length,
    wheel_centre: Length,
    extended: Length,
    compressed: Length,
    upper: [Length; 2],
    lower: [Length; 2],
    room: Length,
    rate: SpringRate,
    free: Length,
    collar: Length,
    thread: Length,
    pitch: Length,
    link: Option<[[Length; 2]; 2]>,
    mass: Mass,
    centre: Length,
    to_come: Option<(Mass, Length)>,
}

pub(in crate::run) fn run(
    file: &Path,
    units: UnitSystem,
    force: bool,
) -> Result<ExitCode, Failure> {
    if file.exists() && !force {
        return Err(crate::run::failure::exists(file));
    }
    let mut desk = Desk {
        answers: std::io::stdin().lock(),
        out: std::io::stdout(),
        units,
        asked: 0,
        echo: !std::io::stdin().is_terminal(),
    };
    let text = sheet_text(&desk.all()?, units);
    let name = file.display().to_string();
    let checked = parse(&text, &name).map_err(|mistakes| {
        Failure::users(
            "sheet.ask.contradiction",
            format!("these answers do not go together; nothing was written\n\n{mistakes}"),
            "measure again what is marked, and ask again",
        )
    })?;
    sheets::write_whole(file, text.as_bytes(), force)?;
    let mut said = format!("\nwrote {name}\n");
    match targets::work_out(&checked.sheet, checked.sheet.targets.case) {
        Ok(case) => {
            for (station, height) in &case.found.heights {
                let _ = writeln!(
                    said,
                    "  {station:<12} {} by these answers",
                    height.shown(units)
                );
            }
            for warning in &case.found.warnings {
                let _ = writeln!(said, "  WARNING {}", warning.text);
            }
        }
        Err(failure) => {
            let _ = writeln!(
                said,
                "  but by these answers it has no rest: {}",
                failure.message
            );
        }
    }
    let _ = writeln!(
        said,
        "What it comes to:  stillheight targets {name}\nAll that a sheet can say:  stillheight sheet new example.toml"
    );
    sheets::print(&said)?;
    Ok(ExitCode::SUCCESS)
}

impl<R: BufRead, W: Write> Desk<R, W> {
    /// One question until it has an answer that can be.
    fn ask<T>(
        &mut self,
        question: &str,
        usual: Option<&str>,
        understand: impl Fn(&str) -> Result<T, String>,
    ) -> Result<T, Failure> {
        self.asked += 1;
        loop {
            let brackets = usual.map_or_else(String::new, |u| format!(" [{u}]"));
            self.say(&format!("{:>2}  {question}{brackets}: ", self.asked))?;
            let mut line = String::new();
            let read = self.answers.read_line(&mut line).map_err(|e| {
                Failure::users(
                    "sheet.ask.read",
                    format!("an answer cannot be read: {e}"),
                    "answers are plain text in UTF-8, one a line",
                )
            })?;
            if read == 0 {
                return Err(Failure::users(
                    "sheet.ask.ended",
                    format!(
                        "the answers ended at question {}: {question}; nothing was written",
                        self.asked
                    ),
                    "answer every question; an empty line takes what stands in brackets",
                ));
            }
            if self.echo {
                self.say(&format!("{}\n", line.trim()))?;
            }
            let answer = match (line.trim(), usual) {
                ("", Some(usual)) => usual,
                (given, _) => given,
            };
            match understand(answer) {
                Ok(value) => return Ok(value),
                Err(why) => self.say(&format!("    no: {why}\n"))?,
            }
        }
    }

    fn say(&mut self, text: &str) -> Result<(), Failure> {
        let said = self
            .out
            .write_all(text.as_bytes())
            .and_then(|()| self.out.flush());
        said.or_else(|e| {
            if e.kind() == std::io::ErrorKind::BrokenPipe {
                return Ok(());
            }
            Err(Failure::ours(
                "output.write",
                format!("cannot write the output: {e}"),
                "",
            ))
        })
    }

    fn quantity<Q: Quantity>(
        &mut self,
        question: &str,
        usual: Option<&str>,
        within: Range<Q>,
    ) -> Result<Q, Failure> {
        let units = self.units;
        self.ask(question, usual, |text| {
            let value = Q::written(text).map_err(|e| format!("{e}; {}", e.help()))?;
            if (within.least.si()..=within.most.si()).contains(&value.si()) {
                Ok(value)
            } else {
                Err(format!(
                    "'{text}' is not between {} and {}",
                    within.least.shown(units),
                    within.most.shown(units)
                ))
            }
        })
    }

    fn length(
        &mut self,
        question: &str,
        usual: Option<&str>,
        least_mm: f64,
        most_mm: f64,
    ) -> Result<Length, Failure> {
        let within = Range {
            least: Length::from_mm(least_mm),
            most: Length::from_mm(most_mm),
        };
        self.quantity(question, usual, within)
    }

    fn yes(&mut self, question: &str) -> Result<bool, Failure> {
        self.ask(question, Some("yes"), |text| {
            match text.to_lowercase().as_str() {
                "y" | "yes" => Ok(true),
                "n" | "no" => Ok(false),
                other => Err(format!("'{other}' is neither yes nor no")),
            }
        })
    }

    #[allow(clippy::too_many_lines, reason = "one question after the other")]
    fn all(&mut self) -> Result<Answers, Failure> {
        let metric = self.units == UnitSystem::Metric;
        let or = |metric_text: &'static str, inch: &'static str| {
            Some(if metric { metric_text } else { inch })
        };
        self.say(
            "A build sheet from a tape. Every length with its unit, for example \"47.6 mm\" or \"1 7/8 in\".\n\
             Rear axle, left side; the right side is taken as its mirror image. Enter takes what is in brackets.\n\
             Measure with the frame on rated stands, not on a jack.\n\n",
        )?;
        let name = self.ask("What is it called", Some("my vehicle"), |text| {
            let long = text.chars().count() > 80 || text.chars().any(char::is_control);
            if long {
                Err("at most 80 letters on one line".to_owned())
            } else {
                Ok(text.to_owned())
            }
        })?;
        let wheelbase = self.length(
            "Wheelbase: from rear to front wheel centres",
            None,
            500.0,
            10_000.0,
        )?;
        let design_height = self.length(
            "Height wanted: underside of the rails over the floor, finished",
            None,
            50.0,
            2_000.0,
        )?;
        let rails = self.length(
            "Across the rails at the rear axle, outside to outside",
            None,
            100.0,
            2_500.0,
        )?;
        let track = self.length(
            "Rear track: between the middles of the wheels",
            None,
            300.0,
            3_000.0,
        )?;
        let tyre = self.length("Across the rear tyre, off the ground", None, 200.0, 2_000.0)?;
        let wheel_centre = self.length(
            "Rear wheel centre over the floor, standing on its tyres",
            None,
            0.3 * tyre.mm(),
            0.5 * tyre.mm(),
        )?;
        let extended = self.length("Coilover eye to eye, pulled out", None, 100.0, 1_500.0)?;
        let compressed = self.length(
            "Coilover eye to eye, pushed in",
            None,
            50.0,
            extended.mm() - 5.0,
        )?;
        let upper_y = self.length(
            "Its upper bolt: out from the centre line",
            None,
            0.0,
            1_500.0,
        )?;
        let upper_z = self.length(
            "Its upper bolt: up from the underside of the rails (down with a minus)",
            None,
            -1_000.0,
            1_500.0,
        )?;
        let lower_y = self.length(
            "Its lower bolt: out from the centre line",
            None,
            0.0,
            1_500.0,
        )?;
        let lower_z = self.length(
            "Its lower bolt: up from the axle's centre (down with a minus)",
            None,
            -500.0,
            500.0,
        )?;
        let room = self.length(
            "Room for the spring between its seats, coilover pulled out, collar all the way down",
            None,
            20.0,
            extended.mm(),
        )?;
        let rate = self.quantity(
            "Spring rate, as on the spring",
            None,
            Range {
                least: SpringRate::from_n_per_mm(1.0),
                most: SpringRate::from_n_per_mm(500.0),
            },
        )?;
        let free = self.length("Spring length, lying free", None, 50.0, 1_000.0)?;
        let thread = self.length(
            "Thread: how far the collar can go up from all the way down",
            or("60 mm", "2 3/8 in"),
            0.0,
            500.0,
        )?;
        let collar = self.length(
            "The collar now: up from all the way down",
            or("0 mm", "0 in"),
            0.0,
            thread.mm(),
        )?;
        let pitch = self.length(
            "The collar's rise in one turn",
            or("2 mm", "0.0787 in"),
            0.3,
            10.0,
        )?;
        let link = if self.yes("Is there a lateral link, frame to axle")? {
            let side = "(left of the centre line, right with a minus)";
            let frame_y = self.length(
                &format!("Its frame end: to the side {side}"),
                None,
                -1_500.0,
                1_500.0,
            )?;
            let frame_z = self.length(
                "Its frame end: up from the underside of the rails (down with a minus)",
                None,
                -1_000.0,
                1_000.0,
            )?;
            let axle_y = self.length(
                &format!("Its axle end: to the side {side}"),
                None,
                -1_500.0,
                1_500.0,
            )?;
            let axle_z = self.length(
                "Its axle end: up from the axle's centre (down with a minus)",
                None,
                -500.0,
                500.0,
            )?;
            Some([[frame_y, frame_z], [axle_y, axle_z]])
        } else {
            None
        };
        let mass = self.quantity(
            "Weight of the frame with all that is on it now, without the axle",
            None,
            Range {
                least: Mass::new(10.0),
                most: Mass::new(10_000.0),
            },
        )?;
        let along = "Where it balances: forward of the rear axle";
        let centre = self.length(along, None, -1_000.0, wheelbase.mm())?;
        let to_come = self.quantity(
            "Weight still to come on (body, deck, tank, driver), in all",
            or("0 kg", "0 lb"),
            Range {
                least: Mass::ZERO,
                most: Mass::new(10_000.0),
            },
        )?;
        let to_come = if to_come.kg() > 0.0 {
            Some((
                to_come,
                self.length(along, None, -2_000.0, wheelbase.mm() + 1_000.0)?,
            ))
        } else {
            None
        };
        Ok(Answers {
            name,
            wheelbase,
            design_height,
            rails,
            track,
            tyre,
            wheel_centre,
            extended,
            compressed,
            upper: [upper_y, upper_z],
            lower: [lower_y, lower_z],
            room,
            rate,
            free,
            collar,
            thread,
            pitch,
            link,
            mass,
            centre,
            to_come,
        })
    }
}

/// Text between quotes of TOML.
fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}

fn sheet_text(a: &Answers, units: UnitSystem) -> String {
    let places = if units == UnitSystem::Metric { 1 } else { 3 };
    let l = |length: Length| format!("\"{}\"", length.show(units, places));
    let point = |x: Length, y: Length, z: Length| format!("[{}, {}, {}]", l(x), l(y), l(z));
    let half_rail = a.rails / 2.0;
    let zero = Length::ZERO;
    let system = match units {
        UnitSystem::Metric => "metric",
        UnitSystem::Inch => "inch",
    };
    let mut text = format!(
        "# A build sheet from answers. What was not asked stands as 'assumed'; 'stillheight sheet new\n\
         # example.toml' writes a sheet with everything that can be said: holes, front axle, sensors.\n\
         # Changes to suspension, steering and brakes follow your local rules and are signed off by\n\
         # someone licensed for it. Under a raised vehicle: rated stands, never a jack.\n\n\
         name = {}\nunits = \"{system}\"\n\n[frame]\nwheelbase = {}\ndesign_height = {}\n\n",
        quoted(&a.name),
        l(a.wheelbase),
        l(a.design_height),
    );
    let _ = write!(
        text,
        "# Heights are read at the underside of the rails, over the rear axle.\n\
         [[station]]\nname = \"rear\"\nat = {}\nmirror = true\n\n\
         [rear]\naxle = \"solid\"\nstands_on = \"tyres\"\ntrack = {}\n\
         # Assumed: weigh axle, wheels and half of the links.\nunsprung = \"{}\"\naxle_height = {}\n\n\
         [rear.tyre]\nradius = {}\n# Assumed.\nrate = \"{}\"\nrate_uncertainty = \"20 %\"\n\n",
        point(zero, half_rail, zero),
        l(a.track),
        Mass::new(100.0).shown(units),
        l(a.wheel_centre),
        l(a.tyre / 2.0),
        SpringRate::from_n_per_mm(200.0).shown(units),
    );
    let _ = write!(
        text,
        "[rear.coilover]\nupper = {}\nlower = {}\nextended = {}\ncompressed = {}\n\
         # Pulled out, less the room between the seats.\nhardware = {}\n\n\
         [rear.spring]\nrate = \"{}\"\nfree_length = {}\n\n\
         [rear.collar]\nheight = {}\nlowest = {}\nhighest = {}\npitch = {}\n\n",
        point(zero, a.upper[0], a.upper[1]),
        point(zero, a.lower[0], a.lower[1]),
        l(a.extended),
        l(a.compressed),
        l(a.extended - a.room),
        a.rate.show(units, 2),
        l(a.free),
        l(a.collar),
        l(zero),
        l(a.thread),
        format_args!("\"{}\"", a.pitch.show(units, places + 2)),
    );
    if let Some([frame, axle]) = a.link {
        let _ = write!(
            text,
            "[rear.link]\nname = \"rear link\"\nframe_end = {}\naxle_end = {}\n\n",
            point(zero, frame[0], frame[1]),
            point(zero, axle[0], axle[1]),
        );
    }
    let _ = write!(
        text,
        "# The front stands on rated stands at the height wanted, until its axle is described.\n\
         [front]\naxle = \"none\"\nstands_on = \"stands\"\n\n\
         [[front.stand]]\nat = {}\nheight = {}\n\n[[front.stand]]\nat = {}\nheight = {}\n\n",
        point(a.wheelbase, half_rail, zero),
        l(a.design_height),
        point(a.wheelbase, -half_rail, zero),
        l(a.design_height),
    );
    let up = |mm: f64| Length::from_mm(mm);
    let _ = write!(
        text,
        "[weight]\nsprung = \"{}\"\n# Its height is assumed.\ncentre = {}\nuncertainty = \"{}\"\ncentre_uncertainty = {}\n\n",
        a.mass.shown(units),
        point(a.centre, zero, up(150.0)),
        (a.mass * 0.05).shown(units),
        l(up(100.0)),
    );
    if let Some((mass, at)) = a.to_come {
        let _ = write!(
            text,
            "# Its height is assumed.\n[[load]]\nname = \"still to come\"\nweight = \"{}\"\nat = {}\nuncertainty = \"{}\"\nplace_uncertainty = {}\n\n",
            mass.shown(units),
            point(at, zero, up(400.0)),
            (mass * 0.1).shown(units),
            l(up(150.0)),
        );
    }
    let on = if a.to_come.is_some() {
        "\"still to come\""
    } else {
        ""
    };
    let _ = write!(
        text,
        "[[case]]\nname = \"bare\"\nloads = []\n\n[[case]]\nname = \"finished\"\nloads = [{on}]\n\n\
         [target]\ncase = \"finished\"\nroll = \"0 deg\"\n\n\
         [[target.height]]\nstation = \"rear left\"\nheight = {0}\n\n[[target.height]]\nstation = \"rear right\"\nheight = {0}\n",
        l(a.design_height),
    );
    if a.link.is_some() {
        text.push_str(
            "\n[[target.link]]\nlink = \"rear link\"\nangle = \"0 deg\"\ntolerance = \"1 deg\"\n",
        );
    }
    text
}
