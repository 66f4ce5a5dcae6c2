//! Weights: from scales, axle weights or a list of parts to the sprung weight
//! and its centre.
//!
//! In: what stood on the scales, each with its standard uncertainty; wheelbase
//! and tracks; what is unsprung, by name. Out: sprung mass and centre. Refused:
//! weighings that differ by more than their uncertainties, naming both.

use super::error::over;
use super::{LayoutError, height::RaisedWeighings};
use crate::quantity::{Length, Mass, Point};
use crate::sheet::SprungWeight;

/// A reading of a scale.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Weighed {
    /// What it shows.
    pub mass: Mass,
    /// Standard uncertainty.
    pub uncertainty: Mass,
}

impl Weighed {
    /// From a reading and its standard uncertainty.
    pub const fn new(mass: Mass, uncertainty: Mass) -> Self {
        Self { mass, uncertainty }
    }

    fn plus(self, other: Self) -> Self {
        Self {
            mass: self.mass + other.mass,
            uncertainty: Mass::new(self.uncertainty.kg().hypot(other.uncertainty.kg())),
        }
    }

    fn words(self) -> String {
        format!(
            "{:.1} kg ± {:.1}",
            self.mass.kg(),
            2.0 * self.uncertainty.kg()
        )
    }
}

/// The vehicle on scales under its four wheels, frame level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scales {
    /// Rear left.
    pub rear_left: Weighed,
    /// Rear right.
    pub rear_right: Weighed,
    /// Front left.
    pub front_left: Weighed,
    /// Front right.
    pub front_right: Weighed,
}

/// A part with its place in frame axes.
#[derive(Debug, Clone, PartialEq)]
pub struct Part {
    /// Its name.
    pub name: String,
    /// Its mass.
    pub mass: Weighed,
    /// Its centre, frame point.
    pub at: Point,
    /// Standard uncertainty of each coordinate.
    pub place_uncertainty: Length,
}

/// Where the wheels are.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wheels {
    /// Rear to front axle.
    pub wheelbase: Length,
    /// Rear track.
    pub rear_track: Length,
    /// Front track.
    pub front_track: Length,
    /// Height of the rear wheel centres over the floor, loaded.
    pub rear_radius: Length,
    /// Height of the front wheel centres over the floor, loaded.
    pub front_radius: Length,
    /// Height of the frame datum over the floor at the weighing, frame level.
    pub datum_height: Length,
}

/// All that was weighed; give what there is.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Weighing {
    /// Four scales at once.
    pub scales: Option<Scales>,
    /// Rear and front axle, one after the other.
    pub axles: Option<(Weighed, Weighed)>,
    /// The whole vehicle on one scale.
    pub whole: Option<Weighed>,
    /// All parts, unsprung ones too, as a list.
    pub parts: Vec<Part>,
    /// The unsprung parts among it, to be taken off.
    pub unsprung: Vec<Part>,
    /// Weighings with one axle raised, for the height of the centre.
    pub raised: Vec<super::Raised>,
}

/// Mass and centre of the whole vehicle and of what the springs carry.
#[derive(Debug, Clone, PartialEq)]
pub struct WeightsFound {
    /// The whole vehicle.
    pub whole: Weighed,
    /// Its centre, frame point; height only where `height_known`.
    pub centre: Point,
    /// Whether a list of parts or a raised weighing gave the height.
    pub height_known: bool,
    /// What the springs carry.
    pub sprung: SprungWeight,
    /// What was taken off as unsprung: name and mass.
    pub taken_off: Vec<(String, Mass)>,
}

/// The share of each reading that is a sum of scales.
struct Loads {
    rear: Weighed,
    front: Weighed,
    /// Centre to the left, with its standard uncertainty; none without four scales.
    y: Option<(f64, f64)>,
}

