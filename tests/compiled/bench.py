"""tests/rehearse/bench.py with the compiled core, where `accelerate` has made a copy. By hand:

.venv/bin/python -m tests.compiled.bench [CONFIG] [SCORE.mid ...]
"""

from __future__ import annotations

import sys

from bridge.compiled import cache
from bridge.compiled.use import use


def main() -> None:
    copy = cache.folder() / cache.name_of(cache.root())
    if not (cache.whole(copy) and use(copy)):
        sys.exit("there is no compiled copy of these sources: coilwarden accelerate")
    from tests.rehearse import bench  # noqa: PLC0415  (after the copy is in its place)

    print("compiled")
    bench.main()


if __name__ == "__main__":
    main()
