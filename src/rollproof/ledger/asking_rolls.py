"""Reading from the ledger the list of rolls, the history of one, and the permits that were given for cards."""

from __future__ import annotations

from collections import Counter, defaultdict
from datetime import datetime

from sqlalchemy import Connection, case, func, or_, select

from rollproof.ledger import readings, tables
from rollproof.ledger.asking import moment
from rollproof.ledger.entries import HistoryLine, KnownRoll, PermitNote
from rollproof.ledger.identities import remembered_drive, seen_together
from rollproof.models.requests import Person
from rollproof.models.volumes import Device
from rollproof.proof.identity import CopyOnDrive, Seen, Sighting, superseded
from rollproof.proof.policy import COPIES_REQUIRED
from rollproof.proof.readings import speaks_against_memory


def rolls(connection: Connection, **filters: str | None) -> list[KnownRoll]:
    """The list of rolls, and on which devices this station saw proven copies of each."""
    proven_on, lessened = _proven_on(connection)
    proven = (
        select(
            tables.copies.c.roll_id,
            func.count().label("copies"),
            func.sum(case((tables.copies.c.state == "proven", 1), else_=0)).label("copies_proven"),
        )
        .group_by(tables.copies.c.roll_id)
        .subquery()
    )
    required = (
        select(tables.offloads.c.roll_id, func.max(tables.offloads.c.copies_required).label("copies_required"))
        .group_by(tables.offloads.c.roll_id)
        .subquery()
    )
    permit = (
        select(tables.permits.c.state)
        .join(tables.permit_rolls, tables.permit_rolls.c.permit_id == tables.permits.c.id)
        .where(tables.permit_rolls.c.roll_id == tables.rolls.c.id)
        .order_by(tables.permits.c.written_at.desc(), tables.permits.c.id.desc())
        .limit(1)
        .scalar_subquery()
    )
    query = (
        select(tables.rolls, tables.productions.c.name.label("production"), proven, required, permit.label("permit"))
        .join(tables.productions, tables.productions.c.id == tables.rolls.c.production_id)
        .outerjoin(proven, proven.c.roll_id == tables.rolls.c.id)
        .outerjoin(required, required.c.roll_id == tables.rolls.c.id)
        .order_by(tables.rolls.c.first_at, tables.rolls.c.name, tables.rolls.c.id)
    )
    for column, value in filters.items():
        if value is not None:
            query = query.where(tables.rolls.c[column] == value)
    return [
        KnownRoll(
            id=row["id"],
            production=row["production"] or None,
            name=row["name"],
            day=row["day"],
            unit=row["unit"],
            camera=row["camera"],
            files=row["files"],
            size_bytes=row["size_bytes"],
            clips=row["clips"],
            first_clip=row["first_clip"],
            last_clip=row["last_clip"],
            first_at=moment(row["first_at"]),
            last_at=moment(row["last_at"]),
            copies=row["copies"] or 0,
            copies_proven=(row["copies_proven"] or 0) - lessened[row["id"]],
            proven_on=tuple(proven_on[row["id"]]),
            copies_required=row["copies_required"] or COPIES_REQUIRED,
            permit=row["permit"],
        )
        for row in connection.execute(query).mappings()
    ]


def _proven_on(connection: Connection) -> tuple[dict[int, list[Device]], Counter[int]]:
    """By roll the device of each copy that this station saw and that was proven then, without those that were seen
    since as something else; and how many remembered as proven have a reading that nothing has settled."""
    copies = tables.copies.c
    query = (
        select(
            tables.devices,
            copies.roll_id,
            copies.founder,
            copies.state,
            copies.folder,
            copies.seen_at.label("copy_seen_at"),
        )
        .join(tables.copies, copies.device_id == tables.devices.c.id)
        .where(copies.seen_at.is_not(None))
        .order_by(copies.id)
    )
    by_roll: dict[int, list[tuple[CopyOnDrive, Device, bool]]] = defaultdict(list)
    drives: dict[int, Sighting] = {}
    unsettled, lessened = readings.unsettled(connection), Counter[int]()
    for row in connection.execute(query).mappings():
        drive, at = remembered_drive(row), moment(row["copy_seen_at"])
        device = Device(row["device_key"], row["kind"])
        copy = CopyOnDrive(drive, row["founder"], attached=False, seen_at=at)
        left = unsettled.get((row["identity"], bytes(row["folder"])), ())
        unproven = speaks_against_memory(row["state"], left) != ""
        is_proven = row["state"] == "proven" and not unproven
        lessened[row["roll_id"]] += row["state"] == "proven" and unproven
        by_roll[row["roll_id"]].append((copy, device, is_proven))
        before = drives.get(drive.number)
        if before is None or before.at is None or before.at < at:
            drives[drive.number] = Sighting(drive, at)
    together = seen_together(connection)
    found: dict[int, list[Device]] = defaultdict(list)
    for roll, held in by_roll.items():
        own = [Sighting(copy.drive, copy.seen_at, frozenset({copy.founder or ""})) for copy, _, _ in held]
        proven = [(copy, device) for copy, device, is_proven in held if is_proven]
        gone = superseded([copy for copy, _ in proven], Seen([*drives.values(), *own], together))
        found[roll] = [device for place, (_, device) in enumerate(proven) if place not in gone]
    return found, lessened


