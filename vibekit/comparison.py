"""Each motor of a craft beside the others, against its own past and against the same model on other craft: what a table shows."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from vibekit.casefile import CaseFile, MotorFile
from vibekit.change import Change, changed, pair_up
from vibekit.course import watched
from vibekit.effect import Effect, effects_of
from vibekit.finding import Conclusion
from vibekit.history import FALSE_ALARMS, OwnPast, own_pasts
from vibekit.marks import mark_for, state_of
from vibekit.moment import day
from vibekit.reading import Reading
from vibekit.repeatability import load_repeatability
from vibekit.result import finite
from vibekit.settings import Test
from vibekit.spin_comparison import Coasting, compare_spins
from vibekit.wording import SHORT, decibels, sentence, with_interval

CLEAR = 3.0  # standard deviations of repeating from which a difference is shown: one in thirty of a healthy motor's cells has one
QUANTITIES = ("quantity", "now", "against its past", "trend in 30 days", "alarm from")
COLUMNS = ("motor", "all in all", "beside the others", "its own past", "the shop's archive")
MARKS = ("▲", "▼", "=", "–", "▲▲")  # higher, lower, alike, not compared, alarm
LETTERS = ("^", "v", "=", "-", "^^")


@dataclass(frozen=True, slots=True)
class Beside:
    """One motor under one test against one kind of reference. refusal: why nothing was compared, "" when it was."""

    test: Test | None
    changes: tuple[Change, ...]
    refusal: str = ""


@dataclass(frozen=True, slots=True)
class Comparison:
    """One motor. others, past, shop: test by test; own: its charts; effects: of what was done to it.

    drags: how it coasted beside the others, spun by hand, where it drags
    """

    position: str
    others: tuple[Beside, ...]
    past: tuple[Beside, ...]
    shop: tuple[Beside, ...]
    own: tuple[OwnPast, ...]
    effects: tuple[Effect, ...]
    drags: Coasting | None = None


def compare_case(case: CaseFile) -> tuple[Comparison, ...]:
    """Compare every motor, in running order; one that was not recorded stands there with that."""
    spun = compare_spins({m.position: [r for r in m.readings if r.screening.usable] for m in case.motors})
    dragging = {m.position: m for m in spun.dragging} if spun else {}
    return tuple(replace(_compare(case, motor), drags=dragging.get(motor.position)) for motor in case.motors)


def _compare(case: CaseFile, motor: MotorFile) -> Comparison:
    tests = dict.fromkeys(k.settings.test for k in motor.now if k.reading.screening.usable)
    nothing = Beside(None, (), "nothing usable" if motor.now else "not recorded")
    others = [r for m in case.motors if m.position != motor.position for r in m.readings]
    now = {test: [r for r in motor.readings if r.settings.test == test and r.screening.usable] for test in tests}
    return Comparison(
        motor.position,
        tuple(_beside(test, now[test], others, peers=True) for test in tests) or (nothing,),
        tuple(_beside(test, now[test], motor.references, peers=False) for test in tests),
        tuple(Beside(shelf.reading.settings.test, shelf.changes, shelf.refusal) for shelf in motor.shelves),
        own_pasts(motor.kept, motor.past, motor.actions),
        effects_of(motor.kept, motor.actions),
    )


def _beside(test: Test | None, readings: Sequence[Reading], references: Sequence[Reading], *, peers: bool) -> Beside:
    usable = [r for r in references if r.screening.usable]
    pairs = pair_up(readings, usable)
    table = load_repeatability()
    changes = tuple(moved for name in watched(test) if (moved := changed(name, pairs, table, peers=peers)) is not None)
    if changes:
        return Beside(test, changes)
    lacking = "no other motor measured" if peers else "no sound past"
    alike = any(r.settings.test == test for r in usable)
    return Beside(test, (), f"{lacking} in the same set-up near this speed" if alike else lacking)


def table_rows(comparisons: Sequence[Comparison], ends: Mapping[str, Conclusion | None], encoding: str = "utf-8") -> list[tuple[str, ...]]:
    """Give a row for each motor under COLUMNS, in marks that `encoding` can write. ends: what is concluded of each."""
    marks = marks_for(encoding)
    rows: list[tuple[str, ...]] = []
    for c in comparisons:
        state = state_of(ends.get(c.position))
        past = "\n".join([*_alarm(c.own, marks), _cell(c.past, marks)])
        rows.append((c.position, f"{mark_for(state, encoding)} {state.words}", _others(c, marks), past, _cell(c.shop, marks)))
    return rows


def folded(rows: Sequence[tuple[str, ...]]) -> tuple[tuple[str, ...], list[tuple[str, ...]], list[str]]:
    """COLUMNS and rows without the columns in which no motor could be compared, all for one reason, and these reasons in words."""
    each = list(zip(*rows, strict=True))
    idle = [i for i, cells in enumerate(each) if i > 1 and len(set(cells)) == 1 and cells[0][:1] in (MARKS[3], LETTERS[3])]
    kept = [i for i in range(len(COLUMNS)) if i not in idle]
    said = [f"{sentence(COLUMNS[i])}: not compared{', ' * (len(each[i][0]) > 2)}{each[i][0][2:]}." for i in idle]
    return tuple(COLUMNS[i] for i in kept), [tuple(row[i] for i in kept) for row in rows], said


def quantity_rows(own: OwnPast, past: Sequence[Beside]) -> list[tuple[str, ...]]:
    """Give a row for each quantity of one motor under one test under QUANTITIES: level in dB, change, trend, and the alarm's level."""
    course = own.course
    moved = {c.name: c for b in past if b.test == own.test for c in b.changes}
    rows: list[tuple[str, ...]] = []
    for q, (name, level) in enumerate(zip(course.names, course.decibels[-1], strict=True)):
        change, trend = moved.get(name), own.trends.get(name)
        rows.append(
            (
                SHORT.get(name, name),
                with_interval(float(level), own.level_u95(q), "dB"),
                with_interval(change.delta, change.u95, "dB") if change else "no sound past",
                with_interval(trend.slope, trend.u95, "dB") if trend else "one sitting",
                _alarm_from(own, q),
            )
        )
    return rows


