"""The tables of the ledger. An index of what this station has seen; the truth lies on the drives.

Times ending in `_at` are whole seconds since 1970, UTC; `offset_minutes` keeps the station's offset beside the one
that was written down. Names that may be no text (paths, folders) are bytes. A million files are the yardstick: a row
of `files` is small, its rows are written in order, and only their hash is looked up on its own.
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    SmallInteger,
    Table,
    Text,
    UniqueConstraint,
)

metadata = MetaData()

CLIP_FACTS = ("duration", "timecode", "frame_rate", "resolution", "codec")
"""What is known of a clip beside its size, as the record has it in text."""

_Id = BigInteger().with_variant(Integer, "sqlite")  # only INTEGER is SQLite's own row number


def _id() -> Column[int]:
    return Column("id", _Id, primary_key=True, autoincrement=True)


def _refers(name: str, to: str, *, nullable: bool = False, primary_key: bool = False) -> Column[int]:
    # NULL is no part of a primary key
    return Column(name, _Id, ForeignKey(to), nullable=nullable and not primary_key, primary_key=primary_key)


def _text(name: str, *, nullable: bool = False) -> Column[str]:
    return Column(name, Text, nullable=nullable) if nullable else Column(name, Text, nullable=False, default="")


def _moment(name: str, *, nullable: bool = False) -> Column[int]:
    return Column(name, BigInteger, nullable=nullable)


info = Table("info", metadata, Column("key", Text, primary_key=True), Column("value", Text, nullable=False))
"""`machine`, `host`, `made_at`, `generation` (counts the writes)."""

migrations = Table(
    "migrations",
    metadata,
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("name", Text, nullable=False),
    _moment("ran_at"),
)

productions = Table("productions", metadata, _id(), Column("name", Text, nullable=False, unique=True))
"""A roll without a production belongs to the one with the empty name."""

people = Table("people", metadata, _id(), _text("name"), _text("role"), UniqueConstraint("name", "role"))

devices = Table(
    "devices",
    metadata,
    _id(),
    Column("identity", Text, nullable=False, unique=True),
    _text("device_key", nullable=True),
    _text("kind"),
    _text("model"),
    _text("serial"),
    Column("size_bytes", BigInteger),
    _text("volume_serial", nullable=True),
    _text("volume_label"),
    _text("file_system"),
    Column("capacity_bytes", BigInteger, nullable=False, default=0),
    _text("source"),
    _text("boot_id", nullable=True),
    Column("device_number", BigInteger, nullable=False, default=0),
    _text("drive"),
    _text("role"),
    _moment("first_seen_at"),
    _moment("last_seen_at"),
    Index("devices_by_key", "device_key"),
    Index("devices_by_volume", "volume_serial"),
)
"""One row per volume on a device; `entries.DriveIdentity.text` is its identity."""

places = Table(
    "places",
    metadata,
    _id(),
    Column("kind", Text, nullable=False),
    Column("place", LargeBinary, nullable=False),
    Column("identity", Text, nullable=False),
    _text("drive"),
    _moment("seen_at"),
    UniqueConstraint("kind", "place"),
)
"""Which drive was last seen at a mount point (`kind` is `mount`), or in a role of a production (`role`)."""

rolls = Table(
    "rolls",
    metadata,
    _id(),
    _refers("production_id", "productions.id"),
    Column("name", Text, nullable=False),
    Column("card_key", Text, nullable=False),
    _text("day", nullable=True),
    _text("unit", nullable=True),
    _text("camera", nullable=True),
    Column("files", BigInteger, nullable=False, default=0),
    Column("size_bytes", BigInteger, nullable=False, default=0),
    Column("clips", BigInteger, nullable=False, default=0),
    _text("first_clip"),
    _text("last_clip"),
    _moment("first_at"),
    _moment("last_at"),
    UniqueConstraint("production_id", "name", "card_key"),
    Index("rolls_by_name", "name"),
)
"""`card_key` tells two cards of one roll name apart: the card's volume serial, else its first listing."""

