//! Views to look at: an invented vehicle, the bare chassis of a small
//! flat-deck delivery van, in several situations.
#![allow(
    clippy::assigning_clones,
    clippy::unnecessary_wraps,
    reason = "samples are to be read, not to be fast"
)]

use stillheight::quantity::{Angle, Force, Length, Moment, Span, UnitSystem};
use stillheight::screen::view::{
    Aim, Amount, Basis, Behind, BehindPoint, CoiloverView, Figure, Gauge, LinkView, LoadMark,
    Message, Motion, Quality, SensorView, Severity, Shout, Source, Stance, StationView, Task,
    TaskKey, ToGo, Verdict, View, Way, Wheel,
};

fn mm(value: f64, half: f64) -> Option<Figure<Length>> {
    Some(Figure {
        value: Length::from_mm(value),
        half_width: Some(Length::from_mm(half)),
        basis: Basis::Measured,
    })
}

fn deg(value: f64, half: f64) -> Option<Figure<Angle>> {
    Some(Figure {
        value: Angle::from_deg(value),
        half_width: Some(Angle::from_deg(half)),
        basis: Basis::Measured,
    })
}

fn station(name: &str, x: f64, y: f64, height: f64, aim: f64) -> StationView {
    let off = (height - aim).abs();
    StationView {
        name: name.to_owned(),
        x: Length::from_mm(x),
        y: Length::from_mm(y),
        height: mm(height, 0.6),
        aim: Some(Aim {
            value: Length::from_mm(aim),
            tolerance: Length::from_mm(3.0),
        }),
        verdict: if off + 0.6 <= 3.0 {
            Verdict::Inside
        } else if off - 0.6 > 3.0 {
            Verdict::Outside
        } else {
            Verdict::CannotTell
        },
    }
}

fn sensor(name: &str, kind: &str, last: &str, age: f64, per_second: f64) -> SensorView {
    SensorView {
        name: name.to_owned(),
        kind: kind.to_owned(),
        last: last.to_owned(),
        age: Some(Span::from_s(age)),
        per_second: Some(per_second),
        rejected: 0,
        quality: Quality::Good,
        off: None,
    }
}

fn load(key: char, name: &str, weight: &str, place: &str, on: bool) -> LoadMark {
    LoadMark {
        key: Some(key),
        name: name.to_owned(),
        weight: weight.to_owned(),
        place: place.to_owned(),
        on,
    }
}

fn at(y: f64, z: f64) -> BehindPoint {
    BehindPoint::from_mm(y, z)
}

/// The rear end, rolled by `tilt` (slope, left up).
fn behind(tilt: f64) -> Behind {
    let frame = |y: f64, z: f64| at(y, z + y * tilt);
    let rail = |y: f64| {
        vec![
            frame(y - 35.0, 430.0),
            frame(y + 35.0, 430.0),
            frame(y + 35.0, 540.0),
            frame(y - 35.0, 540.0),
        ]
    };
    Behind {
        frame: vec![
            rail(390.0),
            rail(-390.0),
            vec![frame(355.0, 500.0), frame(-355.0, 500.0)],
            vec![
                frame(820.0, 590.0),
                frame(-820.0, 590.0),
                frame(-820.0, 640.0),
                frame(820.0, 640.0),
            ],
        ],
        axle: Some([at(700.0, 300.0), at(-700.0, 300.0)]),
        wheels: [720.0, -720.0]
            .map(|y| Wheel {
                middle: at(y, 300.0),
                radius: Length::from_mm(300.0),
                width: Length::from_mm(185.0),
            })
            .to_vec(),
        coilovers: vec![
            [frame(330.0, 590.0), at(520.0, 270.0)],
            [frame(-330.0, 590.0), at(-520.0, 270.0)],
        ],
    }
}

