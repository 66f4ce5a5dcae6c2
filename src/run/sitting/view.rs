//! From the sitting to the picture that the screen draws.

use crate::compare::{self, COVERAGE_95, Compared, judge};
use crate::geometry::{COORDINATES, StateOf};
use crate::posture::{Measured, Origin, QuantityKey};
use crate::quantity::{Angle, Length, Moment, Quantity as _, UnitSystem};
use crate::readings::{Quality as ReadingQuality, kind_due};
use crate::report::{aim_name, suggestion_lines};
use crate::run::sitting::lines::LineState;
use crate::run::sitting::{Grade, Sitting};
use crate::screen::view::{
    Aim, Amount, Basis, Behind, BehindPoint, CoiloverView, Figure, LinkView, LoadMark, Message,
    Motion, Quality, SensorView, Severity, Source, Stance, StationView, ToGo, Verdict, View, Way,
    Wheel,
};
use crate::statics::{Model, Pose, UnitPlace};

/// The picture of this moment.
pub(in crate::run) fn view_of(s: &Sitting, now: Moment, source: Source) -> View {
    let heard = s.readings.iter().any(crate::readings::Reading::is_live);
    let compared = if heard { s.compared() } else { Vec::new() };
    View {
        now,
        vehicle: s.sheet.name.clone(),
        case: s.sheet.cases[s.sheet.targets.case].name.clone(),
        units: s.sheet.units,
        source,
        paused: false,
        stance: if heard { stance(s) } else { Vec::new() },
        verdict: overall(&compared),
        motion: match (heard, s.still_since, s.moving_since) {
            (true, Some(since), _) => Motion::Still(since),
            (true, None, Some(since)) => Motion::Moving(since),
            _ => Motion::Unheard,
        },
        to_go: to_go(s, &compared),
        roll: angle(s, QuantityKey::Roll, heard),
        pitch: angle(s, QuantityKey::Pitch, heard),
        stations: stations(s, &compared, heard),
        links: links(s, &compared, heard),
        coilovers: coilovers(s, heard),
        behind: behind(s),
        sensors: sensors(s, now),
        loads: load_marks(s),
        kept: s.kept.iter().rev().map(|k| k.line(s.sheet.units)).collect(),
        next: next(s, heard),
        message: s.trouble.as_ref().map_or_else(
            || {
                s.message.as_ref().map(|(_, grade, text)| Message {
                    weight: match grade {
                        Grade::Notice => Severity::Notice,
                        Grade::Warning => Severity::Warning,
                        Grade::Error => Severity::Error,
                    },
                    text: text.clone(),
                })
            },
            |trouble| {
                Some(Message {
                    weight: Severity::Error,
                    text: trouble.clone(),
                })
            },
        ),
        task: s.turning.as_ref().map(|t| t.task(s)),
        shared: None,
    }
}

fn measured(s: &Sitting, key: QuantityKey) -> Option<&Measured> {
    s.posture.as_ref()?.get(key)
}

const fn basis(origin: Origin) -> Basis {
    match origin {
        Origin::Measured => Basis::Measured,
        Origin::Assumed => Basis::Assumed,
    }
}

pub(in crate::run) fn length_figure(m: &Measured) -> Figure<Length> {
    Figure {
        value: Length::new(m.value),
        half_width: Some(Length::new(COVERAGE_95 * m.uncertainty)),
        basis: basis(m.origin),
    }
}

pub(in crate::run) fn angle_figure(m: &Measured) -> Figure<Angle> {
    Figure {
        value: Angle::new(m.value),
        half_width: Some(Angle::new(COVERAGE_95 * m.uncertainty)),
        basis: basis(m.origin),
    }
}

fn angle(s: &Sitting, key: QuantityKey, heard: bool) -> Option<Figure<Angle>> {
    measured(s, key).filter(|_| heard).map(angle_figure)
}

/// What stands level enough to be called so where the sheet sets no tolerance.
const LEVEL_DEG: f64 = 0.2;

