"""A script in the place of a person: it answers what is asked, and acts on the plant model."""

from __future__ import annotations

import pytest

from linectl.commission.answers import Scripted, read_answers
from linectl.commission.person import Ended, FieldAct, answer, yes_or_no
from linectl.errors import SiteError, UsageError

TEXT = """\
by: anna
answers:
  - {at: fill.exit_eye, when: result, say: ["no", "yes"]}
  - {when: result, say: "yes"}
  - {when: stop here, say: q}
acts:
  fill.entry_eye: []
  fill.level: [{on: apply, do: hold sensor, options: {value: 3}}]
"""


class Plant:
    def __init__(self) -> None:
        self.told = []

    def ask(self, told):
        self.told.append(told)
        return {"ok": True}


@pytest.fixture
def plant():
    return Plant()


@pytest.fixture
def person(tmp_path, plant):
    path = tmp_path / "answers.yaml"
    path.write_text(TEXT)
    return Scripted(read_answers(path), plant)


def test_the_first_answer_that_fits_counts_and_several_are_given_in_turn(person):
    person.about("fill.exit_eye")
    assert [yes_or_no(person, "result? ") for _ in range(3)] == [False, True, True]
    person.about("fill.entry_eye")
    assert yes_or_no(person, "result? ")


def test_a_question_without_an_answer_ends_the_work_and_is_quoted(person):
    person.about("tamp.press")
    with pytest.raises(UsageError, match=r"at tamp\.press.*weight of run 1"):
        person.ask("weight of run 1, kg: ")


def test_a_script_may_stop_as_a_person_may(person):
    with pytest.raises(Ended):
        answer(person, "stop here? ")


def test_what_the_tool_asks_for_is_done_on_the_plant(person, plant):
    person.act(FieldAct("operate", "seed.exit_eye", True, "cover the eye"))
    assert plant.told == [
        {"do": "hold sensor", "part": "seed.exit_eye", "options": {"value": True}}
    ]


def test_the_script_may_do_something_else_in_its_place_or_nothing(person, plant):
    person.act(FieldAct("operate", "fill.entry_eye", True, "cover the eye"))
    person.act(FieldAct("break", "fill.level", None, "open the wire"))
    person.act(FieldAct("apply", "fill.level", 40, "apply 40"))
    assert plant.told == [{"do": "hold sensor", "part": "fill.level", "options": {"value": 3}}]


def test_a_wrong_file_is_told_with_its_lines(tmp_path):
    path = tmp_path / "answers.yaml"
    path.write_text("answers:\n  - {wenn: result, say: y}\n")
    with pytest.raises(SiteError) as wrong:
        read_answers(path)
    assert "answers.yaml" in str(wrong.value)
    assert any(finding.line == 2 for finding in wrong.value.findings)


def test_a_script_without_a_plant_model_holds_no_enabling_device(person, tmp_path):
    alone = Scripted(read_answers(tmp_path / "answers.yaml"))
    alone.act(FieldAct("look", "fill.run", None, "look"))
    with pytest.raises(UsageError, match="confirms no motion of a machine"):
        alone.act(FieldAct("hold", "sowing", True, "hold it"))
