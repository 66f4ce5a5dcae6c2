//! The stage: the play on real pseudo-terminals, moved on by the clock.
//!
//! In: a seed, a speed, requests of the host on each line, hands that pull a
//! plug. Out: frames on the lines, the builder's marks when their time has
//! come, the truth and the counters. Refused: a speed outside its range, a
//! sensor that does not exist.
//!
//! The sensors answer from the start; simulated time stands until
//! [`Stage::begin`], so that the host can open its ports in peace.

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use stillheight_protocol::{Accumulator, Direction};

use super::burden::Burden;
use super::fault::RehearsalError;
use super::line::{Line, LineCount};
use super::play::Play;
use super::sensors::FITTINGS;
use super::story::Cue;
use super::truth::{Known, Truth, UNITS};
use super::vehicle::Weight;

/// Pause between two rounds of the stage. Chosen, because it is well below the
/// time between two samples at 20 times real time.
const ROUND: Duration = Duration::from_millis(4);
/// The most real time that one round makes good after the machine was held up;
/// the rest is lost, the simulation falls behind the clock.
const CATCH_UP: Duration = Duration::from_millis(100);
/// Slowest and fastest speed.
const SPEEDS: std::ops::RangeInclusive<f64> = 0.1..=100.0;

/// Counts the stages of this process, so that each has its own folder.
static STAGES: AtomicU32 = AtomicU32::new(0);

/// How the stage is set up.
#[derive(Debug, Clone, PartialEq)]
pub struct StagePlan {
    /// Chooses noise, zero errors and the helper's moves.
    pub seed: u64,
    /// Simulated seconds in a real one, 0.1 to 100.
    pub speed: f64,
    /// Where the names of the lines go; a new folder in the system's folder for
    /// temporary files where nothing is said.
    pub folder: Option<PathBuf>,
}

impl Default for StagePlan {
    fn default() -> Self {
        Self {
            seed: 1,
            speed: 1.0,
            folder: None,
        }
    }
}

/// What remains when the curtain has fallen.
#[derive(Debug, Clone, PartialEq)]
pub struct Outcome {
    /// Simulated seconds that went by.
    pub time_s: f64,
    /// What went over each line, in the order of [`FITTINGS`].
    pub lines: Vec<LineCount>,
    /// What the simulation knows of the vehicle.
    pub known: Known,
}

/// The stage at work. Dropping it ends the play and takes the names away.
#[derive(Debug)]
pub struct Stage {
    scene: Arc<Mutex<Scene>>,
    ports: Vec<PathBuf>,
    folder: Folder,
    thread: Option<JoinHandle<()>>,
}

/// What the thread and the hands share.
#[derive(Debug)]
struct Scene {
    play: Play,
    lines: Vec<Line>,
    heard: Vec<Accumulator>,
    running: bool,
    ended: bool,
}

impl Stage {
    /// Makes the lines and starts answering on them; time stands still.
    ///
    /// # Errors
    /// Where the speed is out of range or the system gives no pseudo-terminal,
    /// folder, name or thread.
    pub fn set_up(plan: &StagePlan) -> Result<Self, RehearsalError> {
        Self::with(plan, Play::new(plan.seed))
    }

    /// The same for five days of settling; see [`Stage::skip`].
    ///
    /// # Errors
    /// As [`Stage::set_up`].
    pub fn set_up_settling(plan: &StagePlan) -> Result<Self, RehearsalError> {
        Self::with(plan, Play::settling(plan.seed))
    }

    /// The same for the turning of a collar that stands too low; see [`Stage::turn_collar`].
    ///
    /// # Errors
    /// As [`Stage::set_up`].
    pub fn set_up_turning(plan: &StagePlan) -> Result<Self, RehearsalError> {
        Self::with(plan, Play::turning(plan.seed))
    }

    /// Rocks the frame by hand: it is lifted a little and let go.
    pub fn rock(&self) {
        self.scene().play.rock();
    }

    /// Raises a collar by hand (negative: lowers it), metres.
    ///
    /// # Errors
    /// Where there is no coilover of this name.
    pub fn turn_collar(&self, unit: &str, rise_m: f64) -> Result<(), RehearsalError> {
        let index = UNITS.iter().position(|name| *name == unit);
        let index = index.ok_or_else(|| RehearsalError::NoSuchUnit {
            name: unit.to_owned(),
        })?;
        self.scene().play.turn_collar(index, rise_m);
        Ok(())
    }

    /// The same for a load test in which weight goes on and off when it is asked
    /// for; see [`Stage::put_on`].
    ///
    /// # Errors
    /// As [`Stage::set_up`].
    pub fn set_up_guided(plan: &StagePlan) -> Result<Self, RehearsalError> {
        Self::with(plan, Play::guided(plan.seed))
    }

