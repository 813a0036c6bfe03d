"""What a site's files say of each kind of alarm that the line raises by itself."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from linectl.site.fields import Facts

Priority = Literal["high", "medium", "low"]
AlarmKey = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*(\.[a-z][a-z0-9_]*)?$")]
"""A kind (`no_exit`), or one alarm by its tag (`fill.no_exit`), which then stands before it."""
PART = "{part}"
"""Stands for the part, device or supply in the texts below."""


class AlarmHelp(Facts):
    """Help for one kind of alarm, or for one alarm. `{part}` is replaced by the part's name."""

    priority: Priority
    consequence: str
    """What follows for gutters, plants or people if nobody acts, in a sentence."""
    look: str = ""
    """Where to look, in words; needed only where no point of the IO list shows it."""
    do: str
    """What to do about it, in a sentence."""

    def of(self, part: str) -> AlarmHelp:
        """The same with the part's name put in."""
        return AlarmHelp(
            priority=self.priority,
            consequence=self.consequence.replace(PART, part),
            look=self.look.replace(PART, part),
            do=self.do.replace(PART, part),
        )
