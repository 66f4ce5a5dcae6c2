//! Random vehicles, legal and illegal, and a judge who does not take the
//! statics' word for anything: energies alone, from which differences and a
//! search of the judge's own are made.

use crate::vehicles::{corner, leaning, roomy_unit, sheet};
use stillheight::geometry::State;
use stillheight::quantity::{Length, Mass, Point, RollRate, SpringRate};
use stillheight::sheet::*;
use stillheight::statics::{Equilibrium, Model, StaticsError, quantities};

/// Numbers from 0 to 1 of which a vehicle is made.
pub const GENES: usize = 64;
const G: f64 = 9.806_65;
/// No more steps than this may a search make.
pub const MOST_STEPS: usize = 200;

/// Takes one gene after the other.
struct Genes<'a>(std::slice::Iter<'a, f64>);

impl Genes<'_> {
    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.0.next().copied().unwrap_or(0.5)
    }
    fn one_in(&mut self, n: f64) -> bool {
        self.between(0.0, n) < 1.0
    }
}

/// A vehicle as somebody might build it, from soft to stiff, from level to hopeless.
pub fn legal(genes: &[f64]) -> BuildSheet {
    let mut g = Genes(genes.iter());
    let mass = g.between(80.0, 1800.0);
    let wheelbase = g.between(1.4, 3.6);
    let mut axles = Vec::new();
    for i in 0..2 {
        axles.push(axle(&mut g, i, wheelbase, mass));
    }
    let centre = [
        g.between(0.1, 0.9) * wheelbase * 1e3,
        g.between(-120.0, 120.0),
        g.between(-100.0, 900.0),
    ];
    let mut made = sheet(axles, mass, centre);
    for name in ["one", "two"] {
        made.loads.push(NamedLoad {
            name: name.to_owned(),
            mass: Mass::new(g.between(0.0, 300.0)),
            at: Point::from_mm(
                g.between(-600.0, wheelbase * 1e3 + 600.0),
                g.between(-600.0, 600.0),
                g.between(-200.0, 900.0),
            ),
            mass_uncertainty: Mass::new(1.0),
            place_uncertainty: Length::from_mm(10.0),
        });
    }
    for (x, y) in [(0.0, 400.0), (wheelbase * 1e3, -400.0)] {
        made.stations.push(Station {
            name: format!("at {x:.0}"),
            at: Point::from_mm(x, y, 0.0),
        });
    }
    made
}

/// A unit that is chosen for about the load that it will have, well or badly.
fn unit(g: &mut Genes<'_>, load_n: f64, length_mm: f64) -> CoiloverUnit {
    let mut unit = roomy_unit(1.0, 300.0);
    let sag = g.between(15.0, 140.0);
    let rate = load_n / sag * g.between(0.8, 1.3);
    let (up, down) = (g.between(15.0, 120.0), g.between(10.0, 120.0));
    unit.compressed = Length::from_mm(length_mm - up);
    unit.extended = Length::from_mm(length_mm + down);
    unit.hardware = Length::from_mm(g.between(20.0, 100.0));
    unit.collar.height = Length::from_mm(g.between(0.0, 40.0));
    let room = length_mm - unit.hardware.mm() - unit.collar.height.mm();
    unit.spring.free_length = Length::from_mm(room + sag + g.between(-20.0, 20.0));
    unit.spring.solid_length = Some(Length::from_mm(room * 0.4));
    unit.spring.curve = if g.one_in(3.0) {
        let knee = g.between(0.2, 0.9) * sag;
        let (soft, hard) = (rate * g.between(0.3, 1.0), rate * g.between(1.0, 3.0));
        let n = |f: f64| stillheight::quantity::Force::new(f);
        SpringCurve::Table(vec![
            (Length::ZERO, n(0.0)),
            (Length::from_mm(knee), n(soft * knee)),
            (Length::from_mm(knee + 200.0), n(soft * knee + hard * 200.0)),
        ])
    } else {
        SpringCurve::Linear(SpringRate::from_n_per_mm(rate))
    };
    unit
}

