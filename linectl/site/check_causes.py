"""Checks what each cause says of itself: votes, bad readings, delays, modes, resets, bypasses."""

from __future__ import annotations

from linectl.site.draft import Draft, Findings
from linectl.site.durations import format_duration
from linectl.site.interlocks import Cause
from linectl.site.never_bypassed import never_bypassed
from linectl.site.sheet import Key

_FILE = "interlocks.yaml"
VITAL = ("estop_ok", "closed")
"""Inputs of emergency stops and guards: what nobody may delay, bypass or leave out."""
VITAL_DELAY_MS = 100
"""The longest time by which an emergency stop or a guard may be delayed against bouncing contacts,
its point's own delay counted. Common practice, no source."""


def check(draft: Draft, say: Findings) -> None:
    """Every cause by itself, then those that read an emergency stop or a guard."""
    for name, cause in draft.causes.items():
        _votes(draft, say, name, cause)
        _reset(draft, say, name, cause)
        _bypass(draft, say, name, cause)
        if vital := vital_points(draft, cause):
            _vital(draft, say, name, cause, vital)


def vital_points(draft: Draft, cause: Cause) -> tuple[str, ...]:
    """The emergency stops and guards that a cause reads."""
    return tuple(
        test.point
        for test in cause.when
        if test.point in draft.needs and draft.needs[test.point].role.name in VITAL
    )


def _wrong(
    draft: Draft, say: Findings, name: str, key: Key, text: str, hint: str | None = None
) -> None:
    say.errors.append(draft.at(_FILE, ("causes", name, key), text, hint))


def _votes(draft: Draft, say: Findings, name: str, cause: Cause) -> None:
    count = len(cause.when)
    if cause.vote is not None and cause.vote > count:
        text = f"{cause.vote} of its conditions must hold, and it has {count}: it never comes"
        _wrong(draft, say, name, "vote", text, f"at most {count}, or more conditions")
    if cause.bad == "left_out" and cause.vote is None:
        text = "leaves bad readings out of a vote, and it has none"
        _wrong(draft, say, name, "bad", text, "give it a vote (2 of 3), or bad: present")


def _reset(draft: Draft, say: Findings, name: str, cause: Cause) -> None:
    if cause.off_delay_ms and cause.reset != "automatic":
        text = "ends by its reset, so that a delay of its end does nothing"
        hint = "leave it out; it is for causes with reset: automatic"
        _wrong(draft, say, name, "off_delay", text, hint)
    if cause.reset != "at_machine":
        return
    zones = {draft.needs[t.point].zone if t.point in draft.needs else "" for t in cause.when}
    if zones == {""}:
        text = "is reset by the button of its zone, and its points belong to none"
        _wrong(draft, say, name, "reset", text, "reset: interlock")
    elif len(zones) > 1:
        known = " and ".join(sorted(zone or "no zone" for zone in zones))
        text = f"is reset by the button of its zone, and its points lie in {known}"
        _wrong(draft, say, name, "reset", text, "a cause for each zone, or reset: interlock")


def _bypass(draft: Draft, say: Findings, name: str, cause: Cause) -> None:
    """The line refuses such a bypass whatever the file says; the file is not to promise it."""
    protects = never_bypassed(test.point for test in cause.when)
    if cause.bypass is not None and protects is not None:
        text = f"{protects}, which is never bypassed, whoever asks"
        _wrong(draft, say, name, "bypass", text, "leave bypass out")


def _vital(draft: Draft, say: Findings, name: str, cause: Cause, vital: tuple[str, ...]) -> None:
    """An emergency stop and a guard act always, at once, on every reading, until a reset."""
    if cause.moment == "warn":
        return

    def never(key: Key, text: str, hint: str) -> None:
        _wrong(draft, say, name, key, f"{vital[0]} {text}", hint)

    if cause.modes:
        never("modes", "would be without effect in the other modes", "leave modes out")
    if cause.bad == "left_out":
        never("bad", "must count as tripped while it cannot be read", "bad: present")
    if cause.reset == "automatic":
        never("reset", "must stay until a person resets it", "reset: interlock, or at_machine")
    delay_ms = cause.on_delay_ms + max(_point_delay_ms(draft, tag) for tag in vital)
    if delay_ms > VITAL_DELAY_MS:
        text = f"is delayed by {format_duration(delay_ms)}, its point's own delay counted"
        never("on_delay", text, f"at most {format_duration(VITAL_DELAY_MS)} in all")


def _point_delay_ms(draft: Draft, tag: str) -> int:
    """How long a point must read 0 before it counts as tripped."""
    return next((point.off_delay_ms for _, point in draft.points if point.tag == tag), 0)
