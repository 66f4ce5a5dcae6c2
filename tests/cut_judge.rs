//! What must be true of a logbook after the power was cut.

use crate::cut_disk::{Luck, Recording, cut_often, lay_out, moments};
use rand::{SeedableRng, rngs::SmallRng};
use std::path::Path;
use stillheight::logbook::{
    KeptBy, KeptQuantity, KeptReading, Load, Logbook, LogbookError, Origin, Sitting, Unit, Which,
};
use stillheight::quantity::Moment;

/// The name of the logbook in a recording.
pub const NAME: &str = "van.logbook.sqlite";

/// A sitting that begins at the given moment.
pub fn sitting(us: i64) -> Sitting {
    Sitting {
        started: Moment::from_unix_us(us),
        sheet_text: "name = \"delivery van\"\n".into(),
        program: "power cut".into(),
    }
}

/// Reading number `n`.
pub fn reading(n: i64) -> KeptReading {
    KeptReading {
        at: Moment::from_unix_us(n),
        still_since: None,
        case: Some("finished".into()),
        loads: vec![Load {
            name: "helper".into(),
            mass_kg: 82.0,
            at_m: Some([0.4, -0.3, 0.6]),
        }],
        by: KeptBy::Stillness,
        note: format!("reading {n}"),
        quantities: (0..6)
            .map(|k| KeptQuantity {
                name: format!("height {k}"),
                unit: Unit::Metre,
                value: 0.4 + 1e-3 * n as f64,
                standard_uncertainty: 4e-4,
                origin: Origin::Measured,
            })
            .collect(),
        state: None,
        sensors: Vec::new(),
    }
}

/// What came of many cuts.
#[derive(Debug, Default, Clone)]
pub struct Tally {
    /// Cuts.
    pub cuts: u64,
    /// Of them before anything was acknowledged.
    pub early: u64,
    /// Acknowledged readings that were to be found, over all cuts.
    pub acknowledged: u64,
    /// There although not acknowledged yet.
    pub unanswered: u64,
    /// Acknowledged and not there.
    pub missing: u64,
    /// There twice.
    pub twice: u64,
    /// Not as they were written, or the file did not pass its check.
    pub damaged: u64,
    /// The file did not open, or did not take the next reading.
    pub not_opened: u64,
    /// In words.
    pub said: Vec<String>,
}

impl Tally {
    /// All that must be nought.
    pub fn wrong(&self) -> u64 {
        self.missing + self.twice + self.damaged + self.not_opened
    }
}

/// Cuts the power `cuts` times in a recording and looks at what is left.
pub fn judge(
    recording: &Recording,
    cuts: usize,
    lucks: &[Luck],
    seed: u64,
    folder: &Path,
) -> Tally {
    let mut random = SmallRng::seed_from_u64(seed);
    let at = moments(recording, cuts, &mut random);
    judge_at(recording, &at, lucks, &mut random, folder)
}

/// The same at moments of one's own choice.
pub fn judge_at(
    recording: &Recording,
    at: &[usize],
    lucks: &[Luck],
    random: &mut SmallRng,
    folder: &Path,
) -> Tally {
    let mut tally = Tally::default();
    cut_often(recording, at, lucks, random, |at, luck, files, said| {
        let place = folder.join(format!("cut-{}", tally.cuts));
        lay_out(files, &place);
        tally.cuts += 1;
        tally.early += u64::from(said.is_none());
        let acknowledged = said.map_or(0, |last| last + 1);
        tally.acknowledged += acknowledged.unsigned_abs();
        if let Err(error) = look(&place.join(NAME), acknowledged, &mut tally) {
            tally.not_opened += 1;
            tally
                .said
                .push(format!("after call {at}, {luck:?}: {error}"));
        }
        std::fs::remove_dir_all(&place).unwrap();
    });
    tally
}

fn look(path: &Path, acknowledged: i64, tally: &mut Tally) -> Result<(), LogbookError> {
    let mut logbook = Logbook::open(path)?;
    if let Err(error) = logbook.check() {
        tally.damaged += 1;
        tally.said.push(error.to_string());
        return Ok(());
    }
    let kept = logbook.kept(Which::All)?;
    let mut moments: Vec<i64> = kept.iter().map(|k| k.reading.at.unix_us()).collect();
    let all = moments.len();
    moments.dedup();
    tally.twice += (all - moments.len()) as u64;
    let there = moments.iter().filter(|m| **m < acknowledged).count() as u64;
    tally.missing += acknowledged.unsigned_abs().saturating_sub(there);
    tally.unanswered += moments.iter().filter(|m| **m >= acknowledged).count() as u64;
    for k in &kept {
        if k.reading != reading(k.reading.at.unix_us()) {
            tally.damaged += 1;
        }
    }
    // The next start goes on in it.
    logbook.begin_sitting(&sitting(1_000_000))?;
    logbook.keep(&reading(1_000_001))?;
    logbook.check()?;
    if logbook.kept(Which::All)?.len() != all + 1 {
        tally.damaged += 1;
    }
    Ok(())
}