fn axle(g: &mut Genes<'_>, i: usize, wheelbase: f64, mass: f64) -> Axle {
    let name = ["rear", "front"][i];
    let load_n = mass * G / 4.0;
    let length_mm = g.between(260.0, 520.0);
    let track = g.between(1.0, 1.7);
    let suspension = if g.one_in(2.0) {
        let lean = g.between(0.0, 40.0);
        let common = unit(g, load_n, length_mm);
        let other = if g.one_in(4.0) {
            unit(g, load_n, length_mm)
        } else {
            common.clone()
        };
        let mut coilovers = vec![
            leaning(&format!("{name} left"), Side::Left, lean, length_mm, common),
            leaning(
                &format!("{name} right"),
                Side::Right,
                lean,
                length_mm,
                other,
            ),
        ];
        for c in &mut coilovers {
            // `leaning` puts its frame point over an axle at x = 0.
            c.upper =
                c.upper + Point::from_mm(if i == 1 { wheelbase * 1e3 } else { 0.0 }, 0.0, 0.0);
        }
        let link = g.one_in(2.0).then(|| {
            let frame_end = Point::from_mm(
                if i == 1 { wheelbase * 1e3 } else { 0.0 },
                430.0,
                g.between(-250.0, -50.0),
            );
            let axle_end = Point::from_mm(0.0, -430.0, g.between(-60.0, 150.0));
            let rise = frame_end.m()[2] + 0.5 - 0.3 - axle_end.m()[2];
            LateralLink {
                name: format!("{name} link"),
                frame_end,
                axle_end,
                length: Length::new(0.86_f64.hypot(rise)),
            }
        });
        Suspension::Solid { coilovers, link }
    } else {
        let ratio = g.between(0.4, 1.1);
        let own = |g: &mut Genes<'_>, side: &str| {
            let mut made = corner(
                &format!("{name} {side}"),
                unit(g, load_n / ratio, length_mm),
                ratio,
            );
            made.design_length = Length::from_mm(length_mm);
            if g.one_in(3.0) {
                let bend = g.between(-0.15, 0.15);
                made.motion_ratio = vec![
                    (Length::from_mm(-80.0), ratio - bend),
                    (Length::ZERO, ratio),
                    (Length::from_mm(80.0), ratio + bend),
                ];
            }
            made
        };
        Suspension::Independent {
            left: own(g, "left"),
            right: own(g, "right"),
            roll_centre: None,
        }
    };
    let support = match g.between(0.0, 10.0) {
        x if x < 6.0 => Support::Tyres(Tyre {
            radius: Length::from_mm(g.between(300.0, 340.0)),
            rate: SpringRate::from_n_per_mm(g.between(90.0, 400.0)),
            rate_uncertainty: 0.1,
        }),
        x if x < 9.0 || i == 0 => Support::Blocks {
            left: Length::from_mm(g.between(280.0, 320.0)),
            right: Length::from_mm(g.between(280.0, 320.0)),
        },
        _ => {
            let stand = |y| Stand {
                at: Point::from_mm(wheelbase * 1e3, y, 0.0),
                height: Length::from_mm(500.0),
            };
            Support::Stands(vec![stand(350.0), stand(-350.0)])
        }
    };
    Axle {
        name: name.to_owned(),
        x: Length::new(if i == 0 { 0.0 } else { wheelbase }),
        track: Length::new(track),
        unsprung: Mass::new(g.between(20.0, 180.0)),
        design_height: Length::from_mm(300.0),
        support,
        suspension,
        anti_roll_bar: g
            .one_in(3.0)
            .then(|| RollRate::new(g.between(500.0, 40_000.0))),
    }
}

/// A legal vehicle of which one to three numbers are made impossible.
pub fn illegal(genes: &[f64], harm: &[(u8, u8)]) -> BuildSheet {
    let mut made = legal(genes);
    for &(what, how) in harm {
        let bad = [
            f64::NAN,
            f64::INFINITY,
            f64::NEG_INFINITY,
            0.0,
            -1.0,
            1e12,
            -1e12,
            1e-12,
            1e300,
            f64::MIN_POSITIVE,
            -0.3,
            50.0,
        ][usize::from(how) % 12];
        spoil(&mut made, what, bad);
    }
    made
}