offloads = Table(
    "offloads",
    metadata,
    _id(),
    _refers("roll_id", "rolls.id"),
    _refers("person_id", "people.id", nullable=True),
    _text("station"),
    _moment("written_at"),
    Column("offset_minutes", SmallInteger, nullable=False, default=0),
    Column("algorithm", Text, nullable=False),
    _text("listing_digest"),
    _text("volume_name"),
    _text("serial", nullable=True),
    Column("capacity_bytes", BigInteger, nullable=False, default=0),
    _text("file_system"),
    _text("boot_id", nullable=True),
    Column("disk_sequence", BigInteger),
    Column("mount_point", LargeBinary, nullable=False, default=b""),
    Column("device_number", BigInteger, nullable=False, default=0),
    _text("device_key", nullable=True),
    _text("source_reads"),
    Column("copies_required", Integer, nullable=False, default=2),
    Column("files", BigInteger, nullable=False, default=0),
    Column("size_bytes", BigInteger, nullable=False, default=0),
    Column("files_digest", Text, nullable=False),
    Index("offloads_by_listing", "listing_digest"),
    Index("offloads_by_roll", "roll_id"),
)
"""One run over a card: the card as it was, and the set of files it speaks of."""

clips = Table(
    "clips",
    metadata,
    _refers("offload_id", "offloads.id", primary_key=True),
    Column("position", Integer, primary_key=True, autoincrement=False),
    Column("name", Text, nullable=False),
    Column("files", BigInteger, nullable=False),
    Column("size_bytes", BigInteger, nullable=False),
    _text("health"),
    *(_text(name, nullable=True) for name in CLIP_FACTS),
)

files = Table(
    "files",
    metadata,
    _id(),
    _refers("offload_id", "offloads.id"),
    Column("path", LargeBinary, nullable=False),
    Column("size_bytes", BigInteger, nullable=False),
    Column("modified_seconds", BigInteger, nullable=False),
    Column("modified_nanos", Integer, nullable=False),
    Column("hash", LargeBinary),
    Index("files_by_offload", "offload_id"),
    Index("files_by_hash", "hash"),
)
"""`hash` is the raw hash of the offload's `algorithm`."""

copies = Table(
    "copies",
    metadata,
    _id(),
    _refers("roll_id", "rolls.id"),
    _refers("device_id", "devices.id"),
    Column("folder", LargeBinary, nullable=False),
    _text("drive"),
    _text("role"),
    Column("state", Text, nullable=False),
    _text("readback", nullable=True),
    _text("why"),
    _moment("state_at"),
    _moment("seen_at", nullable=True),
    _text("seen_by"),
    _moment("gone_at", nullable=True),
    _text("founder", nullable=True),
    _moment("proven_at", nullable=True),
    UniqueConstraint("roll_id", "device_id", "folder"),
    Index("copies_by_device", "device_id"),
)
"""One roll folder on one volume. `seen_at` is when the station `seen_by` itself had it before its eyes; `gone_at` when
the device was seen without it. `founder` is the copy's identity (`proof.identity`), `proven_at` when an offload or a
verify last proved it there, as this station saw."""

copy_states = Table(
    "copy_states",
    metadata,
    _refers("copy_id", "copies.id", primary_key=True),
    _refers("offload_id", "offloads.id", primary_key=True),
    Column("state", Text, nullable=False),
    _text("readback", nullable=True),
)
"""What a copy is worth for the files of one offload."""

together = Table(
    "together",
    metadata,
    _refers("device_id", "devices.id", primary_key=True),
    _refers("other_id", "devices.id", primary_key=True),
    _moment("seen_at"),
)
"""When two volumes were last attached at one moment; the smaller id first."""

clock_words = Table(
    "clock_words",
    metadata,
    _id(),
    _refers("person_id", "people.id", nullable=True),
    _moment("said_at"),
    Column("offset_minutes", SmallInteger, nullable=False, default=0),
    _moment("newest_at"),
)
"""A person said that the clock is right, although `newest_at` was recorded: moments up to there are no later word."""

paces = Table(
    "paces",
    metadata,
    _refers("copy_id", "copies.id", primary_key=True),
    Column("leg", Text, primary_key=True),
    Column("started_at", BigInteger, primary_key=True, autoincrement=False),
    Column("offset_minutes", SmallInteger, nullable=False, default=0),
    Column("seconds", Float, nullable=False),
    Column("size_bytes", BigInteger, nullable=False),
    Column("stretch_seconds", Float, nullable=False),
    _text("stretches"),
)
"""How fast one leg of making a copy went; `stretches` are the bytes of each stretch, with spaces between."""

