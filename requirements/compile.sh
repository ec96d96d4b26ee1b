#!/bin/sh
# Resolve the locks anew from pyproject.toml, for every system and Python. Extra words go to uv, as --upgrade.
set -eu
cd "$(dirname "$0")/.."
compile() { .venv/bin/uv pip compile --quiet --universal --generate-hashes --no-annotate --no-header "$@"; }
compile pyproject.toml -o requirements/base.txt "$@"
compile pyproject.toml --group dev -c requirements/base.txt -o requirements/dev.txt "$@"
compile requirements/uv.in -o requirements/uv.txt "$@"
