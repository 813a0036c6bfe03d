"""An IO checkout moves nothing that a person has not confirmed, and leaves nothing on."""

from __future__ import annotations

import pytest
from checkout_evening import Evening

from linectl.commission.answers import Deed, Rule


@pytest.fixture
def evening(tmp_path):
    return Evening(tmp_path / "small")


def test_no_pulse_without_a_confirmation_of_its_own(evening):
    """S39."""
    evening.zone_is_ready()
    evening.walk("sowing")
    confirmed = [said for said in evening.said if "for ONE pulse" in said]
    typed = [said.rpartition(": ")[2] for said in confirmed]
    assert len(evening.pulses) == len(confirmed) > 60
    for argument, token in zip(evening.pulses, typed, strict=True):
        tag, _, value = token.partition(" ")
        assert argument.startswith(f"{tag} ")
        assert not value or argument.endswith(f" {value}")


@pytest.mark.parametrize("typed", ["", "yes", "fill.ru", "FILL.RUN", "tamp.run"])
def test_what_is_not_the_tag_moves_nothing(evening, typed):
    """S39."""
    evening.zone_is_ready()
    before = len(evening.pulses)
    counts = evening.walk("fill.run", first=(Rule(when="ONE pulse", say=typed),))
    assert counts["left out"] == 1
    assert len(evening.pulses) == before
    assert evening.standing.of("open")


def test_a_refused_pulse_wants_another_confirmation(evening):
    """S39."""
    evening.zone_is_ready()
    evening.plant("open", "fill")
    evening.walk("fill.run", first=(Rule(when="resets interlocks", say=("", "", "s")),))
    assert len([said for said in evening.said if 'type "fill.run"' in said]) == 3
    assert evening.standing.as_json()["failed"] == 0


def test_an_output_is_offered_only_when_what_protects_people_has_passed(evening):
    """S39."""
    counts = evening.walk("tamp")
    assert counts["failed"] == 0
    assert evening.pulses == []
    assert (
        "tamp.press: not offered: first sowing.estop_ok, sowing.enabling, sowing.horn_on,"
        " sowing.beacon_on must pass"
    ) in evening.heard


def test_letting_go_of_the_enabling_device_ends_the_pulse(evening):
    """S39."""
    evening.zone_is_ready()
    lets_go = {"sowing": (Deed(on="hold", do="enable"), Deed(on="hold", do="disable"))}
    evening.walk("fill.run", acts=lets_go, first=(Rule(when="resets interlocks", say="s"),))
    assert "the enabling device was let go: Enter tries again" in evening.heard
    assert evening.field.look(-1).points["fill.run"] is False


def test_who_leaves_during_a_pulse_leaves_nothing_on(evening):
    """S40."""
    evening.zone_is_ready()

    class Gone(Exception):
        pass

    def watched(when=evening.field.pause):
        when()
        if evening.field.look(-1).points["fill.run"]:
            raise Gone

    evening.field.pause = watched
    with pytest.raises(Gone):
        evening.walk("fill.run")
    assert evening.field.commanded[-1][0] == "pulse-end"
    assert evening.field.look(-1).points["fill.run"] is False
    assert all(one.tag != "fill.run" for one in evening.tries)
