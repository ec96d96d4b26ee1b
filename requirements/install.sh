#!/bin/sh
# Bring .venv up to a lock: `install.sh base` (to run) or `install.sh dev` (to test). Quick when nothing changed.
set -eu
cd "$(dirname "$0")/.."
lock=requirements/$1.txt
python=.venv/bin/python

sum() { cksum < "$1"; }
stamped() { [ -f ".venv/lock-$1" ] && [ "$(cat ".venv/lock-$1")" = "$(sum "requirements/$1.txt")" ]; }
works() { "$1" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; }

if works $python && stamped "$1"; then exit 0; fi

if ! works $python; then
    found=
    for each in python3.13 python3.12 python3.11 python3; do
        if works $each; then
            found=$each
            if $each -c 'import ensurepip, venv' 2>/dev/null; then break; fi
            found="$each without venv"
        fi
    done
    case $found in
    "")
        echo "Python 3.11 or newer is needed, and $(python3 --version 2>/dev/null || echo none) was found." \
            "Install it from your system's packages or from python.org, then try again." >&2
        exit 1 ;;
    *without*)
        echo "${found%% *} lacks its venv module. On Debian or Ubuntu: apt install python3-venv. Then try again." >&2
        exit 1 ;;
    esac
    echo "Making the environment in .venv ..."
    $found -m venv --clear .venv
fi

echo "Installing what $lock names ..."
quietly="--quiet --disable-pip-version-check"
if ! { [ -x .venv/bin/uv ] || $python -m pip install $quietly --require-hashes -r requirements/uv.txt; } \
    || ! { .venv/bin/uv pip install --quiet --python $python --require-hashes -r "$lock" \
        || $python -m pip install $quietly --require-hashes -r "$lock"; }; then
    echo "The dependencies could not be installed; the lines above say why. Is this machine online? Then try again." >&2
    exit 1
fi
sum "$lock" > ".venv/lock-$1"
# The test lock holds every pin of the other.
if [ "$1" = dev ]; then sum requirements/base.txt > .venv/lock-base; fi
