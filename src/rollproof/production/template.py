"""The commented production file that `rollproof init` writes: every key, what it is for, and an example."""

from __future__ import annotations

import sys

from rollproof.production.components import component_problem, made_safe
from rollproof.production.placeholders import DEFAULT_FOLDER

SCENARIO = "The Bell Foundry"

_TEXT = """\
# The production file. `rollproof offload CARD` finds it in the working folder or above.
# A line that begins with # is a comment; take the # away to switch the key on.
# Keep the order: everything below a line like [[drives]] belongs to that drive.

# What the production is called.
name = @NAME@

# How many proven copies, on separate devices, a roll needs before its card may be wiped. Agree on it with the
# production, its insurer or completion guarantor: their rule goes before anything written here.
copies_required = 2

# true: refuse to start when two of the drives turn out to be one device. false: warn, and count them once.
distinct_devices = false

# What counts as having read a copy back: "medium" is the drive itself, "server" a network volume's server.
# Take "server" out if a network volume is not enough.
accepted_evidence = ["medium", "server"]

# How long a copy still counts, in hours, while its drive is away. Only this station's own record of it counts.
absent_copy_hours = 24

# The hash algorithms of every file, all computed from one read: xxh128, xxh3, xxh64, md5, sha1, sha256, c4, blake3.
# The first one is fast; others are for whoever asks for them.
hashes = ["xxh128"]

# The roll's folder on each drive. Known are {production}, {day}, {roll}, {unit} (from --unit), {camera} and
# {date} (the date of the shooting day); {roll} must be there.
folder = @FOLDER@

# A new shooting day begins at this time of the station's clock, so that a night shoot stays in its day.
day_turns_at = "06:00"

# The date of shooting day 1. With it, {day} is day_012; without it, the date. Days are counted by the calendar, days
# off included: where the schedule counts otherwise, say the day with --day 12.
# first_day = 2026-05-03

# Files on the cards that are not copied, in the syntax of .gitignore. The manifests list the patterns, and a card with
# such files on it is not called MAY WIPE before somebody accepts them by name. Think twice.
ignore = []
# ignore = ["/PREVIEWS/", "*.tmp"]

# The drives, one [[drives]] each. Each has a role of its own: primary, backup, shuttle, archive or any other word.
# `path` is the folder that holds the production's folder. `volume` is the volume's identity as `rollproof drives`
# shows it: with it, the drive is found wherever it is mounted, and another drive in its place is refused. With a path
# alone, any drive that is mounted there is taken, and another one than last time is announced. A folder of this
# computer's own disk is refused either way, since it is what a drive that is away leaves behind.
# `holds` says which rolls belong on the drive: "all" makes a roll that it lacks an error of `rollproof audit` and
# `rollproof handover`, "any" asks for nothing. Without it a lacking roll is a warning; for drives that take turns (a
# list of volumes) it is nothing.

@DRIVES@

# With `volume`, the path may also be left out (the top of the drive) or be a folder on the drive:
# [[drives]]
# role = "shuttle"
# volume = ["5E6F-7A8B", "9C0D-1E2F"]
# path = "footage"
# (a list names drives that take turns: one of them at a time)
# holds = "any"

# Where a folder of this computer's own disk is meant all the same:
# [[drives]]
# role = "laptop"
# path = @OWN@
# system_disk = true

# Who handles the copies. Roles are enough; names are personal data, so keep them out unless they are needed.

[[people]]
role = "data wrangler"
# name = ""

[[people]]
role = "post-production supervisor"
"""

_EXAMPLES = """\
[[drives]]
role = "primary"
path = @PRIMARY@
# volume = "1A2B-3C4D"

[[drives]]
role = "backup"
path = @BACKUP@
# volume = "0f3a52c8-6d1e-4b7a-9c55-2e8f4a7d1b60"
"""

_PATHS = {
    "win32": ("'D:\\'", "'E:\\'", "'C:\\Footage'"),
    "darwin": ('"/Volumes/PRIMARY"', '"/Volumes/BACKUP"', '"/Users/Shared/footage"'),
}


def template(name: str = SCENARIO, *, drives: str = "", system: str = sys.platform) -> str:
    """The text of a new production file for a production called `name`; paths are as on `system` (`sys.platform`).

    `drives` are blocks of drives that take the place of the examples.

    A name that cannot be a folder on every drive is kept, and the folder template gets a near one that can.
    """
    folder = DEFAULT_FOLDER
    if component_problem(name) is not None:
        folder = folder.replace("{production}", made_safe(name) or "production")
    primary, backup, own = _PATHS.get(system, ('"/media/PRIMARY"', '"/media/BACKUP"', '"/srv/footage"'))
    text = _TEXT
    # the name comes last: nothing in it is replaced
    for mark, value in (
        ("@DRIVES@\n", drives or _EXAMPLES),
        ("@PRIMARY@", primary),
        ("@BACKUP@", backup),
        ("@OWN@", own),
        ("@FOLDER@", quoted(folder)),
        ("@NAME@", quoted(name)),
    ):
        text = text.replace(mark, value, 1)
    return text


def quoted(text: str) -> str:
    """A text as a TOML basic string (TOML 1.0, String)."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(f"\\u{ord(c):04x}" if ord(c) < 0x20 or ord(c) == 0x7F else c for c in escaped) + '"'