/// From the weighing to the sprung weight.
///
/// # Method
/// Axle loads from the scales or the axle weights (both: their weighted mean),
/// `x = L m_front / m`; `y` from the left and right scales with each axle's
/// track; the height from raised weighings or the list of parts. Unsprung parts
/// are taken off with their moments: `m_s c_s = m c - sum m_u c_u`.
/// Uncertainties by first derivatives, the readings independent of each other.
///
/// # Errors
/// Nothing weighed; two weighings that differ by more than twice their combined
/// standard uncertainty (named); unsprung parts as heavy as the whole.
pub fn weights(weighing: &Weighing, wheels: &Wheels) -> Result<WeightsFound, LayoutError> {
    let listed = (!weighing.parts.is_empty()).then(|| of_parts(&weighing.parts));
    let loads = axle_loads(weighing, wheels)?;
    let l = wheels.wheelbase.m();
    if !over(l, 0.0) {
        return Err(LayoutError::impossible(
            "wheelbase",
            format!("{:.1} mm", wheels.wheelbase.mm()),
            "it must be greater than zero",
        ));
    }
    let (whole, mut centre, mut place_u) = match (&loads, &listed) {
        (Some(loads), _) => {
            let whole = loads.rear.plus(loads.front);
            if let Some((parts, _, _)) = &listed {
                agree(("weights.parts", *parts), ("the scales' sum", whole))?;
            }
            let (m, mf, mr) = (whole.mass.kg(), loads.front.mass.kg(), loads.rear.mass.kg());
            if !over(m, 0.0) {
                return Err(LayoutError::impossible(
                    "weights",
                    whole.words(),
                    "a vehicle weighs something",
                ));
            }
            let u_x = l / (m * m)
                * (mr * loads.front.uncertainty.kg()).hypot(mf * loads.rear.uncertainty.kg());
            let (y, u_y) = loads.y.unwrap_or((0.0, 0.0));
            (whole, [l * mf / m, y, 0.0], [u_x, u_y, 0.0])
        }
        (None, Some((mass, at, u))) => (*mass, *at, *u),
        (None, None) => {
            return Err(LayoutError::Nothing {
                what: "weight: neither scales nor axle weights nor parts were given",
            });
        }
    };
    if let Some(measured) = weighing.whole {
        agree(("weights.whole", measured), ("the sum of the rest", whole))?;
    }
    let mut height_known = false;
    if !weighing.raised.is_empty() {
        let found = super::height::centre_height(&RaisedWeighings {
            mass: whole,
            wheels,
            level_x: centre[0],
            level_x_uncertainty: place_u[0],
            raised: &weighing.raised,
        })?;
        (centre[2], place_u[2]) = (
            found.height.m() - wheels.datum_height.m(),
            found.uncertainty.m(),
        );
        height_known = true;
    } else if let Some((_, at, u)) = &listed {
        (centre[2], place_u[2]) = (at[2], u[2]);
        if loads.as_ref().is_some_and(|l| l.y.is_none()) {
            (centre[1], place_u[1]) = (at[1], u[1]);
        }
        height_known = true;
    }
    let sprung = take_off(weighing, whole, centre, place_u)?;
    Ok(WeightsFound {
        whole,
        centre: point(centre),
        height_known,
        sprung,
        taken_off: weighing
            .unsprung
            .iter()
            .map(|p| (p.name.clone(), p.mass.mass))
            .collect(),
    })
}

fn point(at: [f64; 3]) -> Point {
    let [x, y, z] = at.map(Length::new);
    Point::new(x, y, z)
}

/// Mass, centre and standard uncertainty of the centre of a list of parts.
fn of_parts(parts: &[Part]) -> (Weighed, [f64; 3], [f64; 3]) {
    let mass = parts
        .iter()
        .map(|p| p.mass)
        .reduce(Weighed::plus)
        .unwrap_or(Weighed::new(Mass::ZERO, Mass::ZERO));
    let m = mass.mass.kg();
    let mut at = [0.0; 3];
    let mut u = [0.0; 3];
    for i in 0..3 {
        at[i] = parts
            .iter()
            .map(|p| p.mass.mass.kg() * p.at.m()[i])
            .sum::<f64>()
            / m;
        u[i] = parts
            .iter()
            .map(|p| {
                let of_mass = (p.at.m()[i] - at[i]) * p.mass.uncertainty.kg() / m;
                let of_place = p.mass.mass.kg() * p.place_uncertainty.m() / m;
                of_mass * of_mass + of_place * of_place
            })
            .sum::<f64>()
            .sqrt();
    }
    (mass, at, u)
}