fn stance(s: &Sitting) -> Vec<Stance> {
    let targets = &s.sheet.targets;
    let ways = [
        (
            QuantityKey::Roll,
            targets.roll,
            Stance::LeftHigh,
            Stance::RightHigh,
        ),
        (
            QuantityKey::Pitch,
            targets.pitch,
            Stance::NoseDown,
            Stance::NoseUp,
        ),
    ];
    let mut found: Vec<(f64, Stance)> = Vec::new();
    for (key, target, positive, negative) in ways {
        let Some(m) = measured(s, key) else { continue };
        let tolerance = target.map_or(LEVEL_DEG.to_radians(), |t| t.tolerance.rad());
        let off = m.value.abs();
        if off <= tolerance
            && judge(m.value, m.uncertainty, 0.0, tolerance) == compare::Verdict::Inside
        {
            continue;
        }
        let stance = if off > COVERAGE_95 * m.uncertainty && off > tolerance {
            if m.value > 0.0 { positive } else { negative }
        } else {
            Stance::CannotTell
        };
        found.push((off / tolerance, stance));
    }
    found.sort_by(|a, b| b.0.total_cmp(&a.0));
    let known: Vec<Stance> = found
        .iter()
        .map(|(_, stance)| *stance)
        .filter(|stance| *stance != Stance::CannotTell)
        .collect();
    if found.is_empty() {
        vec![Stance::Level]
    } else if known.is_empty() {
        vec![Stance::CannotTell]
    } else {
        known
    }
}

const fn verdict(v: compare::Verdict) -> Verdict {
    match v {
        compare::Verdict::Inside => Verdict::Inside,
        compare::Verdict::Outside => Verdict::Outside,
        compare::Verdict::CannotTell => Verdict::CannotTell,
    }
}

fn overall(compared: &[Compared]) -> Verdict {
    if compared.is_empty() {
        Verdict::CannotTell
    } else if compared
        .iter()
        .any(|c| c.verdict == compare::Verdict::Outside)
    {
        Verdict::Outside
    } else if compared
        .iter()
        .all(|c| c.verdict == compare::Verdict::Inside)
    {
        Verdict::Inside
    } else {
        Verdict::CannotTell
    }
}

fn to_go(s: &Sitting, compared: &[Compared]) -> ToGo {
    let Some(worst) = compared
        .iter()
        .max_by(|a, b| a.share().total_cmp(&b.share()))
    else {
        return ToGo::CannotTell;
    };
    if compared
        .iter()
        .all(|c| c.verdict == compare::Verdict::Inside)
    {
        return ToGo::Nothing;
    }
    let (off, half) = (worst.deviation().abs(), COVERAGE_95 * worst.uncertainty);
    let amount = if worst.aim.key.is_angle() {
        Amount::Angle(Figure {
            value: Angle::new(off),
            half_width: Some(Angle::new(half)),
            basis: Basis::Measured,
        })
    } else {
        Amount::Length(Figure {
            value: Length::new(off),
            half_width: Some(Length::new(half)),
            basis: Basis::Measured,
        })
    };
    ToGo::Move {
        place: aim_name(&s.sheet, worst.aim.key),
        amount,
        way: if worst.deviation() > 0.0 {
            Way::Down
        } else {
            Way::Up
        },
    }
}

/// The target for the loads that are on now: the target of the finished
/// vehicle, carried over by what the model says the loads still to come do.
fn aim_now(s: &Sitting, compared: &[Compared], key: QuantityKey) -> Option<(f64, f64, Verdict)> {
    let c = compared.iter().find(|c| c.aim.key == key)?;
    let now = measured(s, key)?.value;
    Some((now - c.deviation(), c.aim.tolerance, verdict(c.verdict)))
}

fn stations(s: &Sitting, compared: &[Compared], heard: bool) -> Vec<StationView> {
    let stations = s.sheet.stations.iter().enumerate();
    stations
        .map(|(i, station)| {
            let key = QuantityKey::Height(i);
            let aim = aim_now(s, compared, key);
            StationView {
                name: station.name.clone(),
                x: station.at.x,
                y: station.at.y,
                height: measured(s, key).filter(|_| heard).map(length_figure),
                aim: aim.map(|(v, t, _)| Aim {
                    value: Length::new(v),
                    tolerance: Length::new(t),
                }),
                verdict: aim.map_or(Verdict::CannotTell, |(_, _, v)| v),
            }
        })
        .collect()
}

fn flat<D: crate::geometry::Real>(p: [D; 3]) -> BehindPoint {
    BehindPoint {
        y: Length::new(p[1].re()),
        z: Length::new(p[2].re()),
    }
}

fn pose_now(s: &Sitting) -> Option<Pose<f64>> {
    let posture = s.posture.as_ref()?;
    let q: StateOf<f64> = posture.state.fixed_rows::<COORDINATES>(0).into_owned();
    Some(s.model.pose(&q))
}

