//! Python's side of a ratio.

use serde_json::Value;
use std::io::Write as _;
use std::process::{Command, Stdio};

/// Runs a script of `benches/peers/` on a problem; its answer, or why there is none.
pub fn ask(script: &str, problem: &Value) -> Result<Value, String> {
    let python = std::env::var("STILLHEIGHT_PYTHON")
        .map_err(|_| "STILLHEIGHT_PYTHON names no Python with NumPy, SciPy, lmfit and pynmea2")?;
    let path = format!("{}/benches/peers/{script}", env!("CARGO_MANIFEST_DIR"));
    let mut child = Command::new(&python)
        .arg(path)
        // One thread on both sides.
        .env("OPENBLAS_NUM_THREADS", "1")
        .env("OMP_NUM_THREADS", "1")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .map_err(|e| format!("{python}: {e}"))?;
    let mut stdin = child.stdin.take().ok_or("no standard input")?;
    stdin
        .write_all(problem.to_string().as_bytes())
        .map_err(|e| e.to_string())?;
    drop(stdin);
    let output = child.wait_with_output().map_err(|e| e.to_string())?;
    if !output.status.success() {
        return Err(format!("{script} ended with {}", output.status));
    }
    serde_json::from_slice(&output.stdout).map_err(|e| format!("{script}: {e}"))
}

/// A number of an answer.
pub fn number(answer: &Value, key: &str) -> f64 {
    answer[key].as_f64().unwrap_or(f64::NAN)
}
