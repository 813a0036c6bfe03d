"""`recover` as a person types it: what is settled, the questions, the walk-round of a lane."""

from __future__ import annotations

import io
import sys

import pytest

from linectl.commission.walk_round import Lane, folded, lane_of, read_corrections
from linectl.errors import UsageError
from linectl.image import Command, Frame
from linectl.ledger import Ledger
from linectl.runtime.starting import begin_line

pytestmark = pytest.mark.wire
SITE = "config/small"
MOVES = [
    {"number": 41, "kind": "convey", "gutter": 31, "source": "fill", "dest": "tamp",
     "verdict": "done", "why": "tamp's exit eye sees it, fill's does not"},
    {"number": 42, "kind": "process", "gutter": 30, "source": "seed", "dest": "seed",
     "verdict": "asked", "why": "no sensor tells how far the drum came"},
]  # fmt: skip
SEED = {
    "id": "seed", "place": "seed", "gutter": 30, "text": "Is gutter 30 seeded to its end?",
    "caution": "isolate and lock the sower before you lean over the drum",
    "answers": [{"choice": "finish", "text": "what is missing is seeded"},
                {"choice": "reject", "text": "two people take it off"}],
}  # fmt: skip
LIFT = {
    "id": "lane1.lift", "place": "lane1.lift", "gutter": 12, "text": "Where does the gutter lie?",
    "caution": "", "answers": [{"choice": "deck", "text": "on the deck"}],
}  # fmt: skip


class Record:
    """A controller that has questions and a lane, and takes answers and corrections."""

    def __init__(self):
        self.questions = [SEED, LIFT]
        self.slots = {"lane2.germ": [24, 23, 0, -1], "lane2.grow": [0, 0, 17, 16, 15, 14, 12, 13]}
        self.commands = []

    def answer(self, request):
        if request["ask"] == "recovery":
            rows = [{"run": run, "slots": slots} for run, slots in self.slots.items()]
            lanes = [{"lane": 1, "runs": []}, {"lane": 2, "runs": rows}]
            return {"site": "small", "judged": True, "waits_for": [], "moves": MOVES,
                    "questions": self.questions, "unverified": 1, "lanes": lanes}  # fmt: skip
        self.commands.append((request["name"], request["argument"], request["by"]))
        words = request["argument"].split()
        why = self._answered(*words) if request["name"] == "answer" else self._corrected(*words)
        return {"accepted": why is None, "why": why}

    def _answered(self, identity, choice):
        if choice == "reject":
            return "seed.exit_eye still sees a gutter: take it off first, two people"
        self.questions = [one for one in self.questions if one["id"] != identity]
        return None

    def _corrected(self, slot, what):
        run, _, place = slot.rpartition(".")
        if what == "99":
            return "gutter 99 was handed over"
        words = {"hole": 0, "unknown": -1}
        self.slots[run][int(place)] = words[what] if what in words else int(what)
        return None


class Terminal(io.StringIO):
    """Standard input with somebody at it."""

    def isatty(self):
        return True


@pytest.fixture
def record(answering):
    made = Record()
    answering.answer = made.answer
    return made


@pytest.fixture
def typed(linectl, monkeypatch):
    def type_(text, *arguments):
        monkeypatch.setattr(sys, "stdin", Terminal(text))
        return linectl("recover", SITE, *arguments)

    return type_


@pytest.mark.parametrize("arguments", [(), ("--json",)])
def test_without_a_terminal_it_prints_the_object_and_exits_1_while_a_question_stands(
    linectl, record, monkeypatch, arguments
):
    monkeypatch.setattr(sys, "stdin", io.StringIO())
    said = linectl("recover", SITE, *arguments)
    assert said.code == 1
    assert [one["id"] for one in said.json["questions"]] == ["seed", "lane1.lift"]
    assert said.json["moves"] == MOVES
    record.questions = []
    assert linectl("recover", SITE, *arguments).code == 0


def test_at_a_terminal_the_settled_comes_first_then_each_question_with_its_caution_before_it(
    typed, record
):
    said = typed("anna\n1\n1\n")
    told = said.out.replace("\n", " ")
    places = [told.index(text) for text in (
        "tamp's exit eye sees it", "CAUTION: what nobody has confirmed",
        "CAUTION: isolate and lock the sower", "Is gutter 30 seeded", "finish: taken",
        "Where does the gutter lie", "deck: taken", "No question stands",
    )]  # fmt: skip
    assert places == sorted(places)
    assert "2  reject: two people take it off" in said.out
    assert [words for _, *words in record.commands] == [
        ["seed finish", "anna"], ["lane1.lift deck", "anna"],
    ]  # fmt: skip
    assert said.code == 0
    assert said.err.count("Your name") == 1


