#!/usr/bin/env bash
# All that a change must pass: format, lints, tests, and pages in a real browser.
# On a fresh machine with a Rust toolchain it installs what is missing (by apt where there is one).
set -euo pipefail
cd "$(dirname "$0")"

missing=()
command -v pdftotext >/dev/null || missing+=(poppler-utils)
command -v chromium >/dev/null || missing+=(chromium)
command -v chromedriver >/dev/null || missing+=(chromium-driver)
if [ ${#missing[@]} -gt 0 ]; then
  if command -v apt-get >/dev/null; then
    as_root=(); [ "$(id -u)" = 0 ] || as_root=(sudo)
    "${as_root[@]}" apt-get update -qq
    DEBIAN_FRONTEND=noninteractive "${as_root[@]}" apt-get install -y -qq --no-install-recommends "${missing[@]}"
  else
    echo "test.sh needs ${missing[*]}: install them and run it again" >&2
    exit 1
  fi
fi
rustup component add rustfmt clippy >/dev/null 2>&1 || true

cargo fmt --all --check
cargo clippy --release --workspace --all-targets --locked -- -D warnings
cargo test --release --workspace --locked
