//! Any view at any size: no panic, nothing outside, no control character.

use proptest::prelude::*;
use stillheight::quantity::{Angle, Force, Length, Moment, Span, UnitSystem};
use stillheight::screen::view::{
    Aim, Amount, Basis, Behind, BehindPoint, CoiloverView, Figure, Gauge, LinkView, LoadMark,
    Message, Motion, Quality, SensorView, Severity, SharedView, Shout, Source, Stance, StationView,
    Task, TaskKey, ToGo, Verdict, View, Way, Wheel,
};
use stillheight::screen::{Desk, Ink, Overlay};

use super::{frame, samples};

/// Raw material that a view is made of, taken round and round.
#[derive(Debug, Clone)]
struct Pool {
    numbers: Vec<f64>,
    texts: Vec<String>,
    choices: Vec<u8>,
    at: usize,
}

impl Pool {
    fn number(&mut self) -> f64 {
        self.at += 1;
        self.numbers[self.at % self.numbers.len()]
    }
    fn text(&mut self) -> String {
        self.at += 1;
        self.texts[self.at % self.texts.len()].clone()
    }
    fn choice<T: Copy>(&mut self, of: &[T]) -> T {
        self.at += 1;
        of[usize::from(self.choices[self.at % self.choices.len()]) % of.len()]
    }
    fn many<T>(&mut self, mut make: impl FnMut(&mut Self) -> T) -> Vec<T> {
        let count = self.choice(&[0, 1, 2, 4, 7, 20]);
        (0..count).map(|_| make(self)).collect()
    }
    fn maybe<T>(&mut self, make: impl FnOnce(&mut Self) -> T) -> Option<T> {
        let made = make(self);
        self.choice(&[true, true, false]).then_some(made)
    }
    fn basis(&mut self) -> Basis {
        self.choice(&[Basis::Measured, Basis::Assumed])
    }
    fn length(&mut self) -> Figure<Length> {
        Figure {
            value: Length::new(self.number()),
            half_width: self.maybe(|p| Length::new(p.number())),
            basis: self.basis(),
        }
    }
    fn angle(&mut self) -> Figure<Angle> {
        Figure {
            value: Angle::new(self.number()),
            half_width: self.maybe(|p| Angle::new(p.number())),
            basis: self.basis(),
        }
    }
    fn verdict(&mut self) -> Verdict {
        self.choice(&[Verdict::Inside, Verdict::Outside, Verdict::CannotTell])
    }
    fn point(&mut self) -> BehindPoint {
        BehindPoint {
            y: Length::new(self.number()),
            z: Length::new(self.number()),
        }
    }
    fn ends(&mut self) -> [BehindPoint; 2] {
        [self.point(), self.point()]
    }
    fn amount(&mut self) -> Amount {
        match self.choice(&[0, 1, 2]) {
            0 => Amount::Length(self.length()),
            1 => Amount::Angle(self.angle()),
            _ => Amount::Force(Figure {
                value: Force::new(self.number()),
                half_width: None,
                basis: Basis::Measured,
            }),
        }
    }
    fn moment(&mut self) -> Moment {
        Moment::from_unix_us(self.choice(&[0, i64::MIN, i64::MAX, 1_900_000_000_000_000]))
    }

