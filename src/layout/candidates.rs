//! Candidates: spring x lean, each with the mark to make and what comes of it.

use super::error::over;
use super::{LayoutError, Leans, Limit, Room, Stock, StockSpring, Wish};
use crate::geometry::{FramePose, HEAVE, State, axle_coordinate};
use crate::quantity::{
    Angle, Frequency, Length, Point, Quantity, RollRate, STANDARD_GRAVITY_M_S2, SpringRate,
};
use crate::sheet::{BuildSheet, Coilover, Collar, Support, Suspension};
use crate::statics::{CaseQuantities, Curve, Equilibrium, Model, Parameter, UnitPlace, quantities};

/// The collar is solved until the height is off by less than this, metres.
const HEIGHT_FOUND_M: f64 = 1e-7;
const COLLAR_STEPS: usize = 12;

/// All candidates for one axle, best first.
#[derive(Debug, Clone, PartialEq)]
pub struct Layout {
    /// Name of the axle.
    pub axle: String,
    /// Name of the case in which it shall stand at its design height.
    pub case: String,
    /// Height of the frame datum over the floor that is asked at the axle.
    pub design_height: Length,
    /// Frame datum over the axle's centre in that case: what to set between
    /// the two when the mounts are tacked.
    pub datum_over_axle: Length,
    /// Sprung mass on the axle in that case.
    pub sprung_mass: crate::quantity::Mass,
    /// Best first.
    pub candidates: Vec<Candidate>,
}

/// One spring at one lean.
#[derive(Debug, Clone, PartialEq)]
pub struct Candidate {
    /// Name of the spring in the stock.
    pub spring: String,
    /// Its rate at rest.
    pub rate: SpringRate,
    /// Lean in rear view, upper end in.
    pub lean: Angle,
    /// Rake in side view, upper end forward.
    pub rake: Angle,
    /// Upper mount of the left unit, frame point.
    pub upper: Point,
    /// Eye to eye, with frame and axle where they shall stand: the length to tack at.
    pub length: Length,
    /// The same, as shortfall from the extended length: the mark to make.
    pub mark: Length,
    /// Height of the collar over its zero mark that carries the load there.
    pub collar: Length,
    /// The same in turns from the zero mark.
    pub turns: f64,
    /// Compression of the spring at full extension.
    pub preload: Length,
    /// At the wheel, one wheel, in the case of the wish.
    pub wheel_rate: SpringRate,
    /// Wheel rate over the rate of the same springs upright.
    pub factor: f64,
    /// In the case of the wish.
    pub roll_rate: RollRate,
    /// In the case of the wish.
    pub frequency: Option<Frequency>,
    /// Every case of the sheet, in its order; a case without rest is left out
    /// and named in the limits.
    pub cases: Vec<CandidateCase>,
    /// Limits that it breaks; none for a candidate that can be built.
    pub limits: Vec<Limit>,
    /// Distance from the middle of what is wished, in half-widths; smaller is better.
    pub off_wish: f64,
}

/// A candidate in one load case. Lengths along the unit are the smaller (travel)
/// or the mean (sag) of both sides.
#[derive(Debug, Clone, PartialEq)]
pub struct CandidateCase {
    /// Name of the case.
    pub name: String,
    /// Height of the frame datum over the floor at the axle, on the centre line.
    pub height: Length,
    /// Roll of the frame.
    pub roll: Angle,
    /// Pitch of the frame.
    pub pitch: Angle,
    /// Mean sag of the units.
    pub sag: Length,
    /// The same as a share of the stroke.
    pub sag_share: f64,
    /// Least travel left up.
    pub travel_up: Length,
    /// Least travel left down.
    pub travel_down: Length,
    /// At the wheel, one wheel.
    pub wheel_rate: SpringRate,
    /// Torque per roll of the frame against the axle.
    pub roll_rate: RollRate,
    /// Ride frequency.
    pub frequency: Option<Frequency>,
}

/// What all candidates have in common.
pub(super) struct Bench<'a> {
    pub(super) sheet: &'a BuildSheet,
    wish: &'a Wish,
    room: &'a Room,
    /// One model for each case of the sheet, and the indices of the axle's units.
    pub(super) models: Vec<Model>,
    pub(super) units: Vec<usize>,
    first: &'a Coilover,
    /// Lower mounts in frame axes with the frame level at its design height.
    lowers: Vec<[f64; 3]>,
    /// Load on one unit, straight up, newtons.
    share_n: f64,
    start: State,
    axle_x: f64,
}

