"""All scripts of `trains.json`, in its order; the last ones are hostile hosts from a seed."""

from __future__ import annotations

from dataclasses import replace

from firmware_protocol.messages import Ceilings
from tests.link.board_bench import BOARD

from .hostile_hosts import AT_TICKS, ON_A_LINE, hostile
from .scripts_of_permission import PERMISSION
from .scripts_of_trains import TRAINS
from .vector_script import LINE, Script

SCRIPTS: dict[str, Script] = TRAINS | PERMISSION

for _seed in range(12):
    _ceilings = Ceilings(800, 200, 2000, 240_000) if _seed % 2 else Ceilings(300, 250, 700, 90_000)
    _board = replace(BOARD, ceilings=(_ceilings,) * 4, first_tick=_seed * 700_000_000)
    SCRIPTS[f"hostile {_seed}"] = Script(hostile(_seed, _ceilings, AT_TICKS), _board)
    SCRIPTS[f"hostile on a line {_seed}"] = Script(
        hostile(_seed, _ceilings, ON_A_LINE), _board, byte_ticks=LINE
    )