    #[allow(clippy::too_many_lines, reason = "one field of the view after another")]
    fn view(&mut self) -> View {
        View {
            now: self.moment(),
            vehicle: self.text(),
            case: self.text(),
            units: self.choice(&[UnitSystem::Metric, UnitSystem::Inch]),
            source: self.choice(&[Source::Live, Source::Rehearsal, Source::Replay]),
            paused: self.choice(&[true, false]),
            stance: self.many(|p| {
                p.choice(&[
                    Stance::Level,
                    Stance::LeftHigh,
                    Stance::RightHigh,
                    Stance::NoseDown,
                    Stance::NoseUp,
                    Stance::TooHigh,
                    Stance::TooLow,
                    Stance::CannotTell,
                ])
            }),
            verdict: self.verdict(),
            motion: {
                let at = self.moment();
                self.choice(&[Motion::Unheard, Motion::Moving(at), Motion::Still(at)])
            },
            to_go: match self.choice(&[0, 1, 2, 2]) {
                0 => ToGo::CannotTell,
                1 => ToGo::Nothing,
                _ => ToGo::Move {
                    place: self.text(),
                    amount: self.amount(),
                    way: self.choice(&[Way::Up, Way::Down]),
                },
            },
            roll: self.maybe(Self::angle),
            pitch: self.maybe(Self::angle),
            stations: self.many(|p| StationView {
                name: p.text(),
                x: Length::new(p.number()),
                y: Length::new(p.number()),
                height: p.maybe(Self::length),
                aim: p.maybe(|p| Aim {
                    value: Length::new(p.number()),
                    tolerance: Length::new(p.number()),
                }),
                verdict: p.verdict(),
            }),
            links: self.many(|p| LinkView {
                name: p.text(),
                angle: p.maybe(Self::angle),
                aim: p.maybe(|p| Aim {
                    value: Angle::new(p.number()),
                    tolerance: Angle::new(p.number()),
                }),
                verdict: p.verdict(),
                ends: p.maybe(Self::ends),
            }),
            coilovers: self.many(|p| CoiloverView {
                name: p.text(),
                sag: p.maybe(Self::length),
                sag_percent: p.maybe(Self::number),
                travel_left: p.maybe(|p| Length::new(p.number())),
            }),
            behind: Behind {
                frame: self.many(|p| p.many(Self::point)),
                axle: self.maybe(Self::ends),
                wheels: self.many(|p| Wheel {
                    middle: p.point(),
                    radius: Length::new(p.number()),
                    width: Length::new(p.number()),
                }),
                coilovers: self.many(Self::ends),
            },
            sensors: self.many(|p| SensorView {
                name: p.text(),
                kind: p.text(),
                last: p.text(),
                age: p.maybe(|p| Span::from_us(p.choice(&[0, i64::MIN, i64::MAX, 400_000]))),
                per_second: p.maybe(Self::number),
                rejected: p.choice(&[0, 3, u64::MAX]),
                quality: p.choice(&[
                    Quality::NeverHeard,
                    Quality::Good,
                    Quality::Moving,
                    Quality::Silent,
                    Quality::Gone,
                    Quality::Untrusted,
                ]),
                off: p.maybe(Self::number),
            }),
            loads: self.many(|p| LoadMark {
                key: p.text().chars().next(),
                name: p.text(),
                weight: p.text(),
                place: p.text(),
                on: p.choice(&[true, false]),
            }),
            kept: self.many(Self::text),
            next: self.many(Self::text),
            message: self.maybe(|p| Message {
                weight: p.choice(&[Severity::Notice, Severity::Warning, Severity::Error]),
                text: p.text(),
            }),
            shared: self.maybe(|p| SharedView {
                address: p.text(),
                code: p.many(Self::text),
                code_light: p.many(Self::text),
            }),
            task: self.maybe(|p| Task {
                shout: p.maybe(|p| Shout {
                    word: p.text(),
                    number: p.text(),
                    below: p.text(),
                }),
                title: p.text(),
                step: p.text(),
                caution: p.maybe(Self::text),
                gauges: p.many(|p| Gauge {
                    name: p.text(),
                    now: p.maybe(Self::amount),
                    aim: p.number(),
                    tolerance: p.number(),
                    word: p.text(),
                }),
                course: p.many(|p| (Force::new(p.number()), Length::new(p.number()))),
                course_now: p.maybe(|p| (Force::new(p.number()), Length::new(p.number()))),
                keys: p.many(|p| TaskKey {
                    key: p.choice(&['\n', 'x']),
                    what: "does something",
                }),
            }),
        }
    }
}

fn pool() -> impl Strategy<Value = Pool> {
    let number = prop_oneof![
        4 => -3.0..3.0_f64,
        1 => prop::num::f64::ANY,
        1 => prop::sample::select(vec![f64::NAN, f64::INFINITY, -1e300, f64::MAX, 0.0]),
    ];
    let text = prop_oneof![
        3 => "[a-z]{0,9}( [a-z]{1,9}){0,6}",
        1 => any::<String>(),
        1 => prop::sample::select(vec![
            "前輪左の高さ".to_owned(),
            "e\u{301}\u{301}\u{200d}\u{1f469}\u{200d}\u{1f527}".to_owned(),
            "\u{1b}[2J\r\n\t\u{0}".to_owned(),
        ]),
    ];
    (
        prop::collection::vec(number, 7..40),
        prop::collection::vec(text, 5..12),
        prop::collection::vec(any::<u8>(), 11..60),
    )
        .prop_map(|(numbers, texts, choices)| Pool {
            numbers,
            texts,
            choices,
            at: 0,
        })
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(300) })]

    #[test]
    fn prop_any_view_at_any_size_never_panics(
        mut pool in pool(),
        columns in 1_u16..200,
        rows in 1_u16..60,
        large in prop::option::of(any::<usize>()),
        overlay in prop::sample::select(vec![None, Some(Overlay::Help), Some(Overlay::InFull), Some(Overlay::Shared)]),
        note in prop::option::of(any::<String>()),
    ) {
        let desk = Desk { large, overlay, note, ..Desk::new(Ink::Colour) };
        let buffer = frame(&pool.view(), &desk, columns, rows);
        for cell in buffer.content() {
            prop_assert!(!cell.symbol().contains(char::is_control));
        }
    }
}

#[test]
fn every_size_from_one_by_one() {
    let views = [
        samples::left_high(),
        samples::at_work(),
        samples::long_names(),
    ];
    let plain = Desk::new(Ink::Plain);
    let desks = [
        plain.clone(),
        Desk {
            large: Some(1),
            ..plain.clone()
        },
        Desk {
            overlay: Some(Overlay::Help),
            note: Some("n".to_owned()),
            ..plain
        },
    ];
    for columns in (1..=30).chain((31..=200).step_by(13)) {
        for rows in (1..=30).chain((31..=60).step_by(9)) {
            for view in &views {
                for desk in &desks {
                    frame(view, desk, columns, rows);
                }
            }
        }
    }
}
