#!/usr/bin/env bash
# Every row of the table of costs, on a quiet machine: about half an hour with the ten
# minutes of the live row. Python's side needs NumPy, SciPy, lmfit and pynmea2:
#   STILLHEIGHT_PYTHON=/path/to/python benches/all.sh [SECONDS [READINGS]]
set -euo pipefail
cd "$(dirname "$0")/.."
seconds=${1:-600}
readings=${2:-10000000}

echo "machine: $(uname -sm), $(nproc) cores, $(date -u +%F)"
rustc --version
if [ -z "${STILLHEIGHT_PYTHON:-}" ]; then
  echo "NOT RUN: Python's side of every ratio; set STILLHEIGHT_PYTHON" >&2
fi
cargo build --release --locked
ls -l target/release/stillheight
cargo bench --locked --bench measured -- --seconds "$seconds" --readings "$readings"
cargo bench --locked --bench advice
cargo bench --locked --bench layout
cargo test --locked --test allocations

# By hand, since they build everything anew (two cores: CARGO_BUILD_JOBS=2):
#   time cargo build --release --target-dir "$(mktemp -d)"
#   cargo test --no-run && time cargo test
