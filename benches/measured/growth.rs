//! How the cost grows: exponents of the time over what is made larger.

use super::{Asked, cars, clock, keeping, loadtest, posture, process, settling, table, van};
use std::time::Instant;
use stillheight::drivers::{Driver as _, Wire};
use stillheight::quantity::{Moment, Span};
use stillheight::readings::Bench;
use stillheight::statics::Model;

fn tell(what: &str, over: &str, points: &[(f64, f64)], why: &str) {
    let times: Vec<String> = points
        .iter()
        .map(|(x, s)| format!("{x:.0}: {}", table::time(*s)))
        .collect();
    table::told(
        &format!("growth: {what} over {over}"),
        &format!(
            "exponent {:.2} ({}); {why}",
            clock::exponent(points),
            times.join(", ")
        ),
    );
}

/// A second of all sensors at a rate through drivers, readings and posture.
fn second(sensors: usize, rate: u64) -> f64 {
    let scene = posture::scene(sensors);
    let mut drivers: Vec<Wire> = (0..sensors).map(|_| Wire::new()).collect();
    let ports: Vec<Option<usize>> = (0..sensors).map(Some).collect();
    let mut bench = Bench::new(&scene.sheet.sensors, &ports);
    let mut heard = Vec::new();
    let mut frame = [0; stillheight_protocol::MAX_FRAME];
    let mut n = 0_u64;
    let mut readings = Vec::new();
    let mut run = |seconds: u64| {
        let begun = Instant::now();
        for _ in 0..seconds * rate {
            let at = Moment::from_unix_us(1_000_000) + Span::from_us((n * 1_000_000 / rate) as i64);
            for (i, driver) in drivers.iter_mut().enumerate() {
                if n == 0 {
                    let said = super::wire::identity(i as u64 + 1);
                    let length = stillheight_protocol::encode(&said, &mut frame).unwrap();
                    driver.feed(&frame[..length], at, &mut heard);
                }
                let stillheight_protocol::Message::Sample(mut s) =
                    super::wire::sample(n as u32, 1000)
                else {
                    continue;
                };
                s.time_us = n * 1_000_000 / rate;
                let s = stillheight_protocol::Message::Sample(s);
                let length = stillheight_protocol::encode(&s, &mut frame).unwrap();
                driver.feed(&frame[..length], at, &mut heard);
                for item in heard.drain(..) {
                    bench.hear(i, &item);
                }
            }
            if n.is_multiple_of((rate / 10).max(1)) {
                bench.read(at, &mut readings);
            }
            n += 1;
        }
        begun.elapsed().as_secs_f64() / seconds as f64
    };
    let _ = run(4);
    let mut times: Vec<f64> = (0..5).map(|_| run(1)).collect();
    clock::median(&mut times)
}

pub fn row(asked: &Asked) {
    let sensors = [1, 4, 16, 64, 256];
    let points: Vec<_> = sensors
        .iter()
        .map(|&n| (n as f64, posture::times(&posture::scene(n)).1))
        .collect();
    tell(
        "posture update",
        "sensors 1 to 256",
        &points,
        "below 1 while the nine unknowns and the quantities cost more than the sensors do, towards 1 after: every sensor is one row of a sum",
    );
    let points: Vec<_> = sensors.iter().map(|&n| (n as f64, second(n, 50))).collect();
    tell(
        "a second of 50 samples/s to readings",
        "sensors 1 to 256",
        &points,
        "about 1, and over it between 64 and 256: every sample is held against every sensor's name, which a map would spare and no vehicle needs",
    );
    let points: Vec<_> = [1, 10, 100, 1000]
        .iter()
        .map(|&rate| (rate as f64, second(16, rate)))
        .collect();
    tell(
        "a second of 16 sensors to readings",
        "rate 1 to 1,000/s",
        &points,
        "below 1: samples are gathered into ten beats a second, and stillness is judged by the beat",
    );
    let folder = process::Folder::new("growth");
    let mut points = Vec::new();
    let mut rows = 1000;
    while rows <= asked.readings {
        let path = folder.0.join(format!("{rows}.sqlite"));
        let s = many(&path, rows);
        points.push((rows as f64, s));
        let _ = std::fs::remove_file(&path);
        rows *= 10;
    }
    tell(
        "logbook opened and the newest 1,200 readings found",
        &format!("rows 1,000 to {}", rows / 10),
        &points,
        "near 0: an index by time, and thinned levels for what is older",
    );
    let points: Vec<_> = [250, 500, 1000, 2000, 4000]
        .iter()
        .map(|&n| {
            let series = settling::week(4, n);
            (n as f64, clock::alone(|| settling::fit_all(&series)))
        })
        .collect();
    tell(
        "settling fit",
        "readings 250 to 4,000",
        &points,
        "at most 1: the search goes over averages of at most 160 points, only its end over all readings",
    );
    let points: Vec<_> = [1, 2, 4]
        .iter()
        .map(|&n| {
            let (sheet, steps) = loadtest::test(n);
            (
                40.0 * n as f64,
                clock::alone(|| stillheight::trials::loadtest::identify(&sheet, &steps).unwrap()),
            )
        })
        .collect();
    tell(
        "load-test identification",
        "readings 40 to 160",
        &points,
        "between 1 and 3: the steps are a sum, but each brings four unknowns of its own, and normal equations grow with their square, their solution with their cube",
    );
    let points: Vec<_> = [2, 4, 8, 16]
        .iter()
        .map(|&n| {
            let sheet = many_springs(n);
            (
                n as f64,
                clock::alone(|| Model::new(&sheet, &[]).equilibrium().unwrap()),
            )
        })
        .collect();
    tell(
        "rest of a vehicle",
        "coilovers 2 to 16 on the rear axle",
        &points,
        "below 1: each is one term of the energy; the rest of the vehicle stays",
    );
    let holes = [1, 2, 4, 8].map(|n| (n as f64, clock::alone(|| advised(n, 1, 3))));
    tell(
        "advice",
        "lower holes 1 to 8 a corner, three springs",
        &holes,
        "combinations grow with the fourth power, one for each corner; bounds throw most out unseen",
    );
    let springs = [2, 4, 8, 16].map(|n| (n as f64, clock::alone(|| advised(3, 1, n))));
    tell(
        "advice",
        "springs 2 to 16 on the shelf, three holes a corner",
        &springs,
        "combinations grow with the square, a pair for each axle",
    );
}