fn links(s: &Sitting, compared: &[Compared], heard: bool) -> Vec<LinkView> {
    let pose = pose_now(s);
    (0..s.sheet.axles.len())
        .filter_map(|i| {
            let (name, link) = s.model.link(i)?;
            let key = QuantityKey::LinkAngle(i);
            let aim = aim_now(s, compared, key);
            let ends = pose.as_ref().map(|pose| {
                [
                    flat(pose.frame.point(link.frame_end)),
                    flat(pose.axle_point(i, link.axle_end)),
                ]
            });
            Some(LinkView {
                name: name.to_owned(),
                angle: angle(s, key, heard),
                aim: aim.map(|(v, t, _)| Aim {
                    value: Angle::new(v),
                    tolerance: Angle::new(t),
                }),
                verdict: aim.map_or(Verdict::CannotTell, |(_, _, v)| v),
                ends,
            })
        })
        .collect()
}

fn coilovers(s: &Sitting, heard: bool) -> Vec<CoiloverView> {
    let units = s.model.units.iter().enumerate();
    units
        .map(|(i, unit)| {
            let sag = measured(s, QuantityKey::Sag(i)).filter(|_| heard);
            let stroke = unit.extended - unit.compressed;
            CoiloverView {
                name: unit.name.clone(),
                sag: sag.map(length_figure),
                sag_percent: sag.map(|m| 100.0 * m.value / stroke),
                travel_left: sag.map(|m| Length::new(stroke - m.value)),
            }
        })
        .collect()
}

/// The rear axle's end of the vehicle, seen from behind.
fn behind(s: &Sitting) -> Behind {
    let Some(pose) = pose_now(s) else {
        return Behind::default();
    };
    let Some(axle) = s.sheet.axles.first() else {
        return Behind::default();
    };
    let half = axle.track.m() / 2.0;
    let near: Vec<_> = s
        .sheet
        .stations
        .iter()
        .filter(|t| t.at.x.m().abs() < 0.5 * s.sheet.wheelbase.m().max(0.5))
        .collect();
    let rail = near.iter().map(|t| t.at.y.m().abs()).fold(0.3, f64::max);
    let outline = |y: f64| {
        let (inner, outer) = (y - 0.04 * y.signum(), y + 0.02 * y.signum());
        [(outer, 0.0), (outer, 0.08), (inner, 0.08), (inner, 0.0)]
            .map(|(y, z)| flat(pose.frame.point([0.0, y, z])))
            .to_vec()
    };
    let cross = [(-rail, 0.03), (rail, 0.03), (rail, 0.05), (-rail, 0.05)]
        .map(|(y, z)| flat(pose.frame.point([0.0, y, z])))
        .to_vec();
    let radius = wheel_radius(&s.model, axle);
    let heights = s.model.wheel_heights(0, &pose);
    let middle = |side: usize, y: f64| match pose.axle(0) {
        Some(_) => flat(pose.axle_point(0, [0.0, y, 0.0])),
        None => BehindPoint {
            y: Length::new(y),
            z: Length::new(heights[side]),
        },
    };
    let (left, right) = (middle(0, half), middle(1, -half));
    Behind {
        frame: vec![outline(rail), outline(-rail), cross],
        axle: pose.axle(0).map(|_| [left, right]),
        wheels: [left, right]
            .into_iter()
            .map(|middle| Wheel {
                middle,
                radius: Length::new(radius),
                width: Length::from_mm(180.0),
            })
            .collect(),
        coilovers: s
            .model
            .units
            .iter()
            .filter_map(|u| match &u.place {
                UnitPlace::Mounts { upper, lower } if u.axle == 0 => Some([
                    flat(pose.frame.point(*upper)),
                    flat(pose.axle_point(0, *lower)),
                ]),
                _ => None,
            })
            .collect(),
    }
}

fn wheel_radius(model: &Model, axle: &crate::sheet::Axle) -> f64 {
    let _ = model;
    match &axle.support {
        crate::sheet::Support::Tyres(t) => t.radius.m(),
        _ => axle.design_height.m(),
    }
}

