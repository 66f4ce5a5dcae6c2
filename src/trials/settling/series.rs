//! Readings over time: checked, put in order, doubles taken out.

use super::beside::{Beside, BesideKind};
use super::law::Moment;
use super::{Notice, SettlingError};

/// Heights over time, as measured.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Series {
    /// Hours since the load was put on.
    pub time_h: Vec<f64>,
    /// Heights in millimetres, one for each time.
    pub height_mm: Vec<f64>,
    /// Standard uncertainties in millimetres. They are used as relative weights; how much the
    /// readings really scatter is taken from the fit.
    pub u_mm: Option<Vec<f64>>,
}

/// A series ready to be fitted: in order of time, every reading once.
#[derive(Debug, Clone)]
pub(super) struct Prepared {
    pub(super) moments: Vec<Moment>,
    /// Heights less `middle_mm`.
    pub(super) heights: Vec<f64>,
    /// Square roots of weights whose mean is 1.
    pub(super) root_weights: Vec<f64>,
    /// Where each reading stood in what was given, from 0.
    pub(super) index: Vec<usize>,
    /// Weighted mean height.
    pub(super) middle_mm: f64,
    /// What moves it beside its law.
    pub(super) beside: Beside,
}

/// Gaps longer than this many typical intervals, and than a day, are told.
const GAP_FACTOR: f64 = 10.0;
const GAP_HOURS: f64 = 24.0;

/// How many times longer than the readings last may be waited before the first one.
const FAR_FACTOR: f64 = 10.0;

impl Series {
    fn check(&self) -> Result<(), SettlingError> {
        let (times, heights) = (self.time_h.len(), self.height_mm.len());
        let uncertainties = self.u_mm.as_ref().map_or(heights, Vec::len);
        if times != heights || uncertainties != heights {
            return Err(SettlingError::LengthsDiffer {
                times,
                heights,
                uncertainties,
            });
        }
        for index in 0..times {
            let (time_h, height) = (self.time_h[index], self.height_mm[index]);
            if !time_h.is_finite() {
                return Err(SettlingError::NotFinite {
                    what: "time",
                    index,
                });
            }
            if !height.is_finite() {
                return Err(SettlingError::NotFinite {
                    what: "height",
                    index,
                });
            }
            if time_h < 0.0 {
                return Err(SettlingError::BeforeZero { index, time_h });
            }
            if let Some(u) = &self.u_mm {
                if !u[index].is_finite() {
                    return Err(SettlingError::NotFinite {
                        what: "uncertainty",
                        index,
                    });
                }
                if u[index] <= 0.0 {
                    return Err(SettlingError::UncertaintyNotPositive {
                        index,
                        u_mm: u[index],
                    });
                }
            }
        }
        Ok(())
    }

    /// Checks and orders the series; notices say what was done to it.
    pub(super) fn prepare(&self) -> Result<(Prepared, Vec<Notice>), SettlingError> {
        self.check()?;
        let mut notices = Vec::new();
        let n = self.time_h.len();
        let backward: Vec<usize> = (1..n)
            .filter(|&i| self.time_h[i] < self.time_h[i - 1])
            .collect();
        if let Some(&first_index) = backward.first() {
            notices.push(Notice::Sorted {
                places: backward.len(),
                first_index,
            });
        }
        let mut order: Vec<usize> = (0..n).collect();
        order.sort_by(|&a, &b| {
            self.time_h[a]
                .total_cmp(&self.time_h[b])
                .then(self.height_mm[a].total_cmp(&self.height_mm[b]))
        });
        let same = |a: usize, b: usize| {
            self.time_h[a].total_cmp(&self.time_h[b]).is_eq()
                && self.height_mm[a].total_cmp(&self.height_mm[b]).is_eq()
        };
        order.dedup_by(|a, b| same(*a, *b));
        if order.len() < n {
            notices.push(Notice::Doubled {
                count: n - order.len(),
            });
        }
        // Readings of the same moment stay in the order given.
        order.sort_by(|&a, &b| self.time_h[a].total_cmp(&self.time_h[b]).then(a.cmp(&b)));
        notices.extend(self.gaps(&order));
        if let (Some(&a), Some(&b)) = (order.first(), order.last()) {
            let (first_h, last_h) = (self.time_h[a], self.time_h[b]);
            if first_h > FAR_FACTOR * (last_h - first_h) {
                notices.push(Notice::FarFromZero { first_h });
            }
        }
        let first = order.first().map(|&i| self.height_mm[i]);
        if n > 1 && order.iter().all(|&i| Some(self.height_mm[i]) == first) {
            notices.push(Notice::Constant);
        }
        Ok((self.arrange(&order), notices))
    }

    fn gaps(&self, order: &[usize]) -> Vec<Notice> {
        let mut steps: Vec<f64> = order
            .windows(2)
            .map(|w| self.time_h[w[1]] - self.time_h[w[0]])
            .filter(|&d| d > 0.0)
            .collect();
        steps.sort_by(f64::total_cmp);
        let Some(&typical) = steps.get(steps.len() / 2) else {
            return Vec::new();
        };
        order
            .windows(2)
            .map(|w| (self.time_h[w[0]], self.time_h[w[1]]))
            .filter(|(from, to)| to - from > GAP_FACTOR * typical && to - from > GAP_HOURS)
            .map(|(from_h, to_h)| Notice::Gap { from_h, to_h })
            .collect()
    }