/// Works out every spring at every lean and rake.
///
/// # Method
/// 1. The load on the axle in the wish's case by the lever rule with the frame
///    level; the tyres' squeeze under it gives the height of the axle.
/// 2. The upper mount goes on the line that leans as asked from the lower
///    mount, so far up that the unit's length gives the middle of the asked sag
///    band; the room, where it is narrower, has the last word.
/// 3. The collars, both alike, are solved on the whole model until the frame
///    stands at its design height over the axle in the wish's case.
/// 4. Every case of the sheet is then worked out with those collars.
///
/// Candidates with fewer broken limits come first, then those nearer to the
/// middle of what is wished.
///
/// # Errors
/// No solid axle with coilovers there, nothing to try, no load on the axle, or
/// a room that contradicts the lower mount.
pub fn candidates(
    sheet: &BuildSheet,
    wish: &Wish,
    stock: &Stock,
    leans: &Leans,
    room: &Room,
) -> Result<Layout, LayoutError> {
    let bench = Bench::new(sheet, wish, room)?;
    if stock.springs.is_empty() {
        return Err(LayoutError::Nothing { what: "spring" });
    }
    if leans.lean.is_empty() {
        return Err(LayoutError::Nothing { what: "lean" });
    }
    let upright = [Angle::ZERO];
    let rakes = if leans.rake.is_empty() {
        &upright[..]
    } else {
        &leans.rake
    };
    for angle in leans.lean.iter().chain(rakes) {
        if !over(80.0, angle.deg().abs()) {
            return Err(LayoutError::impossible(
                "lean",
                angle.shown(sheet.units),
                "an angle must be less than 80 deg",
            ));
        }
    }
    let mut found = Vec::with_capacity(stock.springs.len() * leans.lean.len() * rakes.len());
    for spring in &stock.springs {
        for &lean in &leans.lean {
            found.extend(rakes.iter().map(|&rake| bench.try_one(spring, lean, rake)));
        }
    }
    found.sort_by(|a, b| {
        (a.limits.len().cmp(&b.limits.len())).then(a.off_wish.total_cmp(&b.off_wish))
    });
    let datum_over_axle = bench.start[HEAVE] - bench.start[axle_coordinate(wish.axle)];
    Ok(Layout {
        axle: sheet.axles[wish.axle].name.clone(),
        case: sheet.cases[wish.case].name.clone(),
        design_height: sheet.design_height,
        datum_over_axle: Length::new(datum_over_axle),
        sprung_mass: crate::quantity::Mass::new(
            bench.share_n * bench.units.len() as f64 / STANDARD_GRAVITY_M_S2,
        ),
        candidates: found,
    })
}

/// What axle `i` carries of the frame's weight with the frame level, newtons.
fn load_on_axle(sheet: &BuildSheet, model: &Model, i: usize) -> f64 {
    let x = sheet.axles[i].x.m();
    let other = sheet
        .axles
        .iter()
        .enumerate()
        .find(|(j, _)| *j != i)
        .map(|(_, a)| a.x.m());
    model
        .masses
        .iter()
        .filter(|m| m.on)
        .map(|m| {
            let share = other.map_or(1.0, |o| (m.at[0] - o) / (x - o));
            share * m.mass * STANDARD_GRAVITY_M_S2
        })
        .sum()
}