/// How many things [`spoil`] knows.
pub const HARMS: u8 = 24;

fn spoil(sheet: &mut BuildSheet, what: u8, bad: f64) {
    let rear = usize::from(what >= 12) % sheet.axles.len();
    let axle = &mut sheet.axles[rear];
    let on_unit = |axle: &mut Axle, f: &dyn Fn(&mut CoiloverUnit)| match &mut axle.suspension {
        Suspension::Solid { coilovers, .. } => {
            if let Some(c) = coilovers.first_mut() {
                f(&mut c.unit);
            }
        }
        Suspension::Independent { left, .. } => f(&mut left.unit),
    };
    match what % 24 {
        0 | 12 => on_unit(axle, &|u| {
            u.spring.curve = SpringCurve::Linear(SpringRate::new(bad));
        }),
        1 | 13 => on_unit(axle, &|u| u.spring.free_length = Length::new(bad)),
        2 | 14 => on_unit(axle, &|u| u.extended = Length::new(bad)),
        3 | 15 => on_unit(axle, &|u| u.compressed = Length::new(bad)),
        4 | 16 => on_unit(axle, &|u| u.hardware = Length::new(bad)),
        5 | 17 => axle.track = Length::new(bad),
        6 | 18 => axle.unsprung = Mass::new(bad),
        7 | 19 => match &mut axle.suspension {
            Suspension::Solid { coilovers, link } => {
                if let Some(c) = coilovers.first_mut() {
                    c.upper = c.lower;
                }
                if let Some(link) = link {
                    link.length = Length::new(bad);
                }
            }
            Suspension::Independent { right, .. } => {
                if let Some(first) = right.motion_ratio.first_mut() {
                    first.1 = bad;
                }
            }
        },
        8 | 20 => match &mut axle.suspension {
            Suspension::Solid { coilovers, .. } => coilovers.clear(),
            Suspension::Independent { left, .. } => left.motion_ratio.clear(),
        },
        9 | 21 => {
            axle.support = Support::Tyres(Tyre {
                radius: Length::new(0.3),
                rate: SpringRate::new(bad),
                rate_uncertainty: 0.1,
            });
        }
        10 | 22 => match &mut axle.support {
            Support::Tyres(t) => t.radius = Length::new(bad),
            Support::Blocks { left, .. } => *left = Length::new(bad),
            Support::Stands(stands) => stands[0].height = Length::new(bad),
        },
        11 => sheet.sprung.mass = Mass::new(bad),
        _ => sheet.sprung.centre = Point::new(Length::new(bad), Length::ZERO, Length::new(bad)),
    }
}

/// What a case came to, once judged to be no lie.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Verdict {
    /// It rests, and is the lowest of all that was looked at.
    Rest,
    /// It rests, and far from there is another rest that is lower.
    OtherRest,
    /// The statics say that there is none, and the judge found none.
    None(&'static str),
    /// The statics say that there is none; the judge found one elsewhere,
    /// leaning where the design would not stand by itself.
    NoneUpright(&'static str),
}

/// Judges one vehicle with all its loads on.
///
/// # Errors
/// In words, where the statics lied.
pub fn judge(sheet: &BuildSheet, draws: &mut dyn FnMut() -> f64) -> Result<Verdict, String> {
    let loads: Vec<usize> = (0..sheet.loads.len()).collect();
    let model = Model::new(sheet, &loads);
    match model.equilibrium() {
        Ok(rest) => judge_rest(sheet, &model, &rest, draws),
        Err(error) => judge_refusal(&model, &error),
    }
}

/// What can be asked of an answer about a vehicle that cannot be: that it ends, and is a number.
pub fn judge_illegal(sheet: &BuildSheet) -> Result<&'static str, String> {
    let loads: Vec<usize> = (0..sheet.loads.len()).collect();
    let model = Model::new(sheet, &loads);
    match model.equilibrium() {
        Ok(rest) => {
            all_numbers(sheet, &model, &rest)?;
            for i in free(&model) {
                if rest.stiffness[(i, i)] <= 0.0 {
                    return Err(format!("coordinate {i} gives way, and yet it is a rest"));
                }
            }
            Ok("rest")
        }
        Err(error) => {
            let words = error.to_string();
            if words.contains("NaN") {
                return Err(format!("a user is told: {words}"));
            }
            Ok(error.code())
        }
    }
}