    /// A burden comes on, with its motion (see [`Play::put_on`]).
    pub fn put_on(&self, burden: Burden) {
        self.scene().play.put_on(burden);
    }

    /// A load comes off, from now on (see [`Play::take_off`]).
    pub fn take_off(&self, load: &str) {
        self.scene().play.take_off(load);
    }

    /// How it would stand with weights on if nothing rubbed.
    pub fn would_carry(&self, weights: &[Weight]) -> Truth {
        self.scene().play.would_carry(weights)
    }

    fn with(plan: &StagePlan, play: Play) -> Result<Self, RehearsalError> {
        if !SPEEDS.contains(&plan.speed) {
            return Err(RehearsalError::Speed { speed: plan.speed });
        }
        let folder = Folder::new(plan.folder.as_deref())?;
        let lines = FITTINGS
            .iter()
            .map(|fitting| Line::new(fitting.name, &folder.path))
            .collect::<Result<Vec<_>, _>>()?;
        let ports = lines.iter().map(|line| line.count.path.clone()).collect();
        let mut scene = Scene {
            play,
            heard: vec![Accumulator::new(); lines.len()],
            lines,
            running: false,
            ended: false,
        };
        for sensor in 0..scene.lines.len() {
            scene.greet(sensor);
        }
        let scene = Arc::new(Mutex::new(scene));
        let shared = Arc::clone(&scene);
        let speed = plan.speed;
        let thread = std::thread::Builder::new()
            .name("rehearsal".to_owned())
            .spawn(move || run(&shared, speed))
            .map_err(|source| RehearsalError::Thread { source })?;
        Ok(Self {
            scene,
            ports,
            folder,
            thread: Some(thread),
        })
    }

    /// Lets time run.
    pub fn begin(&self) {
        self.scene().running = true;
    }

    /// Lets hours go by at once (see [`Play::skip`]).
    pub fn skip(&self, seconds: f64) {
        self.scene().play.skip(seconds);
    }

    /// Simulated seconds since the beginning, with those that were skipped.
    pub fn calendar_s(&self) -> f64 {
        self.scene().play.calendar_s()
    }

    /// How it will stand at a time of the calendar (see [`Play::would_stand`]).
    pub fn would_stand(&self, calendar_s: f64) -> Truth {
        self.scene().play.would_stand(calendar_s)
    }

    /// The names under which the lines are opened, in the order of
    /// [`FITTINGS`]. They stay the same when a plug is pulled and put back.
    pub fn ports(&self) -> &[PathBuf] {
        &self.ports
    }

    /// The folder with the names.
    pub fn folder(&self) -> &Path {
        &self.folder.path
    }

    /// The text of the build sheet, with the ports filled in.
    pub fn sheet_text(&self) -> String {
        super::sheet::sheet_text(&self.ports)
    }

    /// Simulated seconds since the beginning.
    pub fn now_s(&self) -> f64 {
        self.scene().play.now_s()
    }

    /// When nothing more happens but settling, simulated seconds.
    pub fn ends_s(&self) -> f64 {
        self.scene().play.ends_s()
    }

    /// The builder's marks in the order of time.
    pub fn cues(&self) -> Vec<Cue> {
        self.scene().play.cues().to_vec()
    }

    /// The truth averaged over a stretch of simulated time.
    pub fn truth_over(&self, from_s: f64, to_s: f64) -> Option<Truth> {
        self.scene().play.truth().over(from_s, to_s)
    }

    /// The newest truth.
    pub fn truth_now(&self) -> Option<Truth> {
        self.scene().play.truth().latest().cloned()
    }

    /// What the simulation knows of the vehicle itself.
    pub fn known(&self) -> Known {
        self.scene().play.known()
    }

    /// What went over each line so far.
    pub fn counts(&self) -> Vec<LineCount> {
        self.scene().counts()
    }

    /// How often a sensor was asked to show itself.
    ///
    /// # Errors
    /// Where there is no sensor of this name.
    pub fn blinks(&self, sensor: &str) -> Result<u32, RehearsalError> {
        let index = index_of(sensor)?;
        Ok(self.scene().play.sensors()[index].blinks())
    }

    /// Pulls a sensor's plug: its line hangs up and its name is gone.
    ///
    /// # Errors
    /// Where there is no sensor of this name.
    pub fn unplug(&self, sensor: &str) -> Result<(), RehearsalError> {
        let index = index_of(sensor)?;
        self.scene().lines[index].unplug();
        Ok(())
    }

