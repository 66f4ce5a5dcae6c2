//! The vehicle of the measurements: a solid rear axle with a lateral link, independent
//! corners in front, tyres, three loads, sixteen sensors. All numbers invented.

use crate::vehicles;
use serde_json::{Value, json};
use stillheight::quantity::{Length, Mass, Point, SpringRate};
use stillheight::sheet::{
    BuildSheet, CoiloverUnit, Connection, LateralLink, LoadCase, Measurand, NamedLoad, Protocol,
    Sensor, SpringCurve, Station, Support, Suspension, TiltOn, Tyre,
};

/// The van without stations and sensors.
pub fn bare() -> BuildSheet {
    let tyre = Tyre {
        radius: Length::from_mm(330.0),
        rate: SpringRate::from_n_per_mm(210.0),
        rate_uncertainty: 0.1,
    };
    let mut unit = vehicles::roomy_unit(30.0, 300.0);
    unit.extended = Length::from_mm(460.0);
    unit.compressed = Length::from_mm(300.0);
    let mut rear = vehicles::solid_axle(12.0, 400.0, &unit);
    rear.support = Support::Tyres(tyre);
    if let Suspension::Solid { link, .. } = &mut rear.suspension {
        *link = Some(LateralLink {
            name: "lateral link".to_owned(),
            frame_end: Point::from_mm(-60.0, 430.0, -150.0),
            axle_end: Point::from_mm(-60.0, -430.0, 30.0),
            length: Length::from_mm(862.0),
        });
    }
    let front_unit = vehicles::roomy_unit(24.0, 420.0);
    let mut front = vehicles::sprung_pair("front", 2.6, 1.48, &front_unit);
    front.support = Support::Tyres(tyre);
    front.unsprung = Mass::new(70.0);
    let mut sheet = vehicles::sheet(vec![rear, front], 620.0, [1500.0, 10.0, 150.0]);
    for (name, kg, x) in [
        ("deck", 180.0, 300.0),
        ("driver", 80.0, 1700.0),
        ("cargo", 250.0, 200.0),
    ] {
        sheet.loads.push(NamedLoad {
            name: name.to_owned(),
            mass: Mass::new(kg),
            at: Point::from_mm(x, -20.0, 250.0),
            mass_uncertainty: Mass::new(5.0),
            place_uncertainty: Length::from_mm(30.0),
        });
    }
    sheet.cases = (0..4)
        .map(|n| LoadCase {
            name: format!("case {n}"),
            loads: (0..n).collect(),
        })
        .collect();
    sheet
}

/// The van with its stations, without sensors.
pub fn van() -> BuildSheet {
    let mut sheet = bare();
    for (name, x, y) in [
        ("rear left", -200.0, 430.0),
        ("rear right", -200.0, -430.0),
        ("front left", 2500.0, 430.0),
        ("front right", 2500.0, -430.0),
    ] {
        sheet.stations.push(Station {
            name: name.to_owned(),
            at: Point::from_mm(x, y, 0.0),
        });
    }
    sheet
}

/// The van with so many sensors on the wire protocol, one device each.
pub fn van_with_sensors(count: usize) -> BuildSheet {
    let mut sheet = van();
    let tilts = [
        TiltOn::FrameRoll,
        TiltOn::FramePitch,
        TiltOn::AxleRoll(0),
        TiltOn::Link(0),
    ];
    for i in 0..count {
        let spread = (i / 16) as f64 * 7.0;
        let side = if i % 2 == 0 { 1.0 } else { -1.0 };
        let reads = match i % 16 {
            k @ 0..4 => Measurand::Tilt {
                on: tilts[k],
                reversed: false,
            },
            k @ 4..12 => Measurand::FrameToFloor {
                from: Point::from_mm(400.0 * (k - 4) as f64 - 200.0 + spread, side * 430.0, -20.0),
            },
            k => Measurand::FrameToAxle {
                from: Point::from_mm(20.0 * (k - 12) as f64 + spread, side * 400.0, 40.0),
                axle: 0,
                to: Point::from_mm(0.0, side * 420.0, 50.0),
            },
        };
        sheet.sensors.push(Sensor {
            name: format!("sensor {i}"),
            connection: Connection {
                port: None,
                baud: 115_200,
                protocol: Protocol::Wire {
                    device: i as u64 + 1,
                    channel: 0,
                },
            },
            zero: 0.0,
            zero_uncertainty: if matches!(reads, Measurand::Tilt { .. }) {
                2e-4
            } else {
                5e-4
            },
            reads,
            scale_uncertainty: 0.002,
            deadline_s: 1.0,
        });
    }
    sheet
}

