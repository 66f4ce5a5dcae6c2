//! Readings at rest for zeroing: the sensors of a sheet, nothing taken off.
//!
//! In: a sheet with its sensors in their places. Out: for one sensor what it
//! shows once it stands still, with its standard uncertainty. Refused: a value
//! of a sensor that is silent, moves, or is not to be believed.

use crate::readings::zeroing::Shown;
use crate::readings::{Bench, Channel, Quality, Reading};
use crate::run::Failure;
use crate::run::sensors::ear::Ear;
use crate::run::sensors::steps::{Answer, Steps};
use crate::run::sitting::lines::Lines;
use crate::sheet::BuildSheet;
use std::time::{Duration, Instant};

/// Once still, so much longer is averaged.
const AVERAGE: Duration = Duration::from_secs(1);

/// The sensors at hand.
pub(in crate::run) struct Hold {
    pub(in crate::run) ear: Ear,
    lines: Lines,
    bench: Bench,
    wait: Duration,
}

/// What a sensor shows at rest.
#[derive(Debug, Clone, Copy)]
pub(in crate::run) struct Held {
    pub(in crate::run) shown: Shown,
    pub(in crate::run) samples: u64,
    pub(in crate::run) temperature_c: Option<f64>,
}

impl Hold {
    pub(in crate::run) fn new(
        sheet: &BuildSheet,
        lines: Lines,
        wait_s: f64,
    ) -> Result<Self, Failure> {
        let mut ear = Ear::new()?;
        for settings in lines.settings() {
            ear.open(settings);
        }
        let bench = Bench::new(&sheet.sensors, lines.of_sensors());
        Ok(Self {
            ear,
            lines,
            bench,
            wait: Duration::from_secs_f64(wait_s),
        })
    }

    /// Listens for a little.
    pub(in crate::run) fn hear(&mut self) {
        let until = Instant::now() + Duration::from_millis(50);
        let mut heard = Vec::new();
        while let Some(event) = self.ear.next(until) {
            heard.clear();
            if let Some(news) = self.lines.take(&event, &mut heard) {
                if news.gone {
                    self.bench.port_gone(event.port);
                }
                eprintln!("stillheight: {}", news.text);
            }
            self.note(event.port, &heard);
            if Instant::now() >= until {
                break;
            }
        }
        let now = self.ear.now();
        for line in 0..self.lines.count() {
            heard.clear();
            let ask = self.lines.poll(line, now, &mut heard);
            self.note(line, &heard);
            if let Some(ask) = ask {
                self.ear.write(line, ask);
            }
        }
    }

    fn note(&mut self, line: usize, heard: &[crate::drivers::Heard]) {
        for item in heard {
            self.bench.hear(line, item);
        }
    }

    /// What a sensor says now.
    pub(in crate::run) fn reading(&self, sensor: usize) -> Option<Reading> {
        self.bench.readings(self.ear.now()).into_iter().nth(sensor)
    }

    /// What a sensor shows at rest, nothing taken off, from now on; nothing
    /// where it does not come to rest, with the reason told.
    pub(in crate::run) fn take(
        &mut self,
        sensor: usize,
        steps: &Steps,
    ) -> Result<Option<Held>, Failure> {
        steps.meanwhile("listening: it is taken as soon as it rests; hands off")?;
        self.bench.forget();
        let over = Instant::now() + self.wait;
        let mut still_from: Option<Instant> = None;
        while Instant::now() < over && !self.ear.is_stopped() {
            self.hear();
            let still = self
                .reading(sensor)
                .is_some_and(|r| r.quality == Quality::Good);
            if !still {
                still_from = None;
                continue;
            }
            let from = *still_from.get_or_insert_with(Instant::now);
            if from.elapsed() < AVERAGE {
                continue;
            }
            let average = self.bench.channel(sensor).and_then(Channel::still_average);
            if let Some((average, samples)) = average {
                return Ok(Some(Held {
                    shown: Shown {
                        value: average.mean,
                        u: average.u,
                    },
                    samples,
                    temperature_c: self.reading(sensor).and_then(|r| r.temperature_c),
                }));
            }
        }
        let quality = self
            .reading(sensor)
            .map_or_else(|| "never heard".to_owned(), |r| r.quality.to_string());
        steps.say(&format!(
            "NOT TAKEN it did not come to rest in {:.0} s: {quality}",
            self.wait.as_secs_f64()
        ))?;
        Ok(None)
    }

    /// The next answer; listens meanwhile. Nothing more, a signal or no answer
    /// in time is 'quit'.
    pub(in crate::run) fn answer(&mut self, steps: &Steps) -> String {
        let over = Instant::now() + self.wait;
        while Instant::now() < over && !self.ear.is_stopped() {
            match steps.answer() {
                Answer::Line(line) => return line,
                Answer::End => break,
                Answer::NotYet => self.hear(),
            }
        }
        "quit".to_owned()
    }
}