    /// Puts the plug back: a new line under the same name.
    ///
    /// # Errors
    /// Where there is no sensor of this name or the system gives no new
    /// pseudo-terminal.
    pub fn replug(&self, sensor: &str) -> Result<(), RehearsalError> {
        let index = index_of(sensor)?;
        let mut scene = self.scene();
        if scene.lines[index].is_in() {
            return Ok(());
        }
        scene.lines[index].plug_in()?;
        scene.heard[index].forget();
        scene.greet(index);
        Ok(())
    }

    /// Ends the play: the lines hang up and their names are taken away. The
    /// stage still knows the truth.
    pub fn finish(&mut self) -> Outcome {
        self.stop();
        let mut scene = self.scene();
        let outcome = Outcome {
            time_s: scene.play.now_s(),
            lines: scene.counts(),
            known: scene.play.known(),
        };
        for line in &mut scene.lines {
            line.unplug();
        }
        drop(scene);
        outcome
    }

    fn stop(&mut self) {
        self.scene().ended = true;
        if let Some(thread) = self.thread.take() {
            // Were the thread to have panicked, its hook has told so.
            let _ = thread.join();
        }
    }

    fn scene(&self) -> MutexGuard<'_, Scene> {
        lock(&self.scene)
    }
}

impl Drop for Stage {
    fn drop(&mut self) {
        self.stop();
        self.scene().lines.clear();
    }
}

fn lock(scene: &Mutex<Scene>) -> MutexGuard<'_, Scene> {
    scene.lock().unwrap_or_else(PoisonError::into_inner)
}

fn index_of(sensor: &str) -> Result<usize, RehearsalError> {
    FITTINGS
        .iter()
        .position(|fitting| fitting.name == sensor)
        .ok_or_else(|| RehearsalError::NoSuchSensor {
            name: sensor.to_owned(),
        })
}

/// The thread: listens, moves the play on by the clock, sends.
fn run(scene: &Mutex<Scene>, speed: f64) {
    let mut last = Instant::now();
    // Simulated microseconds that are due, not rounded.
    let mut due_us = 0.0;
    loop {
        std::thread::sleep(ROUND);
        let passed = last.elapsed().min(CATCH_UP);
        last = Instant::now();
        let mut scene = lock(scene);
        if scene.ended {
            return;
        }
        scene.listen();
        if scene.running {
            due_us += passed.as_secs_f64() * 1e6 * speed;
            scene.play_to(due_us);
        }
        for line in &mut scene.lines {
            line.drain();
        }
    }
}

impl Scene {
    fn greet(&mut self, sensor: usize) {
        let greeting = self.play.greeting(sensor);
        self.lines[sensor].send(&greeting);
    }

    /// Hears the host on every line and answers.
    fn listen(&mut self) {
        for (index, line) in self.lines.iter_mut().enumerate() {
            let bytes = line.receive();
            let play = &mut self.play;
            self.heard[index].feed(&bytes, |message| match message {
                Ok(message) if message.kind().direction() == Direction::FromHost => {
                    line.count.requests += 1;
                    let answer = play.answer(index, &message);
                    if !answer.is_empty() {
                        line.send(&answer);
                    }
                }
                // An echo of what the sensor said: ignored.
                Ok(_) => {}
                Err(_) => line.count.rejected += 1,
            });
        }
    }

    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a time since the start is positive and far below 2^63 microseconds"
    )]
    fn play_to(&mut self, due_us: f64) {
        let Self { play, lines, .. } = self;
        play.advance_to(due_us as u64, |index, frame| lines[index].send(frame));
    }

    fn counts(&self) -> Vec<LineCount> {
        self.lines.iter().map(|line| line.count.clone()).collect()
    }
}

/// The folder with the names of the lines; a new one is removed in the end.
#[derive(Debug)]
struct Folder {
    path: PathBuf,
    own: bool,
}

impl Folder {
    fn new(given: Option<&Path>) -> Result<Self, RehearsalError> {
        let (path, own) = given.map_or_else(
            || {
                let number = STAGES.fetch_add(1, Ordering::Relaxed);
                let name = format!("stillheight-rehearsal-{}-{number}", std::process::id());
                (std::env::temp_dir().join(name), true)
            },
            |given| (given.to_owned(), false),
        );
        std::fs::create_dir_all(&path).map_err(|source| RehearsalError::Folder {
            path: path.clone(),
            source,
        })?;
        Ok(Self { path, own })
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        if self.own {
            // Only where it is empty: whatever else lies there stays.
            let _ = std::fs::remove_dir(&self.path);
        }
    }
}