/// Level, still, all inside, all sensors good.
pub(crate) fn level_still() -> View {
    let now = Moment::from_unix_us(1_900_000_000_000_000);
    View {
        now,
        vehicle: "Wagtail".to_owned(),
        case: "driver aboard".to_owned(),
        units: UnitSystem::Metric,
        source: Source::Rehearsal,
        paused: false,
        stance: vec![Stance::Level],
        verdict: Verdict::Inside,
        motion: Motion::Still(now - Span::from_s(12.0)),
        to_go: ToGo::Nothing,
        roll: deg(0.02, 0.05),
        pitch: deg(-0.03, 0.04),
        stations: vec![
            station("front left", 2600.0, 390.0, 411.4, 412.0),
            station("front right", 2600.0, -390.0, 412.3, 412.0),
            station("rear left", -200.0, 390.0, 428.9, 428.0),
            station("rear right", -200.0, -390.0, 428.1, 428.0),
        ],
        links: vec![LinkView {
            name: "lateral link".to_owned(),
            angle: deg(0.11, 0.08),
            aim: Some(Aim {
                value: Angle::from_deg(0.0),
                tolerance: Angle::from_deg(0.5),
            }),
            verdict: Verdict::Inside,
            ends: Some([at(420.0, 365.0), at(-480.0, 365.0)]),
        }],
        coilovers: vec![
            CoiloverView {
                name: "rear left".to_owned(),
                sag: mm(48.1, 0.7),
                sag_percent: Some(38.5),
                travel_left: Some(Length::from_mm(76.9)),
            },
            CoiloverView {
                name: "rear right".to_owned(),
                sag: mm(48.7, 0.7),
                sag_percent: Some(39.0),
                travel_left: Some(Length::from_mm(76.3)),
            },
        ],
        behind: behind(0.0),
        sensors: vec![
            sensor("frame tilt", "inclinometer", "+0.02°", 0.04, 20.0),
            sensor("link tilt", "inclinometer", "+0.11°", 0.05, 20.0),
            sensor("laser FL", "distance", "411.4 mm", 0.2, 10.0),
            sensor("laser FR", "distance", "412.3 mm", 0.1, 10.0),
            sensor("laser RL", "distance", "428.9 mm", 0.1, 10.0),
            sensor("laser RR", "distance", "428.1 mm", 0.2, 10.0),
        ],
        loads: vec![
            load('1', "driver", "75 kg", "left seat", true),
            load('2', "helper", "82 kg", "deck middle", false),
            load('3', "sand bags", "100 kg", "deck right", false),
        ],
        kept: vec![
            "14:02:11 driver: level".to_owned(),
            "13:57:40 bare: nose down 0.21°".to_owned(),
            "13:51:02 zeroes of 6 sensors".to_owned(),
        ],
        next: vec!["Press k to keep this reading, then put the helper on the deck (2).".to_owned()],
        message: None,
        task: None,
        shared: None,
    }
}

/// Nothing has come from any sensor yet.
pub(crate) fn nothing_heard() -> View {
    let mut view = level_still();
    view.stance = Vec::new();
    view.verdict = Verdict::CannotTell;
    view.motion = Motion::Unheard;
    view.to_go = ToGo::CannotTell;
    view.roll = None;
    view.pitch = None;
    for station in &mut view.stations {
        station.height = None;
        station.verdict = Verdict::CannotTell;
    }
    for link in &mut view.links {
        link.angle = None;
        link.verdict = Verdict::CannotTell;
    }
    for coilover in &mut view.coilovers {
        coilover.sag = None;
        coilover.sag_percent = None;
        coilover.travel_left = None;
    }
    for sensor in &mut view.sensors {
        sensor.last = String::new();
        sensor.age = None;
        sensor.per_second = None;
        sensor.quality = Quality::NeverHeard;
    }
    view.loads[0].on = false;
    view.kept = Vec::new();
    view.next =
        vec!["Plug in the sensors, or check that each has power: none has been heard.".to_owned()];
    view
}

