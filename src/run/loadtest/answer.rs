//! What a load test says: result, verdict, forecast, what levels the link, what
//! changed since an earlier test.
//!
//! In: the sheet and the steps of one test, or of two. Out: text or JSON.
//! Refused: steps from which nothing can be said ([`LoadTestError`]).

use crate::report::{
    LoadLoop, loadtest_changes_json, loadtest_changes_text, loadtest_forecast_json,
    loadtest_forecast_text, loadtest_json, loadtest_loop_text, loadtest_text,
    loadtest_verdict_json, loadtest_verdict_text,
};
use crate::sheet::BuildSheet;
use crate::trials::loadtest::{
    Change, Finished, Identified, Key, LinkWeight, LoadTestError, Noise, Step, Untold, Verdict,
    changes, finished, identify, link_weights, untold, verdict,
};
use serde_json::{Value, json};

/// Size of the loop in characters.
const COLUMNS: usize = 60;
const ROWS: usize = 14;

/// The answer to a load test.
#[derive(Debug)]
pub(super) struct Answer {
    pub(super) found: Identified,
    pub(super) untold: Vec<Untold>,
    pub(super) verdict: Verdict,
    pub(super) forecast: Result<Finished, LoadTestError>,
    weights: Vec<LinkWeight>,
    changes: Option<Vec<Change>>,
}

impl Answer {
    /// Identifies and forecasts; an earlier test that says nothing is passed over.
    pub(super) fn of(
        sheet: &BuildSheet,
        steps: &[Step],
        earlier: &[Step],
    ) -> Result<Self, LoadTestError> {
        let found = identify(sheet, steps)?;
        let untold = untold(sheet, &found, Noise::default())?;
        let verdict = verdict(sheet, &found)?;
        let case = sheet.targets.case;
        let forecast = finished(sheet, &found, case);
        let weights = link_weights(sheet, &found, case).unwrap_or_default();
        let changes = if earlier.is_empty() {
            None
        } else {
            identify(sheet, earlier)
                .ok()
                .map(|first| changes(&first, &found))
        };
        Ok(Self {
            found,
            untold,
            verdict,
            forecast,
            weights,
            changes,
        })
    }

    /// Whether any of the main questions is answered.
    pub(super) fn tells_anything(&self) -> bool {
        let asked = |k: Key| {
            matches!(
                k,
                Key::AxleRate(_) | Key::SideRate(_) | Key::Friction(_) | Key::Weight
            )
        };
        self.found
            .findings
            .iter()
            .any(|f| asked(f.key) && f.is_told())
    }

    pub(super) fn text(&self, sheet: &BuildSheet) -> String {
        let mut text = loadtest_text(sheet, &self.found, &self.untold);
        text.push_str("VERDICT catalogue against measured\n");
        text.push_str(&loadtest_verdict_text(sheet, &self.found, &self.verdict));
        if let Some(drawn) = LoadLoop::of(sheet, &self.found) {
            text.push_str(&loadtest_loop_text(sheet, &drawn, COLUMNS, ROWS));
        }
        match &self.forecast {
            Ok(forecast) => {
                text.push_str(&loadtest_forecast_text(sheet, forecast, &self.weights));
            }
            Err(e) => text.push_str(&format!("NO FORECAST {e}. {} [{}]\n", e.help(), e.code())),
        }
        if let Some(changes) = &self.changes {
            text.push_str(&loadtest_changes_text(sheet, changes));
        }
        if !self.tells_anything() {
            text.push_str(
                "NOTHING IDENTIFIED the sheet still says more than the readings do; see NOT TOLD\n",
            );
        }
        text
    }

    pub(super) fn json(&self, sheet: &BuildSheet, steps: &[Step]) -> Value {
        json!({
            "steps": steps.iter().map(|s| json!({
                "at_unix_s": s.at.unix_us() as f64 * 1e-6,
                "on": s.words(sheet),
                "approach": s.approach,
            })).collect::<Vec<_>>(),
            "result": loadtest_json(sheet, &self.found, &self.untold),
            "verdict": loadtest_verdict_json(sheet, &self.found, &self.verdict),
            "forecast": self.forecast.as_ref().map_or_else(
                |e| json!({ "refused": e.code() }),
                |f| loadtest_forecast_json(sheet, f, &self.weights),
            ),
            "changes": self.changes.as_ref().map(|c| loadtest_changes_json(sheet, c)),
            "loop": LoadLoop::of(sheet, &self.found).map(|l| json!({
                "axle": sheet.axles[l.axle].name,
                "points": l.points.iter().map(|p| json!({
                    "load_kg": p.load_kg, "height_mm": p.height_m * 1e3,
                    "model_mm": p.model_m * 1e3, "approach": p.approach,
                })).collect::<Vec<_>>(),
            })),
            "identified": self.tells_anything(),
        })
    }
}
