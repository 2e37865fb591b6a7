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

.venv/bin/ruff check .
.venv/bin/ruff format --check .
.venv/bin/basedpyright
# What is pure shares both processors; what is real (ports, processes) has them for itself.
.venv/bin/python -m pytest -n 2 -m 'not real'
.venv/bin/python -m pytest -m real
.venv/bin/python tests/bench_latency.py --quick
# The controller's core: MISRA, line coverage of guard, interlock and the whole, some of the mutants
# of guard and interlock, two faults planted in the port, and 20 s of fuzzing.
make -s -C firmware_protocol/firmware lint
.venv/bin/python tests/firmware/report_coverage.py
.venv/bin/python -m tests.firmware.mutate --sample 40
.venv/bin/python -m tests.bench.plant --sample 2
.venv/bin/python -m tests.firmware.fuzz 20
