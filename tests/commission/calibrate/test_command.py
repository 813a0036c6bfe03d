"""`linectl calibrate` as typed: the list, a script's round as one object, a pseudo-terminal."""

from __future__ import annotations

import json
import os
import pty
import re
import sys

import pytest

from linectl.cli import calibrate as command
from linectl.cli import main
from linectl.commission.answers import usual
from linectl.commission.calibrate.work import Outcome

SCRIPT = """
by: ann
instrument: scale no. 4
answers:
  - {when: all of it is so, say: "yes"}
  - {when: put into maintenance now, say: "yes"}
  - {when: substrate lot, say: P-7}
  - {when: valid until, say: none}
  - {when: bulk density, say: none}
  - {when: what came, weigh: fill, say: "{l}l"}
  - {when: write it, say: "yes"}
  - {when: tell the running controller, say: "no"}
  - {when: "", say: ""}
"""


@pytest.fixture
def line(site_folder, benched, monkeypatch):
    """The running controller that the command finds, and the plant that its script acts on."""
    made = benched(site_folder)
    made.do("hidden factors", seed=3)
    monkeypatch.setattr(command, "RunningController", lambda folder: made)
    monkeypatch.setattr(command.time, "sleep", lambda seconds: made.pause())
    monkeypatch.setattr("linectl.cli.someone.PlantTalk", lambda port: Talk(made))
    return made


class Talk:
    def __init__(self, line) -> None:
        self.ask = line.ask

    def close(self) -> None:
        pass


@pytest.fixture
def typed(monkeypatch, capsys, site_folder):
    """What comes of a command line: exit code, standard output, standard error."""

    def run(*words: str):
        monkeypatch.setattr(sys, "argv", ["linectl", "calibrate", str(site_folder), *words])
        with pytest.raises(SystemExit) as ended:
            main()
        return ended.value.code, *capsys.readouterr()

    return run


@pytest.fixture
def script(tmp_path):
    (tmp_path / "answers.yaml").write_text(SCRIPT, encoding="utf-8")
    (tmp_path / "plant.json").write_text('{"control": 1}', encoding="utf-8")
    return ("--answers", str(tmp_path / "answers.yaml"), "--plant", str(tmp_path / "plant.json"))


def test_a_script_calibrates_without_a_keyboard_and_tells_one_object(line, typed, script) -> None:
    code, out, _ = typed("doser", "--json", *script)
    told = json.loads(out)
    assert code == 0
    assert (told["site"], told["what"], told["result"], told["why"]) == (
        "small", "doser", "written", None,
    )  # fmt: skip
    assert told["new"]["doser.factor"] == pytest.approx(line.plant.hidden()["doser"], rel=0.02)
    documented = set(re.findall(r"\w+", str(Outcome.as_json.__doc__)))
    assert set(told) <= documented
    assert set(told["runs"][0]) <= documented


def test_the_list_says_what_stands_and_how_it_came_there(line, typed, script) -> None:
    typed("doser", "--json", *script)
    code, out, _ = typed("--list")
    assert code == 0
    assert "green oakleaf pellets" in out and "factor 0.992" in out
    assert "written" in out and "rounds: 1" in out
    code, out, _ = typed("--json")
    told = json.loads(out)
    assert told["expired"] == [] and len(told["rounds"]) == 1
    assert told["standing"]["doser"]["by"] == "ann"


def test_undo_from_the_command_line_ends_with_what_stood_before(
    line, typed, script, site_folder
) -> None:
    before = (site_folder / "calibration.yaml").read_text(encoding="utf-8")
    typed("doser", "--json", *script)
    answers = site_folder.parent / "undo.yaml"
    answers.write_text('answers: [{when: "yes or no", say: "yes"}]\n', encoding="utf-8")
    code, _, _ = typed("doser", "--undo", "--by", "ann", "--answers", str(answers))
    assert code == 0
    assert (site_folder / "calibration.yaml").read_text(encoding="utf-8") == before