/// How many changes are proposed for a car of so many lower and upper holes and springs.
fn advised(lower: usize, upper: usize, springs: usize) -> usize {
    use stillheight::advice::{Belief, Setup};
    let car = cars::car(lower, upper, springs);
    let belief = Belief::new(&car, None);
    let cases = cars::cases(&car, &["driver", "full tank", "loaded"]);
    let setup = Setup::of(&car, &belief.model(&Setup(Vec::new()), &[]));
    cars::prepared(&belief, &setup, &cases).best(5).found.len()
}

/// The van with so many coilovers on its rear axle, together as stiff as two.
fn many_springs(count: usize) -> stillheight::sheet::BuildSheet {
    use stillheight::quantity::SpringRate;
    use stillheight::sheet::{SpringCurve, Suspension};
    let mut sheet = van::van();
    if let Suspension::Solid { coilovers, .. } = &mut sheet.axles[0].suspension {
        let pair = coilovers.clone();
        coilovers.clear();
        for i in 0..count / 2 {
            for one in &pair {
                let mut c = one.clone();
                c.name = format!("{} {i}", one.name);
                c.unit.spring.curve =
                    SpringCurve::Linear(SpringRate::from_n_per_mm(30.0 * 2.0 / count as f64));
                coilovers.push(c);
            }
        }
    }
    sheet
}

/// Seconds to open a logbook of so many readings and to look the newest up.
fn many(path: &std::path::Path, rows: u64) -> f64 {
    use rusqlite::{Connection, params};
    keeping::write(path, 1);
    let mut db = Connection::open(path).unwrap();
    db.pragma_update(None, "synchronous", "OFF").unwrap();
    let tx = db.transaction().unwrap();
    {
        let mut kept = tx
            .prepare(
                "INSERT INTO kept (id, sitting_id, at_us, kept_by, note, digest, loads_key, level)
                 VALUES (?1, 1, ?2, 'stillness', '', 0, '', ?3)",
            )
            .unwrap();
        let mut quantity = tx
            .prepare("INSERT INTO kept_quantities VALUES (?1, 0, 'height rear left', 'm', 0.39, 0.001, 'measured')")
            .unwrap();
        let mut before: Option<i64> = None;
        for i in 1..rows as i64 {
            let at = 1_800_000_000_000_000 + i * 10_000_000;
            let minute = at / 60_000_000;
            let level = before.map_or(25, |b| i64::from(64 - (minute ^ b).leading_zeros()).min(25));
            before = Some(minute);
            kept.execute(params![i + 1, at, level]).unwrap();
            quantity.execute(params![i + 1]).unwrap();
        }
    }
    tx.commit().unwrap();
    drop(db);
    let mut times: Vec<f64> = (0..clock::RUNS)
        .map(|_| {
            let begun = Instant::now();
            let book = stillheight::logbook::Logbook::open_for_reading(path).unwrap();
            let found = book
                .kept_with_loads(&[], Moment::from_unix_us(i64::MIN), 1_200)
                .unwrap();
            assert!(!found.kept.is_empty());
            begun.elapsed().as_secs_f64()
        })
        .collect();
    clock::median(&mut times)
}
