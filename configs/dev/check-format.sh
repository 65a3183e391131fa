#!/usr/bin/env bash
# Every Go file is as gofmt writes it.
set -euo pipefail
bad=$(gofmt -l cmd watch pipeline package)
if [ -n "$bad" ]; then echo "not formatted: $bad"; exit 1; fi
