#!/bin/bash
# Every check of the project, with all set-up, on a fresh Debian machine: `bash tests/run_all.sh`.
# Needs Python 3.11 or newer and the package registries. Debian packages are installed where they
# are missing (as root, or with sudo): jackd2 for real MIDI ports and audio without hardware;
# mosquitto as a broker; gcc, make, avr-gcc
# and Node for the controller's core, its image, and the simulated board that runs it;
# chromium for the operator's page.
set -euo pipefail
cd "$(dirname "$0")/.."

python=${PYTHON:-python3}
if ! "$python" -c 'import sys; sys.exit(sys.version_info < (3, 11))'; then
    echo "Python 3.11 or newer is needed; $python is $("$python" --version 2>&1)" >&2
    exit 2
fi

packages=()
command -v jackd >/dev/null || packages+=(jackd2)
command -v jack_lsp >/dev/null || packages+=(jack-example-tools)
command -v gcc >/dev/null || packages+=(gcc libc6-dev)
command -v make >/dev/null || packages+=(make)
command -v avr-gcc >/dev/null || packages+=(gcc-avr binutils-avr avr-libc)
command -v mosquitto >/dev/null || [[ -x /usr/sbin/mosquitto ]] || packages+=(mosquitto)
command -v openssl >/dev/null || packages+=(openssl)
command -v node >/dev/null || packages+=(nodejs)
command -v npm >/dev/null || packages+=(npm)
ldconfig -p 2>/dev/null | grep -q libportaudio || packages+=(libportaudio2)
command -v clang-14 >/dev/null || packages+=(clang-14 libclang-rt-14-dev)
command -v cppcheck >/dev/null || packages+=(cppcheck)
command -v chromium >/dev/null || packages+=(chromium)
"$python" -c 'import pathlib, sysconfig; pathlib.Path(sysconfig.get_path("include"), "Python.h").stat()' \
    2>/dev/null || packages+=(python3-dev)
"$python" -c 'import ensurepip, venv' 2>/dev/null || packages+=(python3-venv)
if ((${#packages[@]})); then
    as_root=()
    ((EUID == 0)) || as_root=(sudo)
    "${as_root[@]}" apt-get update -q
    # jack_lsp moved between packages over Debian's releases: either one may be missing.
    for package in "${packages[@]}"; do
        "${as_root[@]}" env DEBIAN_FRONTEND=noninteractive \
            apt-get install -y -q --no-install-recommends "$package" || true
    done
fi
command -v jackd >/dev/null || { echo "jackd is missing: apt-get install jackd2" >&2; exit 2; }

[[ -x .venv/bin/python ]] || "$python" -m venv .venv
.venv/bin/python -m pip install -q --disable-pip-version-check -e '.[dev]'

# Every part runs, whatever became of those before it; the table at the end has them all.
notes=$(mktemp -d)
trap 'rm -rf "$notes"' EXIT
part() { # NAME COMMAND...
    local name=$1 begun=$SECONDS code=0
    shift
    printf '\n== %s\n' "$name"
    "$@" || code=$?
    printf '%-34s %4d s  %s\n' "$name" $((SECONDS - begun)) \
        "$( ((code)) && echo "FAILED, exit code $code" || echo passed)" >>"$notes/table"
}
beside() { # FUNCTION: its parts run while others do; `joined` shows what they said
    "$1" >"$notes/said" 2>&1 &
}
joined() {
    wait $! || echo "what ran beside: FAILED, ended by $?" >>"$notes/table"
    cat "$notes/said"
}

files_with() { # MARK: where to look, for reading all the others takes each process ten seconds
    grep -rlF "$1" tests --include='test_*.py'
}

fuzzing() {
    part "fuzzing the core, 20 s" .venv/bin/python -m tests.firmware.fuzz 20
}
# Nothing here goes by the clock (a mutant's time is its processor time), so it takes what the real
# tests leave of the processors, and nothing from them.
controller() {
    chrt --idle --pid 0 "$BASHPID" || renice -n 19 -p "$BASHPID"
    part "core for AVR, MISRA" make -s -C firmware_protocol/firmware avr lint
    part "coverage of the core" .venv/bin/python tests/firmware/report_coverage.py
    part "mutants of guard and interlock, 40" .venv/bin/python -m tests.firmware.mutate --sample 40
    part "plants in the port, 2" .venv/bin/python -m tests.bench.plant --sample 2
}

beside fuzzing
part "ruff check" .venv/bin/ruff check .
part "ruff format" .venv/bin/ruff format --check .
part "types" .venv/bin/basedpyright
joined
# What is pure needs processors. What is real (ports, processes) mostly waits, beside the
# controller's checks: one at a time, for two of them at once failed by chance. What measures milliseconds or
# needs a processor of its own has the machine for itself.
part "pure tests" .venv/bin/python -m pytest -n 2 -m 'not real'
beside controller
part "real tests" .venv/bin/python -m pytest -m 'real and not alone' \
    $(files_with mark.real)
joined
part "real tests, each alone" .venv/bin/python -m pytest -m 'real and alone' $(files_with mark.alone)
part "latency" .venv/bin/python tests/bench_latency.py --quick

printf '\n'
cat "$notes/table"
! grep -q FAILED "$notes/table"
