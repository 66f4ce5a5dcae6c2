//! The weighing as typed: TOML text -> what the layout stage works out.
//!
//! In: the text of a weighing. Out: [`Weighing`], [`Wheels`] and the units of the
//! answer. Refused: unknown keys, bare numbers, measures that a weighing needs
//! and that are not there; each with the name of its field.

use crate::layout::{Part, Raised, RaisedAxle, Scales, Weighed, Weighing, Wheels};
use crate::quantity::{Dimension, Length, Mass, Point, UnitSystem, read};
use crate::run::Failure;
use crate::run::arguments::{Units, WeighLine};
use serde::Deserialize;

/// The file that `weigh --example` prints.
pub(in crate::run) const EXAMPLE: &str = include_str!("weighing.txt");

/// A weighing with the units of its answer.
#[derive(Debug)]
pub(in crate::run) struct Meant {
    pub(in crate::run) weighing: Weighing,
    pub(in crate::run) wheels: Wheels,
    pub(in crate::run) units: UnitSystem,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Typed {
    #[serde(default)]
    units: UnitSystem,
    wheels: TypedWheels,
    scales: Option<TypedScales>,
    axles: Option<TypedAxles>,
    whole: Option<TypedWhole>,
    #[serde(default)]
    part: Vec<TypedPart>,
    #[serde(default)]
    unsprung: Vec<TypedPart>,
    #[serde(default)]
    raised: Vec<TypedRaised>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct TypedWheels {
    wheelbase: String,
    rear_track: Option<String>,
    front_track: Option<String>,
    rear_radius: Option<String>,
    front_radius: Option<String>,
    datum_height: Option<String>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct TypedScales {
    rear_left: String,
    rear_right: String,
    front_left: String,
    front_right: String,
    uncertainty: String,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct TypedAxles {
    rear: String,
    front: String,
    uncertainty: String,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct TypedWhole {
    mass: String,
    uncertainty: String,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct TypedPart {
    name: String,
    mass: String,
    uncertainty: Option<String>,
    at: [String; 3],
    place_uncertainty: Option<String>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct TypedRaised {
    axle: TypedEnd,
    lift: String,
    lift_uncertainty: Option<String>,
    load: String,
    uncertainty: String,
}

#[derive(Debug, Deserialize)]
#[serde(rename_all = "lowercase")]
enum TypedEnd {
    Rear,
    Front,
}

/// Reads a weighing; `file` is how it is called in messages.
pub(in crate::run) fn understood(text: &str, file: &str) -> Result<Meant, Failure> {
    let typed: Typed = toml::from_str(text).map_err(|e| {
        Failure::users(
            "weigh.form",
            format!("the weighing '{file}' cannot be read: {e}"),
            "'weigh --example' prints one that works, with every key it knows",
        )
    })?;
    meant(&typed)
}

/// The same from the command line; fields have the names that they have in a file.
pub(in crate::run) fn on_the_line(line: &WeighLine) -> Result<Meant, Failure> {
    let uncertainty = || line.uncertainty.clone().unwrap_or_default();
    let all = |words: &[String], field: &str| -> Result<Vec<TypedPart>, Failure> {
        words.iter().map(|text| a_part(text, field)).collect()
    };
    let scales = match (
        &line.rear_left,
        &line.rear_right,
        &line.front_left,
        &line.front_right,
    ) {
        (Some(rl), Some(rr), Some(fl), Some(fr)) => Some(TypedScales {
            rear_left: rl.clone(),
            rear_right: rr.clone(),
            front_left: fl.clone(),
            front_right: fr.clone(),
            uncertainty: uncertainty(),
        }),
        _ => None,
    };
    let axles = line
        .rear
        .clone()
        .zip(line.front.clone())
        .map(|(rear, front)| TypedAxles {
            rear,
            front,
            uncertainty: uncertainty(),
        });
    meant(&Typed {
        units: match line.units {
            Units::Metric => UnitSystem::Metric,
            Units::Inch => UnitSystem::Inch,
        },
        wheels: TypedWheels {
            wheelbase: line.wheelbase.clone().unwrap_or_default(),
            rear_track: line.rear_track.clone(),
            front_track: line.front_track.clone(),
            rear_radius: line.wheel_radius.clone(),
            front_radius: line.wheel_radius.clone(),
            datum_height: line.datum_height.clone(),
        },
        scales,
        axles,
        whole: None,
        part: all(&line.parts, "--part")?,
        unsprung: all(&line.unsprung, "--unsprung")?,
        raised: line
            .raised
            .iter()
            .map(|text| a_raised(text, &uncertainty()))
            .collect::<Result<_, _>>()?,
    })
}

/// `engine: 140 kg at 2300 mm, 0 mm, 150 mm`.
fn a_part(text: &str, field: &str) -> Result<TypedPart, Failure> {
    let read = || {
        let (name, rest) = text.split_once(':')?;
        let (mass, at) = rest.split_once(" at ")?;
        let mut at = at.split(',').map(|one| one.trim().to_owned());
        let point = [at.next()?, at.next()?, at.next()?];
        at.next().is_none().then(|| TypedPart {
            name: name.trim().to_owned(),
            mass: mass.trim().to_owned(),
            uncertainty: None,
            at: point,
            place_uncertainty: None,
        })
    };
    read().ok_or_else(|| {
        Failure::users(
            "weigh.part",
            format!("'{field}' cannot be '{text}'"),
            "write name, mass and frame point: \"engine: 140 kg at 2300 mm, 0 mm, 150 mm\"",
        )
    })
}

/// `rear by 600 mm: 483 kg`.
fn a_raised(text: &str, uncertainty: &str) -> Result<TypedRaised, Failure> {
    let read = || {
        let (lift, load) = text.split_once(':')?;
        let (axle, lift) = lift.split_once(" by ")?;
        let axle = match axle.trim() {
            "rear" => TypedEnd::Rear,
            "front" => TypedEnd::Front,
            _ => return None,
        };
        Some(TypedRaised {
            axle,
            lift: lift.trim().to_owned(),
            lift_uncertainty: None,
            load: load.trim().to_owned(),
            uncertainty: uncertainty.to_owned(),
        })
    };
    read().ok_or_else(|| {
        Failure::users(
            "weigh.raised",
            format!("'--raised' cannot be '{text}'"),
            "write the axle that was raised, by how much, and what the other one weighed then: \"rear by 600 mm: 483 kg\"",
        )
    })
}

fn meant(typed: &Typed) -> Result<Meant, Failure> {
    let w = &typed.wheels;
    let wheels = Wheels {
        wheelbase: positive(&w.wheelbase, "wheels.wheelbase")?,
        rear_track: need(
            w.rear_track.as_deref(),
            "wheels.rear_track",
            typed.scales.is_some(),
            "[scales]",
        )?,
        front_track: need(
            w.front_track.as_deref(),
            "wheels.front_track",
            typed.scales.is_some(),
            "[scales]",
        )?,
        rear_radius: need(
            w.rear_radius.as_deref(),
            "wheels.rear_radius",
            !typed.raised.is_empty(),
            "[[raised]]",
        )?,
        front_radius: need(
            w.front_radius.as_deref(),
            "wheels.front_radius",
            !typed.raised.is_empty(),
            "[[raised]]",
        )?,
        datum_height: need(
            w.datum_height.as_deref(),
            "wheels.datum_height",
            !typed.raised.is_empty(),
            "[[raised]]",
        )?,
    };
    let scales = typed
        .scales
        .as_ref()
        .map(|s| -> Result<_, Failure> {
            let one = |value: &str, key: &str| {
                weighed(value, &format!("scales.{key}"), &s.uncertainty, "scales")
            };
            Ok(Scales {
                rear_left: one(&s.rear_left, "rear_left")?,
                rear_right: one(&s.rear_right, "rear_right")?,
                front_left: one(&s.front_left, "front_left")?,
                front_right: one(&s.front_right, "front_right")?,
            })
        })
        .transpose()?;
    let axles = typed
        .axles
        .as_ref()
        .map(|a| -> Result<_, Failure> {
            Ok((
                weighed(&a.rear, "axles.rear", &a.uncertainty, "axles")?,
                weighed(&a.front, "axles.front", &a.uncertainty, "axles")?,
            ))
        })
        .transpose()?;
    let whole = typed
        .whole
        .as_ref()
        .map(|w| weighed(&w.mass, "whole.mass", &w.uncertainty, "whole"))
        .transpose()?;
    Ok(Meant {
        weighing: Weighing {
            scales,
            axles,
            whole,
            parts: parts(&typed.part, "part")?,
            unsprung: parts(&typed.unsprung, "unsprung")?,
            raised: raised(&typed.raised)?,
        },
        wheels,
        units: typed.units,
    })
}

fn si(text: &str, field: &str, due: Dimension) -> Result<f64, Failure> {
    read(text, due).map(|w| w.si).map_err(|e| {
        Failure::users(
            &format!("weigh.{}", e.reason()),
            format!("'{field}': {e}"),
            e.help(),
        )
    })
}

fn positive(text: &str, field: &str) -> Result<Length, Failure> {
    Ok(Length::new(above(
        si(text, field, Dimension::Length)?,
        text,
        field,
    )?))
}

/// More than nothing, or a failure that names the field.
fn above(value: f64, text: &str, field: &str) -> Result<f64, Failure> {
    if value > 0.0 {
        return Ok(value);
    }
    Err(Failure::users(
        "weigh.range",
        format!("'{field}' is '{text}': it must be greater than zero"),
        "correct the value",
    ))
}

fn need(text: Option<&str>, field: &str, needed: bool, by: &str) -> Result<Length, Failure> {
    match text {
        Some(text) => positive(text, field),
        None if needed => Err(Failure::users(
            "weigh.missing",
            format!("'{field}' is not given, and '{by}' needs it"),
            "measure it, or leave the other out",
        )),
        None => Ok(Length::ZERO),
    }
}

/// Standard uncertainty of a limit (JCGM 100:2008, 4.3.7).
fn standard(text: &str, field: &str, due: Dimension) -> Result<f64, Failure> {
    let limit = si(text, field, due)?;
    if limit < 0.0 {
        return Err(Failure::users(
            "weigh.range",
            format!("'{field}' is '{text}': it must not be negative"),
            "a limit is how far the value may be off either way",
        ));
    }
    Ok(limit / 3.0_f64.sqrt())
}

fn weighed(text: &str, field: &str, limit: &str, table: &str) -> Result<Weighed, Failure> {
    let mass = above(si(text, field, Dimension::Mass)?, text, field)?;
    let u = standard(limit, &format!("{table}.uncertainty"), Dimension::Mass)?;
    Ok(Weighed::new(Mass::new(mass), Mass::new(u)))
}

fn parts(typed: &[TypedPart], table: &str) -> Result<Vec<Part>, Failure> {
    typed
        .iter()
        .map(|p| {
            let path = format!("{table}.{}", p.name);
            let [x, y, z] = &p.at;
            let at = |text: &str, axis: &str| {
                si(text, &format!("{path}.at {axis}"), Dimension::Length).map(Length::new)
            };
            let off = p.place_uncertainty.as_deref().unwrap_or("0 mm");
            Ok(Part {
                name: p.name.clone(),
                mass: weighed(
                    &p.mass,
                    &format!("{path}.mass"),
                    p.uncertainty.as_deref().unwrap_or("0 kg"),
                    &path,
                )?,
                at: Point::new(at(x, "x")?, at(y, "y")?, at(z, "z")?),
                place_uncertainty: Length::new(standard(
                    off,
                    &format!("{path}.place_uncertainty"),
                    Dimension::Length,
                )?),
            })
        })
        .collect()
}

fn raised(typed: &[TypedRaised]) -> Result<Vec<Raised>, Failure> {
    typed
        .iter()
        .enumerate()
        .map(|(i, r)| {
            let path = format!("raised[{i}]");
            let off = r.lift_uncertainty.as_deref().unwrap_or("0 mm");
            Ok(Raised {
                axle: match r.axle {
                    TypedEnd::Rear => RaisedAxle::Rear,
                    TypedEnd::Front => RaisedAxle::Front,
                },
                lift: positive(&r.lift, &format!("{path}.lift"))?,
                lift_uncertainty: Length::new(standard(
                    off,
                    &format!("{path}.lift_uncertainty"),
                    Dimension::Length,
                )?),
                lower_load: weighed(&r.load, &format!("{path}.load"), &r.uncertainty, &path)?,
            })
        })
        .collect()
}
