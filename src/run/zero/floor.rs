//! `zero --floor`: how high the floor is under wheels and beams.
//!
//! In: at each spot the height of a water level over the floor as read on a
//! rule, or the angle of a straight edge from the spot before. Out: a floor map
//! in the neighbour file and the logbook. Refused: a map of fewer than three
//! spots, or spots on one line.

use crate::quantity::{Dimension, decimals};
use crate::readings::Calibration;
use crate::readings::neighbour::{FloorMap, Spot, date_words};
use crate::readings::zeroing::floor_plane;
use crate::run::Failure;
use crate::run::sensors::fitted::{beam_spot, wheel_spot};
use crate::run::sensors::steps::{Steps, quantity};
use crate::run::zero::hold::Hold;
use crate::run::zero::{Keeping, wrong};
use crate::sheet::{BuildSheet, Measurand};

/// Standard uncertainty of a height read off a water level: a limit of 1 mm.
/// Chosen, because the water stands up in the tube and is read by eye.
const WATER_LEVEL_MM: f64 = 0.577;
/// The same of a height carried over with a straight edge; it grows from spot
/// to spot, this is for the furthest. Chosen: 0.02 degrees over 2 m, thrice.
const STRAIGHT_EDGE_MM: f64 = 1.2;

/// Every spot of interest: name, forward, left; metres.
fn spots(sheet: &BuildSheet) -> Vec<(String, f64, f64)> {
    let mut all = Vec::new();
    for axle in &sheet.axles {
        let half = axle.track.m() / 2.0;
        all.push((wheel_spot(&axle.name, "left"), axle.x.m(), half));
        all.push((wheel_spot(&axle.name, "right"), axle.x.m(), -half));
    }
    for sensor in &sheet.sensors {
        if let Measurand::FrameToFloor { from } = &sensor.reads {
            all.push((beam_spot(&sensor.name), from.x.m(), from.y.m()));
        }
    }
    for station in &sheet.stations {
        all.push((
            format!("at {}", station.name),
            station.at.x.m(),
            station.at.y.m(),
        ));
    }
    all
}

/// Walks over the spots; gives what came of it in words.
pub(in crate::run) fn map(
    sheet: &BuildSheet,
    with: Option<(usize, Option<Calibration>)>,
    hold: &mut Hold,
    steps: &Steps,
    keeping: &mut Keeping,
) -> Result<String, Failure> {
    let mut taken: Vec<Spot> = Vec::new();
    for (name, x, y) in spots(sheet) {
        let before = taken.last().cloned();
        let height_mm = if let Some((sensor, calibration)) = with {
            match before {
                // The first spot is where heights count from.
                None => Some(0.0),
                Some(before) => {
                    let run_mm = (x * 1e3 - before.x_mm).hypot(y * 1e3 - before.y_mm);
                    let rise = edge(
                        sensor,
                        calibration,
                        &name,
                        &before.spot,
                        run_mm,
                        hold,
                        steps,
                    )?;
                    match rise {
                        Walked::Height(rise) => Some(before.height_mm + rise),
                        Walked::Skip => None,
                        Walked::Quit => break,
                    }
                }
            }
        } else {
            match water(&name, hold, steps)? {
                // The water stands level: more of it, lower floor.
                Walked::Height(depth) => Some(-depth),
                Walked::Skip => None,
                Walked::Quit => break,
            }
        };
        if let Some(height_mm) = height_mm {
            taken.push(Spot {
                spot: name,
                x_mm: x * 1e3,
                y_mm: y * 1e3,
                height_mm,
            });
        }
    }
    let highest = taken
        .iter()
        .map(|s| s.height_mm)
        .fold(f64::NEG_INFINITY, f64::max);
    for spot in &mut taken {
        spot.height_mm -= highest;
    }
    let now = hold.ear.now();
    let map = FloorMap {
        at: date_words(now),
        by: if with.is_some() {
            "straight edge".to_owned()
        } else {
            "water level".to_owned()
        },
        height_standard_uncertainty_mm: if with.is_some() {
            STRAIGHT_EDGE_MM
        } else {
            WATER_LEVEL_MM
        },
        spots: taken,
    };
    let u = map.height_standard_uncertainty_mm * 1e-3;
    let plane = floor_plane(&map.spots_m(), u).map_err(|e| wrong(&e))?;
    for (spot, bump) in map.spots.iter().zip(&plane.bumps) {
        steps.say(&format!(
            "{}: {} mm over the floor's plane",
            spot.spot,
            decimals(bump * 1e3, 1)
        ))?;
    }
    let said = format!(
        "floor of {} spots: roll {} deg, pitch {} deg",
        map.spots.len(),
        decimals(plane.roll.value.to_degrees(), 3),
        decimals(plane.pitch.value.to_degrees(), 3)
    );
    keeping.log(now, "floor", "floor", serde_json::to_value(&map))?;
    keeping.neighbour.floors.push(map);
    keeping.save()?;
    Ok(said)
}

/// What came of a spot; millimetres.
enum Walked {
    Height(f64),
    Skip,
    Quit,
}

fn water(name: &str, hold: &mut Hold, steps: &Steps) -> Result<Walked, Failure> {
    steps.step(
        &format!("floor, '{name}'"),
        "stand the rule on the floor at this spot and read how high the water level stands on it;\n\
         the other end of the tube stays where it is; wait until the water is quiet",
        "the height, '512 mm'; or: skip, quit",
    )?;
    loop {
        match hold.answer(steps).as_str() {
            "skip" => return Ok(Walked::Skip),
            "quit" => return Ok(Walked::Quit),
            "" => {}
            text => match quantity(text, Dimension::Length) {
                Ok(m) => return Ok(Walked::Height(m * 1e3)),
                Err(why) => steps.say(&why)?,
            },
        }
    }
}

fn edge(
    sensor: usize,
    calibration: Option<Calibration>,
    name: &str,
    before: &str,
    run_mm: f64,
    hold: &mut Hold,
    steps: &Steps,
) -> Result<Walked, Failure> {
    steps.step(
        &format!("floor, '{name}'"),
        &format!(
            "lay the straight edge from '{before}' to this spot ({run_mm:.0} mm), the inclinometer on it\n\
             so that it shows more when this spot is higher"
        ),
        "Enter or 'take' when it rests; skip, quit",
    )?;
    loop {
        match hold.answer(steps).as_str() {
            "skip" => return Ok(Walked::Skip),
            "quit" => return Ok(Walked::Quit),
            "" | "take" => {
                let Some(held) = hold.take(sensor, steps)? else {
                    continue;
                };
                // Its mounting direction on the vehicle does not count here.
                let angle = held.shown.value - calibration.map_or(0.0, |c| c.zero);
                steps.say(&format!(
                    "TAKEN {} deg, {} mm",
                    decimals(angle.to_degrees(), 3),
                    decimals(run_mm * angle.sin(), 1)
                ))?;
                return Ok(Walked::Height(run_mm * angle.sin()));
            }
            other => steps.say(&format!("'{other}' is no answer here: take, skip, quit"))?,
        }
    }
}