fn unit(name: &str, u: &CoiloverUnit) -> Value {
    let SpringCurve::Linear(rate) = u.spring.curve else {
        panic!("the van has linear springs")
    };
    json!({
        "name": name,
        "rate": rate.n_per_m(),
        "free": u.spring.free_length.m(),
        "hardware": u.hardware.m(),
        "collar": u.collar.height.m(),
        "extended": u.extended.m(),
        "compressed": u.compressed.m(),
    })
}

/// The same vehicle for a program in another language; `loads` are on.
pub fn described(sheet: &BuildSheet, loads: &[usize]) -> Value {
    let axles: Vec<Value> = sheet
        .axles
        .iter()
        .map(|axle| {
            let Support::Tyres(tyre) = axle.support else {
                panic!("the van stands on tyres")
            };
            let mut made = json!({
                "x": axle.x.m(),
                "track": axle.track.m(),
                "unsprung": axle.unsprung.kg(),
                "height": axle.design_height.m(),
                "tyre": { "radius": tyre.radius.m(), "rate": tyre.rate.n_per_m() },
            });
            match &axle.suspension {
                Suspension::Solid { coilovers, link } => {
                    made["units"] = coilovers
                        .iter()
                        .map(|c| {
                            let mut u = unit(&c.name, &c.unit);
                            u["upper"] = json!(c.upper.m());
                            u["lower"] = json!(c.lower.m());
                            u
                        })
                        .collect();
                    if let Some(link) = link {
                        let towards = if link.axle_end.m()[1] >= link.frame_end.m()[1] {
                            1.0
                        } else {
                            -1.0
                        };
                        made["link"] = json!({
                            "frame": link.frame_end.m(), "axle": link.axle_end.m(),
                            "length": link.length.m(), "towards": towards,
                        });
                    }
                }
                Suspension::Independent { left, right, .. } => {
                    made["corners"] = [left, right]
                        .iter()
                        .map(|c| {
                            let mut u = unit(&c.name, &c.unit);
                            u["design_length"] = json!(c.design_length.m());
                            u["ratio"] = json!(c.motion_ratio[0].1);
                            u
                        })
                        .collect();
                }
            }
            made
        })
        .collect();
    let mut masses = vec![json!({"mass": sheet.sprung.mass.kg(), "at": sheet.sprung.centre.m()})];
    masses.extend(loads.iter().map(|&i| {
        let load = &sheet.loads[i];
        json!({"mass": load.mass.kg(), "at": load.at.m()})
    }));
    json!({ "design_height": sheet.design_height.m(), "axles": axles, "masses": masses })
}

/// The sensors for a program in another language.
pub fn sensors_described(sheet: &BuildSheet) -> Value {
    sheet
        .sensors
        .iter()
        .map(|s| match &s.reads {
            Measurand::Tilt { on, .. } => match on {
                TiltOn::FrameRoll => json!({"kind": "roll"}),
                TiltOn::FramePitch => json!({"kind": "pitch"}),
                TiltOn::AxleRoll(i) => json!({"kind": "axle roll", "axle": i}),
                TiltOn::Link(i) => json!({"kind": "link", "axle": i}),
            },
            Measurand::FrameToFloor { from } => json!({"kind": "floor", "from": from.m()}),
            Measurand::FrameToAxle { from, axle, to } => {
                json!({"kind": "axle", "from": from.m(), "axle": axle, "to": to.m()})
            }
        })
        .collect()
}
