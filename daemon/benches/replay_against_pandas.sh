#!/usr/bin/env bash
# Replays one recorded file with frameside and with pandas, in turn, and compares.
#
#   daemon/benches/replay_against_pandas.sh [--rows N]
#
# The file is a year at 1 Hz (31.5 million rows of 27 bytes) unless --rows says otherwise;
# frameside follows 8 exposures a day in it. Prints medians of three rounds. The time of
# frameside is that of the whole process, the time of pandas leaves out its start.
# Needs GNU time (apt: time) and the venv that tests/run makes.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."

rows=31536000
if [ "${1:-}" = --rows ]; then rows=$2; fi
rounds=3
python=target/reference-venv/bin/python
light=target/light-$rows.csv
results=$(mktemp -d)
trap 'rm -r "$results"' EXIT

[ -x "$python" ] || { echo "no $python: run tests/run first" >&2 && exit 1; }
[ -x /usr/bin/time ] || { echo "no /usr/bin/time: apt install time" >&2 && exit 1; }
cargo build --profile dist --package frameside
[ -f "$light" ] || { "$python" tests/reference/recorded_light.py "$rows" >"$light.part" && mv "$light.part" "$light"; }

exposures=()
for hour in 08 09 10 11 12 13 14 15; do exposures+=(--at "$hour:00"); done

for ((round = 1; round <= rounds; round++)); do
  /usr/bin/time --format '%e %M' --output "$results/run" \
    target/dist/frameside replay "$light" --target 15kJ/m2 "${exposures[@]}" --json >"$results/replay.json"
  cat "$results/run" >>"$results/frameside"
  /usr/bin/time --format '%M' --output "$results/run" \
    "$python" tests/reference/pandas_replay.py "$light" >"$results/seconds"
  echo "$(cat "$results/seconds") $(cat "$results/run")" >>"$results/pandas"
done

# Median by seconds; columns are seconds and peak resident kilobytes.
median() {
  sort --numeric-sort "$results/$1" | sed --quiet "$(((rounds + 1) / 2))p"
}
read -r our_seconds our_kb <<<"$(median frameside)"
read -r their_seconds their_kb <<<"$(median pandas)"
awk -v rows="$rows" -v ours="$our_seconds" -v our_kb="$our_kb" -v theirs="$their_seconds" -v their_kb="$their_kb" '
  function line(name, seconds, kb) {
    printf "%-10s %8.2f s  %6.2f M rows/s  peak %7.1f MB\n", name, seconds, rows / seconds / 1e6, kb / 1024
  }
  BEGIN {
    printf "%d rows, median of '"$rounds"'\n", rows
    line("frameside", ours, our_kb)
    line("pandas", theirs, their_kb)
    printf "frameside is %.2f times as fast\n", theirs / ours
  }'