fn free(model: &Model) -> Vec<usize> {
    (0..7).filter(|i| !model.held(*i)).collect()
}

/// Energies are sums that cancel; this much of them is rounding, joules.
fn rounding(model: &Model, q: &State) -> f64 {
    1e-13 * (model.energy(q).abs() + weight(model) + 1.0) * 20.0
}

fn weight(model: &Model) -> f64 {
    model.sprung_weight_n() + 3_600.0
}

fn all_numbers(sheet: &BuildSheet, model: &Model, rest: &Equilibrium) -> Result<(), String> {
    let finite = |what: &str, ok: bool| {
        if ok {
            Ok(())
        } else {
            Err(format!("{what} is no number"))
        }
    };
    finite("the state", rest.state.iter().all(|x| x.is_finite()))?;
    finite(
        "the stiffness",
        rest.stiffness.iter().all(|x| x.is_finite()),
    )?;
    finite("the gradient", rest.gradient.iter().all(|x| x.is_finite()))?;
    finite(
        "the compliance",
        rest.compliance.iter().all(|x| x.is_finite()),
    )?;
    let found = quantities(model, rest, &sheet.stations);
    let mut numbers = vec![found.roll.rad(), found.pitch.rad()];
    numbers.extend(found.heights.iter().map(|h| h.1.m()));
    for u in &found.units {
        numbers.extend([
            u.length.m(),
            u.force.n(),
            u.rate.n_per_m(),
            u.sag.m(),
            u.travel_up.m(),
            u.travel_down.m(),
        ]);
        numbers.extend(u.angle.map(stillheight::quantity::Angle::rad));
    }
    for a in &found.axles {
        numbers.extend([
            a.wheel_rate.n_per_m(),
            a.ride_rate.n_per_m(),
            a.sprung_mass.kg(),
            a.wheel_loads[0].n(),
            a.wheel_loads[1].n(),
        ]);
    }
    for l in &found.links {
        numbers.extend([l.angle.rad(), l.side_shift.m()]);
    }
    finite("a quantity", numbers.iter().all(|x| x.is_finite()))
}

fn judge_rest(
    sheet: &BuildSheet,
    model: &Model,
    rest: &Equilibrium,
    draws: &mut dyn FnMut() -> f64,
) -> Result<Verdict, String> {
    if rest.steps > MOST_STEPS {
        return Err(format!("{} steps", rest.steps));
    }
    all_numbers(sheet, model, rest)?;
    one_sided(sheet, model, rest)?;
    let free = free(model);
    let here = model.energy(&rest.state);
    let noise = rounding(model, &rest.state);
    // Out of balance: no more than what rounding hides at this step, and what a
    // stop that begins within the step may add.
    let mut directions: Vec<State> = free
        .iter()
        .map(|&i| {
            let mut d = State::zeros();
            d[i] = 1.0;
            d
        })
        .collect();
    for _ in 0..24 {
        let mut d = State::zeros();
        for &i in &free {
            d[i] = 2.0 * draws() - 1.0;
        }
        let length = d.norm();
        if length > 1e-3 {
            directions.push(d / length);
        }
    }
    let at = |d: &State, h: f64| model.energy(&(rest.state + d * h));
    for d in &directions {
        let h = 1e-6;
        let bend = |h: f64| (at(d, h) + at(d, -h) - 2.0 * here) / (h * h);
        let force = (at(d, h) - at(d, -h)) / (2.0 * h);
        // The slope here is between those to both sides, which differ by this much.
        let kink = bend(h).abs() * h / 2.0;
        if force.abs() > 1e-3 + noise / h + kink {
            return Err(format!("{force} N out of balance along {:?}", d.as_slice()));
        }
        // Held against a push of a tenth of a millimetre both ways.
        if bend(1e-4) <= 0.0 {
            return Err(format!("gives way along {:?}", d.as_slice()));
        }
        for h in [1e-6, 1e-5, 1e-4, 1e-3, 3e-3, 1e-2] {
            for h in [h, -h] {
                if at(d, h) < here - noise {
                    return Err(format!(
                        "{} J lower {h} m away along {:?}",
                        here - at(d, h),
                        d.as_slice()
                    ));
                }
            }
        }
    }
    // Anywhere a vehicle could stand.
    let mut lowest: Option<(f64, State)> = None;
    for _ in 0..400 {
        let mut q = rest.state;
        for &i in &free {
            let width = if model.turns(i) { 0.25 } else { 0.15 };
            q[i] += width * (2.0 * draws() - 1.0);
        }
        let v = model.energy(&q);
        if v < here - noise && lowest.is_none_or(|(w, _)| v < w) {
            lowest = Some((v, q));
        }
    }
    if let Some((_, from)) = lowest {
        let found = descend(model, &from);
        return if is_rest(model, &found) {
            Ok(Verdict::OtherRest)
        } else {
            // Downhill from there the vehicle falls over: no other rest.
            Ok(Verdict::Rest)
        };
    }
    Ok(Verdict::Rest)
}

