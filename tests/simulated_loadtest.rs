//! Vehicles and load tests made up for the tests and for the coverage table: a
//! sheet, a truth that differs from it within what it states, and readings.
//!
//! The truth is the full nonlinear model with friction that remembers: in each
//! unit a force that follows its length elastically until it breaks loose
//! (stiff spring and slider in series), carried along the whole test in small
//! steps of load. The estimator knows nothing of this.

use rand::{Rng, rngs::StdRng};
use rand_distr::StandardNormal;
use stillheight::geometry::gradient;
use stillheight::posture::{Observation, PostureState, QuantityKey, predict};
use stillheight::quantity::{
    Angle, Force, Length, Mass, Moment, Point, Span, SpringRate, UnitSystem,
};
use stillheight::sheet::*;
use stillheight::statics::{Equilibrium, Model, Parameter, PointMass};
use stillheight::trials::loadtest::{Approach, Load, PlacedLoad, Step};

/// Stiffness of friction before it breaks loose: the band over 0.15 mm.
const BREAKS_LOOSE_M: f64 = 0.15e-3;
/// Scatter of friction from stop to stop.
const STOP_TO_STOP: f64 = 0.15;
/// Where a bounce ends, in shares of friction.
const BOUNCE: f64 = 0.15;
/// Seat of a spring against the sheet besides the collar.
const SEAT_M: f64 = 0.002;
/// How hard the frame is pressed or lifted by hand, as a share of its weight.
const BY_HAND: f64 = 0.35;
/// Steps into which a change of load is cut.
const CUTS: usize = 4;

fn normal(rng: &mut StdRng) -> f64 {
    rng.sample(StandardNormal)
}

fn sensor(name: &str, reads: Measurand) -> Sensor {
    let (zero_uncertainty, scale_uncertainty) = match reads {
        Measurand::Tilt { .. } => (0.1_f64.to_radians(), 0.002),
        _ => (0.001, 0.003),
    };
    Sensor {
        name: name.to_owned(),
        connection: Connection {
            port: None,
            baud: 115_200,
            protocol: Protocol::Wire {
                device: 1,
                channel: 0,
            },
        },
        reads,
        zero: 0.0,
        zero_uncertainty,
        scale_uncertainty,
        deadline_s: 1.0,
    }
}

pub fn unit(rate_n_per_mm: f64, free_mm: f64, friction_n: f64) -> CoiloverUnit {
    CoiloverUnit {
        extended: Length::from_mm(640.0),
        compressed: Length::from_mm(180.0),
        hardware: Length::from_mm(100.0),
        spring: Spring {
            curve: SpringCurve::Linear(SpringRate::from_n_per_mm(rate_n_per_mm)),
            free_length: Length::from_mm(free_mm),
            solid_length: None,
            rate_uncertainty: 0.05,
        },
        collar: Collar {
            height: Length::ZERO,
            lowest: Length::ZERO,
            highest: Length::from_mm(80.0),
            pitch: Length::from_mm(2.0),
            step_turns: 0.25,
            uncertainty: Length::from_mm(0.5),
        },
        friction: Force::new(friction_n),
    }
}

fn coilover(side: Side, lean_deg: f64, unit: CoiloverUnit) -> Coilover {
    let lean = lean_deg.to_radians();
    let length = 420.0;
    let lower = Point::from_mm(0.0, 500.0, 0.0);
    let upper = Point::from_mm(
        0.0,
        500.0 - length * lean.sin(),
        length * lean.cos() - 200.0,
    );
    let left = side == Side::Left;
    Coilover {
        arm: None,
        name: if left { "rear left" } else { "rear right" }.to_owned(),
        side,
        upper: if left { upper } else { upper.mirrored() },
        lower: if left { lower } else { lower.mirrored() },
        unit,
        upper_holes: Vec::new(),
        lower_holes: Vec::new(),
    }
}