/// The vehicle moves while somebody climbs on.
pub(crate) fn moving() -> View {
    let mut view = level_still();
    view.motion = Motion::Moving(view.now - Span::from_s(3.0));
    view.verdict = Verdict::CannotTell;
    view.stance = vec![Stance::CannotTell];
    view.to_go = ToGo::CannotTell;
    view.roll = deg(0.4, 0.9);
    view.pitch = deg(-0.2, 0.5);
    view.loads[1].on = true;
    for station in &mut view.stations {
        station.height = station.height.map(|figure| Figure {
            half_width: Some(Length::from_mm(6.5)),
            ..figure
        });
        station.verdict = Verdict::CannotTell;
    }
    for sensor in &mut view.sensors {
        sensor.quality = Quality::Moving;
    }
    view.next = vec!["Wait until it is still; hands off the vehicle.".to_owned()];
    view
}

/// Left high and a little nose down, two heights off target.
pub(crate) fn left_high() -> View {
    let mut view = level_still();
    view.stance = vec![Stance::LeftHigh, Stance::NoseDown];
    view.verdict = Verdict::Outside;
    view.roll = deg(0.91, 0.05);
    view.pitch = deg(0.14, 0.04);
    view.stations = vec![
        station("front left", 2600.0, 390.0, 414.9, 412.0),
        station("front right", 2600.0, -390.0, 404.2, 412.0),
        station("rear left", -200.0, 390.0, 440.4, 428.0),
        station("rear right", -200.0, -390.0, 427.6, 428.0),
    ];
    view.to_go = ToGo::Move {
        place: "rear left".to_owned(),
        amount: Amount::Length(Figure {
            value: Length::from_mm(12.4),
            half_width: Some(Length::from_mm(0.6)),
            basis: Basis::Measured,
        }),
        way: Way::Down,
    };
    if let Some(link) = view.links.first_mut() {
        link.angle = deg(0.82, 0.08);
        link.verdict = Verdict::Outside;
        link.ends = Some([at(420.0, 378.0), at(-480.0, 365.0)]);
    }
    view.behind = behind(0.016);
    view.kept[0] = "14:02:11 driver: left high 0.91°".to_owned();
    view.next = vec![
        "Frame onto rated stands first; nobody underneath.".to_owned(),
        "Turn the rear left collar down 5 1/2 turns: rear left comes to 428.6, roll to +0.06°."
            .to_owned(),
    ];
    view
}

/// One sensor's port vanished, another is silent.
pub(crate) fn sensor_gone() -> View {
    let mut view = left_high();
    view.source = Source::Live;
    view.sensors[4].quality = Quality::Gone;
    view.sensors[4].age = Some(Span::from_s(41.0));
    view.sensors[4].per_second = Some(0.0);
    view.sensors[4].rejected = 17;
    view.sensors[1].quality = Quality::Silent;
    view.sensors[1].age = Some(Span::from_s(7.2));
    view.stations[2].height = view.stations[2].height.map(|figure| Figure {
        basis: Basis::Assumed,
        half_width: Some(Length::from_mm(4.8)),
        ..figure
    });
    view.message = Some(Message {
        weight: Severity::Warning,
        text: "'laser RL' is gone: its port vanished 41 s ago; plug it in again".to_owned(),
    });
    view
}

/// Only an inclinometer on the frame: the heights come from the model.
pub(crate) fn assumed() -> View {
    let mut view = level_still();
    for station in &mut view.stations {
        station.height = station.height.map(|figure| Figure {
            basis: Basis::Assumed,
            half_width: Some(Length::from_mm(9.0)),
            ..figure
        });
        station.verdict = Verdict::CannotTell;
    }
    for coilover in &mut view.coilovers {
        coilover.sag = coilover.sag.map(|figure| Figure {
            basis: Basis::Assumed,
            half_width: Some(Length::from_mm(8.0)),
            ..figure
        });
    }
    view.stance = vec![Stance::Level];
    view.verdict = Verdict::CannotTell;
    view.to_go = ToGo::CannotTell;
    view.sensors.truncate(1);
    view.next =
        vec!["Put a distance sensor at a rear station: heights are assumed, not read.".to_owned()];
    view
}

