#!/usr/bin/env bash
# Installs what the browser tests need, where that can be done: Debian's chromium, and axe-core (a checker of accessibility,
# version fixed) from the npm registry into target/browser/. What cannot be had is said; the tests then skip what needs it.
set -uo pipefail
cd "$(dirname "$0")/../.."

has_chromium() { [ -n "${SLITWATCH_CHROMIUM:-}" ] || command -v chromium > /dev/null || command -v chromium-browser > /dev/null; }

if ! has_chromium; then
  if command -v apt-get > /dev/null && [ "$(id -u)" = 0 ]; then
    export DEBIAN_FRONTEND=noninteractive
    timeout 120 apt-get -qq update > /dev/null 2>&1
    timeout 300 apt-get -qq install -y --no-install-recommends chromium > /dev/null 2>&1
  fi
  has_chromium || echo "browser tests: no chromium could be installed (that takes Debian's apt-get and root); they will be skipped" >&2
fi

axe=axe-core@4.10.3
if ! [ -s target/browser/axe.min.js ]; then
  mkdir -p target/browser
  if command -v npm > /dev/null \
    && timeout 60 npm pack --silent --pack-destination target/browser "$axe" > /dev/null 2>&1 \
    && tar -xzf target/browser/axe-core-*.tgz -C target/browser package/axe.min.js; then
    mv target/browser/package/axe.min.js target/browser/
  else
    echo "browser tests: $axe could not be fetched; the project's own checks are made without it" >&2
  fi
  rm -rf target/browser/package target/browser/*.tgz
fi
exit 0
