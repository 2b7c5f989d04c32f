#!/bin/sh
# Install a lock file into .venv, which is made if it is missing. Every file is checked against its hash.
# Usage: .ci/install.sh LOCK   (PYTHON names another interpreter)
set -eu
lock=$1
python=${PYTHON:-python3}

"$python" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null || {
    echo "Keyslip needs Python 3.11 or newer as $python. Name another one: make PYTHON=python3.12 ..." >&2
    exit 1
}

if ! .venv/bin/python -c '' 2>/dev/null; then
    rm -rf .venv
    if ! "$python" -m venv .venv 2>/dev/null; then
        # Debian's Python without python3-venv: borrow another maker of environments for this once.
        rm -rf .venv
        borrowed=$(mktemp -d)
        trap 'rm -rf "$borrowed"' EXIT
        "$python" -m pip install --quiet --target "$borrowed" virtualenv 2>/dev/null &&
            PYTHONPATH=$borrowed "$python" -m virtualenv --quiet .venv || {
            rm -rf .venv
            echo "Python's venv module is missing. On Debian and Ubuntu: apt install python3-venv" >&2
            exit 1
        }
    fi
fi

# uv takes seconds where pip takes minutes; where uv cannot reach what pip is set up to reach, pip does it.
if .venv/bin/uv --version 2>/dev/null | grep -q "^uv $(sed -n 's/^uv==\([0-9.]*\).*/\1/p' requirements-uv.lock)" ||
    .venv/bin/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements-uv.lock; then
    UV_PYTHON_DOWNLOADS=never .venv/bin/uv pip install --quiet --python .venv/bin/python --require-hashes -r "$lock" && exit 0
    echo "uv could not install; trying pip, which takes longer." >&2
fi
.venv/bin/python -m pip install --quiet --disable-pip-version-check --require-hashes -r "$lock"
