#!/usr/bin/env bash
# Lint and staticcheck with pinned versions, from a module file of their own so
# that the program's dependencies stay its own.
set -euo pipefail
tools=$PWD/configs/dev/tools.mod
bin=$(mktemp -d)
trap 'rm -rf "$bin"' EXIT
(cd configs/dev && go build -modfile="$tools" -o "$bin/golangci-lint" github.com/golangci/golangci-lint/v2/cmd/golangci-lint)
(cd configs/dev && go build -modfile="$tools" -o "$bin/staticcheck" honnef.co/go/tools/cmd/staticcheck)
"$bin/golangci-lint" run -c configs/dev/golangci.yml ./...
"$bin/staticcheck" ./...
