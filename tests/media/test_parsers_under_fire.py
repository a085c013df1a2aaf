"""Whatever bytes a parser gets: it comes back, reads inside the file and within its budget, and raises nothing new."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from media.by_hand import dng
from media.checked import Checked
from media.corpus import corpus
from rollproof.media.containers import CONTAINERS, Container
from rollproof.media.facts import read_facts
from rollproof.media.health import examine
from rollproof.media.problems import CannotSay
from rollproof.media.sidecar_xml import read_sidecar
from rollproof.media.source import TooMuch
from rollproof.media.tiff_facts import read_tiff_facts
from rollproof.media.wav_facts import read_wav_facts

pytestmark = pytest.mark.slow

STARTS = [data[:64] for data in corpus().values()] + [b""]
SMALL = {name: data for name, data in corpus().items() if len(data) < 80_000}

anything = st.builds(
    lambda start, parts: start + b"".join(parts),
    st.sampled_from(STARTS),
    st.lists(
        st.binary(max_size=60)
        | st.sampled_from([b"\0" * 16, b"\xff" * 16, b"moov", b"mdat", b"data", b"\0\0\0\1", b"\x7f\xff\xff\xff"]),
        max_size=30,
    ),
)


@st.composite
def mutated(draw: st.DrawFn) -> tuple[str, bytes]:
    """A real file with some places overwritten, one piece cut out, and its end moved."""
    name = draw(st.sampled_from(sorted(SMALL)))
    data = bytearray(SMALL[name])
    for _ in range(draw(st.integers(1, 6))):
        # the structure stands mostly near the two ends
        place = draw(st.integers(0, min(len(data), 3000) - 1))
        place = place if draw(st.booleans()) else len(data) - 1 - place
        new = draw(
            st.sampled_from([b"\0\0\0\0", b"\xff\xff\xff\xff", b"\x80", b"\0\0\0\1", b"\x7f"]) | st.binary(max_size=9)
        )
        data[place : place + len(new)] = new
    if draw(st.booleans()):
        start = draw(st.integers(0, len(data)))
        del data[start : start + draw(st.integers(0, 500))]
    return name, bytes(data)


def _fire(container: Container, data: bytes) -> None:
    source = Checked(data)
    try:
        problems = container.examine(source)
    except (CannotSay, TooMuch):
        return
    assert all(problem.detail and problem.meaning for problem in problems)


@given(data=anything)
@settings(max_examples=150, deadline=None)
@example(data=b"")
def test_any_bytes_for_every_parser(data: bytes) -> None:
    for container in CONTAINERS:
        _fire(container, data)


@given(case=mutated())
@settings(max_examples=500, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_mutated_media_for_its_parser(case: tuple[str, bytes]) -> None:
    name, data = case
    for container in CONTAINERS:
        if container.recognises(data[:2048]) or name.lower().endswith(tuple(s.decode() for s in container.suffixes)):
            _fire(container, data)
    assert examine(Checked(data), name.encode()).state in ("sound", "damaged", "odd", "unknown")


@given(data=anything)
@settings(max_examples=100, deadline=None)
def test_any_bytes_for_the_readers_of_text(data: bytes) -> None:
    read_sidecar(Checked(data))
    try:
        read_wav_facts(Checked(data))
    except (CannotSay, TooMuch):
        pass


@given(frame=st.sampled_from([dng(), dng(order=">"), dng(big=True)]), damage=st.data())
@settings(max_examples=150, deadline=None)
def test_mutated_frames_for_the_reader_of_their_facts(frame: bytes, damage: st.DataObject) -> None:
    data = bytearray(frame)
    for _ in range(damage.draw(st.integers(1, 6))):
        data[damage.draw(st.integers(0, 900))] = damage.draw(st.integers(0, 255))
    try:
        facts = read_tiff_facts(Checked(bytes(data)))
    except (CannotSay, TooMuch):
        return
    assert facts.frame_rate is None or 1 <= facts.frame_rate <= 240


@given(case=mutated())
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_mutated_media_for_the_media_library(case: tuple[str, bytes]) -> None:
    name, data = case

    read_facts(Checked(data), name.encode())
