"""What `inspect` and `clips` give back: the JSON contract of `--json` as models."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from rollproof.models.errors import ExitStatus
from rollproof.models.findings import Finding

NOT_CERTAIN = "not certain: "
"""How `roll_from` begins where what is on a card disagrees."""


class _Result(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


@dataclass(frozen=True, slots=True)
class ProblemOut:
    """One thing wrong with a clip. `path` is the file's, relative to the roll; empty when it is about the whole."""

    path: str
    state: Literal["damaged", "odd"]
    detail: str
    meaning: str


@dataclass(frozen=True, slots=True)
class ClipOut:
    """One clip; a card can hold very many. `path` is that of its first original, relative to the roll; `health` is what
    records hold, `state` tells `odd` apart. Durations are `hh:mm:ss.mmm`; `end_timecode` is that of the frame after the
    last."""

    name: str
    roll: str
    path: str
    files: int
    essence_files: int
    bytes: int
    kind: str
    layout: str
    set_aside: bool
    health: Literal["sound", "damaged", "unknown"]
    state: str
    container: str
    duration: str | None
    duration_seconds: float | None
    timecode: str | None
    end_timecode: str | None
    frame_rate: str | None
    resolution: str | None
    codec: str | None
    reel: str | None
    scene: str | None
    take: str | None
    channels: int | None
    sample_rate: int | None
    problems: list[ProblemOut]
    note: str = ""
    poster: str | None = None
    """Where its poster was written, when posters were asked for."""


class KnownCopyOut(_Result):
    """A copy this station remembers. `files` of what lies here are in it as they are here, by name, size and date;
    `proven` of these with their proof."""

    roll: str
    drive: str
    device: str
    state: str
    files: int
    proven: int
    seen_at: str | None


class RecordOut(_Result):
    """What the records beside a copy say of it, here and now."""

    roll: str | None
    state: Literal["proven", "copied", "unproven"]
    why: list[str]
    remedy: str
    readback: Literal["medium", "server", "cache"] | None
    production: str | None
    offloaded_at: str | None
    offloaded_by: str
    records: int
    files_missing: int
    files_changed: int
    files_unknown: int


class InspectedRoll(_Result):
    """A card, an offloaded roll, or a single clip. `roll_from` is how the name was recognised; `layouts` are words."""

    path: str
    what: Literal["card", "roll", "clip"]
    roll: str | None
    roll_from: str
    roll_candidates: list[str]
    layouts: list[str]
    label: str
    whole_volume: bool
    """Whether it is the whole volume; `capacity_bytes` and `free_bytes` are the volume's."""
    capacity_bytes: int
    free_bytes: int
    files: int
    bytes: int
    clips: int
    damaged: int
    odd: int
    unknown: int
    duration_seconds: float
    record: RecordOut | None
    known_copies: list[KnownCopyOut]
    findings: list[Finding]


class InspectResult(_Result):
    """Everything an `inspect` has to say. `roll` is null where there are several; `clips` are of all `rolls`."""

    path: str
    roll: str | None
    rolls: list[InspectedRoll]
    clips: list[ClipOut]
    findings: list[Finding]
    seconds: float
    status: ExitStatus = Field(exclude=True)

    def as_json(self) -> dict[str, Any]:
        """The one JSON object."""
        return self.model_dump(mode="json")


@dataclass(frozen=True, slots=True)
class ListedClip:
    """One line of `clips`. `hash` is of the first original, as its record has it, `algorithm:text`; empty without a
    record. `state` is that of the clip's files by record: `proven`, `copied`, `unproven`, or `no record`."""

    clip: ClipOut
    camera: str
    hash: str
    state: str
    folder: str


class ClipsResult(_Result):
    """Everything `clips` has to say. `csv` is the file that was written, null when it went elsewhere."""

    clips: list[ListedClip]
    csv: str | None
    findings: list[Finding]
    status: ExitStatus = Field(exclude=True)

    def as_json(self) -> dict[str, Any]:
        """The one JSON object."""
        return self.model_dump(mode="json")