/// A light van, two axles on tyres: solid behind with leaning coilovers and a
/// lateral link, independent in front; seven sensors on the frame and one for
/// each end of the rear axle. `vary` moves its numbers about.
pub fn light_van(mut vary: impl FnMut(f64) -> f64) -> BuildSheet {
    let (k_rear, k_front) = (28.0 * vary(0.2), 24.0 * vary(0.2));
    let sprung = 640.0 * vary(0.15);
    let centre_x = 1450.0 * vary(0.1);
    let friction = 60.0 * vary(0.4);
    // Free lengths such that the vehicle stands near its design height.
    let rear_share = (2600.0 - centre_x) / 2600.0;
    let squeeze = |share: f64, k: f64| sprung * 9.81 * share / 2.0 / k;
    let free_rear = 320.0 + squeeze(rear_share, k_rear);
    let free_front = 300.0 + squeeze(1.0 - rear_share, k_front);
    let tyre = Tyre {
        radius: Length::from_mm(308.0),
        rate: SpringRate::from_n_per_mm(200.0 * vary(0.1)),
        rate_uncertainty: 0.1,
    };
    let lean = 12.0 * vary(0.3);
    let corner = |name: &str| Corner {
        arm: None,
        name: name.to_owned(),
        unit: unit(k_front, free_front, friction),
        design_length: Length::from_mm(400.0),
        motion_ratio: vec![
            (Length::from_mm(-60.0), 0.92),
            (Length::from_mm(60.0), 0.96),
        ],
    };
    let axle = |name: &str, x, suspension| Axle {
        name: name.to_owned(),
        x: Length::from_mm(x),
        track: Length::from_mm(1480.0),
        unsprung: Mass::new(85.0),
        design_height: Length::from_mm(300.0),
        support: Support::Tyres(tyre),
        suspension,
        anti_roll_bar: None,
    };
    let rear = axle(
        "rear",
        0.0,
        Suspension::Solid {
            coilovers: vec![
                coilover(Side::Left, lean, unit(k_rear, free_rear, friction)),
                coilover(Side::Right, lean, unit(k_rear, free_rear, friction)),
            ],
            link: Some(LateralLink {
                name: "lateral link".to_owned(),
                frame_end: Point::from_mm(-60.0, 430.0, -120.0),
                axle_end: Point::from_mm(-60.0, -430.0, 40.0),
                length: Length::from_mm(862.0),
            }),
        },
    );
    let front = axle(
        "front",
        2600.0,
        Suspension::Independent {
            left: corner("front left"),
            right: corner("front right"),
            roll_centre: None,
        },
    );
    let station = |name: &str, x, y| Station {
        name: name.to_owned(),
        at: Point::from_mm(x, y, 0.0),
    };
    let stations = vec![
        station("rear left", 0.0, 400.0),
        station("rear right", 0.0, -400.0),
        station("front left", 2600.0, 400.0),
        station("front right", 2600.0, -400.0),
    ];
    let tilt = |on| Measurand::Tilt {
        on,
        reversed: false,
    };
    let mut sensors = vec![
        sensor("roll", tilt(TiltOn::FrameRoll)),
        sensor("pitch", tilt(TiltOn::FramePitch)),
        sensor("link", tilt(TiltOn::Link(0))),
    ];
    sensors.extend(
        stations
            .iter()
            .map(|s| sensor(&s.name, Measurand::FrameToFloor { from: s.at })),
    );
    for (name, y) in [("rear axle left", 450.0), ("rear axle right", -450.0)] {
        let reads = Measurand::FrameToAxle {
            from: Point::from_mm(0.0, y, 0.0),
            axle: 0,
            to: Point::from_mm(0.0, y, 60.0),
        };
        sensors.push(sensor(name, reads));
    }
    let load = |name: &str, kg, x, y, z, place| NamedLoad {
        name: name.to_owned(),
        mass: Mass::new(kg),
        at: Point::from_mm(x, y, z),
        mass_uncertainty: Mass::new(0.02 * kg),
        place_uncertainty: Length::from_mm(place),
    };
    BuildSheet {
        name: "light van".to_owned(),
        units: UnitSystem::Metric,
        wheelbase: Length::from_mm(2600.0),
        design_height: Length::from_mm(500.0),
        stations,
        axles: vec![rear, front],
        sprung: SprungWeight {
            mass: Mass::new(sprung),
            centre: Point::from_mm(centre_x, 0.0, 150.0),
            mass_uncertainty: Mass::new(10.0),
            centre_uncertainty: Length::from_mm(20.0),
        },
        loads: vec![
            load("deck", 120.0, 300.0, 0.0, 250.0, 20.0),
            load("tank", 45.0, 1700.0, -200.0, 50.0, 10.0),
        ],
        cases: vec![
            LoadCase {
                name: "bare".to_owned(),
                loads: Vec::new(),
            },
            LoadCase {
                name: "finished".to_owned(),
                loads: vec![0, 1],
            },
        ],
        targets: Targets {
            case: 1,
            heights: Vec::new(),
            roll: None,
            pitch: None,
            links: Vec::new(),
        },
        floor: Floor {
            roll: Angle::ZERO,
            pitch: Angle::ZERO,
            slope_uncertainty: Angle::from_deg(0.4),
            flatness: Length::from_mm(1.0),
            under_wheels: [[Length::ZERO; 2]; 2],
        },
        shelf: Vec::new(),
        sensors,
    }
}

