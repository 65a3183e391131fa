#!/usr/bin/env bash
# The race detector over the short tests; it needs a C compiler.
set -euo pipefail
if ! command -v gcc >/dev/null && ! command -v clang >/dev/null; then
  (apt-get update -q && apt-get install -y -q --no-install-recommends gcc libc6-dev) >/dev/null
fi
CGO_ENABLED=1 go test -race -short -timeout 30m ./...
