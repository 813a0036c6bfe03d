"""A rehearsed plan as people read it: day by day what was done, delivered, missed and left."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeRemainingColumn
from rich.progress import Progress as Bar
from rich.text import Text

from linectl.cli.screen import error_console, heading, say, span, table
from linectl.errors import UsageError
from linectl.runtime.deliveries import Book, account
from linectl.runtime.following import DayEnd
from linectl.runtime.plan_rehearsal import DayTold, rehearse_plan
from linectl.runtime.rehearsal import Options, Result
from linectl.site.missed_file import read_missed
from linectl.site.model import Site
from linectl.site.orders_file import read_orders
from linectl.site.plan_file import Day, read_plan

MISSED = "missed.csv"
"""Beside the plan: what it said it would miss, unless another file is named."""
ROWS_SHOWN = 40
"""Rows printed of misses and of what was left undone; `--json` and the report have them all."""

Row = Mapping[str, Any]


def read_days(path: Path, site: Site, days: int | None) -> tuple[Day, ...]:
    """The plan's first days. Raises SiteError for its errors, UsageError if it has no work."""
    plan = read_plan(path, site)
    if not plan:
        raise UsageError(f"{path}: the plan has no day")
    return plan[:days]


def read_book(site: Site, plan: Path, orders: Path | None, missed: Path | None) -> Book:
    """What the plan is held against. Raises SiteError for the files' errors."""
    if missed is None and (plan.parent / MISSED).is_file():
        missed = plan.parent / MISSED
    return Book(
        read_orders(orders, site) if orders is not None else (),
        read_missed(missed, site) if missed is not None else (),
    )


def follow(site: Site, options: Options, days: Sequence[Day], book: Book) -> dict[str, Any]:
    """The object of `rehearse --json` with the plan's account under `plan`."""
    with _by_days(site.name, len(days)) as tell:
        followed = rehearse_plan(site, options, days, tell)
    return {**followed.outcome.as_json(), "plan": account(followed, book)}


def kept(result: Result) -> bool:
    """False if an order was missed that the plan had not named, or a rule was violated."""
    return not result["plan"]["orders"]["surprises"] and not result["violations"]


@contextmanager
def _by_days(name: str, days: int) -> Iterator[DayTold]:
    """A bar on standard error that counts days; nothing when it is no terminal."""
    console = error_console()
    if not console.is_terminal:
        yield lambda done, end: None
        return
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(),
               TextColumn("days"), TimeRemainingColumn())  # fmt: skip
    with Bar(*columns, console=console, transient=True) as bar:
        task = bar.add_task(f"rehearsing {name}", total=days)

        def tell(done: int, end: DayEnd) -> None:
            bar.update(task, completed=done, description=f"{name} {end.work.day.date}")

        yield tell


# on standard output ----------------------------------------------------------------------------


def print_followed(result: Result) -> None:
    """The account of a rehearsed plan on standard output."""
    plan, days = result["plan"], len(result["plan"]["days"])
    say(
        heading(f"{result['site']}: {days} {'day' if days == 1 else 'days'} of the plan rehearsed"),
        Text(f"in {result['wall_s']:.1f} s, seed {result['seed']}"),
    )
    say(Text())
    say(table("day|>sown|>pulled|>changes|>over time|>kg|>ordered kg|short", _days(plan)))
    _orders(plan)
    _misses(plan["misses"])
    _undone(plan["days"])
    _alarms(result["alarms"])
    say(Text())
    violations = result["violations"]
    if not violations:
        say(heading("Auditor"), Text("no rule of the line was violated"))
        return
    say(heading(f"Auditor: {len(violations)} violations"))
    rows = [[row["at_s"], row["rule"], row["detail"]] for row in violations[:ROWS_SHOWN]]
    say(table(">at s|rule|what", rows))


def done_of(day: Row, what: str) -> str:
    """`104`, or `98 of 104` when the plan's day asked for more."""
    done = sum(row[what] for row in day["crops"])
    planned = sum(row[f"planned_{what}"] for row in day["crops"])
    return str(done) if done == planned else f"{done} of {planned}"


def _days(plan: Row) -> Iterator[list[object]]:
    said = {(row["day"], row["crop"]): row["said"] for row in plan["misses"]}
    for day in plan["days"]:
        short = [
            f"{row['crop'].replace('_', ' ')} {row['short_kg']:.1f} kg"
            + ("" if said[day["day"], row["crop"]] else " (not said)")
            for row in day["crops"]
            if (day["day"], row["crop"]) in said
        ]
        yield [
            day["day"], done_of(day, "sown"), done_of(day, "pulled"), len(day["changes"]),
            span(day["over_s"]) if day["over_s"] else "",
            f"{sum(row['kg'] for row in day['crops']):.1f}",
            f"{sum(row['ordered_kg'] for row in day['crops']):.1f}", ", ".join(short),
        ]  # fmt: skip


def _orders(plan: Row) -> None:
    orders = plan["orders"]
    say(Text())
    if not orders["placed"]:
        say(heading("Orders"), Text(f"none were given; {plan['kg']:.1f} kg went to packing"))
        return
    text = (
        f"{orders['met']} of {orders['placed']} met; {orders['missed']} missed, of which"
        f" {orders['surprises']} the plan had not named"
    )
    say(heading("Orders"), Text(text))


def _misses(misses: Sequence[Row]) -> None:
    if not misses:
        return
    rows = [
        [row["day"], row["crop"].replace("_", " "), f"{row['ordered_kg']:.1f}",
         f"{row['kg']:.1f}", f"{row['short_kg']:.2f}",
         f"{row['said_kg']:.2f}" if row["said"] else "no", row["why"]]
        for row in misses[:ROWS_SHOWN]
    ]  # fmt: skip
    say(Text())
    say(heading("Short"), Text("of a day's orders, and what the plan had said"))
    say(table("day|crop|>ordered kg|>packed kg|>short kg|>said kg|why it said", rows))
    _and_more(len(misses))


def _undone(days: Sequence[Row]) -> None:
    rows = [
        [day["day"], ", ".join(left_text(day)), "; ".join(why_text(day))]
        for day in days
        if day["undone"] or day["refused"]
    ]
    if not rows:
        return
    say(Text())
    say(heading("Left undone"), Text("at the end of a shift; it stands first on the next list"))
    say(table("day|left|longest waits", rows[:ROWS_SHOWN]))
    _and_more(len(rows))


def left_text(day: Row) -> list[str]:
    """What a day left: `lane 6: 3 rocket to sow`."""
    acts = {"sow": "to sow", "pull": "to pull"}
    return [
        f"lane {row['lane']}: {row['gutters']} {row['crop'].replace('_', ' ')} {acts[row['act']]}"
        .replace("  ", " ")
        for row in day["undone"]
    ]  # fmt: skip


def why_text(day: Row) -> list[str]:
    """Why: what the line refused, then the longest waits of the day."""
    waits = [f"{row['unit']} {span(row['s'])}: {row['reason']}" for row in day["why"]]
    return [*(f"refused: {text}" for text in day["refused"]), *waits]


def _alarms(alarms: Sequence[Row]) -> None:
    say(Text())
    if not alarms:
        say(heading("Alarms"), Text("none"))
        return
    counts = Counter((row["tag"], row["priority"]) for row in alarms)
    say(heading("Alarms"), Text("by tag"))
    say(table("tag|priority|>times", ([*key, n] for key, n in counts.most_common(ROWS_SHOWN))))


def _and_more(rows: int) -> None:
    if rows > ROWS_SHOWN:
        say(Text(f"and {rows - ROWS_SHOWN} more: --json has them all"))
