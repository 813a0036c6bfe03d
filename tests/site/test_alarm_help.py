"""No alarm comes without help: what follows, where to look, what to do; a site without is refused.

The kinds of alarm that the code raises and the table of kinds are held against each other.
"""

from __future__ import annotations

import ast
import shutil
from pathlib import Path

import pytest

from linectl.site.alarm_catalogue import catalogue, where
from linectl.site.alarm_kinds import BY_NAME
from linectl.site.load import load_site, read_site

ROOT = Path(__file__).parents[2]
CONFIG = ROOT / "config"
SITES = ("small", "fennmark", "one_run", "counter_flow")


@pytest.mark.parametrize("name", SITES)
def test_every_alarm_says_what_follows_what_to_do_and_where_to_look(name):
    for tag, help_ in catalogue(load_site(CONFIG / name)).items():
        assert help_.consequence, tag
        assert help_.do, tag
        assert help_.look or help_.points, tag
        assert "{" not in help_.consequence + help_.do + help_.look, tag


def test_a_person_is_sent_to_a_terminal_by_both_notations():
    small = load_site(CONFIG / "small")
    point = small.points[small.index("guard_seed.closed")]
    assert where(point) == ("guard_seed.closed at AE1:9: io_sower, discrete 8 (reference 10009)")


def test_help_names_the_part_and_one_alarm_may_have_words_of_its_own(edited):
    own = "alarms:\n  fill.no_exit: {priority: low, consequence: peat on the floor, do: sweep}\n"
    site = load_site(edited("alarms:\n", own))
    found = catalogue(site)
    assert found["fill.no_exit"].do == "sweep"
    assert found["fill.no_exit"].priority == "low"
    assert "tamp" in found["tamp.no_exit"].do


def test_stops_guards_silence_and_the_start_warning_are_vital_and_a_low_hopper_is_not():
    found = catalogue(load_site(CONFIG / "small"))
    for tag in ("estop_lanes", "guard_tail", "silent_io_sower", "supply_AE1", "sowing.warning"):
        assert found[tag].vital, tag
    assert not found["hopper_low"].vital


@pytest.fixture
def edited(tmp_path):
    """The small site with one edit of interlocks.yaml (or io.csv); gives its folder."""

    def edit(old: str, new: str, file: str = "interlocks.yaml") -> Path:
        folder = tmp_path / "edited"
        shutil.copytree(CONFIG / "small", folder)
        text = (folder / file).read_text(encoding="utf-8")
        assert text.count(old) >= 1, old
        (folder / file).write_text(text.replace(old, new, 1), encoding="utf-8")
        return folder

    return edit


BREAKS = {
    "a cause that does not say what follows": (
        "    consequence: in a while the magazine is empty, and sowing suspends\n", "",
        "causes.magazine_low.consequence", "consequence is not said"),
    "a cause with nothing to do": (
        "    do: bring washed gutters\n", "    do: ''\n",
        "causes.magazine_low.do", "do is not said"),
    "a kind of alarm without help": (
        "  mutual_wait:\n    priority: high\n", "  shifted.mutual:\n    priority: high\n",
        "alarms.mutual_wait", "the line can raise mutual_wait"),
    "help for a kind that is none": (
        "  no_exit:\n", "  no_exits:\n", "alarms.no_exits", "is neither a kind of alarm"),
    "help that points nowhere": (
        "    look: what took its outputs away, in why {part}\n", "",
        "alarms.cut.look", "no point shows magazine.cut"),
    "a brace that nothing fills": (
        "in why {part}\n", "in why {station}\n", "alarms.cut.look", "only {part} may stand"),
    "an empty consequence of a kind": (
        "    consequence: nobody would be warned before {part} moves, so nothing was started\n",
        "    consequence: ''\n", "alarms.warning.consequence", "an alarm without help"),
}  # fmt: skip


@pytest.mark.parametrize("name", BREAKS)
def test_a_site_is_refused_for(name, edited):
    old, new, key, says = BREAKS[name]
    errors = {found.key: found for found in read_site(edited(old, new)).errors}
    assert says in errors[key].message
    assert errors[key].file == "interlocks.yaml"
    assert errors[key].line > 1


def test_a_cause_is_refused_whose_point_has_no_terminal(edited):
    row = "guard_seed.closed,io_sower,discrete,8,,bool,,,,,,,sowing,,,,,,"
    (found,) = read_site(edited(row + "AE1:9", row, "io.csv")).errors
    assert found.key == "guard_seed.closed.note"
    assert "alarm guard_seed sends people" in found.message
    assert found.file == "io.csv"


def test_help_for_a_cause_under_alarms_is_told_where_it_belongs(edited):
    own = "alarms:\n  hopper_low: {priority: low, consequence: a, do: b}\n"
    (found,) = read_site(edited("alarms:\n", own)).errors
    assert found.hint == "a cause has consequence and do of its own"


# the code and the table of kinds --------------------------------------------------------------

RAISING = {"fail": 0, "_fail": 0, "_fail_missing": 0, "_lost": 0, "raise_": 0, "Remark": 0,
           "interrupted": 3}  # fmt: skip
"""Calls that raise an alarm, and which argument says its kind or tag."""
NAMED = {
    "silent": ("device_rows.py", 'name=f"silent_'),
    "supply": ("device_rows.py", 'name=f"supply_'),
    "bypass": ("bypasses.py", 'tag = f"bypass.'),
    "force": ("forces.py", 'KIND = "force"'),
    "override": ("overrides.py", 'KIND = "override"'),
    "recovery": ("recovery/recovery.py", 'ALARM = "recovery"'),
    "between": ("recovery/rows.py", '"between")'),
    "lot": ("lots.py", 'tag = self._line.alarms, f"lot.'),
}
"""Kinds whose tags are put together elsewhere: the line's file, and how it does so."""


def _raised_in_code() -> set[str]:
    kinds = set()
    runtime = ROOT / "linectl/runtime"
    beside = (runtime / "clock_watch.py", runtime / "ledger_remark.py")
    beside = (ROOT / "linectl/field/device.py", *beside)
    for path in (*(ROOT / "linectl/line").rglob("*.py"), *beside):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call):
                kinds |= _kind_of(node)
    line = ROOT / "linectl/line"
    return kinds | {kind for kind, (file, how) in NAMED.items() if how in (line / file).read_text()}


def _kind_of(call: ast.Call) -> set[str]:
    name = getattr(call.func, "attr", getattr(call.func, "id", ""))
    if name not in RAISING or len(call.args) <= RAISING[name]:
        return set()
    said = call.args[RAISING[name]]
    if isinstance(said, ast.JoinedStr) and isinstance(said.values[-1], ast.Constant):
        return {said.values[-1].value.rpartition(".")[2]}
    return {said.value} if isinstance(said, ast.Constant) else set()


def test_every_alarm_that_the_code_raises_is_in_the_table_of_kinds_and_no_other_is():
    assert _raised_in_code() == set(BY_NAME)
