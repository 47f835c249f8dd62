#!/usr/bin/env bash
# Starts a run over an archive, kills it at a random moment, resumes it, kills it again …, until it ends by itself; then compares the
# result byte by byte with an undisturbed run. Does so until KILLS kills have hit a running program.
#
#   benches/kills.sh [KILLS] [PROGRAM]
set -euo pipefail
cd "$(dirname "$0")/.."

kills=${1:-50}
program=$(realpath "${2:-target/release/weighlight}")
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

# A few hundred recordings: the sample scans under other names.
for number in $(seq "${COPIES:-30}"); do
    for scan in sample-scans/*/scan.toml sample-scans/*/*/scan.toml; do
        folder=$work/archive/$number/$(basename "$(dirname "$scan")")
        mkdir -p "$folder"
        cp -l "$(dirname "$scan")"/* "$folder/" 2>/dev/null || cp "$(dirname "$scan")"/* "$folder/"
        rm -f "$folder/scan.toml"
        sed -E "s/^(id|recording) = \"(.*)\"/\1 = \"\2-$number\"/" "$scan" >"$folder/scan.toml"
    done
done

# Becomes the program, so that its number is the one to kill.
measure() {
    exec "$program" reprocess "$work/archive" --products sample-scans/products --calibrations calibration --out "$1" --resume \
        >>"$work/log" 2>&1
}

started=$(date +%s%N)
(measure "$work/whole")
whole_ms=$((($(date +%s%N) - started) / 1000000))
echo "undisturbed: $whole_ms ms"

hit=0 runs=0
while [[ $hit -lt $kills ]]; do
    runs=$((runs + 1))
    while :; do
        measure "$work/cut" &
        pid=$!
        # Up to a quarter of the time it takes in all, so that each run is hit several times.
        sleep "$(printf '0.%04d' $((RANDOM % (whole_ms * 10 / 4 < 9999 ? whole_ms * 10 / 4 : 9999))))"
        if [[ $hit -ge $kills ]] || ! kill -KILL "$pid" 2>/dev/null; then
            wait "$pid"
            break
        fi
        code=0
        wait "$pid" 2>/dev/null || code=$?
        if [[ $code -eq 0 ]]; then break; fi
        [[ $code -eq 137 ]] || {
            echo "ended with $code" >&2
            tail "$work/log" >&2
            exit 1
        }
        hit=$((hit + 1))
    done
    diff --recursive --exclude=state "$work/whole" "$work/cut"
    rm -rf "$work/cut"
done
echo "$hit kills in $runs runs: every result was the undisturbed one, byte for byte"
