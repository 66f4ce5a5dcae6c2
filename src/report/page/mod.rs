//! The report to print and hand over: one page of HTML, complete in itself.
//!
//! In: a [`Dossier`], everything that is known of a vehicle. Out: HTML without
//! scripts and without anything from elsewhere, laid out for A4 and Letter.
//! Refused: nothing. What is not known is said, not drawn.
//!
//! Every section is a file of its own and one line in [`SECTIONS`]; a section
//! that has nothing to say gives nothing and is left out. Text is escaped by
//! the template (maud); what goes into a drawing is escaped by [`xml`].
//!
//! [`xml`]: super::layout_plot::xml

mod above;
mod assumed;
mod cautions;
mod changes;
mod drawing;
mod figure;
mod head;
mod lean;
mod learnt;
mod link;
mod loadtest;
mod measured;
mod residuals;
mod room;
mod sensors;
mod settling;
mod signing;
mod springs;
mod targets;
mod travel;
mod vehicle;
mod views;

pub use learnt::learnt;
pub use loadtest::LoadTestTold;

use super::{CaseReport, SettleReport};
use crate::advice::{Operation, PromiseVerdict, Setup};
use crate::compare::Compared;
use crate::geometry::State;
use crate::layout::{LeanFall, LinkStudy, WheelRoom};
use crate::logbook::{History, KeptReading};
use crate::posture::{Measured, QuantityKey};
use crate::quantity::Moment;
use crate::readings::neighbour::Neighbour;
use crate::sheet::BuildSheet;
use crate::statics::{CaseQuantities, Model};
use jiff::tz::TimeZone;
use maud::{DOCTYPE, Markup, PreEscaped, html};

/// Everything that the report shows.
#[derive(Debug)]
pub struct Dossier<'a> {
    /// The sheet.
    pub sheet: &'a BuildSheet,
    /// When the report is made.
    pub made: Moment,
    /// The clocks of its reader.
    pub zone: TimeZone,
    /// The program and its version.
    pub program: String,
    /// Every load case as the sheet alone gives it.
    pub cases: Vec<CaseReport>,
    /// How unsure each of them is by what the sheet itself is unsure of: standard
    /// uncertainties, metres or radians, in the order of the cases.
    pub case_spreads: Vec<Vec<(QuantityKey, f64)>>,
    /// The finished vehicle.
    pub finished: Finished,
    /// The newest reading; none where nothing was kept.
    pub newest: Option<Newest>,
    /// Everything that was kept.
    pub history: History,
    /// Every group of changes with what was promised and what came.
    pub promises: Vec<Promised>,
    /// The newest load test; none where none tells anything.
    pub loadtest: Option<LoadTestTold>,
    /// Settling, or why nothing can be said of it.
    pub settling: Result<SettleReport, String>,
    /// How the rate falls with lean.
    pub lean: Option<LeanFall>,
    /// The lateral link through its travel.
    pub link: Option<LinkStudy>,
    /// Room round the wheel.
    pub room: Option<WheelRoom>,
    /// Which sensor is where, and its zeros.
    pub neighbour: Neighbour,
    /// What could not be used.
    pub remarks: Vec<String>,
}

/// The finished vehicle: what the targets hold for.
#[derive(Debug, Clone)]
pub struct Finished {
    /// Every aim against what the sheet alone gives, with its uncertainties.
    pub by_sheet: Vec<Compared>,
    /// The same with everything that was read.
    pub by_readings: Option<Vec<Compared>>,
    /// Lengths, forces and rates with the best that is known.
    pub found: CaseQuantities,
    /// Sag of each unit of the model, metres, with its standard uncertainty.
    pub sags: Vec<Measured>,
    /// Its model.
    pub model: Model,
    /// Where it rests.
    pub state: State,
    /// What the readings say of the sheet's own numbers.
    pub learnt: Vec<Learnt>,
}

/// A number of the sheet and what the readings made of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Learnt {
    /// What it is, in words.
    pub what: String,
    /// By the sheet, with its 95 % interval.
    pub before: String,
    /// With the readings.
    pub after: String,
}

/// A still reading that was kept.
#[derive(Debug, Clone)]
pub struct Newest {
    /// The reading.
    pub reading: KeptReading,
    /// The model with the loads that were on and the set-up of then.
    pub model: Model,
    /// Where frame and axles were; none where the logbook does not say.
    pub state: Option<State>,
    /// Every sensor against the pose that was found.
    pub residuals: Vec<Residual>,
}

/// What a sensor said and what the pose found from all says. SI.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Residual {
    /// Index into the sheet's sensors.
    pub sensor: usize,
    /// What it said, zero taken off.
    pub said: f64,
    /// What it should have said in that pose.
    pub due: f64,
    /// Standard uncertainty of what it said.
    pub uncertainty: f64,
}

/// Changes between two readings, with what came of them.
#[derive(Debug, Clone)]
pub struct Promised {
    /// When the last of them was entered.
    pub at: Moment,
    /// How it was set before.
    pub before: Setup,
    /// What was done.
    pub done: Vec<Operation>,
    /// What was promised against what came; else why nothing can be said.
    pub outcome: Result<PromiseVerdict, String>,
}

/// A section: its anchor, its heading, and what makes its content.
type Section = (
    &'static str,
    &'static str,
    fn(&Dossier<'_>) -> Option<Markup>,
);

/// The sections in their order. A new one is a line here.
const SECTIONS: [Section; 17] = [
    ("targets", "Targets and what it comes to", targets::section),
    ("vehicle", "The vehicle, to scale", vehicle::section),
    ("cases", "Every load case", targets::cases),
    ("measured", "What was read", measured::section),
    ("springs", "Coilovers and axles", springs::section),
    ("travel", "Sag and travel", travel::section),
    ("loadtest", "Load test", loadtest::section),
    ("settling", "Settling", settling::section),
    ("lean", "Wheel rate and lean", lean::section),
    ("room", "Room round the wheel", room::section),
    ("link", "The lateral link through its travel", link::section),
    ("changes", "Changes: promised and found", changes::section),
    ("sensors", "Sensors and zeros", sensors::section),
    (
        "residuals",
        "How well the readings fit each other",
        residuals::section,
    ),
    ("assumed", "What was assumed", assumed::section),
    ("cautions", "Before it goes on the road", cautions::section),
    ("signing", "Signed off", signing::section),
];

/// Nothing may be fetched and nothing may run; the style is the page's own.
const POLICY: &str =
    "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'";

/// The page.
pub fn report_page(of: &Dossier<'_>) -> String {
    let sections: Vec<(&str, &str, Markup)> = SECTIONS
        .iter()
        .filter_map(|(anchor, heading, make)| Some((*anchor, *heading, make(of)?)))
        .collect();
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(POLICY);
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="generator" content=(of.program);
                title { (of.sheet.name) " — set-up and record" }
                style { (PreEscaped(include_str!("page.css"))) }
            }
            body {
                (head::head(of))
                main {
                    @for (i, (anchor, heading, content)) in sections.iter().enumerate() {
                        section id=(anchor) aria-labelledby={ (anchor) "-h" } {
                            h2 id={ (anchor) "-h" } { span.no aria-hidden="true" { (i + 1) } (heading) }
                            (content)
                        }
                    }
                }
                footer {
                    p { "Made by " (of.program) " on " (figure::when(of.made, &of.zone))
                        ". Intervals (±) hold 95 %. Heights are over the floor; left and right as seen in the direction of travel." }
                }
            }
        }
    }
    .into_string()
}