def test_a_lane_caught_in_a_stroke_is_named_with_what_lets_it_go_on(typed, record, monkeypatch):
    stroke = {**MOVES[0], "kind": "stroke", "source": "lane2.grow", "verdict": "under_way"}
    monkeypatch.setitem(globals(), "MOVES", [stroke])
    record.questions = []
    said = typed("")
    assert "Lane 2 was caught in the middle: see that it is clear" in said.out
    assert "linectl command config/small line lane-resume 2" in said.out


def test_a_refused_or_left_question_still_stands_and_says_so(typed, record):
    said = typed("anna\n2\n\n")
    assert said.code == 1
    assert "reject: refused: seed.exit_eye still sees a gutter" in said.out
    assert "2 still to be answered: both units refuse to start" in said.out


def test_a_number_that_is_no_answer_is_asked_again(typed, record):
    said = typed("7\nyes\n1\n1\n", "--by", "anna")
    assert said.err.count("is none of 1, 2") == 2
    assert record.commands[0] == ("answer", "seed finish", "anna")


def test_one_answer_without_dialogue_needs_a_name(linectl, record):
    assert linectl("recover", SITE, "--answer", "seed=finish").code == 2
    assert record.commands == []
    said = linectl("recover", SITE, "--answer", "seed=finish", "--by", "anna")
    assert (said.code, said.out) == (0, "seed: finish: taken\n")
    said = linectl("recover", SITE, "--answer", "seed=reject", "--by", "anna", "--json")
    assert said.code == 1 and said.json["accepted"] is False


def test_nothing_is_asked_before_the_devices_are_good(typed, answering):
    answering.answer = {"judged": False, "waits_for": ["io_sower"], "moves": [], "questions": [],
                        "unverified": 9, "lanes": []}  # fmt: skip
    said = typed("")
    assert "Nothing is judged yet: the controller waits for io_sower" in said.out


def test_without_a_controller_it_says_to_start_one_first(linectl, monkeypatch, tmp_path):
    tmp_path.chmod(0o700)
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    said = linectl("recover", SITE)
    assert said.code == 3
    assert "Recovery needs the sensors: start it first, with: linectl run" in said.err


@pytest.fixture
def cut_line(shift, tmp_path):
    """A line begun from the record of one that was cut with its drum over a gutter, and judged."""
    run = shift("small", seed=5, ledger=str(tmp_path / "line.sqlite3"))
    while run.line.stations["seed"].state != "tooling":
        run.rehearsal.run(run.rehearsal.bench.now + 500)
    assert run.outcome["unconfirmed"]["process"]
    site, plant = run.line.site, run.plant
    book = Ledger.open(str(tmp_path / "line.sqlite3"), site)
    line = begin_line(site, book)
    book.close()
    inputs = [point.index for point in site.points if point.direction == "in"]
    seen = [(index, plant.read(index)) for index in inputs]
    line.scan(Frame(values=seen, quality=[(index, True) for index in inputs]), 10)
    for now in range(500, 30_000, 500):
        line.scan(Frame(), now)
    assert line.recovery.judged
    return line


def test_a_line_that_was_cut_is_asked_about_answered_and_walked_round(typed, answering, cut_line):
    def answer(request):
        if request["ask"] == "recovery":
            return {"site": "small", **cut_line.recovery_view()}
        words = (request["name"], request["argument"], request["by"])
        why = cut_line.obey(Command("", *words))
        return {"accepted": why is None, "why": why}

    answering.answer = answer
    count = len(cut_line.recovery_view()["questions"])
    assert count
    said = typed("anna\n" + "1\n" * count)
    assert "seed: gutter" in said.out and "finish: taken" in said.out
    assert (said.code, cut_line.recovery_view()["questions"]) == (0, [])
    said = typed("grow.3 hole\ngrow.4 7000\n\n", "--lane", "2", "--by", "anna")
    assert "lane2.grow.3 hole: taken" in said.out and "grow 3: hole" in said.out
    assert "7000: refused: " in said.out and said.code == 1


