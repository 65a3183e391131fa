#!/usr/bin/env bash
# General-purpose libraries that tests compare with. What cannot be fetched is
# said, and the tests that need it skip.
set -uo pipefail
packages=(python3-open3d python3-vtk9 python3-scipy assimp-utils)
want=()
for p in "${packages[@]}"; do dpkg -s "$p" >/dev/null 2>&1 || want+=("$p"); done
command -v node >/dev/null || want+=(nodejs)
command -v npm >/dev/null || want+=(npm)
if [ ${#want[@]} -gt 0 ]; then
  (apt-get update -q && apt-get install -y -q --no-install-recommends "${want[@]}") >/dev/null 2>&1 ||
    echo "not installed: ${want[*]}; the comparisons with them are left out"
fi
if command -v npm >/dev/null; then
  for m in gltf-validator@2.0.0-dev.3.10 web-e57@1.2.0 laz-perf@0.0.7 @loaders.gl/core@4.5.1 @loaders.gl/las@4.5.1; do
    npm ls -g "${m%@*}" >/dev/null 2>&1 || npm install -g --no-fund --no-audit "$m" >/dev/null 2>&1 ||
      echo "not installed: $m; the comparison with it is left out"
  done
fi
exit 0