/// Springs, tyres and stands only push; stops hold; loads add up to the weight.
fn one_sided(sheet: &BuildSheet, model: &Model, rest: &Equilibrium) -> Result<(), String> {
    let found = quantities(model, rest, &sheet.stations);
    let total = model.sprung_weight_n();
    // A stop gives by its load over 1e8 N/m.
    let give = 20.0 * total / 1e8 + 1e-6;
    let mut bears = 0.0;
    for (u, m) in found.units.iter().zip(&model.units) {
        if u.force.n() < 0.0 {
            return Err(format!("{} pulls with {} N", u.name, u.force.n()));
        }
        let squeezed = m.compression(u.length.m()) > 0.0;
        if squeezed != (u.force.n() > 0.0) {
            return Err(format!("{}: force {} N", u.name, u.force.n()));
        }
        if u.travel_up.m() < -give || u.travel_down.m() < -give {
            return Err(format!("{} is through its stop", u.name));
        }
    }
    let mut expected = total;
    for (axle, a) in found.axles.iter().zip(&sheet.axles) {
        if axle.carries {
            expected += a.unsprung.kg() * G;
            for load in axle.wheel_loads {
                if matches!(a.support, Support::Tyres(_)) && load.n() < 0.0 {
                    return Err(format!("a tyre of {} pulls", axle.name));
                }
                bears += load.n();
            }
        }
    }
    for s in &found.stands {
        if s.n() < 0.0 {
            return Err("a stand pulls".into());
        }
        bears += s.n();
    }
    if (bears - expected).abs() > 1e-2 {
        return Err(format!("{bears} N are borne of {expected} N"));
    }
    Ok(())
}

fn judge_refusal(model: &Model, error: &StaticsError) -> Result<Verdict, String> {
    let code = error.code();
    if matches!(error, StaticsError::NotConverged { .. }) {
        return Err(format!("{error}"));
    }
    if error.to_string().contains("NaN") {
        return Err(format!("a user is told: {error}"));
    }
    let found = descend(model, &model.design);
    if !is_rest(model, &found) {
        return Ok(Verdict::None(code));
    }
    let pose = model.pose(&found);
    match error {
        StaticsError::CannotCarry { axle, .. } => {
            let all_down = model
                .units
                .iter()
                .filter(|u| u.name.starts_with(axle.as_str()))
                .all(|u| u.length(&pose) <= u.compressed + 1e-5);
            if all_down {
                Ok(Verdict::None(code))
            } else {
                Err(format!("{error}; but it rests at {:?}", found.as_slice()))
            }
        }
        StaticsError::LinkCannotReach { .. } => {
            if (0..2).any(|i| pose.axle(i).is_some_and(|a| !a.reaches())) {
                Ok(Verdict::None(code))
            } else {
                Err(format!("{error}; but it rests at {:?}", found.as_slice()))
            }
        }
        StaticsError::Unsteady { .. } | StaticsError::Tips { .. }
            if found[1].abs() > 0.1 || found[2].abs() > 0.1 =>
        {
            Ok(Verdict::NoneUpright(code))
        }
        _ => Err(format!("{error}; but it rests at {:?}", found.as_slice())),
    }
}

