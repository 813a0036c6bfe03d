"""Whatever lots people name, whatever becomes of gutters: a trace says what a plain list says."""

from __future__ import annotations

from collections import Counter

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from linectl.image import Event
from linectl.ledger import Ledger, lots
from linectl.ledger.lot_trace import lot_trace

NAMES = {"substrate": ("A", "B", ""), "seed": ("A", "C", ""), "packing": ("B", "D", "")}
LOADS = st.sampled_from([(kind, name) for kind, names in NAMES.items() for name in names])
FATES = st.sampled_from(["handed over", "rejected", "removed"])
ENDS = {
    "handed over": (("eject", "lane1.germ.0", "outfeed"), ("handover", "outfeed", "packing")),
    "rejected": (("eject", "lane1.germ.0", "outfeed"), ("reject", "outfeed", "reject")),
    "removed": (("correct", "lane1.germ.0", "removed"),),
}


def lived(ledger, journey, steps):
    """What happens, in the ledger and in a plain list of gutters with their lots."""
    loaded, gutters = dict.fromkeys(NAMES, ""), []
    for step in steps:
        if isinstance(step, tuple):
            kind, name = step
            loaded[kind] = name
            data = {"kind": kind, "lot": name, "crop": "oak" if kind == "seed" else "", "by": "a"}
            ledger.record([], [Event(journey.at, "lot", kind, "", data)])
            continue
        number = len(gutters) + 1
        ledger.record(journey.sow(number), [])
        for kind, source, dest in ENDS[step]:
            ledger.record(journey.step(kind, number, source, dest), [])
        packing = loaded["packing"] if step == "handed over" else None
        gutters.append({**loaded, "packing": packing, "fate": step})
    return gutters


@given(st.lists(st.one_of(LOADS, FATES), max_size=14))
@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_trace_says_what_a_plain_list_of_gutters_says(site, journey, steps):
    ledger = Ledger.open(":memory:", site, lambda: 1_700_000_000_000)
    try:
        gutters = lived(ledger, type(journey)(), steps)
        for lot in [lot for name in "ABCD" for lot in lots.find(ledger._connection, name)]:
            told = lot_trace(ledger._connection, lot)
            own = [gutter for gutter in gutters if gutter[lot.kind] == lot.name]
            assert told.gutters == len(own)
            assert len(told.corrected) == sum(g["fate"] == "removed" for g in own)
            for kind in set(NAMES) - {lot.kind}:
                wanted = Counter(g[kind] for g in own if g[kind] is not None)
                shares = {share.name or "": share.gutters for share in told.shares[kind]}
                assert shares == wanted
    finally:
        ledger.close()
