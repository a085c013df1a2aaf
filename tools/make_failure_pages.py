"""Write `docs/when-things-go-wrong.md` anew, every failure played on real file systems: needs root and a few minutes.

    python tools/make_failure_pages.py            all of them, and the page
    python tools/make_failure_pages.py drive-full only these, printed

What a section says stands in `failure_situations.py`; what the command said is never typed by hand.
"""

from __future__ import annotations

import re
import sys
import textwrap
from collections.abc import Iterable, Sequence
from pathlib import Path

REPOSITORY = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(REPOSITORY), str(REPOSITORY / "tests")]

from tools.failure_bench import own_world  # noqa: E402
from tools.failure_situations import SITUATIONS, Situation  # noqa: E402

PAGE = REPOSITORY / "docs" / "when-things-go-wrong.md"

_INTRO = """\
# When things go wrong

Each section is a thing that happens on a set, with what the command really says then. Nobody typed these answers:
`tools/make_failure_pages.py` makes each failure happen on real file systems, with the real command, and writes down
what comes out in a terminal of 80 columns. (The drives are disk images there, and the warning about that, which stands
under each answer, is left out.)

Three rules hold in all of them:

- **Keep the card** until the last line says otherwise. As long as it is whole, nothing is lost.
- **The same command again** is nearly always the next thing to do. What is proven is not copied again, and nothing is
  ever overwritten.
- **Change one thing at a time**: one cable, one port, one reader. Then you know afterwards which one it was.

Two proven copies on separate devices before a card is wiped, a third that travels apart: your production's insurer,
completion guarantor or data policy may ask for more. When in doubt, ask them, not a program.

"""

_WARNING = re.compile(r"^  /media/\S+:? the\s+destination(?:(?!^  \S).)*?not\s+in\s+disk\s+images\n?", re.M | re.S)
_EMPTY_HEADING = re.compile(r"\nWarnings\n(?=\n|─|\Z)")


def cleaned(said: str) -> str:
    """An answer without the warning about the bench itself, and without the heading where nothing is left below it."""
    return _EMPTY_HEADING.sub("", _WARNING.sub("", said))


def anchor(title: str) -> str:
    """The link to a heading, as Markdown makes it."""
    return re.sub(r"[^a-z0-9 -]", "", title.lower()).replace(" ", "-")


def section(situation: Situation, said: Sequence[str]) -> str:
    """One section of the page."""
    blocks = "\n".join(f"```text\n{cleaned(each).rstrip()}\n```\n" for each in said)
    parts = (
        f"## {situation.title}\n",
        f"{filled(situation.looks)}\n",
        blocks,
        f"{filled('**What is safe.** ' + situation.safe)}\n",
        f"{filled('**What to do.** ' + situation.do)}\n",
    )
    return "\n".join(parts)


def filled(text: str) -> str:
    """A paragraph in lines of the docs' length."""
    return textwrap.fill(" ".join(text.split()), 120, break_long_words=False, break_on_hyphens=False)


def page(played: Iterable[tuple[Situation, Sequence[str]]]) -> str:
    """The whole page."""
    sections = [(situation, section(situation, said)) for situation, said in played]
    contents = "\n".join(f"- [{situation.title}](#{anchor(situation.title)})" for situation, _ in sections)
    return _INTRO + contents + "\n\n" + "\n".join(text for _, text in sections)


def main(arguments: list[str]) -> int:
    """Play and write; with names, only print those."""
    chosen = [each for each in SITUATIONS if not arguments or each.slug in arguments]
    own_world()
    played = []
    for situation in chosen:
        print(situation.slug, file=sys.stderr, flush=True)
        said = situation.play()
        if arguments:
            print(section(situation, said))
        played.append((situation, said))
    if not arguments:
        PAGE.write_text(page(played), encoding="utf-8")
        print(PAGE.relative_to(REPOSITORY))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