fn sensors(s: &Sitting, now: Moment) -> Vec<SensorView> {
    let sensors = s.sheet.sensors.iter().enumerate();
    sensors
        .map(|(i, sensor)| {
            let reading = s.readings.get(i);
            let (state, rejected) = s.lines.health(i).unzip();
            let heard_at = s
                .bench
                .channel(i)
                .and_then(crate::readings::Channel::last_heard);
            let gone = matches!(state, Some(LineState::Gone(_) | LineState::Refused(_)));
            SensorView {
                name: sensor.name.clone(),
                kind: match kind_due(&sensor.reads) {
                    crate::drivers::SampleKind::Angle => "inclinometer".to_owned(),
                    crate::drivers::SampleKind::Distance => "distance".to_owned(),
                },
                last: reading
                    .filter(|r| r.value.is_finite())
                    .map_or(String::new(), |r| {
                        value_words(r.value, kind_due(&sensor.reads), s.sheet.units)
                    }),
                age: heard_at.map(|at| now.since(at)),
                per_second: s.lines.rate(i),
                rejected: rejected.unwrap_or(0),
                quality: match reading.map(|r| r.quality) {
                    _ if gone => Quality::Gone,
                    Some(ReadingQuality::Good) => Quality::Good,
                    Some(ReadingQuality::Moving) => Quality::Moving,
                    Some(ReadingQuality::Silent { .. }) => Quality::Silent,
                    Some(ReadingQuality::Untrusted(_) | ReadingQuality::WrongKind) => {
                        Quality::Untrusted
                    }
                    _ => Quality::NeverHeard,
                },
                off: None,
            }
        })
        .collect()
}

fn value_words(value: f64, kind: crate::drivers::SampleKind, units: UnitSystem) -> String {
    match kind {
        crate::drivers::SampleKind::Angle => Angle::new(value).shown(units),
        crate::drivers::SampleKind::Distance => Length::new(value).shown(units),
    }
}

fn load_marks(s: &Sitting) -> Vec<LoadMark> {
    let loads = s.sheet.loads.iter().zip(&s.loads_on).enumerate();
    loads
        .map(|(i, (load, &on))| {
            let side = match load.at.y.mm() {
                y if y > 20.0 => format!("{} left", load.at.y.shown(s.sheet.units)),
                y if y < -20.0 => format!("{} right", load.at.y.abs().shown(s.sheet.units)),
                _ => "middle".to_owned(),
            };
            LoadMark {
                key: char::from_digit(u32::try_from(i + 1).unwrap_or(0), 10).filter(|_| i < 9),
                name: load.name.clone(),
                weight: load.mass.shown(s.sheet.units),
                place: side,
                on,
            }
        })
        .collect()
}

/// What to do next, the first thing first.
fn next(s: &Sitting, heard: bool) -> Vec<String> {
    if !heard {
        return vec![
            "no sensor is heard yet: check that each is plugged in and named in the sheet"
                .to_owned(),
        ];
    }
    if let Some(turned) = &s.turning {
        return vec![turned.line(), turned.done_words()];
    }
    let mut lines = Vec::new();
    let loaded = s.loads_on.iter().any(|on| *on);
    let been_loaded = s.kept.iter().any(|k| !k.loads.is_empty());
    if s.still_since.is_none() {
        lines.push("wait until it is still; the reading is then kept by itself".to_owned());
    } else if s.kept.is_empty() {
        lines.push("still: hold on, the first reading is being kept".to_owned());
    } else if loaded {
        lines
            .push("kept; put the next load on, or take it off again, and press its key".to_owned());
    } else if !been_loaded && let Some((i, load)) = first_load(s) {
        lines.push(
            "rated stands with a small gap, wheels chocked, nobody underneath; then".to_owned(),
        );
        lines.push(format!(
            "{} goes on: press {} when it is coming on",
            load,
            i + 1
        ));
    }
    if let Some(suggestion) = s.fresh_suggestion() {
        lines.extend(suggestion_lines(&s.sheet, suggestion));
        if let Some(turn) = suggestion.turns.first() {
            lines.push(format!(
                "t: begin to turn the {} collar and be told when to stop",
                turn.name
            ));
        }
    }
    lines
}

/// The load that a test begins with: a person where the sheet has one, else the first.
fn first_load(s: &Sitting) -> Option<(usize, &str)> {
    let loads = &s.sheet.loads;
    let person = loads.iter().position(|l| l.name.contains("helper"));
    let i = person.or_else(|| (!loads.is_empty()).then_some(0))?;
    Some((i, &loads[i].name))
}