/// A person of 80 kg, known to 1 kg and 30 mm.
pub fn person(x_mm: f64, y_mm: f64) -> Load {
    Load::Placed(PlacedLoad {
        body: "person".to_owned(),
        mass_kg: 80.0,
        mass_uncertainty_kg: 1.0,
        at_m: [x_mm / 1e3, y_mm / 1e3, 0.35],
        place_uncertainty_m: 0.03,
    })
}

/// Four bags of sand of 25 kg together, known to 0.5 kg and 15 mm.
pub fn bags(x_mm: f64, y_mm: f64) -> Load {
    Load::Placed(PlacedLoad {
        body: "bags".to_owned(),
        mass_kg: 100.0,
        mass_uncertainty_kg: 0.5,
        at_m: [x_mm / 1e3, y_mm / 1e3, 0.15],
        place_uncertainty_m: 0.015,
    })
}

/// The usual test: bare, and loads on and off at the middle, left, right, and in
/// front. At the sides each load is read from both sides of the band of friction
/// (pressed down and let come up), since friction that differs left to right looks
/// like springs that do.
pub fn usual_plan() -> Vec<(Vec<Load>, Approach)> {
    use Approach::{Bounced, Loading, Unloading};
    vec![
        (vec![], Bounced),
        (vec![person(200.0, 0.0)], Loading),
        (vec![person(200.0, 0.0), bags(0.0, 0.0)], Loading),
        (vec![person(200.0, 0.0)], Unloading),
        (vec![], Unloading),
        (vec![person(200.0, 400.0)], Loading),
        (vec![person(200.0, 400.0)], Unloading),
        (vec![], Unloading),
        (vec![person(200.0, -400.0)], Loading),
        (vec![person(200.0, -400.0)], Unloading),
        (vec![], Unloading),
        (vec![bags(2300.0, 0.0)], Loading),
        (vec![bags(2300.0, 0.0), person(2200.0, 350.0)], Loading),
        (vec![bags(2300.0, 0.0)], Unloading),
        (vec![], Unloading),
        (vec![], Bounced),
    ]
}

/// A vehicle that is really there.
#[derive(Debug, Clone)]
pub struct Truth {
    /// Its model; masses are the sprung weight, then the places in their order.
    pub model: Model,
    /// Friction of every unit, newtons.
    pub friction: Vec<f64>,
    /// Friction of every axle (mean over its units), newtons.
    pub axle_friction: [f64; 2],
    /// Roll and pitch of the floor.
    pub floor: [f64; 2],
    zero: Vec<f64>,
    scale: Vec<f64>,
    places: Vec<(PlacedLoad, usize)>,
    bodies: Vec<(String, f64)>,
    /// The same vehicle with the loads of the finished case on.
    pub finished: Model,
}

impl Truth {
    /// Draws one within what the sheet states.
    pub fn draw(sheet: &BuildSheet, plan: &[(Vec<Load>, Approach)], rng: &mut StdRng) -> Self {
        let mut model = Model::new(sheet, &[]);
        for u in 0..model.units.len() {
            let typed = sheet.unit(&model.units[u].name).unwrap();
            Parameter::RateFactor(u).shift(&mut model, typed.spring.rate_uncertainty * normal(rng));
            let seat = typed.collar.uncertainty.m() * normal(rng) + SEAT_M * normal(rng);
            Parameter::Collar(u).shift(&mut model, seat);
        }
        Parameter::Mass(0).shift(&mut model, sheet.sprung.mass_uncertainty.kg() * normal(rng));
        for axis in 0..3 {
            Parameter::MassAt(0, axis).shift(
                &mut model,
                sheet.sprung.centre_uncertainty.m() * normal(rng),
            );
        }
        for i in 0..2 {
            Parameter::TyreFactor(i).shift(&mut model, 0.1 * normal(rng));
        }
        let mut finished = model.clone();
        for (i, load) in sheet.loads.iter().enumerate() {
            finished.masses[i + 1].on = true;
            Parameter::Mass(i + 1).shift(&mut finished, load.mass_uncertainty.kg() * normal(rng));
            for axis in 0..3 {
                Parameter::MassAt(i + 1, axis)
                    .shift(&mut finished, load.place_uncertainty.m() * normal(rng));
            }
        }
        let mean = sheet.unit(&model.units[0].name).unwrap().friction.n();
        let mut friction = vec![0.0; model.units.len()];
        let mut axle_friction = [0.0; 2];
        for (axle, of_axle) in axle_friction.iter_mut().enumerate() {
            let common = loop {
                let f = mean + (0.5 * mean).max(20.0) * normal(rng);
                if f > 3.0 {
                    break f;
                }
            };
            let mut sum = 0.0;
            for u in (0..friction.len()).filter(|&u| model.units[u].axle == axle) {
                friction[u] = (common + 0.2 * mean * normal(rng)).max(0.0);
                sum += friction[u] / 2.0;
            }
            *of_axle = sum;
        }
        let floor = [(); 2].map(|()| sheet.floor.slope_uncertainty.rad() * normal(rng));
        let mut truth = Self {
            model,
            friction,
            axle_friction,
            floor,
            zero: Vec::new(),
            scale: Vec::new(),
            places: Vec::new(),
            bodies: Vec::new(),
            finished,
        };
        for s in &sheet.sensors {
            let spot = match s.reads {
                Measurand::FrameToFloor { .. } => sheet.floor.flatness.m(),
                _ => 0.0,
            };
            truth
                .zero
                .push(s.zero_uncertainty * normal(rng) + spot * normal(rng));
            truth.scale.push(1.0 + s.scale_uncertainty * normal(rng));
        }
        truth.model.masses.truncate(1);
        for (loads, _) in plan {
            for load in loads {
                truth.place(&load.placed(sheet).unwrap(), rng);
            }
        }
        truth
    }

