//! What a load test identifies, against SciPy's least squares on the same model.

use super::{Asked, clock, peers, table, vehicles};
use serde_json::{Value, json};
use stillheight::posture::Observation;
use stillheight::quantity::{Force, Length, Moment, Point, Span, SpringRate};
use stillheight::sheet::{
    BuildSheet, Connection, Measurand, NamedLoad, Protocol, Sensor, SpringCurve, Suspension,
};
use stillheight::statics::Model;
use stillheight::trials::loadtest::{
    Approach, Identified, Key, Load, PlacedLoad, Step, Unknown, identify,
};

const NOISE_M: f64 = 0.5e-3;
/// Bodies of the test: name, weight and its uncertainty, kilograms, place uncertainty, metres.
const BODIES: [(&str, f64, f64, f64); 2] =
    [("person", 80.0, 1.0, 0.03), ("bags", 100.0, 0.5, 0.015)];
/// Places: body, x, y, metres.
const PLACES: [(usize, f64, f64); 6] = [
    (0, 0.2, 0.45),
    (0, 0.2, -0.45),
    (0, 2.0, 0.45),
    (0, 2.0, -0.45),
    (1, 2.1, 0.0),
    (1, 0.3, 0.0),
];
/// Which places are taken in every step.
const STEPS: [&[usize]; 10] = [&[], &[0], &[1], &[], &[2], &[3], &[4], &[4, 1], &[5], &[]];

fn sheet(rates: [f64; 4]) -> BuildSheet {
    let pair = |name: &str, x: f64, track: f64, left: f64, right: f64, free: f64| {
        let mut axle = vehicles::sprung_pair(name, x, track, &vehicles::roomy_unit(left, free));
        if let Suspension::Independent {
            left: l, right: r, ..
        } = &mut axle.suspension
        {
            l.unit.friction = Force::new(40.0);
            r.unit.friction = Force::new(40.0);
            r.unit.spring.curve = SpringCurve::Linear(SpringRate::from_n_per_mm(right));
        }
        axle
    };
    let mut sheet = vehicles::sheet(
        vec![
            pair("rear", 0.0, 1.4, rates[0], rates[1], 360.0),
            pair("front", 2.4, 1.3, rates[2], rates[3], 355.0),
        ],
        520.0,
        [1100.0, 0.0, 150.0],
    );
    for (name, x, y) in [
        ("rear left", 0.0, 400.0),
        ("rear right", 0.0, -400.0),
        ("front left", 2300.0, 400.0),
        ("front right", 2300.0, -400.0),
    ] {
        sheet.sensors.push(Sensor {
            name: name.to_owned(),
            connection: Connection {
                port: None,
                baud: 115_200,
                protocol: Protocol::Wire {
                    device: 1,
                    channel: 0,
                },
            },
            reads: Measurand::FrameToFloor {
                from: Point::from_mm(x, y, 0.0),
            },
            zero: 0.0,
            zero_uncertainty: 0.001,
            scale_uncertainty: 0.003,
            deadline_s: 1.0,
        });
    }
    sheet
}

/// So many repetitions of ten bounced steps, with the readings that a vehicle whose springs
/// are a little off would give.
pub fn test(repeats: usize) -> (BuildSheet, Vec<Step>) {
    let mut truth = sheet([22.9, 22.2, 26.3, 24.7]);
    for (body, x, y) in PLACES {
        truth.loads.push(NamedLoad {
            name: BODIES[body].0.to_owned(),
            mass: stillheight::quantity::Mass::new(BODIES[body].1),
            at: Point::from_mm(x * 1e3, y * 1e3, 350.0),
            mass_uncertainty: stillheight::quantity::Mass::new(0.0),
            place_uncertainty: Length::ZERO,
        });
    }
    let mut chance = 4_101_842_887_655_102_017_u64;
    let mut steps = Vec::new();
    for (i, on) in STEPS.iter().cycle().take(10 * repeats).enumerate() {
        let rest = Model::new(&truth, on).equilibrium().unwrap();
        let frame = rest.frame();
        let readings = truth.sensors.iter().enumerate().map(|(sensor, s)| {
            let Measurand::FrameToFloor { from } = s.reads else {
                panic!("distances only")
            };
            chance ^= chance << 13;
            chance ^= chance >> 7;
            chance ^= chance << 17;
            let noise = (chance >> 11) as f64 / (1_u64 << 53) as f64 - 0.5;
            let value = frame.beam_to_floor(from.m()) + 3.4 * NOISE_M * noise;
            Observation {
                sensor,
                value,
                uncertainty: NOISE_M.hypot(0.001).hypot(0.003 * value),
            }
        });
        steps.push(Step {
            at: Moment::from_unix_us(1_700_000_000_000_000) + Span::from_s(60.0 * i as f64),
            loads: on
                .iter()
                .map(|&p| {
                    let (body, x, y) = PLACES[p];
                    let (name, mass_kg, mass_uncertainty_kg, place) = BODIES[body];
                    Load::Placed(PlacedLoad {
                        body: name.to_owned(),
                        mass_kg,
                        mass_uncertainty_kg,
                        at_m: [x, y, 0.35],
                        place_uncertainty_m: place,
                    })
                })
                .collect(),
            approach: Approach::Bounced,
            readings: readings.collect(),
        });
    }
    (sheet([22.0, 22.0, 26.0, 26.0]), steps)
}

