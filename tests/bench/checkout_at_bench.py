"""`linectl checkout` at a terminal, its controller and plant in virtual time: for tests of screens.

    python tests/bench/checkout_at_bench.py SITE [MISWIRED=KIND] -- OPTIONS

The acts that the screen asks for are done on the plant; the answers are typed.
"""

from __future__ import annotations

import sys
from pathlib import Path
from types import SimpleNamespace

sys.path.insert(0, str(Path(__file__).parent))

from bench_field import BenchField

from linectl.cli import checkout, main
from linectl.cli.terminal import Terminal
from linectl.commission.answers import usual
from linectl.site.load import load_site


def begin(folder: str, mistakes: list[str], options: list[str]) -> None:
    """Put the bench in the place of the running controller, then run the command."""
    field = BenchField(load_site(Path(folder)))
    for mistake in mistakes:
        tag, _, kind = mistake.partition("=")
        field.ask({"do": "miswire", "part": tag, "options": {"kind": kind}})
    checkout.RunningController = lambda folder: field
    checkout.time = SimpleNamespace(sleep=lambda seconds: field.pause())
    act = Terminal.act

    def acted(self, wanted) -> None:
        act(self, wanted)
        if told := usual(wanted):
            field.ask(dict(told))

    Terminal.act = acted
    sys.argv = ["linectl", "checkout", folder, *options]
    main()


if __name__ == "__main__":
    at = sys.argv.index("--")
    begin(sys.argv[1], sys.argv[2:at], sys.argv[at + 1 :])