    fn place(&mut self, load: &PlacedLoad, rng: &mut StdRng) {
        if self.places.iter().any(|(l, _)| l == load) {
            return;
        }
        if !self.bodies.iter().any(|(b, _)| *b == load.body) {
            self.bodies.push((
                load.body.clone(),
                load.mass_kg + load.mass_uncertainty_kg * normal(rng),
            ));
        }
        let mass = self.bodies.iter().find(|(b, _)| *b == load.body).unwrap().1;
        let at = load
            .at_m
            .map(|x| x + load.place_uncertainty_m * normal(rng));
        self.places.push((load.clone(), self.model.masses.len()));
        self.model.masses.push(PointMass {
            name: load.body.clone(),
            mass,
            at,
            on: true,
        });
    }

    /// Does the whole test and reads every sensor in every step; tilt noise in
    /// degrees, distance noise in millimetres.
    pub fn test(
        &self,
        sheet: &BuildSheet,
        plan: &[(Vec<Load>, Approach)],
        noise: (f64, f64),
        rng: &mut StdRng,
    ) -> Vec<Step> {
        let units = self.model.units.len();
        let full: Vec<f64> = self.model.masses.iter().map(|m| m.mass).collect();
        let mut held = vec![0.0; units];
        let mut on = vec![0.0; full.len()];
        on[0] = 1.0;
        let mut model = self.model.clone();
        let with = |model: &mut Model, on: &[f64]| {
            for (m, (mass, share)) in model.masses.iter_mut().zip(full.iter().zip(on)) {
                m.mass = mass * share;
            }
        };
        with(&mut model, &on);
        let mut rest = model.equilibrium().unwrap();
        let mut lengths = lengths_at(&model, &rest);
        let mut steps = Vec::new();
        for (i, (loads, approach)) in plan.iter().enumerate() {
            let mut target = vec![0.0; full.len()];
            target[0] = 1.0;
            for load in loads {
                let load = load.placed(sheet).unwrap();
                target[self.places.iter().find(|(l, _)| *l == load).unwrap().1] = 1.0;
            }
            let limit: Vec<f64> = self
                .friction
                .iter()
                .map(|f| f * (1.0 + STOP_TO_STOP * normal(rng)).max(0.0))
                .collect();
            let mut by_way_of = vec![target.clone()];
            if on == target && *approach != Approach::Bounced {
                // By hand: pressed down and let come up, or lifted and let down.
                let mut pressed = target.clone();
                pressed[0] *= match approach {
                    Approach::Unloading => 1.0 + BY_HAND,
                    _ => 1.0 - BY_HAND,
                };
                by_way_of.insert(0, pressed);
            }
            for target in by_way_of {
                let from = on.clone();
                for cut in 1..=CUTS {
                    let t = cut as f64 / CUTS as f64;
                    for k in 0..on.len() {
                        on[k] = from[k] + (target[k] - from[k]) * t;
                    }
                    with(&mut model, &on);
                    rest = slide(
                        &mut model,
                        &rest,
                        &mut held,
                        &mut lengths,
                        &limit,
                        &self.friction,
                    );
                }
            }
            if *approach == Approach::Bounced {
                for (u, held) in held.iter_mut().enumerate() {
                    *held = self.friction[u] * BOUNCE * normal(rng);
                    model.units[u].push = *held;
                }
                rest = model.equilibrium_from(&rest.state).unwrap();
                lengths = lengths_at(&model, &rest);
            }
            steps.push(Step {
                at: Moment::from_unix_us(1_700_000_000_000_000) + Span::from_s(60.0 * i as f64),
                loads: loads.clone(),
                approach: *approach,
                readings: self.read(sheet, &model, &rest, noise, rng),
            });
        }
        steps
    }