impl<'a> Bench<'a> {
    pub(super) fn new(
        sheet: &'a BuildSheet,
        wish: &'a Wish,
        room: &'a Room,
    ) -> Result<Self, LayoutError> {
        let axle = sheet.axles.get(wish.axle).ok_or(LayoutError::NoSuch {
            what: "axle",
            index: wish.axle,
        })?;
        if wish.case >= sheet.cases.len() {
            return Err(LayoutError::NoSuch {
                what: "case",
                index: wish.case,
            });
        }
        let none = || LayoutError::NoCoilovers {
            axle: axle.name.clone(),
        };
        let Suspension::Solid { coilovers, .. } = &axle.suspension else {
            return Err(none());
        };
        let first = coilovers.first().ok_or_else(none)?;
        if coilovers.iter().any(|c| c.arm.is_some()) {
            return Err(none());
        }
        let models: Vec<_> = sheet
            .cases
            .iter()
            .map(|c| Model::new(sheet, &c.loads))
            .collect();
        let model = &models[wish.case];
        let units: Vec<usize> = (0..model.units.len())
            .filter(|&u| model.units[u].axle == wish.axle)
            .collect();
        if units.is_empty() {
            return Err(none());
        }
        let load = load_on_axle(sheet, model, wish.axle);
        if load <= 0.0 {
            return Err(LayoutError::NoLoad {
                axle: axle.name.clone(),
                case: sheet.cases[wish.case].name.clone(),
            });
        }
        let mut start = model.design;
        if let Support::Tyres(t) = &axle.support {
            let on_tyres = load + axle.unsprung.kg() * STANDARD_GRAVITY_M_S2;
            start[axle_coordinate(wish.axle)] = t.radius.m() - on_tyres / (2.0 * t.rate.n_per_m());
        }
        let down = start[HEAVE] - start[axle_coordinate(wish.axle)];
        let lowers: Vec<_> = coilovers
            .iter()
            .map(|c| {
                let [x, y, z] = c.lower.m();
                [axle.x.m() + x, y, z - down]
            })
            .collect();
        if let Some(highest) = room.upper_highest.filter(|h| h.m() <= lowers[0][2]) {
            return Err(LayoutError::Contradiction {
                first: "wish.mount_highest".to_owned(),
                first_value: highest.shown(sheet.units),
                second: format!("{} lower mount", first.name),
                second_value: Length::new(lowers[0][2]).shown(sheet.units),
                why: "the upper mount would be below the lower one".to_owned(),
            });
        }
        Ok(Self {
            sheet,
            wish,
            room,
            share_n: load / units.len() as f64,
            units,
            first,
            lowers,
            start,
            axle_x: axle.x.m(),
            models,
        })
    }

    /// Length that the room allows nearest to the middle of the sag band.
    fn length(&self, lean: Angle, rake: Angle) -> Option<f64> {
        let unit = &self.first.unit;
        let (extended, stroke) = (unit.extended.m(), (unit.extended - unit.compressed).m());
        let wanted = extended - f64::midpoint(self.wish.sag.0, self.wish.sag.1) * stroke;
        let (mut least, mut most) = (unit.compressed.m(), extended);
        let [_, y, z] = self.lowers[0];
        let per_rise = rise_of_unit(lean, rake);
        if let Some(lowest) = self.room.upper_lowest {
            least = least.max((lowest.m() - z) / per_rise);
        }
        if let Some(highest) = self.room.upper_highest {
            most = most.min((highest.m() - z) / per_rise);
        }
        if let Some(inmost) = self.room.upper_inmost {
            let inward = per_rise * lean.rad().tan();
            if inward > 0.0 {
                most = most.min((y.abs() - inmost.m()) / inward);
            }
        }
        (least <= most).then(|| wanted.clamp(least, most))
    }

    fn upper(lower: [f64; 3], length: f64, lean: Angle, rake: Angle) -> [f64; 3] {
        let rise = length * rise_of_unit(lean, rake);
        let side = if lower[1] >= 0.0 { 1.0 } else { -1.0 };
        [
            lower[0] + rise * rake.rad().tan(),
            lower[1] - side * rise * lean.rad().tan(),
            lower[2] + rise,
        ]
    }

    fn try_one(&self, stock: &StockSpring, lean: Angle, rake: Angle) -> Candidate {
        let curve = Curve::from(&stock.spring.curve);
        let mut candidate = self.placed(stock, &curve, lean, rake);
        if !candidate.limits.contains(&Limit::CannotCarry) {
            self.work_out(&mut candidate, stock, &curve);
        }
        candidate
    }

    /// A candidate with its mount and a first guess of its collar.
    pub(super) fn placed(
        &self,
        stock: &StockSpring,
        curve: &Curve,
        lean: Angle,
        rake: Angle,
    ) -> Candidate {
        let unit = &self.first.unit;
        let mut limits = Vec::new();
        let length = self.length(lean, rake).unwrap_or_else(|| {
            limits.push(Limit::NoRoom);
            let sag = f64::midpoint(self.wish.sag.0, self.wish.sag.1);
            unit.extended.m() - sag * (unit.extended - unit.compressed).m()
        });
        let force = self.share_n / rise_of_unit(lean, rake);
        let squeeze = curve.compression_at(force).unwrap_or_else(|| {
            limits.push(Limit::CannotCarry);
            0.0
        });
        let free = stock.spring.free_length.m();
        let collar = squeeze + length - free - unit.hardware.m();
        let upper = Self::upper(self.lowers[0], length, lean, rake);
        Candidate {
            spring: stock.name.clone(),
            rate: SpringRate::new(curve.rate(squeeze)),
            lean,
            rake,
            upper: Point::new(
                Length::new(upper[0]),
                Length::new(upper[1].abs()),
                Length::new(upper[2]),
            ),
            length: Length::new(length),
            mark: unit.extended - Length::new(length),
            collar: Length::new(collar),
            turns: 0.0,
            preload: Length::ZERO,
            wheel_rate: SpringRate::ZERO,
            factor: f64::NAN,
            roll_rate: RollRate::ZERO,
            frequency: None,
            cases: Vec::new(),
            limits,
            off_wish: f64::INFINITY,
        }
    }