def test_a_refused_set_ends_with_exit_1_and_its_reason(line, typed, script) -> None:
    line.spill_next(4)
    text = SCRIPT.replace('  - {when: "", say', '  - {when: must be repeated, say: q}\n'
                          '  - {when: "", say')  # fmt: skip
    with open(script[1], "w", encoding="utf-8") as file:
        file.write(text)
    code, out, _ = typed("doser", "--json", *script)
    assert code == 1
    assert "an outlier that was not repeated: run 3" in json.loads(out)["why"]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("dozer",), "'dozer' is nothing to calibrate; nearest valid name: doser"),
        ((), "say what is calibrated: doser, water, drum"),
        (("doser", "--plant", "plant.json"), "add --answers"),
        (("drum", "--plot", "curve.gif"), "FILE.svg or FILE.png"),
    ],
)
def test_what_is_asked_wrongly_is_answered_with_what_would_be_right(typed, words, says) -> None:
    code, _, err = typed(*words)
    assert code == 2
    assert says in " ".join(err.split())


def test_the_curve_is_drawn_where_it_is_wanted(line, typed, script, tmp_path) -> None:
    text = SCRIPT.replace(
        '  - {when: what came, weigh: fill, say: "{l}l"}',
        '  - {when: "cells, of them", weigh: seed, say: "{cells} {empty} {multiple}"}\n'
        '  - {when: seeds counted, weigh: seed, say: "{seeds}"}\n'
        '  - {when: vacuums to try, say: "7 10 13"}\n'
        "  - {when: seed lot, say: S-2}",
    )
    with open(script[1], "w", encoding="utf-8") as file:
        file.write(text)
    code, out, err = typed("drum", "--plot", str(tmp_path / "curve.svg"), *script)
    assert code == 0, err
    assert "quality of feed (ISO 7256-1) by vacuum" in out
    assert "quality of feed" in (tmp_path / "curve.svg").read_text(encoding="utf-8")


def test_a_person_at_a_terminal_is_rung_for_and_told_what_to_do(line, monkeypatch, script) -> None:
    """A pseudo-terminal of 80 columns; a child types what a person would, and acts on the plant."""
    child, terminal = pty.fork()
    if child == 0:
        os.environ.update(COLUMNS="80", TERM="xterm")
        sys.stdin, sys.stdout, sys.stderr = open(0), open(1, "w"), open(2, "w")  # noqa: SIM115
        _type_as_a_person(line, monkeypatch)
    heard = b""
    while True:
        try:
            heard += os.read(terminal, 65536)
        except OSError:
            break
    os.waitpid(child, 0)
    os.close(terminal)
    said = re.sub(r"\x1b\[[0-9;]*m", "", heard.decode())
    words = re.sub(r"[╭─╮│╰╯\s]+", " ", said)
    assert "\a hold the enabling device of sowing: horn, then fill.doser runs" in words
    assert "doser: calibrated" in said
    assert max(len(line) for line in said.splitlines() if line.startswith(("╭", "│"))) <= 80


def _type_as_a_person(line, monkeypatch) -> None:
    from linectl.cli.terminal import Terminal

    shown = Terminal.act
    rules = re.findall(r"- \{when: (.+?), say: (.+)\}", SCRIPT)

    def act(self, told) -> None:
        shown(self, told)
        if wanted := usual(told):
            line.ask(dict(wanted))

    def ask(self, question: str) -> str:
        answer = next(say.strip('"') for when, say in rules if when.strip('"') in question)
        if "what came" in question:
            answer = f"{line.plant.weigh('fill')['l']}l"
        sys.stdout.write(f"{question}{answer}\n")
        return answer

    monkeypatch.setattr(Terminal, "act", act)
    monkeypatch.setattr(Terminal, "ask", ask)
    folder = line.site.folder
    sys.argv = ["linectl", "calibrate", folder, "doser", "--by", "ann", "--instrument", "jug 2"]
    try:
        main()
    except SystemExit:
        sys.stdout.flush()
    os._exit(0)