def history(connection: Connection, roll_id: int) -> list[HistoryLine]:
    """Records, findings and permits of a roll, oldest first."""
    records, found, permits = tables.records, tables.findings, tables.permits
    lines: list[HistoryLine] = []
    query = (
        select(records, tables.copies.c.drive, tables.people.c.name.label("person"), tables.people.c.role.label("as"))
        .outerjoin(tables.copies, tables.copies.c.id == records.c.copy_id)
        .outerjoin(tables.people, tables.people.c.id == records.c.person_id)
        .where(records.c.roll_id == roll_id)
    )
    for row in connection.execute(query).mappings():
        at = moment(row["written_at"], row["offset_minutes"])
        who = Person(row["person"] or "", row["as"] or "")
        lines.append(HistoryLine(at, row["kind"], row["drive"] or "", who, row["detail"], row["verdict"], row["name"]))
    of_copies = (
        select(found, tables.copies.c.drive)
        .outerjoin(tables.copies, tables.copies.c.id == found.c.copy_id)
        .where(found.c.roll_id == roll_id)
    )
    for row in connection.execute(of_copies).mappings():
        at, detail = moment(row["found_at"]), f"{row['kind']}: {row['detail']}"
        lines.append(HistoryLine(at, "finding", row["drive"] or "", Person(), detail, row["severity"]))
    given = (
        select(permits, tables.people.c.name.label("person"), tables.people.c.role.label("as"))
        .join(tables.permit_rolls, tables.permit_rolls.c.permit_id == permits.c.id)
        .outerjoin(tables.people, tables.people.c.id == permits.c.person_id)
        .where(tables.permit_rolls.c.roll_id == roll_id)
    )
    for row in connection.execute(given).mappings():
        at = moment(row["written_at"], row["offset_minutes"])
        who = Person(row["person"] or "", row["as"] or "")
        lines.append(HistoryLine(at, "permit", "", who, f"{row['basis']} {row['reason']}".strip(), row["state"]))
    return sorted(lines, key=lambda line: line.at)


def looked_at(connection: Connection) -> dict[int, HistoryLine]:
    """By roll the newest record of somebody who has looked at its pictures."""
    records, people = tables.records, tables.people.c
    query = (
        select(records, people.name.label("person"), people.role.label("as"))
        .outerjoin(tables.people, people.id == records.c.person_id)
        .where(records.c.kind == "looked")
        .order_by(records.c.written_at, records.c.id)
    )
    return {
        row["roll_id"]: HistoryLine(
            moment(row["written_at"], row["offset_minutes"]), row["kind"], "",
            Person(row["person"] or "", row["as"] or ""), row["detail"], "", row["name"],
        )
        for row in connection.execute(query).mappings()
    }  # fmt: skip


def permits(connection: Connection, listing_digest: str) -> list[tuple[datetime, str]]:
    """When permits were given for a listing, and by whom; newest first."""
    query = (
        select(tables.permits.c.written_at, tables.permits.c.offset_minutes, tables.people.c.name)
        .outerjoin(tables.people, tables.people.c.id == tables.permits.c.person_id)
        .where(tables.permits.c.listing_digest == listing_digest, tables.permits.c.state == "given")
        .order_by(tables.permits.c.written_at.desc())
    )
    return [(moment(at, offset), name or "") for at, offset, name in connection.execute(query)]


def permits_for_card(connection: Connection, serial: str | None, listing_digest: str) -> list[PermitNote]:
    """Permits that were given for a card or for a listing; newest first. Which rolls and copies is left out."""
    permits, people = tables.permits.c, tables.people.c
    same = permits.listing_digest == listing_digest
    if serial is not None:
        same = or_(same, permits.serial == serial)
    query = (
        select(tables.permits, people.name.label("person"), people.role.label("as"))
        .outerjoin(tables.people, people.id == permits.person_id)
        .where(permits.state == "given", same)
        .order_by(permits.written_at.desc(), permits.id.desc())
    )
    return [
        PermitNote(
            written_at=moment(row["written_at"], row["offset_minutes"]),
            basis=row["basis"],
            listing_digest=row["listing_digest"],
            serial=row["serial"],
            rolls=(),
            copies=(),
            person=Person(row["person"] or "", row["as"] or ""),
            reason=row["reason"],
        )
        for row in connection.execute(query).mappings()
    ]