records = Table(
    "records",
    metadata,
    _id(),
    _refers("roll_id", "rolls.id"),
    _refers("copy_id", "copies.id", nullable=True),
    _refers("person_id", "people.id", nullable=True),
    Column("kind", Text, nullable=False),
    Column("name", Text, nullable=False),
    Column("sequence", BigInteger, nullable=False),
    Column("sha256", Text, nullable=False),
    _text("previous_sha256", nullable=True),
    _text("station"),
    _moment("written_at"),
    Column("offset_minutes", SmallInteger, nullable=False, default=0),
    _text("verdict"),
    _text("detail"),
    Column("by_us", Boolean, nullable=False),
    UniqueConstraint("copy_id", "sequence", "sha256"),
    Index("records_by_roll", "roll_id"),
)
"""The memory that shows a chain to be shorter or other than it was."""

permits = Table(
    "permits",
    metadata,
    _id(),
    _refers("person_id", "people.id", nullable=True),
    _moment("written_at"),
    Column("offset_minutes", SmallInteger, nullable=False, default=0),
    Column("basis", Text, nullable=False),
    _text("listing_digest"),
    _text("serial", nullable=True),
    Column("state", Text, nullable=False),
    _text("reason"),
    Index("permits_by_listing", "listing_digest"),
)
"""`state` is `pending`, `given` or `withdrawn`; only `given` was ever said to anybody."""

permit_copies = Table(
    "permit_copies",
    metadata,
    _refers("permit_id", "permits.id", primary_key=True),
    _refers("copy_id", "copies.id", primary_key=True),
)

permit_rolls = Table(
    "permit_rolls",
    metadata,
    _refers("permit_id", "permits.id", primary_key=True),
    _refers("roll_id", "rolls.id", primary_key=True),
    Index("permit_rolls_by_roll", "roll_id"),
)

findings = Table(
    "findings",
    metadata,
    _id(),
    _refers("roll_id", "rolls.id"),
    _refers("copy_id", "copies.id", nullable=True),
    _moment("found_at"),
    Column("kind", Text, nullable=False),
    Column("severity", Text, nullable=False),
    _text("path"),
    _text("detail"),
    _text("remedy"),
    Column("count", BigInteger, nullable=False, default=1),
    Index("findings_by_roll", "roll_id"),
)

readings = Table(
    "readings",
    metadata,
    _id(),
    Column("identity", Text, nullable=False),
    Column("folder", LargeBinary, nullable=False),
    _text("drive"),
    Column("command", Text, nullable=False),
    _moment("began_at"),
    _text("newest_record"),
    _text("state", nullable=True),
    _text("why"),
    _text("path"),
    Column("count", BigInteger, nullable=False, default=0),
    _moment("bad_at", nullable=True),
    Index("readings_by_place", "identity", "folder"),
)
"""Readings of copies that were begun and that no full clean one has settled: a row goes when it has left nothing.

`identity` and `folder` tell the place, for drives too of which nothing else is known. `state` is what the copies there
became by what was found (None while nothing was); `path` and `count` are of what was found."""

media_seen = Table(
    "media_seen",
    metadata,
    Column("key", Text, primary_key=True),
    Column("slept_seconds", Float, nullable=False),
    _moment("first_seen_at"),
)
"""How long the computer had slept in its present boot when a medium was first seen; `proof.sleep.medium_key`."""

begun = Table(
    "begun",
    metadata,
    _id(),
    Column("volume", Text, nullable=False),
    Column("folder", LargeBinary, nullable=False),
    _text("drive"),
    Column("path", LargeBinary, nullable=False),
    _text("roll"),
    _text("production"),
    _text("day", nullable=True),
    _text("unit", nullable=True),
    _text("source_kind"),
    Column("source", LargeBinary, nullable=False),
    _text("serial", nullable=True),
    Column("listing_digest", Text, nullable=False),
    _text("command"),
    _text("run"),
    _moment("began_at"),
    _moment("ended_at", nullable=True),
    Index("begun_by_place", "volume", "folder"),
)
"""Copies that an offload has begun to make, a row for each, from before its first byte until it is finished.

`volume` and `folder` tell the place on the drive, `path` where that was mounted; `serial` and `listing_digest` the
card. `command` is what finishes it, `run` the run that is at work on it; `ended_at` is when that run came to its end
without finishing it, None while it has not, which it never will where it was killed."""
