"""The command line: parses, calls one workflow, renders. No logic of the job lives here.

This module is imported by every start of the program, `--help` and shell completion included: it imports nothing.
"""

from __future__ import annotations


def main() -> None:
    """Run the command line of this process and end it with the exit status of `models.errors.ExitStatus`."""
    import gc  # noqa: PLC0415 - importing this package must cost nothing

    # the collector would go through everything that is loaded a dozen times while it is loaded: a sixth of the start
    gc.set_threshold(50_000, 20, 20)
    from rollproof.cli.boundary import run_and_end  # noqa: PLC0415 - as above

    run_and_end()
