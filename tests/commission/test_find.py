"""`find`: which units answer, what each gives, and that nothing is written unasked."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from ruamel.yaml import YAML

from linectl.commission.find import Options, find, subjects_of
from linectl.commission.profile import profile_text
from linectl.commission.survey import Where, joined, offset_hint, survey_table
from linectl.commission.talk import Talk
from linectl.commission.units import present_units, units_in
from linectl.commission.where import (
    bus_of_site,
    lines_to_try,
    network_port,
    serial_port,
    tried,
)
from linectl.commission.write_trial import try_writes, what_could_move
from linectl.errors import DeviceRefused, UsageError
from linectl.site.load import load_site

SMALL = Path(__file__).parents[2] / "config/small"
WRITES = (5, 6, 15, 16)


@pytest.fixture(scope="module")
def small():
    return load_site(SMALL)


def registers(*ranges, value=0):
    return {at: value for one in ranges for at in one}


def survey(line, table="holding", window=range(256), most=700):
    return survey_table(Talk(line), Where("thing", 7), table, (window,), most)


# ---- units --------------------------------------------------------------------------------


def test_units_that_answer_are_found_and_silent_ones_are_not(fake_line, thing):
    line = fake_line({3: thing({"holding": {0: 1}}), 17: thing({"coil": {0: 1}})})
    assert [one.unit for one in present_units(Talk(line), range(1, 33), {})] == [3, 17]


def test_a_refusal_is_an_answer(fake_line, thing):
    line = fake_line({9: thing({})})
    (one,) = present_units(Talk(line), range(1, 33), {})
    assert (one.unit, one.heard.kind) == (9, "refused_1")


def test_a_device_that_knows_only_discrete_inputs_and_keeps_silent_otherwise_is_found(
    fake_line, thing
):
    odd = thing({"discrete": {0: 1}, "holding": {}, "input": {}, "coil": {}})
    odd.mute = {0}
    line = fake_line({4: odd})
    assert present_units(Talk(line), range(1, 9), {}) == ()
    odd.mute = set()
    assert present_units(Talk(line), range(1, 9), {})[0].unit == 4


def test_a_gateways_word_that_nobody_is_there_is_no_device(fake_line):
    class Gateway(fake_line):
        def _do(self, ask):
            raise DeviceRefused("gateway target silent", 11)

    assert present_units(Talk(Gateway({})), range(1, 5), {}) == ()


def test_a_device_that_answers_after_the_time_out_is_there(fake_line):
    line = fake_line({})
    line.late = {6}
    (one,) = present_units(Talk(line, 50), range(1, 9), {})
    assert (one.unit, one.heard.kind) == (6, "late")


def test_an_address_that_the_map_names_is_asked_before_address_0(fake_line, thing):
    line = fake_line({5: thing({"input": {300: 1}})})
    present_units(Talk(line), [5], {5: ("input", 300)})
    assert [(ask.function, ask.address) for ask in line.asked] == [(4, 300)]


def test_after_every_silence_the_line_is_kept_quiet(fake_line):
    line = fake_line({})
    present_units(Talk(line, 80), range(1, 4), {})
    assert line.quiet == [80] * 3 * 4


@pytest.mark.parametrize(
    ("text", "units"),
    [("1-4", (1, 2, 3, 4)), ("7,1,7", (1, 7)), ("1, 5-6,255", (1, 5, 6, 255)), ("247", (247,))],
)
def test_unit_numbers_are_read_as_people_write_them(text, units):
    assert units_in(text) == units


@pytest.mark.parametrize("text", ["0", "248", "0-3", "4-2", "", "a", "1-", "-5", "1.5", "²"])
def test_units_that_cannot_be_asked_are_refused(text):
    with pytest.raises(UsageError, match="--units"):
        units_in(text)


# ---- ranges and limits --------------------------------------------------------------------


def test_holes_are_found_to_the_address(fake_line, thing):
    one = survey(fake_line({7: thing({"holding": registers(range(10, 40), range(45, 46))})}))
    assert one.ranges == (range(10, 40), range(45, 46))
    assert one.complete
    assert one.exists


@pytest.mark.parametrize("most", [1, 2, 7, 61, 64, 100, 124, 125])
def test_the_most_per_read_is_exact(fake_line, thing, most):
    line = fake_line({7: thing({"holding": registers(range(200))}, most=most)})
    one = survey(line, window=range(200))
    assert (one.most, one.most_is_limit) == (most, True)
    assert one.ranges == (range(200),)


def test_2000_bits_in_one_read_are_tried(fake_line, thing):
    line = fake_line({7: thing({"coil": registers(range(2100))}, most_bits=1500)})
    one = survey(line, "coil", window=range(2100))
    assert (one.most, one.most_is_limit) == (1500, True)


def test_a_short_range_leaves_the_limit_unknown_and_says_so(fake_line, thing):
    one = survey(fake_line({7: thing({"holding": registers(range(30))})}))
    assert (one.most, one.most_is_limit) == (30, False)


@settings(max_examples=60, deadline=None)
@given(
    st.sets(st.integers(0, 119)),
    st.integers(1, 125),
    st.integers(0, 60),
    st.integers(1, 60),
)
def test_any_device_is_mapped_exactly(make_line, readable, most, start, length):
    """Whatever it has and however little it gives at once."""
    line = make_line({"holding": dict.fromkeys(readable, 0)}, most)
    window = range(start, start + length)
    one = survey(line, window=window, most=4000)
    assert {at for found in one.ranges for at in found} == readable & set(window)
    longest = max((len(found) for found in one.ranges), default=0)
    if one.ranges:
        assert one.most == min(most, longest)
        assert not one.most_is_limit or one.most == most
    for ask in line.asked:
        assert ask.address in window
        assert ask.address + ask.quantity <= window.stop


def test_the_allowance_of_requests_is_kept_and_told(fake_line, thing):
    line = fake_line({7: thing({"holding": registers(range(0, 256, 2))})})
    one = survey(line, most=50)
    assert len(line.asked) <= 50
    assert one.requests == len(line.asked)
    assert not one.complete


def test_a_device_that_goes_silent_at_unknown_addresses_is_left_alone_soon(fake_line, thing):
    quiet = thing({"holding": registers(range(4))})
    quiet.mute = set(range(4, 500))
    line = fake_line({7: quiet})
    one = survey(line)
    assert not one.complete
    assert len(line.asked) < 20


@pytest.mark.parametrize("damages", [2, 3, 7])
def test_a_damaged_answer_is_not_taken_for_a_hole(fake_line, thing, damages):
    line = fake_line({7: thing({"holding": registers(range(20, 60))}, most=31)})
    line.damages = damages
    one = survey(line, window=range(16, 80))
    assert one.ranges == (range(20, 60),)
    assert (one.most, one.most_is_limit, one.complete) == (31, True, True)


def test_a_late_answer_is_not_taken_for_a_hole(fake_line, thing):
    slow = thing({"holding": registers(range(10))})
    line = fake_line({7: slow})
    line.late = {7}
    slow.mute_once = {3, 7}
    one = survey(line, window=range(16))
    assert one.ranges == (range(10),)
    assert one.complete


def test_a_line_that_damages_every_answer_leaves_the_table_unknown(fake_line, thing):
    line = fake_line({7: thing({"holding": registers(range(100))})})
    line.damages = 1
    one = survey(line)
    assert not one.complete
    assert len(line.asked) < 20


def test_a_unit_whose_first_answer_is_damaged_is_found(fake_line, thing):
    line = fake_line({3: thing({"holding": {0: 1}})})
    line.damages = 3
    assert [
        one.unit for one in present_units(Talk(line), range(1, 5), {}, tables=("holding",))
    ] == [3]


def test_a_table_that_the_device_does_not_know_costs_one_request(fake_line, thing):
    line = fake_line({7: thing({"input": {0: 1}})})
    one = survey(line)
    assert (one.exists, one.why, len(line.asked)) == (False, "refused_1", 1)


def test_a_map_that_is_one_too_high_is_noticed(fake_line, thing):
    one = survey(fake_line({7: thing({"holding": registers(range(10))})}))
    assert offset_hint(range(1, 11), one) == -1
    assert offset_hint(range(10), one) == 0
    assert offset_hint(range(3, 14), one) == 0
    later = survey(fake_line({7: thing({"holding": registers(range(1, 11))})}))
    assert offset_hint(range(10), later) == 1


def test_addresses_are_joined_to_ranges():
    assert joined([5, 1, 2, 3]) == (range(1, 4), range(5, 6))


# ---- a whole line -------------------------------------------------------------------------


@pytest.fixture
def line(fake_line, thing):
    axis = thing(
        {"input": registers(range(3)), "coil": {0: 0}, "holding": registers(range(2), value=5)}
    )
    axis.objects = {0: b"Example Drives", 1: b"AX-2", 2: b"1.4\x00", 128: b"x"}
    return fake_line({21: axis, 31: thing({"input": registers(range(2))})})


def looked(small, line, **options):
    options.setdefault("units", units_in("1-32"))
    place = bus_of_site(small, "drives", None)
    return find(Talk(line), place.bus, place.subjects, Options(**options))


def test_a_line_is_found_with_names_tables_limits_and_identification(small, line):
    found = looked(small, line)
    assert [(one.unit, one.name) for one in found.units] == [(21, "axis_infeed"), (31, "meter")]
    axis, meter = found.units
    assert axis.identification == {
        "vendor": "Example Drives", "product_code": "AX-2", "revision": "1.4", "object_128": "x",
    }  # fmt: skip
    assert meter.identification is None
    assert {t.table: t.ranges for t in axis.tables if t.ranges} == {
        "holding": (range(2),), "input": (range(3),), "coil": (range(1),),
    }  # fmt: skip


def test_nothing_is_written_unasked(small, line):
    looked(small, line)
    assert not [ask for ask in line.asked if ask.function in WRITES]


def test_latency_becomes_a_turnaround(small, line):
    line.latencies = [4.0, 5.0, 7.2]
    axis = looked(small, line).units[0]
    assert (axis.latency.min_ms, axis.latency.median_ms, axis.latency.max_ms) == (4.0, 5.0, 7.2)
    assert axis.latency.turnaround_ms == 8


def test_before_one_unit_is_asked_again_the_quiet_is_longer(small, line):
    bus = bus_of_site(small, "drives", None).bus
    line.things[21].mute = {2}
    looked(small, line, units=(20, 21))
    assert set(line.quiet) == {bus.timeout_ms, 2 * bus.timeout_ms}


def test_what_site_yaml_calls_unreadable_is_not_asked(small, line):
    devices = small.file.devices
    axis = devices["axis_infeed"].model_copy(
        update={"readable": {"input": ("0-2",)}, "holes": {"input": ("1",)}}
    )
    file = small.file.model_copy(update={"devices": devices | {"axis_infeed": axis}})
    looked(small.model_copy(update={"file": file}), line, units=(21,))
    asked = [a for a in line.asked if a.function == 4]
    touched = {at for a in asked for at in range(a.address, a.address + a.quantity)}
    # the first address that the map names is asked to see whether the unit is there
    assert touched <= {0, 2}


def test_the_requests_are_counted_and_limited_for_each_unit(small, line):
    found = looked(small, line, units=(21, 31), requests_most=40)
    assert found.requests >= sum(one.requests for one in found.units)
    for one in found.units:
        assert sum(t.requests for t in one.tables) <= 40


def test_a_network_device_that_answers_to_every_number_is_surveyed_once(small, fake_line, thing):
    one = thing({"holding": registers(range(4))})
    line = fake_line(dict.fromkeys(range(1, 33), one))
    place = network_port("192.0.2.1", "502", "100ms", rtu=False)
    found = find(Talk(line), place.bus, {}, Options(units_in("1-32")))
    assert [unit.unit for unit in found.units] == [1]
    assert "one device that does not look at them" in found.notes[0]


def test_a_unit_slower_than_the_time_out_is_told_with_the_remedy(small, fake_line):
    line = fake_line({})
    line.late = {21}
    found = looked(small, line, units=(21,))
    assert "axis_infeed answers later than the time-out of 50 ms" in found.notes[0]
    assert found.units[0].latency is None


def test_an_echo_on_the_line_is_told(small, line):
    line.echoes = True
    assert looked(small, line).echo is True
    place = network_port("192.0.2.1", "502", "100ms", rtu=False)
    assert find(Talk(line), place.bus, {}, Options((21,))).echo is None


# ---- writing ------------------------------------------------------------------------------


def test_the_value_just_read_is_written_back_with_either_function(line):
    trial = try_writes(Talk(line), Where("axis", 21), "holding", 1)
    assert (trial.value, trial.functions, trial.changed) == (5, "both", False)
    assert [(a.function, a.cells) for a in line.asked if a.cells] == [(6, (5,)), (16, (5,))]
    assert line.things[21].tables["holding"] == {0: 5, 1: 5}


@pytest.mark.parametrize(
    ("functions", "found"),
    [({3, 6}, "single"), ({3, 16}, "multiple"), ({3}, None), ({3, 6, 16}, "both")],
)
def test_the_write_function_is_told_by_what_the_device_takes(fake_line, thing, functions, found):
    line = fake_line({7: thing({"holding": {0: 9}}, functions=functions)})
    assert try_writes(Talk(line), Where("thing", 7), "holding", 0).functions == found


def test_what_cannot_be_read_is_not_written(fake_line, thing):
    line = fake_line({7: thing({"holding": {}})})
    trial = try_writes(Talk(line), Where("thing", 7), "holding", 0)
    assert (trial.value, trial.functions) == (None, None)
    assert not [ask for ask in line.asked if ask.cells]


def test_writes_wait_for_a_persons_word_about_each_device(small, line):
    asked = []

    def allow(name, unit, points, table, address):
        asked.append((name, unit, table, address))
        return name == "axis_infeed"

    found = looked(small, line, allow_write=allow)
    assert [name for name, *_ in asked] == ["axis_infeed"]  # the meter has no output at all
    written = {ask.unit for ask in line.asked if ask.function in WRITES}
    assert written == {21}
    assert found.units[0].write.functions == "both"
    assert found.units[1].write is None


def test_what_could_move_names_loads_first_and_what_becomes_of_them(small):
    drives = subjects_of(small, "io")[2]
    told = what_could_move(drives.points)
    loads = [text for text in told if "carries a load" in text]
    assert loads
    assert list(told[: len(loads)]) == loads
    assert any("when lost" in text for text in told)


# ---- profiles -----------------------------------------------------------------------------


def test_a_profile_holds_what_was_measured_and_loads_in_a_site(small, line, tmp_path):
    found = looked(small, line, units=(21,))
    text = profile_text(found.units[0], "bus drives", dt.date(2026, 11, 25))
    plain = YAML(typ="safe").load(text)
    assert plain["identification"]["vendor"] == "Example Drives"
    assert plain["readable"] == {"holding": ["0-1"], "input": ["0-2"], "coil": ["0"]}
    assert plain["tables"] == ["holding", "input", "coil"]
    assert plain["turnaround"] == "4ms"
    assert plain["notation"] == "protocol"

    folder = tmp_path / "yours"
    folder.mkdir()
    for file in SMALL.iterdir():
        (folder / file.name).write_bytes(file.read_bytes())
    site = (folder / "site.yaml").read_text()
    site = site.replace("axis_infeed: {bus", "axis_infeed: {profile: axis.yaml, bus")
    (folder / "site.yaml").write_text(site)
    (folder / "axis.yaml").write_text(text)
    device = load_site(folder).file.devices["axis_infeed"]
    assert device.turnaround_ms == 4
    assert device.ranges(device.readable, "input") == [range(3)]


def test_a_limit_below_the_protocols_is_written_and_a_guess_is_not(fake_line, thing):
    line = fake_line({7: thing({"holding": registers(range(100))}, most=61)})
    place = serial_port("/dev/ttyS0", "50ms", baud=9600)
    (one,) = find(Talk(line), place.bus, {}, Options((7,))).units
    assert "\nmax_read_registers: 61\n" in profile_text(one, "x", dt.date.today())
    short = fake_line({7: thing({"holding": registers(range(5))})})
    (one,) = find(Talk(short), place.bus, {}, Options((7,))).units
    text = profile_text(one, "x", dt.date.today())
    assert "max_read_registers" not in YAML(typ="safe").load(text)
    assert "# max_read_registers: 5 at once works" in text


def test_a_profile_is_written_in_the_devices_own_notation(small, line):
    devices = small.file.devices
    axis = devices["axis_infeed"].model_copy(update={"notation": "reference"})
    file = small.file.model_copy(update={"devices": devices | {"axis_infeed": axis}})
    found = looked(small.model_copy(update={"file": file}), line, units=(21,))
    plain = YAML(typ="safe").load(profile_text(found.units[0], "x", dt.date.today()))
    assert plain["notation"] == "reference"
    assert plain["readable"]["input"] == ["30001-30003"]


# ---- ports and speeds ---------------------------------------------------------------------


def test_speeds_are_tried_until_something_answers(fake_line, thing):
    right = fake_line({5: thing({"holding": {0: 1}})})
    opened = []

    def open_at(place):
        opened.append((place.bus.baud, place.bus.parity))
        return right if opened[-1] == (19200, "none") else fake_line({})

    place = serial_port("/dev/ttyS0", "50ms")
    told = []
    trials = [
        trial
        for trial, _ in tried(
            place, lines_to_try("9600,19200:even,none"), range(1, 9), open_at,
            lambda what, done, total: told.append(what),
        )
    ]  # fmt: skip
    assert opened == [(9600, "even"), (9600, "none"), (19200, "even"), (19200, "none")]
    assert [len(trial.present) for trial in trials] == [0, 0, 0, 1]
    assert any("19200 baud, parity none (4 of 4)" in what for what in told)
    assert not right.is_open


@pytest.mark.parametrize("text", ["fast", "9600:evn", "9600,"])
def test_speeds_that_are_none_are_refused(text):
    with pytest.raises(UsageError, match="--try"):
        lines_to_try(text)


def test_a_network_port_has_no_speed_to_try(fake_line):
    place = network_port("192.0.2.1", "502", "50ms", rtu=False)
    with pytest.raises(UsageError, match="serial port of this machine"):
        next(tried(place, ((9600, "even"),), (1,), lambda p: fake_line({}), lambda *_: None))


def test_wrong_facts_of_a_port_are_told_by_their_option():
    with pytest.raises(UsageError, match="--parity 'evn'"):
        serial_port("/dev/ttyS0", "50ms", parity="evn")
    with pytest.raises(UsageError, match="--port"):
        network_port("192.0.2.1", "http", "50ms", rtu=False)


def test_a_bus_that_the_site_has_not_is_told_with_the_nearest(small):
    with pytest.raises(UsageError, match="drives"):
        bus_of_site(small, "drive", None)
