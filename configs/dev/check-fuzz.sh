#!/usr/bin/env bash
# Every fuzz target for a few thousand inputs, from its kept corpus on. Inputs are
# counted, not seconds: a run that its time cuts off amid an input counts as failed.
set -euo pipefail
for dir in $(grep -rlE '^func Fuzz' --include='*_test.go' cmd watch pipeline package | xargs -n1 dirname | sort -u); do
  for target in $(grep -hoE '^func Fuzz[A-Za-z0-9_]+' "$dir"/*_test.go | sed 's/^func //' | sort); do
    echo "$dir $target"
    out=$(go test "./$dir" -run '^$' -fuzz "^$target\$" -fuzztime "${FUZZTIME:-3000x}" -fuzzminimizetime 20x 2>&1) || { echo "$out"; exit 1; }
    echo "$out" | tail -n 1
  done
done