/// Gradient over the free coordinates by differences of the energy alone.
fn slope(model: &Model, q: &State, free: &[usize]) -> State {
    let mut g = State::zeros();
    for &i in free {
        let h = 1e-6;
        let mut d = State::zeros();
        d[i] = h;
        g[i] = (model.energy(&(q + d)) - model.energy(&(q - d))) / (2.0 * h);
    }
    g
}

/// The judge's own search: steps along a running estimate of the inverse
/// curvature made from slopes (Broyden, Fletcher, Goldfarb, Shanno), no step
/// longer than 20 mm, always downhill.
///
/// Source of the update: Nocedal and Wright, Numerical Optimization, 2nd ed.,
/// equation 6.17 (from memory).
pub fn descend(model: &Model, from: &State) -> State {
    type Matrix = stillheight::geometry::StateMatrix;
    let free = free(model);
    let mut q = *from;
    for i in 0..7 {
        if model.held(i) {
            q[i] = model.design[i];
        }
    }
    let first = Matrix::identity() * 1e-6;
    let mut inverse = first;
    let mut g = slope(model, &q, &free);
    let mut v = model.energy(&q);
    let mut restarts = 0;
    for _ in 0..3_000 {
        if g.amax() < 1e-3 || q[1].abs() > 0.7 || q[2].abs() > 0.7 || q[0] < -2.0 {
            break;
        }
        let mut step = -(inverse * g);
        if step.dot(&g) >= 0.0 {
            inverse = first;
            step = -(inverse * g);
        }
        let longest = step.amax();
        if longest > 0.02 {
            step *= 0.02 / longest;
        }
        let mut share = 1.0;
        let next = loop {
            let next = q + step * share;
            let w = model.energy(&next);
            if w <= v + 1e-4 * share * step.dot(&g) {
                break Some((next, w));
            }
            share *= 0.5;
            if share < 1e-9 {
                break None;
            }
        };
        let Some((next, w)) = next else {
            restarts += 1;
            if restarts > 20 {
                break;
            }
            inverse = first;
            continue;
        };
        let after = slope(model, &next, &free);
        let (s, y) = (next - q, after - g);
        let sy = s.dot(&y);
        if sy > 1e-14 {
            let left = Matrix::identity() - s * y.transpose() / sy;
            inverse = left * inverse * left.transpose() + s * s.transpose() / sy;
        }
        (q, v, g) = (next, w, after);
    }
    q
}

/// Whether it rests there: upright, in balance, held on all sides.
fn is_rest(model: &Model, q: &State) -> bool {
    let free = free(model);
    if q[1].abs() > 0.6 || q[2].abs() > 0.6 || q[0] < model.design[0] - 2.0 {
        return false;
    }
    if slope(model, q, &free).amax() > 0.5 {
        return false;
    }
    let here = model.energy(q);
    let curved = |d: &State| {
        let h = 1e-4;
        (model.energy(&(q + d * h)) + model.energy(&(q - d * h)) - 2.0 * here) / (h * h)
    };
    // The whole matrix by differences, so that no soft direction hides.
    let mut k = stillheight::geometry::StateMatrix::identity();
    let unit = |i: usize| {
        let mut d = State::zeros();
        d[i] = 1.0;
        d
    };
    for &i in &free {
        k[(i, i)] = curved(&unit(i));
        for &j in &free {
            if j < i {
                let both = curved(&(unit(i) + unit(j)));
                let off = (both - curved(&unit(i)) - curved(&unit(j))) / 2.0;
                k[(i, j)] = off;
                k[(j, i)] = off;
            }
        }
    }
    k.symmetric_eigenvalues().min() > 0.5
}