/// Refuses two values of one mass that differ by more than twice the combined
/// standard uncertainty.
fn agree(first: (&str, Weighed), second: (&str, Weighed)) -> Result<(), LayoutError> {
    let off = (first.1.mass - second.1.mass).kg().abs();
    let u = first.1.uncertainty.kg().hypot(second.1.uncertainty.kg());
    if off <= 2.0 * u.max(1e-9) {
        return Ok(());
    }
    Err(LayoutError::Contradiction {
        first: first.0.to_owned(),
        first_value: first.1.words(),
        second: second.0.to_owned(),
        second_value: second.1.words(),
        why: format!(
            "they differ by {off:.1} kg, and their uncertainties allow {:.1} kg",
            2.0 * u
        ),
    })
}

/// Mean of two values that agree, weighted by their uncertainties.
fn mean(a: Weighed, b: Weighed) -> Weighed {
    let (va, vb) = (a.uncertainty.kg().powi(2), b.uncertainty.kg().powi(2));
    if va + vb <= 0.0 {
        return a;
    }
    Weighed::new(
        Mass::new((a.mass.kg() * vb + b.mass.kg() * va) / (va + vb)),
        Mass::new((va * vb / (va + vb)).sqrt()),
    )
}

fn axle_loads(weighing: &Weighing, wheels: &Wheels) -> Result<Option<Loads>, LayoutError> {
    let Some(s) = weighing.scales else {
        return Ok(weighing.axles.map(|(rear, front)| Loads {
            rear,
            front,
            y: None,
        }));
    };
    let mut rear = s.rear_left.plus(s.rear_right);
    let mut front = s.front_left.plus(s.front_right);
    let m = (rear.mass + front.mass).kg();
    let halves = [wheels.rear_track.m() / 2.0, wheels.front_track.m() / 2.0];
    let four = [
        (s.rear_left, halves[0]),
        (s.rear_right, -halves[0]),
        (s.front_left, halves[1]),
        (s.front_right, -halves[1]),
    ];
    let y = four.iter().map(|(w, y)| w.mass.kg() * y).sum::<f64>() / m;
    let u_y = four
        .iter()
        .map(|(w, at)| ((at - y) * w.uncertainty.kg() / m).powi(2))
        .sum::<f64>()
        .sqrt();
    if let Some((r, f)) = weighing.axles {
        agree(
            ("weights.scales.rear_left + rear_right", rear),
            ("weights.axles.rear", r),
        )?;
        agree(
            ("weights.scales.front_left + front_right", front),
            ("weights.axles.front", f),
        )?;
        (rear, front) = (mean(rear, r), mean(front, f));
    }
    Ok(Some(Loads {
        rear,
        front,
        y: Some((y, u_y)),
    }))
}

fn take_off(
    weighing: &Weighing,
    whole: Weighed,
    centre: [f64; 3],
    place_u: [f64; 3],
) -> Result<SprungWeight, LayoutError> {
    let m = whole.mass.kg();
    let off: f64 = weighing.unsprung.iter().map(|p| p.mass.mass.kg()).sum();
    let left = m - off;
    if !over(left, 0.0) {
        return Err(LayoutError::Contradiction {
            first: "weights.unsprung".to_owned(),
            first_value: format!("{off:.1} kg"),
            second: "the whole vehicle".to_owned(),
            second_value: whole.words(),
            why: "nothing is left for the springs".to_owned(),
        });
    }
    let (mut at, mut worst_u) = ([0.0; 3], 0.0_f64);
    for i in 0..3 {
        let moment: f64 = weighing
            .unsprung
            .iter()
            .map(|p| p.mass.mass.kg() * p.at.m()[i])
            .sum();
        at[i] = (m * centre[i] - moment) / left;
        let mut square = (m * place_u[i] / left).powi(2);
        square += ((centre[i] - at[i]) * whole.uncertainty.kg() / left).powi(2);
        for p in &weighing.unsprung {
            square += ((at[i] - p.at.m()[i]) * p.mass.uncertainty.kg() / left).powi(2);
            square += (p.mass.mass.kg() * p.place_uncertainty.m() / left).powi(2);
        }
        worst_u = worst_u.max(square.sqrt());
    }
    let u_mass = weighing
        .unsprung
        .iter()
        .map(|p| p.mass.uncertainty.kg().powi(2))
        .sum::<f64>()
        + whole.uncertainty.kg().powi(2);
    Ok(SprungWeight {
        mass: Mass::new(left),
        centre: point(at),
        mass_uncertainty: Mass::new(u_mass.sqrt()),
        // One for all three coordinates: the largest.
        centre_uncertainty: Length::new(worst_u),
    })
}
