"""`--answers FILE.yaml`: a script in the place of a person, for tests and for training.

    answers:
      - {when: "what drives it", say: clamp meter 3}   # the first that fits
      - {at: fill.exit_eye, when: result, say: [n, y]} # of that point alone; in turn
      - {when: "what came", weigh: fill, say: "{kg}kg"} # weighed on the plant model
    acts:
      fill.exit_eye: []                                # nobody acts there

In an answer `{quoted}` stands for what the question has in quotes (a tag to type), `{moved}` for
what the plant shows to have moved since the tool asked to look: yes, no, backwards, other tags;
`{shown}` for the set-point that stands in the plant's device.

What a person does in the field is done on a running plant model where one is given: without a word
in `acts` as the tool asks it to be done. A question that no answer fits ends the work with an error
that quotes it; what is recorded by then stays.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Annotated, Any, Protocol

from pydantic import Field

from linectl.commission.person import FieldAct
from linectl.commission.seen_moving import Moving, seen_moving
from linectl.errors import Finding, SiteError, UsageError
from linectl.site.complaints import validated
from linectl.site.fields import Facts
from linectl.site.sheet import read_yaml

AGAIN_MAX = 50
"""The same question so often about one point: the script and the tool would go round for ever."""


class PlantDoing(Protocol):
    """The plant model beside its wires; `linectl.runtime.plant_talk.PlantTalk` is one."""

    def ask(self, told: dict[str, Any]) -> dict[str, Any]: ...


class Rule(Facts):
    """One answer."""

    when: str = ""
    """Words of the question; empty: every question."""
    at: str = ""
    """The tag or station that is being asked about; empty: any."""
    say: str | Annotated[tuple[str, ...], Field(min_length=1)] = ""
    """The answer, or several: one for each time it is asked, the last one for ever after. With
    `weigh` it is a form: `{kg:.3f}kg`, `{cells} {empty} {multiple}`."""
    weigh: str = ""
    """The station whose vessel is weighed on the plant model for the answer; `say` spells it."""


class Deed(Facts):
    """What is done on the plant model in place of what the tool asks: a scenario's verb."""

    on: str = ""
    """The kind of act it stands for (operate, apply, break …); empty: every one."""
    do: str
    part: str = ""
    options: dict[str, bool | int | float | str] = Field(default_factory=dict)


class AnswersFile(Facts):
    """The file."""

    by: str = ""
    """Who the script stands for, where the command is given no --by."""
    witness: str = ""
    instrument: str = ""
    answers: tuple[Rule, ...] = ()
    acts: dict[str, tuple[Deed, ...]] = Field(default_factory=dict)


def read_answers(path: Path) -> AnswersFile:
    """The script. Raises SiteError with every error at once, UsageError if there is no file."""
    if not path.is_file():
        raise UsageError(f"{path}: there is no such file of answers")
    findings: list[Finding] = []
    tree = read_yaml(path, path.name, findings)
    file = validated(AnswersFile, tree, findings) if not findings else None
    if file is None:
        raise SiteError(findings)
    return file


class Scripted:
    """A person who answers from a file. `said`: everything told and asked, for whoever looks."""

    def __init__(
        self,
        file: AnswersFile,
        plant: PlantDoing | None = None,
        tell: Callable[[str], None] = lambda text: None,
    ) -> None:
        """tell: is given everything as it is said, for whoever reads along."""
        self._file = file
        self._plant = plant
        self._tell = tell
        self._before: Moving = {}
        self._used: dict[int, int] = {}
        self._at = ""
        self._asked: Counter[str] = Counter()
        self.said: list[str] = []

    def say(self, text: str) -> None:
        self.said.append(text)
        self._tell(text)

    def about(self, name: str) -> None:
        """The point or station that the next questions are about."""
        self._at = name
        self._asked.clear()

    def ask(self, question: str) -> str:
        self._asked[question] += 1
        if self._asked[question] > AGAIN_MAX:
            raise UsageError(f"the answers go round for ever at {self._at}: {question.strip()!r}")
        for place, rule in enumerate(self._file.answers):
            if rule.at in ("", self._at) and rule.when in question:
                answers = (rule.say,) if isinstance(rule.say, str) else rule.say
                turn = self._used.get(place, 0)
                self._used[place] = turn + 1
                answer = answers[min(turn, len(answers) - 1)]
                if rule.weigh:
                    answer = self._weighed(rule.weigh, answer)
                else:
                    answer = self._meant(answer, question)
                self.say(f"{question}{answer}")
                return answer
        where = f" (at {self._at})" if self._at else ""
        raise UsageError(f"the file of answers has none for{where}: {question.strip()!r}")

    def _weighed(self, part: str, form: str) -> str:
        if self._plant is None:
            raise UsageError(f"weigh {part}: without a plant model there is nothing to weigh")
        told = self._plant.ask({"weigh": part})
        try:
            return form.format(**told["weighed"])
        except (KeyError, IndexError, ValueError):
            raise UsageError(f"weigh {part}: {form!r} does not fit what came, {told}") from None

    def _meant(self, answer: str, question: str) -> str:
        if answer == "{moved}":
            return seen_moving(self._at, self._before, self._look())
        if answer == "{shown}":
            if self._plant is None:
                raise UsageError("an answer is to read a device, and there is no plant")
            return f"{self._plant.ask({'set_points': True})['set_points'][self._at]:g}"
        quoted = re.search('"([^"]+)"', question)
        return answer.replace("{quoted}", quoted[1] if quoted else "")

    def _look(self) -> Moving:
        """What has been on or moved at the plant since it was looked at last."""
        if self._plant is None:
            raise UsageError("an answer is to say what moved, and there is no plant: give --plant")
        moved: Moving = self._plant.ask({"moved": "technician"}).get("moved", {})
        return moved

    def act(self, act: FieldAct) -> None:
        self.say(act.text)
        if self._plant is None:
            if act.kind == "hold":
                raise UsageError(
                    "a script confirms no motion of a machine: answer yourself, at the machine. Of"
                    " a running plant model name the file that it wrote: --plant FILE"
                )
            return
        if act.kind == "look":
            self._before = self._look()
            return
        deeds = self._file.acts.get(act.tag)
        if deeds is None:
            told = [usual(act)]
        else:
            wanted = [deed for deed in deeds if deed.on in ("", act.kind)]
            told = [{"do": d.do, "part": d.part or act.tag, "options": d.options} for d in wanted]
        for one in told:
            if one and (error := self._plant.ask(dict(one)).get("error")):
                raise UsageError(f"the plant model refused {one['do']} {one['part']}: {error}")

    def enough(self) -> bool:
        return False


def usual(act: FieldAct) -> Mapping[str, Any]:
    """What a person does when asked for that act, as the plant model's verb; empty: they look."""
    verbs = {
        "operate": "hold sensor", "apply": "hold sensor", "release": "let go",
        "break": "break wire", "mend": "mend wire", "hold": "enable", "let_go": "disable",
        "put": "put vessel", "take": "take vessel", "vacuum": "set vacuum",
        "refill": "refill",
    }  # fmt: skip
    verb = verbs.get(act.kind)
    if verb is None:
        return {}
    told = {"hold sensor": "value", "set vacuum": "kpa"}.get(verb)
    options = {told: act.value} if told else {}
    return {"do": verb, "part": act.tag, "options": options}