def _alarm_from(own: OwnPast, q: int) -> str:
    if own.chart.heights[-1, q] >= own.chart.limit:
        return "in alarm"
    level = own.alarm_decibels(q)
    return f"{level:.1f} dB".replace("-", "\N{MINUS SIGN}") if math.isfinite(level) else "too few sittings"


def marks_for(encoding: str) -> tuple[str, ...]:
    """Give MARKS, or LETTERS where `encoding` cannot write them."""
    try:
        "".join(MARKS).encode(encoding)
    except (UnicodeEncodeError, LookupError):
        return LETTERS
    return MARKS


def key_words(encoding: str = "utf-8") -> str:
    """Say what the marks mean."""
    higher, lower, alike, none, alarm = marks_for(encoding)
    return (
        f"{higher} higher, {lower} lower than repeating the measurement explains; {alike} alike; {none} not compared; {alarm} alarm of the "
        f"control chart, of which a healthy motor raises one in {1 / FALSE_ALARMS:.0f} years under each test."
    )


def _others(c: Comparison, marks: Sequence[str]) -> str:
    """What drags is no level, and stands in a line of its own; it is not alike then."""
    levels = _cell(c.others, marks)
    if c.drags is None:
        return levels
    drag = f"{marks[0]} drag {c.drags.ratio:.2f} times theirs ({c.drags.ratio_low:.2f} to {c.drags.ratio_high:.2f})"
    return drag if levels[:1] in (marks[2], marks[3]) else f"{drag}\n{levels}"


def _cell(beside: Sequence[Beside], marks: Sequence[str]) -> str:
    found = [(c, b.test) for b in beside for c in b.changes if abs(c.z) >= CLEAR]
    if found:
        most, test = max(found, key=lambda each: (_is_clear(each[0]), abs(each[0].z)))
        more = f", and {len(found) - 1} more" if len(found) > 1 else ""
        where = f" ({test})" if test and len(beside) > 1 else ""
        return f"{marks[most.z < 0]} {change_words(most)}{where}{more}"
    if any(b.changes for b in beside):
        return f"{marks[2]} alike"
    return f"{marks[3]} {beside[0].refusal}" if beside else marks[3]


def _is_clear(moved: Change) -> bool:
    """Not so of a row of lines each of which moved a little: its sum need not."""
    return abs(moved.delta) > moved.u95


