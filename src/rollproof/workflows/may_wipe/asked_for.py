"""What a person accepts when they ask about a card, and the command with which they would."""

from __future__ import annotations

import shlex
from dataclasses import dataclass, field

from rollproof.models.names import inert, shown
from rollproof.models.requests import MayWipeRequest, Person


@dataclass(frozen=True, slots=True)
class AskedFor:
    """The question about a card: `names` are those given to `--accept`."""

    card: bytes
    names: tuple[str, ...] = ()
    reason: str = ""
    person: Person = field(default_factory=Person)
    production_file: bytes | None = None

    @classmethod
    def of(cls, request: MayWipeRequest) -> AskedFor:
        """What the request says of it."""
        return cls(request.card, request.accepted, request.reason, request.person, request.production_file)

    def command(self, *names: str) -> str:
        """The command that accepts these names too, with everything it needs: it works when it is pasted. Where the
        reason or the person is not known yet, a word in capitals stands for it."""
        words = ["rollproof", "may-wipe", shown(self.card)]
        for name in dict.fromkeys((*self.names, *map(inert, names))):
            words += ["--accept", name]
        words += ["--reason", self.reason.strip() or "REASON", "--by", self.person.name.strip() or "NAME"]
        if self.person.role:
            words += ["--role", self.person.role]
        if self.production_file is not None:
            words += ["--production", shown(self.production_file)]
        return shlex.join(words)
