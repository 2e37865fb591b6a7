"""What a whole configuration cannot do though every key by itself is allowed. Pure.

It stands apart from config.py because it asks the governor's limits and the timeline, which read
configurations themselves. Every command that loads a configuration calls it.
"""

from __future__ import annotations

from bridge.config import Config, ConfigError
from bridge.governor.limits import check_coil
from bridge.timeline import Timeline


def config_problems(config: Config) -> list[str]:
    """Sentences with key path, value found and what is allowed; empty: it can be used."""
    problems = [
        f'coil[{index + 1}] "{coil.name}" {problem}'
        for index, coil in enumerate(config.coil)
        for problem in check_coil(coil)
    ]
    return problems + Timeline(config).faults


def check_config(config: Config, source: str) -> None:
    """Raises ConfigError, which names `source`, when the configuration cannot be used."""
    if problems := config_problems(config):
        many = "things" if len(problems) > 1 else "thing"
        raise ConfigError(
            "\n  ".join([f"{source}: {len(problems)} {many} to put right:", *problems])
        )