def _alarm(own: Sequence[OwnPast], marks: Sequence[str]) -> list[str]:
    """The alarm that stands, in a line: the one that began first, and how many more there are."""
    every = sorted(((alarm.since, past.test or "", alarm.name) for past in own for alarm in past.alarms), key=lambda each: each[0])
    if not every:
        return []
    since, test, name = every[0]
    more = f", and {len(every) - 1} more" if len(every) > 1 else ""
    where = f" {test}" if test and len(own) > 1 else ""
    return [f"{marks[4]} {SHORT.get(name, name)}{where} rising since {day(since)}{more}"]


def change_words(moved: Change) -> str:
    """Say a change in short: "1x +3.1 ± 1.0 dB"."""
    if not _is_clear(moved):
        return f"{SHORT.get(moved.name, moved.name)}, each a little"
    return f"{SHORT.get(moved.name, moved.name)} {decibels(moved.delta)} ± {moved.u95:.1f} dB"


def effects_words(effects: Iterable[Effect]) -> list[str]:
    """Say what each piece of work did, a line for all tests that saw the same, or why that cannot be said."""
    seen: dict[tuple[str, str], list[str]] = {}
    for effect in effects:
        action = effect.action
        done = f"{day(action.done_at)}: {action.part} {action.did}{' with ' + action.fitted if action.fitted else ''}"
        seen.setdefault((done, _outcome(effect)), []).append(effect.test or "test not stated")
    return [f"{done} ({', '.join(dict.fromkeys(tests))}): {outcome}" for (done, outcome), tests in seen.items()]


def _outcome(effect: Effect) -> str:
    if effect.before is None or effect.after is None:
        return f"not measured {'before' if effect.before is None else 'after'} it"
    if not effect.changes:
        return "before and after cannot be compared"
    moved = sorted((c for c in effect.changes if abs(c.z) >= CLEAR), key=lambda c: -abs(c.z))
    return "; ".join(change_words(c) for c in moved[:3]) or "no change shown"


def comparison_json(comparisons: Sequence[Comparison]) -> dict[str, Any]:
    """Give the field "comparisons" of "vibekit.craft/1"."""
    return {"comparisons": [_json(c) for c in comparisons]}


def _json(c: Comparison) -> dict[str, Any]:
    return {
        "position": c.position,
        "others": [_beside_json(b) for b in c.others],
        "past": [_beside_json(b) for b in c.past],
        "shop": [_beside_json(b) for b in c.shop],
        "history": [_own_json(own) for own in c.own],
        "actions": [effect_json(e) for e in c.effects],
    }


def effect_json(effect: Effect) -> dict[str, Any]:
    """Give what a piece of work did under one test, in dB after against before."""
    action = effect.action
    return {
        "done_at": action.done_at.isoformat(),
        "did": action.did,
        "part": action.part,
        "fitted": action.fitted,
        "note": action.note,
        "test": effect.test,
        "setup": effect.setup,
        "before": effect.before.isoformat() if effect.before else None,
        "after": effect.after.isoformat() if effect.after else None,
        "changes": _changes_json(effect.changes),
    }


def _beside_json(beside: Beside) -> dict[str, Any]:
    return {"test": beside.test, "changes": _changes_json(beside.changes), "refusal": beside.refusal}


def _changes_json(changes: Sequence[Change]) -> list[dict[str, Any]]:
    return [
        {"name": c.name, "delta_db": finite(c.delta), "u95_db": finite(c.u95), "deviates": finite(c.z), "references": c.references}
        for c in changes
    ]


def _own_json(own: OwnPast) -> dict[str, Any]:
    course = own.course
    return {
        "test": own.test,
        "setup": own.setup,
        "speed_rpm": finite(course.speed_rpm),
        "sittings": len(course.visits),
        "since": course.moments[0].isoformat(),
        "left_out": course.left_out,
        "engines": list(course.engines),
        "sittings_a_year": finite(own.pace),
        "pace_assumed": not own.pace_known,
        "false_alarms_a_year": FALSE_ALARMS,
        "levels": [
            {
                "name": name,
                "level_db": finite(course.decibels[-1, q]),
                "u95_db": finite(own.level_u95(q)),
                "alarm_from_db": finite(own.alarm_decibels(q)),
            }
            for q, name in enumerate(course.names)
        ],
        "alarms": [{"name": a.name, "since": a.since.isoformat(), "at": a.at.isoformat()} for a in own.alarms],
        "trends": [
            {"name": name, "db_in_30_days": finite(t.slope), "u95": finite(t.u95), "sittings": t.sittings, "days": finite(t.days)}
            for name, t in own.trends.items()
        ],
    }
