"""Which compiled copy may be run: one of these very sources, whole, and for rehearsals alone."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from bridge.compiled import build, cache
from bridge.compiled import use as using
from bridge.compiled.use import prepare, use

COMMANDS = ("serve", "demo", "bang", "show", "click", "commission", "simulate", "stop", "--version")


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where copies are kept, empty."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    cache.folder().mkdir(mode=0o700, parents=True)
    return cache.folder()


def sealed(copy: Path) -> Path:
    """A copy as `accelerate` leaves it, but of files that no machine can run."""
    for module in (cache.LIBRARY, *cache.MODULES):
        file = copy / cache.file_of(module)
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(b"not machine code: " + module.encode())
    copy.chmod(0o700)
    cache.seal(copy)
    return copy


def tree(root: Path) -> Path:
    for name in ("bridge/__init__.py", "bridge/governor/bucket.py", "firmware_protocol/wire.py"):
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_text(f"NAME = {name!r}\n", encoding="utf-8")
    return root


def test_every_source_is_in_the_name(tmp_path: Path) -> None:
    root = tree(tmp_path)
    names = [cache.name_of(root)]
    for source in list(cache.sources(root)):
        before = source.read_bytes()
        source.write_bytes(before.replace(b"NAME", b"NAMF"))
        names.append(cache.name_of(root))
        source.write_bytes(before)
    assert len(names) == 4
    (root / "bridge/governor/new.py").write_text("", encoding="utf-8")
    names.append(cache.name_of(root))
    (root / "bridge/governor/new.py").rename(root / "bridge/governor/other.py")
    names.append(cache.name_of(root))
    (root / "bridge/governor/other.py").unlink()
    assert len(set(names)) == len(names)
    assert cache.name_of(root) == names[0]


def test_another_python_has_another_copy(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = cache.name_of(tree(tmp_path))
    monkeypatch.setattr(sys, "version", "3.99.0 (another)")
    assert cache.name_of(tmp_path) != before


def test_every_compiled_module_is_a_source_of_the_program() -> None:
    ours = {s.relative_to(cache.root()).as_posix() for s in cache.sources(cache.root())}
    assert {m.replace(".", "/") + ".py" for m in cache.MODULES} <= ours


def test_a_copy_counts_as_long_as_it_is_as_it_was_sealed(folder: Path) -> None:
    copy = sealed(folder / "one")
    assert cache.whole(copy)
    for module in (cache.LIBRARY, "bridge.governor.bucket"):
        file = copy / cache.file_of(module)
        before = file.read_bytes()
        file.write_bytes(before[:-1] + bytes((before[-1] ^ 1,)))
        assert not cache.whole(copy)
        file.unlink()
        assert not cache.whole(copy)
        file.write_bytes(before)
        assert cache.whole(copy)
    for text in ("", "[]", "{}", "{"):
        (copy / cache.MANIFEST).write_text(text, encoding="utf-8")
        assert not cache.whole(copy)
    (copy / cache.MANIFEST).unlink()
    assert not cache.whole(copy)
    assert not cache.whole(folder / "none")


@pytest.mark.parametrize("place", ["copy", "folder"])
def test_a_copy_that_others_may_write_to_does_not_count(folder: Path, place: str) -> None:
    copy = sealed(folder / "one")
    (copy if place == "copy" else folder).chmod(0o770)
    assert not cache.whole(copy)


@pytest.mark.parametrize("command", COMMANDS)
def test_nothing_but_a_rehearsal_looks_for_a_copy(
    command: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(using.cache, "name_of", lambda root: pytest.fail("looked for"))
    prepare([command, "rehearse", "site.toml"])
    prepare([])
    with pytest.raises(pytest.fail.Exception, match="looked for"):
        prepare(["rehearse", "site.toml", "score.mid"])


def test_a_copy_of_other_sources_is_left_alone_and_that_is_said(
    folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(using, "use", lambda copy: pytest.fail("taken"))
    prepare(["rehearse"])
    assert capsys.readouterr().err == ""
    sealed(folder / ("0" * 40))
    prepare(["rehearse"])
    said = capsys.readouterr()
    assert "other sources" in said.err
    assert "coilwarden accelerate" in said.err
    assert said.out == ""


def test_half_of_this_and_half_of_that_is_refused(folder: Path) -> None:
    import bridge.governor.governor  # noqa: F401, PLC0415

    before = list(sys.meta_path)
    with pytest.raises(RuntimeError, match="imported already"):
        use(sealed(folder / "one"))
    assert sys.meta_path == before


def test_a_copy_that_cannot_be_loaded_leaves_the_sources(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cache, "MODULES", ("bridge.compiled.nothing",))
    before = list(sys.meta_path)
    assert not use(sealed(folder / "one"))
    assert sys.meta_path == before


@pytest.mark.parametrize("same", [True, False])
def test_what_plays_something_else_is_thrown_away(
    same: bool, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    old = sealed(folder / ("0" * 40))

    def played(sources: Path, module: str, *arguments: str) -> str:
        if module == "bridge.compiled.compiling":
            sealed(Path(arguments[0]))
            return ""
        return "a pulse" if same or not arguments else "a pulse one tick later"

    monkeypatch.setattr(build, "_python", played)
    monkeypatch.setattr(build, "NEEDED", ())
    if same:
        build.run(remove=False)
        assert [p.name for p in folder.iterdir()] == [cache.name_of(cache.root())]
        assert cache.whole(next(folder.iterdir()))
    else:
        with pytest.raises(build.AccelerateError, match="plays something else"):
            build.run(remove=False)
        assert list(folder.iterdir()) == [old]
    build.run(remove=True)
    assert not folder.exists()


def test_what_is_missing_is_named(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(build, "NEEDED", ("sys", "no_such_compiler"))
    with pytest.raises(build.AccelerateError, match=r"no_such_compiler is missing: pip install"):
        build.run(remove=False)
    monkeypatch.setattr(build, "NEEDED", ())
    monkeypatch.setattr(build, "_python", lambda *_: (_ for _ in ()).throw(OSError(28, "full")))
    with pytest.raises(build.AccelerateError, match="full"):
        build.run(remove=False)
    assert list(folder.iterdir()) == []