    /// A case's model with the candidate's springs, mounts and collars.
    pub(super) fn model(
        &self,
        case: usize,
        c: &Candidate,
        stock: &StockSpring,
        curve: &Curve,
    ) -> Model {
        let mut model = self.models[case].clone();
        for (&u, &lower) in self.units.iter().zip(&self.lowers) {
            let unit = &mut model.units[u];
            unit.curve = curve.clone();
            unit.free_length = stock.spring.free_length.m();
            unit.solid_length = stock.spring.solid_length.map(Length::m);
            unit.collar = c.collar.m();
            if let UnitPlace::Mounts { upper, .. } = &mut unit.place {
                *upper = Self::upper(lower, c.length.m(), c.lean, c.rake);
            }
        }
        model
    }

    fn height(&self, rest: &Equilibrium) -> f64 {
        rest.frame().height([self.axle_x, 0.0, 0.0])
    }

    /// Turns all collars alike until the frame stands at its design height.
    pub(super) fn level(
        &self,
        model: &mut Model,
    ) -> Result<Equilibrium, crate::statics::StaticsError> {
        let goal = self.sheet.design_height.m();
        let mut rest = model.equilibrium_from(&self.start)?;
        for _ in 0..COLLAR_STEPS {
            let off = goal - self.height(&rest);
            if off.abs() < HEIGHT_FOUND_M {
                break;
            }
            let answer = self.units.iter().fold(State::zeros(), |sum, &u| {
                sum + rest.response(model, Parameter::Collar(u))
            });
            let (_, slope) = crate::geometry::gradient(
                |x| FramePose::new(x).height([self.axle_x, 0.0, 0.0]),
                &rest.state,
            );
            let per_rise = slope.dot(&answer);
            if per_rise.abs() < 1e-6 {
                break;
            }
            let rise = (off / per_rise).clamp(-0.05, 0.05);
            for &u in &self.units {
                model.units[u].collar += rise;
            }
            rest = model.equilibrium_from(&rest.state)?;
        }
        Ok(rest)
    }

    fn work_out(&self, c: &mut Candidate, stock: &StockSpring, curve: &Curve) {
        let case = self.wish.case;
        let mut model = self.model(case, c, stock, curve);
        let rest = match self.level(&mut model) {
            Ok(rest) => rest,
            Err(why) => {
                c.limits.push(Limit::NoRest {
                    case: self.sheet.cases[case].name.clone(),
                    why: why.to_string(),
                });
                return;
            }
        };
        c.collar = Length::new(model.units[self.units[0]].collar);
        for i in 0..self.models.len() {
            if i == case {
                let q = quantities(&model, &rest, &[]);
                self.case(c, i, &q, &rest);
                self.in_the_wished_case(c, &q);
                continue;
            }
            let there = self.model(i, c, stock, curve);
            match there.equilibrium_from(&rest.state) {
                Ok(r) => self.case(c, i, &quantities(&there, &r, &[]), &r),
                Err(why) => c.limits.push(Limit::NoRest {
                    case: self.sheet.cases[i].name.clone(),
                    why: why.to_string(),
                }),
            }
        }
        c.off_wish = self.off_wish(c);
    }

