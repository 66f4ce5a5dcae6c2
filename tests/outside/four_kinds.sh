#!/usr/bin/env bash
# Four kinds of sensor at once on the live screen, in tmux at 80x24: all there; one
# pulled out; the same one back under another name. Keeps what the screen showed.
#
#   tests/outside/four_kinds.sh PROGRAM FOLDER
set -euo pipefail
program=$(realpath "$1")
here=$(cd "$(dirname "$0")" && pwd)
mkdir -p "$2"
folder=$(realpath "$2")
session=four-kinds-$$

python3 "$here/desk.py" "$folder/ports" >"$folder/desk.log" 2>&1 < <(
  # What the hand does comes through a file that grows.
  : >"$folder/hand"
  exec tail -f "$folder/hand"
) &
desk=$!
trap 'tmux kill-session -t "$session" 2>/dev/null; kill "$desk" 2>/dev/null' EXIT
until grep -q ready "$folder/desk.log"; do sleep 0.2; done

cd "$folder"
"$program" sheet new van.toml --force >/dev/null
python3 - "$folder" <<'EOF'
import re, sys
folder = sys.argv[1]
path = folder + "/van.toml"
text = open(path).read()
# The sheet's own sensors out, the four of the desk in.
text = re.sub(r"(?ms)^\[\[sensor\]\].*?(?=^\[|^# -----|\Z)", "", text)
text += f"""
[[sensor]]
name = "frame roll"
device = "0x5e5000f00d000001"
channel = 0
reads = "frame roll"
[[sensor]]
name = "heel"
protocol = "xdr"
transducer = "HEEL"
port = "{folder}/ports/heel"
reads = "frame roll"
[[sensor]]
name = "gap"
protocol = "lines"
port = "{folder}/ports/gap"
pattern = "D: {{value}} mm, q={{skip}}"
unit = "mm"
reads = "frame to floor"
from = ["0 mm", "420 mm", "0 mm"]
[[sensor]]
name = "frame pitch"
protocol = "modbus"
port = "{folder}/ports/bus"
address = 3
function = 4
register = 2
scale = 0.001
unit = "deg"
reads = "frame pitch"
"""
open(path, "w").write(text)
EOF

tmux new-session -d -s "$session" -x 80 -y 24 \
  "'$program' watch van.toml --port '$folder/ports/tilt' --port '$folder/ports/tilt-in-another-socket'"
shot() { tmux capture-pane -p -t "$session" >"$folder/$1.txt"; }
sleep "${WAIT:-8}"
shot 1-all-four
echo "pull tilt" >>hand
sleep "${WAIT:-8}"
shot 2-one-pulled
echo "put tilt AS tilt-in-another-socket" >>hand
sleep "${WAIT:-8}"
shot 3-back-under-another-name
tmux send-keys -t "$session" q
echo "kept in $folder"
