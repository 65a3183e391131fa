#!/usr/bin/env bash
# The program builds for every system and machine that it is made for.
set -euo pipefail
for os in linux windows darwin; do
  for arch in amd64 arm64; do
    echo "$os/$arch"
    CGO_ENABLED=0 GOOS=$os GOARCH=$arch go build -trimpath -o /dev/null ./cmd/trammel
  done
done
