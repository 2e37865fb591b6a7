"""SHOW.toml: the cue list, read, loaded and checked whole before anything begins."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from bridge.config import Config, MidiChannel, Route
from bridge.config_errors import parse, read_text, to_put_right
from bridge.config_section import Name, Section
from bridge.show.chasing import Chase
from bridge.show.player import Item
from bridge.show.score_file import Score, ScoreError, read_score
from bridge.show.show_source import Playing
from bridge.show.timecode import RATE_NAMES, Timecode


class ChaseSection(Section):
    input: Name
    """The site's input that brings time code or clock."""
    kind: Literal["mtc", "clock"] = "mtc"
    begins_at: str = "00:00:00:00"
    """Time code at which the item begins (mtc)."""
    frame_rate: Literal["24", "25", "29.97 drop", "30"] = "25"
    """In which `begins_at` is written; the sender's own is heard from the code itself."""

    @model_validator(mode="after")
    def _label(self) -> Self:
        Timecode.parse(self.begins_at, RATE_NAMES[self.frame_rate])
        return self


class ItemSection(Section):
    name: Name
    score: Path = Field(strict=False)
    audio: Path | None = Field(default=None, strict=False)
    """WAV, FLAC or OGG; paths are seen from the show file's folder."""
    score_offset_ms: float = Field(default=0.0, ge=0, le=3_600_000)
    """The score begins this long after the audio's first frame."""
    gain_db: float = Field(default=0.0, ge=-60, le=0)
    wait: bool = True
    """For the operator, before it begins."""
    countdown_s: float = Field(default=3.0, ge=0, le=600)
    on_trip: Literal["stop", "fade", "go on"] = "stop"
    """What the audio does; the coils stop in any case."""
    priority_channel: MidiChannel | None = None
    routes: tuple[Route, ...] = Field(default=(), strict=False)
    """Of this item; none given: the site's."""
    chase: ChaseSection | None = None

    @model_validator(mode="after")
    def _one_master(self) -> Self:
        if self.chase is not None and self.audio is not None:
            raise ValueError("give audio or chase: a DAW that is followed plays the audio itself")
        return self


class ShowFile(Section):
    name: Name
    audio_device: str | None = Field(default=None, min_length=1)
    """Part of the device's name; not given: the system's own choice."""
    item: Annotated[tuple[ItemSection, ...], Field(min_length=1, max_length=200, strict=False)]


@dataclass(frozen=True, slots=True)
class AudioFile:
    item: int
    path: Path
    gain: float


@dataclass(frozen=True, slots=True)
class Show:
    """A cue list, ready to be played."""

    name: str
    items: tuple[Item, ...]
    playing: tuple[Playing, ...]
    audio: tuple[AudioFile, ...]
    audio_device: str | None
    remarks: tuple[str, ...]
    """What the operator should know before: music that no coil will play."""


def load_show(path: Path, config: Config) -> Show:
    """The show in the file, for the site. Raises ConfigError naming each thing to put right."""
    file = parse(read_text(path), str(path), ShowFile)
    problems: list[str] = []
    items: list[Item] = []
    playing: list[Playing] = []
    audio: list[AudioFile] = []
    remarks: list[str] = []
    for index, section in enumerate(file.item):
        place = f'item[{index + 1}] (of "{section.name}")'
        problems += [f"{place}: {p}" for p in _references(section, config)]
        audio_s = 0.0
        if section.audio is not None:
            sound = path.parent / section.audio
            length_s = _audio_length_s(sound)
            if isinstance(length_s, str):
                problems.append(f"{place}: audio: {length_s}")
            else:
                audio_s = length_s
                audio.append(AudioFile(index, sound, 10 ** (section.gain_db / 20)))
        try:
            score = read_score(path.parent / section.score)
        except ScoreError as error:
            problems.append(f"{place}: score: {error}")
            continue
        remarks += [f"{section.name}: {line}" for line in _unplayed(score, section, config)]
        items.append(
            Item(
                name=section.name,
                score=score,
                score_offset_s=section.score_offset_ms / 1000,
                wait=section.wait,
                countdown_s=section.countdown_s,
                on_trip=section.on_trip,
                has_audio=section.audio is not None,
                audio_s=audio_s,
                is_chased=section.chase is not None,
            )
        )
        playing.append(Playing(section.routes, section.priority_channel, _chase(section.chase)))
    if problems:
        raise to_put_right(str(path), problems)
    return Show(
        file.name, tuple(items), tuple(playing), tuple(audio), file.audio_device, tuple(remarks)
    )


def _chase(section: ChaseSection | None) -> Chase | None:
    if section is None:
        return None
    begin = Timecode.parse(section.begins_at, RATE_NAMES[section.frame_rate])
    begin_s = begin.position_s if section.kind == "mtc" else 0.0
    return Chase(section.input, section.kind, begin_s)


def _references(section: ItemSection, config: Config) -> list[str]:
    coils, inputs = [c.name for c in config.coil], {i.name: i for i in config.input}
    found = [
        f'routes[{index + 1}].coils: there is no coil "{name}"; there are: {", ".join(coils)}'
        for index, route in enumerate(section.routes)
        for name in route.coils
        if name not in coils
    ]
    if section.chase is not None:
        one = inputs.get(section.chase.input)
        if one is None:
            known = ", ".join(inputs) or "none"
            found.append(
                f'chase.input: there is no input "{section.chase.input}"; there are: {known}'
            )
        elif one.timing == "fixed_delay":
            found.append(
                f'chase.input: "{one.name}" has timing = "fixed_delay", and time code tells where '
                'the DAW is now: give it an input of its own, with timing = "immediate"'
            )
    return found


def _audio_length_s(path: Path) -> float | str:
    """Its length, or why it cannot be played."""
    # Loads a library that nothing else needs.
    import soundfile  # noqa: PLC0415  # pyright: ignore[reportMissingTypeStubs]

    if not path.is_file():
        return f"{path}: there is no such file"
    try:
        info = soundfile.info(str(path))
    except (soundfile.SoundFileError, OSError) as error:
        return f"{path}: not a sound file that can be played ({error}); use WAV, FLAC or OGG"
    return info.frames / info.samplerate


def _unplayed(score: Score, section: ItemSection, config: Config) -> list[str]:
    """Notes that no route takes, as sentences. What the limits cost is for a rehearsal to tell."""
    routes = section.routes or config.music.routes
    if not routes:
        return []
    lost: dict[int, int] = {}
    for event in score.events:
        if event.message[0] & 0xF0 != 0x90 or not event.message[2]:
            continue
        channel, key = (event.message[0] & 15) + 1, event.message[1]
        if not any(
            channel in r.channels and r.lowest_note <= key <= r.highest_note for r in routes
        ):
            lost[channel] = lost.get(channel, 0) + 1
    return [
        f"{count} notes of channel {channel} go to no coil"
        for channel, count in sorted(lost.items())
    ]
