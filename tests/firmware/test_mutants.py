"""The mutation tool itself: what it changes, what it leaves, and that its list is up to date."""

from __future__ import annotations

from pathlib import Path

import pytest

from . import mutate
from .mutants import mutants

SOURCE = """\
/* a < b */
#include "ring.h"
#define MOST 0x0FU
struct ring {
    int place[4];
};
static const int table[2] = {MOST, 0};
int count(int a, const int *b)
{
    if (a <= MOST && !*b) { /* a + b */
        return a - 1;
    }
    return is_before(a, *b) ? 0 : ~a;
}
"""
EXPECTED = """\
#define MOST 0x0FU  ->  #define MOST 0x10U
#define MOST 0x0FU  ->  #define MOST 0xEU
static const int table[2] = {MOST, 0};  ->  static const int table[2] = {(MOST + 1U), 0};
static const int table[2] = {MOST, 0};  ->  static const int table[2] = {MOST, 1};
if (a <= MOST && !*b) { /* a + b */  ->  if (!(a <= MOST && !*b)) { /* a + b */
if (a <= MOST && !*b) { /* a + b */  ->  if (a < MOST && !*b) { /* a + b */
if (a <= MOST && !*b) { /* a + b */  ->  if (a > MOST && !*b) { /* a + b */
if (a <= MOST && !*b) { /* a + b */  ->  if (a <= (MOST + 1U) && !*b) { /* a + b */
if (a <= MOST && !*b) { /* a + b */  ->  if (a <= MOST || !*b) { /* a + b */
if (a <= MOST && !*b) { /* a + b */  ->  if (a <= MOST && *b) { /* a + b */
return a - 1;  ->  return a + 1;
return a - 1;  ->  return a - 2;
return a - 1;  ->  return a - 0;
return is_before(a, *b) ? 0 : ~a;  ->  return is_due(a, *b) ? 0 : ~a;
return is_before(a, *b) ? 0 : ~a;  ->  return is_before(a, *b) ? 1 : ~a;
return is_before(a, *b) ? 0 : ~a;  ->  return is_before(a, *b) ? 0 : a;
"""


def test_what_is_changed_and_what_is_not() -> None:
    """Not comments, includes, declarations of structs, types; each change alone."""
    found = mutants("ring.c", SOURCE)
    assert [f"{m.before}  ->  {m.after}" for m in found] == EXPECTED.splitlines()
    assert {m.function for m in found} == {"", "count"}
    for one in found:
        before, after = SOURCE.splitlines(), one.source.splitlines()
        differ = [n for n, (a, b) in enumerate(zip(before, after, strict=True), 1) if a != b]
        assert differ == [one.line_number]


def test_lines_alike_in_one_function_have_names_of_their_own() -> None:
    found = mutants("two.c", "int f(int a)\n{\n    a += 1;\n    a += 1;\n    return a;\n}\n")
    assert len({m.key for m in found}) == len(found) == 6
    assert [m.nth for m in found] == [1, 1, 1, 2, 2, 2]


def test_what_is_explained_is_there_and_has_a_reason() -> None:
    """Every entry of equivalent.toml names a mutant that can be made today."""
    reasons = mutate.explained()
    every = {m.key for m in mutate.all_mutants(mutate.FILES)}
    assert [mutate.key_text(key) for key in reasons if key not in every] == []
    assert all(len(why) > 20 for why in reasons.values())


def test_an_explanation_given_twice_is_an_error(tmp_path: Path) -> None:
    entry = "[[equivalent]]\nfile='a.c'\nfunction='f'\nbefore='x'\nafter='y'\nwhy='because'\n"
    path = tmp_path / "twice.toml"
    path.write_text(entry + entry, encoding="utf-8")
    with pytest.raises(ValueError, match="explained twice"):
        mutate.explained(path)
