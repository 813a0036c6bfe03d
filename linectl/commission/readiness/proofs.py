"""Items of the interlocks: proven on the model, approved, tried on the machine."""

from __future__ import annotations

from collections.abc import Sequence

from linectl.commission.field_record import CauseStanding, field_rows, field_standing
from linectl.commission.prove.kept import FILE, kept_outcomes
from linectl.commission.prove.promised import promises
from linectl.commission.readiness.items import Item, NeededFor, Stage
from linectl.commission.readiness.seen import Seen, fact, named
from linectl.line.cause_rows import Cause
from linectl.site.approval import standing
from linectl.site.model import Site

_PROTECT = frozenset({"estop_ok", "closed", "horn_on", "beacon_on"})


def proof_items(seen: Seen) -> list[Item]:
    """Before the first motion: proof, approval, and the tests of what protects people."""
    return [_proven(seen), _approved(seen), *_field_tests(seen)]


def _proven(seen: Seen) -> Item:
    outcomes = kept_outcomes(seen.site, seen.path / FILE)
    causes = [promise.name for promise in promises(seen.site)]
    missing = [name for name in causes if name not in outcomes]
    failed = [name for name in causes if outcomes.get(name) is False]
    why = f"{len(causes)} causes proven"
    if failed:
        why = f"the proof failed for {named(failed)}"
    elif missing:
        why = f"not proven as they are: {named(missing)}"
    do = f"linectl prove {seen.folder} --resume {seen.folder}/{FILE}"
    text = "every interlock is proven on the model, with this matrix and this version"
    return fact("proven", "outputs", text, [*failed, *missing], why, do)


def _approved(seen: Seen) -> Item:
    now = standing(seen.site)
    lacks = [f"{one.section}.{one.row}" for one in now.differences]
    if now.approval is None or now.trouble is not None:
        lacks = ["approval"]
    do = f'linectl prove {seen.folder} --matrix, then linectl prove {seen.folder} --approve "NAME"'
    text = "the interlock matrix is approved by a named person as it is"
    return fact("approved", "outputs", text, lacks, now.line, do)


def _field_tests(seen: Seen) -> list[Item]:
    kept = field_standing(seen.site, seen.now.date())
    rows = {row.name: row for row in field_rows(seen.site)}
    protective = [one for one in kept.causes if _protects(seen.site, rows[one.cause])]
    others = [one for one in kept.causes if one not in protective]
    return [
        _tests(
            seen, "field_tests.protective", protective, "dry_cycle",
            "emergency stops, guards and silent devices are tested on the machine, in date",
        ),
        _tests(
            seen, "field_tests", others, "production",
            "every other interlock is tested on the machine, in date",
        ),
    ]  # fmt: skip


def _tests(
    seen: Seen, name: str, causes: Sequence[CauseStanding], needed_for: NeededFor, text: str
) -> Item:
    left = [one for one in causes if one.state not in ("valid", "due soon")]
    told = named([f"{one.cause} ({one.state})" for one in left])
    passed = f"{len(causes) - len(left)} of {len(causes)} tested"
    why = f"{passed}; {told}" if left else passed
    do = f"linectl prove {seen.folder} --field --by NAME --witness NAME"
    stage: Stage = "outputs" if needed_for == "dry_cycle" else "first_motion"
    return fact(name, stage, text, [one.cause for one in left], why, do, needed_for)


def _protects(site: Site, row: Cause) -> bool:
    """It is an emergency stop's, a guard's, the start warning's or a device's silence."""
    roles = {site.points[test.index].tag.rpartition(".")[2] for test in row.tests}
    return row.silence or bool(roles & _PROTECT)
