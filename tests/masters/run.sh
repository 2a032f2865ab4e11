#!/usr/bin/env bash
# Makes the set of masters and weighs it. Asks nothing; prints what is left out and why.
#
#   bash tests/masters/run.sh [OUT [OPTION of make_masters.py ...]]
#
# WEIGHBRIDGE_BINARY  the program (default: target/debug/weighbridge)
# MASTERS_PACKAGES    folder for Python packages (default: target/masters/python)
# MASTERS_SEED        default 1
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
exec </dev/null

out=${1:-target/masters/set}
binary=${WEIGHBRIDGE_BINARY:-target/debug/weighbridge}
packages=${MASTERS_PACKAGES:-$PWD/target/masters/python}
started=$SECONDS

say() { printf '%s\n' "$*" >&2; }

[ -x "$binary" ] || { say "no program at $binary: build it, or name it with WEIGHBRIDGE_BINARY"; exit 2; }

# The sound of the scores; without it the set has the synthesised songs only.
if ! command -v fluidsynth >/dev/null || ! ls /usr/share/sounds/sf2/*.sf2 >/dev/null 2>&1; then
    if command -v apt-get >/dev/null && [ "$(id -u)" = 0 ]; then
        { apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends fluidsynth timgm6mb-soundfont; } >/dev/null 2>&1 ||
            say "fluidsynth and timgm6mb-soundfont could not be installed"
    fi
fi

install() { # folder package...: all at once, else one at a time: what cannot be installed leaves the rest
    local folder=$1 package pip=(python3 -m pip install --quiet --disable-pip-version-check --root-user-action ignore --upgrade --target "$1")
    shift
    "${pip[@]}" "$@" >/dev/null 2>&1 && return
    for package in "$@"; do
        "${pip[@]}" "$package" >/dev/null 2>&1 || say "the Python package $package could not be installed"
    done
}
mkdir -p "$packages" "$packages-renderer"
export PYTHONPATH="$packages${PYTHONPATH:+:$PYTHONPATH}" PYTHONDONTWRITEBYTECODE=1
missing=()
for package in $(cat tests/masters/requirements.txt); do
    python3 -c "import $package" 2>/dev/null || missing+=("$package")
done
[ ${#missing[@]} = 0 ] || install "$packages" "${missing[@]}"
# The reference renderer of BS.2127 wants older packages than the rest: a folder of its own.
export MASTERS_EAR=${MASTERS_EAR:-$packages-renderer}
[ -d "$MASTERS_EAR/ear" ] || install "$MASTERS_EAR" ear

python3 -c 'import numpy, scipy' || { say "numpy and scipy are needed"; exit 2; }

python3 tests/masters/make_masters.py "$out" --seed "${MASTERS_SEED:-1}" "${@:2}"
say "made after $((SECONDS - started)) s"
status=0
python3 tests/masters/score.py "$out" --binary "$binary" --json "$out/report.json" || status=$?
say "weighed after $((SECONDS - started)) s"
exit $status