    fn case(&self, c: &mut Candidate, i: usize, q: &CaseQuantities, rest: &Equilibrium) {
        let units = self.units.iter().map(|&u| &q.units[u]);
        let least = |f: fn(&crate::statics::UnitQuantities) -> Length| {
            Length::new(
                units
                    .clone()
                    .map(|u| f(u).m())
                    .fold(f64::INFINITY, f64::min),
            )
        };
        let n = self.units.len() as f64;
        let axle = &q.axles[self.wish.axle];
        let case = CandidateCase {
            name: self.sheet.cases[i].name.clone(),
            height: Length::new(self.height(rest)),
            roll: q.roll,
            pitch: q.pitch,
            sag: Length::new(units.clone().map(|u| u.sag.m()).sum::<f64>() / n),
            sag_share: units.clone().map(|u| u.sag_share).sum::<f64>() / n,
            travel_up: least(|u| u.travel_up),
            travel_down: least(|u| u.travel_down),
            wheel_rate: axle.wheel_rate,
            roll_rate: axle.roll_rate,
            frequency: axle.frequency,
        };
        let name = || case.name.clone();
        if case.travel_up.m() <= 0.0 {
            c.limits.push(Limit::Bottoming { case: name() });
        } else if case.travel_up < self.wish.travel_up {
            c.limits.push(Limit::TravelUp {
                case: name(),
                left: case.travel_up,
                asked: self.wish.travel_up,
            });
        }
        if case.travel_down.m() <= 0.0 {
            c.limits.push(Limit::ToppedOut { case: name() });
        } else if case.travel_down < self.wish.travel_down {
            c.limits.push(Limit::TravelDown {
                case: name(),
                left: case.travel_down,
                asked: self.wish.travel_down,
            });
        }
        c.cases.push(case);
    }

    fn in_the_wished_case(&self, c: &mut Candidate, q: &CaseQuantities) {
        let collar: &Collar = &self.first.unit.collar;
        let unit = &q.units[self.units[0]];
        let axle = &q.axles[self.wish.axle];
        let upright: f64 = self
            .units
            .iter()
            .map(|&u| q.units[u].rate.n_per_m())
            .sum::<f64>()
            / 2.0;
        c.rate = unit.rate;
        c.turns = c.collar / collar.pitch;
        c.preload = unit.preload;
        c.wheel_rate = axle.wheel_rate;
        c.factor = axle.wheel_rate.n_per_m() / upright;
        c.roll_rate = axle.roll_rate;
        c.frequency = axle.frequency;
        if unit.preload.m() < 0.0 {
            c.limits.push(Limit::LooseAtDroop { by: -unit.preload });
        }
        if let Some(margin) = unit.bind_margin.filter(|m| m.m() < 0.0) {
            c.limits.push(Limit::CoilBind { by: -margin });
        }
        if c.collar > collar.highest {
            c.limits.push(Limit::CollarTooHigh {
                by: c.collar - collar.highest,
            });
        }
        if c.collar < collar.lowest {
            c.limits.push(Limit::CollarTooLow {
                by: collar.lowest - c.collar,
            });
        }
        if let (Some(is), Some((from, to))) = (c.frequency, self.wish.frequency) {
            for (broken, end) in [(is < from, from), (is > to, to)] {
                if broken {
                    c.limits.push(Limit::Frequency { is, end });
                }
            }
        }
        // A tenth of a per cent: the sag of the tacked length, not of rounding.
        let (is, (from, to)) = (unit.sag_share, self.wish.sag);
        for (broken, end) in [(is < from - 1e-3, from), (is > to + 1e-3, to)] {
            if broken {
                c.limits.push(Limit::Sag { is, end });
            }
        }
    }

    /// Distances from the middle of each asked band in half-widths, squared and
    /// summed; without a frequency band, how far the collar is from the middle of its
    /// thread counts in its place.
    fn off_wish(&self, c: &Candidate) -> f64 {
        let off = |is: f64, from: f64, to: f64| {
            let half = ((to - from) / 2.0).max(1e-9);
            ((is - f64::midpoint(from, to)) / half).powi(2)
        };
        let name = &self.sheet.cases[self.wish.case].name;
        let mut sum = 0.0;
        if let Some(case) = c.cases.iter().find(|case| &case.name == name) {
            sum += off(case.sag_share, self.wish.sag.0, self.wish.sag.1);
        }
        if let (Some(is), Some((from, to))) = (c.frequency, self.wish.frequency) {
            sum += off(is.hz(), from.hz(), to.hz());
        } else {
            // Nothing asked: the spring that uses its thread least far from the middle.
            let collar = &self.first.unit.collar;
            sum += off(c.collar.m(), collar.lowest.m(), collar.highest.m());
        }
        sum
    }
}

/// Rise of the upper mount over the lower one for a unit of length 1.
fn rise_of_unit(lean: Angle, rake: Angle) -> f64 {
    let (a, b) = (lean.rad().tan(), rake.rad().tan());
    1.0 / (1.0 + a * a + b * b).sqrt()
}
