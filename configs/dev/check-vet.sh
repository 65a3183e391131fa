#!/usr/bin/env bash
# What the compiler's own second look finds.
set -euo pipefail
go vet ./...
