"""Stories of a card, its drives and the ledger, told to the tool and to a model: see `workflows.wipe_world`."""

from __future__ import annotations

import time
from random import Random

from campaigns.bench import Figures, Say
from workflows.test_may_wipe_stories import a_story, tell


def tell_stories(*, stories: int, seed: int, say: Say) -> Figures:
    """Random stories. Wrong is a MAY WIPE that the model does not agree with, and a copy called proven that is not."""
    figures = Figures("wipe-stories", seed)
    began = time.monotonic()
    for number in range(stories):
        steps, begins_well = a_story(Random(f"{seed} {number}"), longest=20)
        try:
            tell(steps, begins_well, figures.counts)
        except AssertionError as problem:
            figures.wrong.append(f"{problem}: {steps!r}, begins well: {begins_well}")
        figures.counts["stories"] += 1
        say(f"{number + 1} of {stories} stories")
    figures.seconds = time.monotonic() - began
    return figures