fn problem(sheet: &BuildSheet, steps: &[Step], found: &Identified) -> Value {
    let corners: Vec<Value> = sheet
        .axles
        .iter()
        .enumerate()
        .flat_map(|(i, axle)| {
            let Suspension::Independent { left, right, .. } = &axle.suspension else {
                panic!("independent corners only")
            };
            [(left, 1.0), (right, -1.0)].map(|(c, side)| {
                let SpringCurve::Linear(rate) = c.unit.spring.curve else {
                    panic!("linear springs only")
                };
                json!({
                    "axle": i,
                    "beside": [axle.x.m(), side * axle.track.m() / 2.0, axle.design_height.m() - sheet.design_height.m()],
                    "wheel": axle.design_height.m(),
                    "design_length": c.design_length.m(),
                    "rate": rate.n_per_m(),
                    "seat": c.unit.spring.free_length.m() + c.unit.hardware.m() + c.unit.collar.height.m(),
                })
            })
        })
        .collect();
    // Places in the order in which the steps take them.
    let mut order: Vec<usize> = Vec::new();
    for on in STEPS {
        for p in on {
            if !order.contains(p) {
                order.push(*p);
            }
        }
    }
    let mut bodies: Vec<usize> = Vec::new();
    for p in &order {
        if !bodies.contains(&PLACES[*p].0) {
            bodies.push(PLACES[*p].0);
        }
    }
    let unknowns: Vec<Value> = found
        .unknowns
        .iter()
        .map(|e| {
            let what = match e.what {
                Unknown::Rate(i) => json!(["rate", i]),
                Unknown::Seat(i) => json!(["seat", i]),
                Unknown::Friction(i) => json!(["friction", i]),
                Unknown::FrictionApart(i) => json!(["apart", i]),
                Unknown::Weight => json!(["weight", 0]),
                Unknown::Centre(i) => json!(["centre", i]),
                Unknown::BodyMass(i) => json!(["body", i]),
                Unknown::PlaceAt(i, axis) => json!(["place", i, axis]),
                Unknown::FloorRoll => json!(["floor roll", 0]),
                Unknown::FloorPitch => json!(["floor pitch", 0]),
                Unknown::Zero(i) => json!(["zero", i]),
                Unknown::Scale(i) => json!(["scale", i]),
                _ => panic!("an unknown that the other side does not have"),
            };
            json!({ "what": what, "mean": e.mean, "u": e.uncertainty })
        })
        .collect();
    let all_steps: Vec<Value> = steps
        .iter()
        .enumerate()
        .map(|(i, step)| {
            let on: Vec<usize> = STEPS[i % 10]
                .iter()
                .map(|p| order.iter().position(|o| o == p).unwrap())
                .collect();
            json!({ "on": on, "values": step.readings.iter().map(|o| o.value).collect::<Vec<_>>() })
        })
        .collect();
    json!({
        "corners": corners,
        "mass": sheet.sprung.mass.kg(),
        "centre": sheet.sprung.centre.m(),
        "bodies": bodies.iter().map(|b| BODIES[*b].1).collect::<Vec<_>>(),
        "places": order.iter().map(|p| json!({
            "body": bodies.iter().position(|b| *b == PLACES[*p].0),
            "at": [PLACES[*p].1, PLACES[*p].2, 0.35],
        })).collect::<Vec<_>>(),
        "sensors": sheet.sensors.iter().map(|s| match s.reads {
            Measurand::FrameToFloor { from } => from.m(),
            _ => panic!("distances only"),
        }).collect::<Vec<_>>(),
        "noise": found.residuals[0].noise,
        "steps": all_steps,
        "unknowns": unknowns,
        "start": sheet.design_height.m(),
    })
}

pub fn row(_: &Asked) {
    let (sheet, steps) = test(1);
    let found = identify(&sheet, &steps).unwrap();
    assert_eq!(found.readings, 40);
    assert!(found.misfits.is_empty() && found.doubted_axles.is_empty() && found.slips.is_empty());
    let ours = clock::alone(|| identify(&sheet, &steps).unwrap());
    let what = "load-test identification, 40 readings";
    let goal = "100x SciPy";
    let own = format!("{} ({} rounds)", table::time(ours), found.rounds);
    match peers::ask("loadtest.py", &problem(&sheet, &steps, &found)) {
        Err(why) => table::not_run(what, &format!("{own}; {why}"), goal),
        Ok(answer) => {
            let rates: Vec<f64> = serde_json::from_value(answer["rates"].clone()).unwrap();
            let off = rates
                .iter()
                .enumerate()
                .map(|(i, theirs)| {
                    let finding = found.get(Key::UnitRate(i)).unwrap();
                    // What the search finds; the step to the mean is not SciPy's.
                    let likeliest = found.likeliest(&sheet, Key::UnitRate(i));
                    (likeliest - theirs).abs() / finding.uncertainty
                })
                .fold(0.0, f64::max);
            assert!(off < 0.01, "SciPy finds other rates: {rates:?}");
            let (plain, batched) = (
                peers::number(&answer, "seconds"),
                peers::number(&answer, "batched"),
            );
            let figures = format!(
                "{own}; SciPy least_squares, rest by root in every step {} = {:.0}x (all steps at rest in one array {} = {:.0}x); same rates to {off:.0e} standard uncertainties",
                table::time(plain),
                plain / ours,
                table::time(batched),
                batched / ours,
            );
            table::row(what, &figures, goal, plain / ours >= 100.0);
        }
    }
}