# ---- the walk-round -----------------------------------------------------------------------


def test_a_lane_is_printed_mouth_to_tail_in_stretches():
    lane = Lane(2, {"lane2.germ": (24, 23, 22, 0), "lane2.grow": (0, 0, -1, 17, 19, 20, 12, 11)})
    assert folded(lane) == [
        "germ 0–2: 24…22", "germ 3: hole", "grow 0–1: hole", "grow 2: unknown", "grow 3: 17",
        "grow 4–5: 19…20", "grow 6–7: 12…11",
    ]  # fmt: skip


def test_a_walk_round_takes_corrections_until_an_empty_line_and_shows_the_lane_again(typed, record):
    said = typed("anna\ngerm.2 25\nlane2.germ.3 hole\ngerm.9 hole\ngrow.0 99\n\n", "--lane", "2")
    assert record.commands == [
        ("correct", "lane2.germ.2 25", "anna"), ("correct", "lane2.germ.3 hole", "anna"),
        ("correct", "lane2.grow.0 99", "anna"),
    ]  # fmt: skip
    assert "'germ.9' is not a slot of lane 2; nearest valid name: germ" in said.err
    assert "lane2.grow.0 99: refused: gutter 99 was handed over" in said.out
    assert "germ 2: 25" in said.out and "2 corrected, 1 refused" in said.out
    assert said.code == 1


def test_a_list_from_a_clipboard_is_sent_whole(linectl, record, tmp_path):
    path = tmp_path / "lane2.csv"
    path.write_text("slot;what\n# mouth\ngerm.2;25\n\ngerm.3;hole\n")
    assert linectl("recover", SITE, "--lane", "2", "--from", path).code == 2  # no name
    assert record.commands == []
    said = linectl("recover", SITE, "--lane", "2", "--from", path, "--by", "anna")
    assert said.code == 0 and "2 corrected, 0 refused" in said.out
    assert [argument for _, argument, _ in record.commands] == [
        "lane2.germ.2 25", "lane2.germ.3 hole",
    ]  # fmt: skip
    again = linectl("recover", SITE, "--lane", "2", "--from", path, "--by", "anna", "--json")
    assert again.json["corrections"][1] == {"slot": "lane2.germ.3", "what": "hole",
                                            "accepted": True, "why": None}  # fmt: skip


def test_a_list_with_wrong_lines_names_each_and_sends_nothing(linectl, record, tmp_path):
    path = tmp_path / "lane2.csv"
    path.write_text("germ.2,25\ngerm.7,hole\ngrow.1,empty\ngrow.2\ngerm.2,hole\ngrow.3,24\n")
    said = linectl("recover", SITE, "--lane", "2", "--from", path, "--by", "anna")
    assert said.code == 2
    for line, text in ((2, "'germ.7' is not a slot"), (3, "'empty' is not what a slot can hold"),
                       (4, "1 cells; a row is SLOT,WHAT"), (5, "stands in line 1 already"),
                       (6, "by the record it stands in lane2.germ.0")):  # fmt: skip
        assert f"lane2.csv:{line}: " in said.err and text in said.err
    assert "Nothing was sent." in said.err and record.commands == []


def test_a_list_that_moves_a_row_on_names_every_slot_of_it(tmp_path):
    path = tmp_path / "lane2.csv"
    lane = Lane(2, {"lane2.germ": (24, 23, 22, 0)})
    path.write_text("germ.0,hole\ngerm.1,24\ngerm.2,23\ngerm.3,22\n")
    assert [one.what for one in read_corrections(path, lane)] == ["hole", "24", "23", "22"]


def test_an_unknown_lane_is_named_with_those_there_are(linectl, record):
    said = linectl("recover", SITE, "--lane", "7")
    assert said.code == 2 and "there is no lane 7; there are: 1, 2" in said.err
    with pytest.raises(UsageError):
        lane_of({"lanes": []}, 1)


def test_without_a_terminal_a_walk_round_prints_the_lane(linectl, record, monkeypatch):
    monkeypatch.setattr(sys, "stdin", io.StringIO())
    said = linectl("recover", SITE, "--lane", "2")
    assert said.json["runs"][0] == {"run": "lane2.germ", "slots": [24, 23, 0, -1]}
