"""The operators' tokens: read from a file of their owner's alone, never said."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.panel.tokens import TokenError, load_tokens, make_token, owner_of, parse_tokens

TWO = "# who may arm\nMara: lantern-mara-4f7k2p9q\n\nIlse: lantern-ilse-8h3n5r6t\n"


def test_whose_it_is() -> None:
    tokens = parse_tokens(TWO, "file")
    assert owner_of(tokens, "lantern-ilse-8h3n5r6t") == "Ilse"
    assert owner_of(tokens, "lantern-ilse-8h3n5r6") is None
    assert owner_of(tokens, "") is None
    assert owner_of(tokens, "ünïcode") is None


@pytest.mark.parametrize(
    "text",
    ["", "# nothing\n", "Mara\n", "Mara: short\n", "Mara: with a space in the token\n",
     "<b>: lantern-mara-4f7k2p9q\n", TWO + "Mara: another-token-01234567\n",
     TWO + "Third: lantern-mara-4f7k2p9q\n"],
)  # fmt: skip
def test_a_bad_file_is_refused_without_saying_a_token(text: str) -> None:
    with pytest.raises(TokenError) as caught:
        parse_tokens(text, "file")
    assert "file" in str(caught.value)
    assert "4f7k2p9q" not in str(caught.value)


def test_a_file_that_others_may_read_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "tokens"
    path.write_text(TWO)
    path.chmod(0o644)
    with pytest.raises(TokenError, match="chmod 600"):
        load_tokens(path, make=False)
    path.chmod(0o600)
    assert set(load_tokens(path, make=False)) == {"Mara", "Ilse"}


def test_one_is_made_where_none_is_named(tmp_path: Path) -> None:
    path = tmp_path / "state" / "panel-tokens"
    with pytest.raises(TokenError, match="cannot be read"):
        load_tokens(path, make=False)
    made = load_tokens(path, make=True)
    assert path.stat().st_mode & 0o777 == 0o600
    assert load_tokens(path, make=True) == made
    assert len({make_token() for _ in range(100)}) == 100
