"""Who writes a manifest of the open standard: this station, this tool, the person at it."""

from __future__ import annotations

import rollproof
from rollproof.ascmhl.model import Author, Creator
from rollproof.models.requests import Person
from rollproof.records.blocks import this_station

OUR_TOOL = "rollproof"
"""The name of this tool in the manifests it writes."""


def this_creator(person: Person) -> Creator:
    """The `creatorinfo` of every manifest written here; a person who was not named is no author."""
    return Creator(
        host=this_station().host,
        tool=OUR_TOOL,
        tool_version=rollproof.__version__,
        authors=(Author(name=person.name, role=person.role),) if person.name else (),
    )