    fn arrange(&self, order: &[usize]) -> Prepared {
        let n = order.len() as f64;
        let mut weights: Vec<f64> = match &self.u_mm {
            Some(u) => order.iter().map(|&i| 1.0 / (u[i] * u[i])).collect(),
            None => vec![1.0; order.len()],
        };
        let mean = weights.iter().sum::<f64>() / n;
        for w in &mut weights {
            *w /= mean;
        }
        let middle_mm = order
            .iter()
            .zip(&weights)
            .map(|(&i, w)| self.height_mm[i] * w)
            .sum::<f64>()
            / n;
        Prepared {
            moments: order.iter().map(|&i| Moment::at(self.time_h[i])).collect(),
            heights: order
                .iter()
                .map(|&i| self.height_mm[i] - middle_mm)
                .collect(),
            root_weights: weights.iter().map(|w| w.sqrt()).collect(),
            index: order.to_vec(),
            middle_mm,
            beside: Beside::default(),
        }
    }
}

impl Prepared {
    pub(super) fn len(&self) -> usize {
        self.heights.len()
    }

    /// With steps at these times (hours) and the temperature of each reading as given (empty
    /// where there is none) taken as moving it too. A step outside the readings is none.
    pub(super) fn with_beside(mut self, steps_h: &[f64], temperature_c: &[f64]) -> Self {
        let (mut kinds, mut columns) = (Vec::new(), Vec::new());
        for &at_h in steps_h {
            if at_h <= self.first_h() || at_h > self.last_h() {
                continue;
            }
            kinds.push(BesideKind::Step { at_h });
            columns.push(
                self.moments
                    .iter()
                    .map(|m| f64::from(u8::from(m.t < at_h)))
                    .collect(),
            );
        }
        if !temperature_c.is_empty() {
            let own: Vec<f64> = self.index.iter().map(|&i| temperature_c[i]).collect();
            let mean = own.iter().sum::<f64>() / own.len().max(1) as f64;
            kinds.push(BesideKind::Temperature);
            columns.push(own.iter().map(|t| t - mean).collect());
        }
        self.beside = Beside::new(kinds, columns, &self.root_weights);
        self
    }

    /// Heights without their best constant and what moves them beside the law: sum of squares.
    pub(super) fn flat_squares(&self) -> f64 {
        let mut heights: Vec<f64> = self
            .heights
            .iter()
            .zip(&self.root_weights)
            .map(|(h, w)| h * w)
            .collect();
        let squares = |v: &[f64]| v.iter().map(|x| x * x).sum::<f64>();
        if self.beside.count() == 0 {
            return squares(&heights);
        }
        let mut constant = self.root_weights.clone();
        self.beside.project(&mut heights);
        self.beside.project(&mut constant);
        let along: f64 = heights.iter().zip(&constant).map(|(h, c)| h * c).sum();
        squares(&heights) - along * along / squares(&constant).max(f64::MIN_POSITIVE)
    }

    pub(super) fn first_h(&self) -> f64 {
        self.moments.first().map_or(0.0, |m| m.t)
    }

    pub(super) fn last_h(&self) -> f64 {
        self.moments.last().map_or(0.0, |m| m.t)
    }

    /// Shortest time that the readings can show: the smallest interval, or the first time.
    pub(super) fn shortest_h(&self) -> f64 {
        let first = self.moments.first().map(|m| m.t).filter(|&t| t > 0.0);
        self.moments
            .windows(2)
            .map(|w| w[1].t - w[0].t)
            .filter(|&d| d > 0.0)
            .chain(first)
            .fold(f64::INFINITY, f64::min)
    }

    /// Sum of squares under which residuals are rounding and not noise.
    pub(super) fn floor_squares(&self) -> f64 {
        let size = self
            .heights
            .iter()
            .map(|h| (h + self.middle_mm).abs())
            .fold(self.middle_mm.abs(), f64::max);
        self.len() as f64 * (size * 1e-12).powi(2)
    }

    /// About `most` weighted averages of neighbouring readings: single readings at the beginning,
    /// where change is quick, then over ever longer stretches.
    pub(super) fn thinned(&self, most: usize) -> Self {
        let n = self.len();
        let (mut moments, mut heights, mut root_weights, mut index) =
            (Vec::new(), Vec::new(), Vec::new(), Vec::new());
        let mut columns = vec![Vec::new(); self.beside.columns.len()];
        let mut from = 0;
        while from < n {
            // Stretches grow so that their number comes out near what is wanted.
            let until = (from + 1 + from * 6 / most.max(1)).min(n);
            let weights = || self.root_weights[from..until].iter().map(|w| w * w);
            let sum: f64 = weights().sum();
            let time = weights()
                .zip(&self.moments[from..until])
                .map(|(w, m)| w * m.t)
                .sum::<f64>();
            let height = weights()
                .zip(&self.heights[from..until])
                .map(|(w, h)| w * h)
                .sum::<f64>();
            moments.push(Moment::at(time / sum));
            heights.push(height / sum);
            root_weights.push(sum.sqrt());
            index.push(self.index[from]);
            for (thin, whole) in columns.iter_mut().zip(&self.beside.columns) {
                let value = weights()
                    .zip(&whole[from..until])
                    .map(|(w, c)| w * c)
                    .sum::<f64>();
                thin.push(value / sum);
            }
            from = until;
        }
        let beside = Beside::new(self.beside.kinds.clone(), columns, &root_weights);
        Self {
            moments,
            heights,
            root_weights,
            index,
            middle_mm: self.middle_mm,
            beside,
        }
    }

    /// The series without the reading at `position`.
    pub(super) fn without(&self, position: usize) -> Self {
        let mut rest = self.clone();
        rest.moments.remove(position);
        rest.heights.remove(position);
        rest.root_weights.remove(position);
        rest.index.remove(position);
        let mut columns = std::mem::take(&mut rest.beside.columns);
        for column in &mut columns {
            column.remove(position);
        }
        rest.beside = Beside::new(
            std::mem::take(&mut rest.beside.kinds),
            columns,
            &rest.root_weights,
        );
        rest
    }
}