    fn read(
        &self,
        sheet: &BuildSheet,
        model: &Model,
        rest: &Equilibrium,
        noise: (f64, f64),
        rng: &mut StdRng,
    ) -> Vec<Observation> {
        let mut x = PostureState::zeros();
        x.fixed_rows_mut::<7>(0).copy_from(&rest.state);
        x[7] = self.floor[0];
        x[8] = self.floor[1];
        sheet
            .sensors
            .iter()
            .enumerate()
            .map(|(i, s)| {
                let own = match s.reads {
                    Measurand::Tilt { .. } => noise.0.to_radians(),
                    _ => noise.1 / 1e3,
                };
                let exact = predict(model, &s.reads, &x).unwrap();
                let value = exact * self.scale[i] + self.zero[i] + own * normal(rng);
                let uncertainty = own
                    .hypot(s.zero_uncertainty)
                    .hypot(s.scale_uncertainty * value);
                Observation {
                    sensor: i,
                    value,
                    uncertainty,
                }
            })
            .collect()
    }

    /// A quantity of the finished vehicle, bounced.
    pub fn finished_quantity(&self, sheet: &BuildSheet, key: QuantityKey) -> f64 {
        let rest = self.finished.equilibrium().unwrap();
        let mut x = PostureState::zeros();
        x.fixed_rows_mut::<7>(0).copy_from(&rest.state);
        key.with_gradient(sheet, &self.finished, &x).0
    }
}

fn lengths_at(model: &Model, rest: &Equilibrium) -> Vec<f64> {
    let pose = model.pose(&rest.state);
    model.units.iter().map(|u| u.length(&pose)).collect()
}

/// The rest with friction that remembers: every unit's force is its earlier one
/// less its stiffness times the change of length, at most its limit. Newton's
/// method over the forces of all units, each either holding or sliding.
fn slide(
    model: &mut Model,
    near: &Equilibrium,
    held: &mut [f64],
    lengths: &mut Vec<f64>,
    limit: &[f64],
    friction: &[f64],
) -> Equilibrium {
    let n = held.len();
    let (before, were) = (held.to_vec(), lengths.clone());
    let mut push = before.clone();
    let mut rest = near.clone();
    // Error of the forces, its slope, and the rest that goes with them.
    let look = |model: &mut Model, push: &[f64], near: &Equilibrium| {
        for (unit, push) in model.units.iter_mut().zip(push) {
            unit.push = *push;
        }
        let rest = model.equilibrium_from(&near.state).unwrap();
        let now = lengths_at(model, &rest);
        let mut error = nalgebra::DVector::zeros(n);
        let mut slope = nalgebra::DMatrix::identity(n, n);
        for u in 0..n {
            let stiff = friction[u] / BREAKS_LOOSE_M;
            let free = before[u] - stiff * (now[u] - were[u]);
            error[u] = push[u] - free.clamp(-limit[u], limit[u]);
            if free.abs() < limit[u] {
                let (_, dl) = gradient(|x| model.units[u].length(&model.pose(x)), &rest.state);
                for v in 0..n {
                    slope[(u, v)] += stiff * dl.dot(&rest.response(model, Parameter::Push(v)));
                }
            }
        }
        (error, slope, rest)
    };
    let (mut error, mut slope, there) = look(model, &push, &rest);
    rest = there;
    for _ in 0..200 {
        if error.amax() < 1e-4 {
            break;
        }
        let step = slope.clone().lu().solve(&error).unwrap();
        let mut share = 1.0;
        loop {
            let trial: Vec<f64> = (0..n).map(|u| push[u] - share * step[u]).collect();
            let (e, s, r) = look(model, &trial, &rest);
            if e.norm() < error.norm() || share < 1e-3 {
                (push, error, slope, rest) = (trial, e, s, r);
                break;
            }
            share *= 0.5;
        }
    }
    assert!(
        error.amax() < 1e-2,
        "friction of the made-up vehicle was not solved: {error}"
    );
    held.copy_from_slice(&push);
    *lengths = lengths_at(model, &rest);
    rest
}
