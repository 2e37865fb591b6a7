"""Long real scores rehearsed whole and judged. Prints, by hand:

    .venv/bin/python -m tests.rehearse.whole_scores

Takes what the music21 package carries (a whole movement among them), on both example sites, and
judges the pulses as test_real_scores.py does. Minutes. How fast it is, says bench.py.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

from tests.rehearse.test_real_scores import judge

LONG = (
    "omr/k525MIDIMvt1.mid",
    "midi/testPrimitive/test03.mid",
    "midi/testPrimitive/test04.mid",
    "midi/testPrimitive/test09.mid",
)
SITES = ("lantern-night.toml", "bench.toml")


def main() -> None:
    for site in SITES:
        for name in LONG:
            with tempfile.TemporaryDirectory() as folder:
                judge(site, name, Path(folder))
            print(site, name, "judged: no limit broken, counts agree", flush=True)


if __name__ == "__main__":
    main()
