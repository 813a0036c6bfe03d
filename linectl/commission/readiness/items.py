"""The items of the list of commissioning, their stages, and which of them each mode waits for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from linectl.commission.readiness.record import Act

Kind = Literal["fact", "signed"]
Stage = Literal["power_on", "inputs", "outputs", "first_motion", "first_gutter", "first_hour"]
NeededFor = Literal["dry_cycle", "production", ""]

STAGES: Mapping[Stage, str] = {
    "power_on": "Power on",
    "inputs": "Inputs",
    "outputs": "Outputs",
    "first_motion": "First motion (dry cycle)",
    "first_gutter": "First gutter (production)",
    "first_hour": "First hour",
}
"""In the order in which a technician works through them."""
MODES: Mapping[str, tuple[NeededFor, ...]] = {
    "dry_cycle": ("dry_cycle",),
    "production": ("dry_cycle", "production"),
}
"""Mode → what items it waits for are needed for."""
PROTECTIVE = (
    "estop.", "guard.", "watchdog.", "start_warning.", "field_tests.protective", "lock_out",
    "local_codes", "devices_confirmed", "signatures_readable", "guards_in_place", "area_clear",
)  # fmt: skip
"""How the items begin that nobody can override: emergency stops, guards, watchdogs and the start
warning, local codes, devices that nobody knows yet, signatures that nobody can read, and what keeps
people out of reach."""


@dataclass(frozen=True)
class Item:
    """One item and how it stands."""

    name: str
    stage: Stage
    kind: Kind
    text: str
    """What the item is; of a signed one the text that is signed."""
    ok: bool
    why: str
    """Why it is not done, or what it rests on."""
    do: str = ""
    """The command that brings it forward."""
    needed_for: NeededFor = "dry_cycle"
    lacks: tuple[str, ...] = ()
    """What is missing, one by one: tags, causes, devices."""
    rests_on: str = ""
    """Of a signed one: digest of what a signature rests on."""
    live: bool = False
    """A fact of the running controller: unknown while none runs."""
    signed: Act | None = None
    """The signature that counts."""
    override: Act | None = None
    """The override that counts now."""

    @property
    def done(self) -> bool:
        """Found right, signed, or overridden by a named person."""
        return self.ok or self.override is not None

    @property
    def may_be_overridden(self) -> bool:
        return not self.name.startswith(PROTECTIVE)

    def as_json(self) -> dict[str, Any]:
        """One of `items` in `commission --json`.

        item, kind (fact or signed), ok (false also while it is overridden), why; beside them
        stage, text, needed_for (the first mode that waits for it, or null), do (the command
        that brings it forward, or null), may_be_overridden, overridden_by, overridden_until and
        overridden_why (null without), signed_by, signed_at, witness, remark, measured_ms.
        """
        over, signed = self.override, self.signed
        measured = signed.measured_ms if signed else ""
        return {
            "item": self.name, "kind": self.kind, "ok": self.ok, "why": self.why,
            "stage": self.stage, "text": self.text, "needed_for": self.needed_for or None,
            "do": self.do or None, "may_be_overridden": self.may_be_overridden,
            "overridden_by": over.by if over else None,
            "overridden_until": over.until if over else None,
            "overridden_why": over.remark if over else None,
            "signed_by": signed.by if signed else None,
            "signed_at": signed.at if signed else None,
            "witness": (signed.witness or None) if signed else None,
            "remark": (signed.remark or None) if signed else None,
            "measured_ms": int(measured) if measured else None,
        }  # fmt: skip
