#!/usr/bin/env bash
# The README's first command, on a fresh folder; then the package with common
# tools: unpacked and compared with its own list of checksums.
set -euo pipefail
dir=$(mktemp -d)
trap 'rm -rf "$dir"' EXIT
go run ./cmd/trammel demo "$dir/demo-job"
if command -v unzip >/dev/null && command -v sha512sum >/dev/null; then
  unzip -q "$dir"/demo-job/out/*.zip -d "$dir"
  (cd "$dir"/DEMO-001-r001 && sha512sum --quiet -c manifest-sha512.txt && echo 'sha512sum: every file as listed')
fi
