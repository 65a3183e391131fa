#!/usr/bin/env bash
# Every fuzz target for a few seconds, from its kept corpus on.
set -euo pipefail
for dir in $(grep -rlE '^func Fuzz' --include='*_test.go' cmd watch pipeline package | xargs -n1 dirname | sort -u); do
  for target in $(grep -hoE '^func Fuzz[A-Za-z0-9_]+' "$dir"/*_test.go | sed 's/^func //' | sort); do
    echo "$dir $target"
    go test "./$dir" -run '^$' -fuzz "^$target\$" -fuzztime "${FUZZTIME:-4s}" -fuzzminimizetime 20x | tail -n 2
  done
done
