"""A grip that a cause has closed stays closed until its unit moves again, warned."""

from __future__ import annotations

import pytest

CASES = {
    "guard": [("open", "mouth", {}), ("close", "mouth", {})],
    "isolator": [("isolate", "infeed", {}), ("de-isolate", "infeed", {})],
    "silent drive": [
        ("fault", "axis_infeed", {"kind": "silent"}),
        ("repair", "axis_infeed", {"kind": "silent"}),
    ],
}


@pytest.mark.parametrize("at", ["60s", "64s"], ids=["arm home", "arm reaching out"])
@pytest.mark.parametrize("case", CASES)
def test_a_grip_does_not_open_when_its_cause_is_over_but_when_its_unit_moves(shift, case, at):
    # S11, S28
    (trip, part, options), (clear, _, _) = CASES[case]
    run = shift("small").run(at)
    grip = run.line.site.index("infeed.grip")
    assert run.line.outputs[grip] is False
    run.do(trip, part, **options)
    run.run("120s")
    assert run.line.outputs[grip] is True, "its safe value: closed"
    assert run.state("sowing") == "Held"
    run.do(clear, part, **options)
    run.command("", "interlock-reset")
    run.run("150s")
    assert run.line.outputs[grip] is True
    run.command("sowing", "unhold")
    run.run("152s")
    assert run.state("sowing") == "Unholding"
    assert run.line.outputs[grip] is True, "before the warning is over nothing opens"
    bench = run.rehearsal.bench
    while bench.now < 175_000 and run.line.outputs[grip]:
        bench.run(bench.now + 20)
    assert run.line.outputs[grip] is False, "it opens again, to pick"
    assert run.line.sowing.moving, "its unit may move: the warning is over"
    run.run("240s")
    assert run.outcome["violations"] == []