/// As left high, in inches.
pub(crate) fn inches() -> View {
    let mut view = left_high();
    view.units = UnitSystem::Inch;
    view.loads[0].weight = "165 lb".to_owned();
    view.loads[1].weight = "181 lb".to_owned();
    view.loads[2].weight = "220 lb".to_owned();
    for (sensor, text) in view.sensors[2..]
        .iter_mut()
        .zip(["16.33 in", "15.91 in", "17.34 in", "16.83 in"])
    {
        sensor.last = text.to_owned();
    }
    view.next[1] =
        "Turn the rear left collar down 5 1/2 turns: rear left comes to 16.87, roll to +0.06°."
            .to_owned();
    view
}

/// Every name too long, too many of everything.
pub(crate) fn long_names() -> View {
    let mut view = left_high();
    view.source = Source::Replay;
    view.paused = true;
    let long = " of the second chassis that came in on the ninth day of the month";
    view.vehicle.push_str(long);
    view.case.push_str(long);
    for station in &mut view.stations {
        station.name.push_str(long);
    }
    for link in &mut view.links {
        link.name.push_str(long);
    }
    for coilover in &mut view.coilovers {
        coilover.name.push_str(long);
    }
    for load in &mut view.loads {
        load.name.push_str(long);
    }
    for sensor in &mut view.sensors {
        sensor.name.push_str(long);
    }
    let mut more = view.sensors.clone();
    view.sensors.append(&mut more);
    view.sensors[7].quality = Quality::Untrusted;
    let mut more = view.loads.clone();
    for (load, key) in more.iter_mut().zip('4'..) {
        load.key = Some(key);
    }
    view.loads.append(&mut more);
    for line in &mut view.kept {
        line.push_str(long);
    }
    view.next[1].push_str(long);
    view.message = Some(Message {
        weight: Severity::Error,
        text: format!("the logbook could not be written{long}"),
    });
    if let ToGo::Move { place, .. } = &mut view.to_go {
        place.push_str(long);
    }
    view
}

/// A step of a load test, with gauges and the course so far.
pub(crate) fn at_work() -> View {
    let mut view = left_high();
    let gauge = |name: &str, value: f64, aim: f64| Gauge {
        name: name.to_owned(),
        now: mm(value, 0.6).map(Amount::Length),
        aim: aim * 1e-3,
        tolerance: 3e-3,
        word: String::new(),
    };
    let key = |key, what| TaskKey { key, what };
    view.task = Some(Task {
        shout: Some(Shout {
            word: "load on".to_owned(),
            number: "212".to_owned(),
            below: "of 784 N on, by the heights".to_owned(),
        }),
        title: "step 7 of 19: helper at the left".to_owned(),
        step: "on, gently: helper (80.0 kg) 300 mm before the rear axle, 400 mm left; Enter when it is so"
            .to_owned(),
        caution: Some("on stands; nobody underneath".to_owned()),
        gauges: vec![
            gauge("rear left", 433.2, 428.0),
            gauge("rear right", 427.4, 428.0),
        ],
        course: [
            (0.0, 441.0),
            (200.0, 438.5),
            (400.0, 435.0),
            (800.0, 428.0),
            (600.0, 430.1),
            (300.0, 434.6),
            (0.0, 439.2),
        ]
        .map(|(load, height)| (Force::new(load), Length::from_mm(height)))
        .to_vec(),
        course_now: Some((Force::new(212.0), Length::from_mm(437.4))),
        keys: vec![
            key('\n', "it is so"),
            key('s', "skip"),
            key('p', "pressed"),
            key('u', "lifted"),
            key('o', "bounced"),
        ],
    });
    for (i, sensor) in view.sensors.iter_mut().enumerate() {
        sensor.off = Some(0.3 * i as f64 - 0.7);
    }
    view
}

/// All of them by name.
pub(crate) fn all() -> Vec<(&'static str, View)> {
    vec![
        ("nothing-heard", nothing_heard()),
        ("moving", moving()),
        ("level-still", level_still()),
        ("left-high", left_high()),
        ("sensor-gone", sensor_gone()),
        ("assumed", assumed()),
        ("inches", inches()),
        ("long-names", long_names()),
        ("at-work", at_work()),
    ]
}
