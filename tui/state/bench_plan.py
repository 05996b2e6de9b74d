"""The test that is set up at the bench: facts, what to prepare, what is watched; kept so that leaving loses nothing.

Knows records and one small JSON file a library; no Textual, no engine.
"""

from __future__ import annotations

import json
import logging
import zlib
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path
from typing import Any

from importers.schema import Facts
from store.judge.course import CourseTest
from store.judge.course_grid import CourseCell

__all__ = ["BenchPlan", "keep_plan", "kept_plan", "plan_for", "words_of_step"]

_log = logging.getLogger(__name__)

_READY: Mapping[str, tuple[str, ...]] = {
    "discharge": ("full, rested 2 h", "probe on the case", "ambient noted"),
    "recharge": ("empty, rested 2 h", "adapter gives the rated input", "probe on the case"),
    "heat": ("probe on the hottest spot", "probe in the air", "no draught"),
    "overload": ("attended, sand or a fire blanket at hand", "no other cells near", "full, rested"),
    "light-load": ("full or near it", "no other plug"),
    "regulation": ("voltage taken at the port", "cable and its resistance noted"),
    "pass-through": ("both ports logged", "clocks together"),
    "efficiency": ("mains meter built for it", "both sides logged", "warmed up 30 min"),
    "standby": ("nothing plugged in", "logged 10 min or longer"),
    "cable": ("current and both voltages logged",),
    "display": ("display in view", "meter beside it"),
}
"""What to have ready for a kind of test. Common practice, no source."""


@dataclass(slots=True)
class BenchPlan:
    """One test, from the plan to the filed run."""

    device: str
    kind: str
    name: str = ""
    """The test's name in the course."""
    port: str = ""
    mode: str = ""
    load: str = ""
    ambient_c: str = ""
    """As typed."""
    meter: str = ""
    note: str = ""
    watched: str = ""
    """The export, or the folder that it will come into; empty for a checklist alone."""
    began: float = 0.0
    """When it was set up [s since 1970]: an export that is older is another test's."""
    file: str = ""
    """The export that is followed."""
    ticked: list[int] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    """Notes pinned to a moment: `0:31:12 plug slipped`."""
    how: str = ""
    caution: str = ""

    @property
    def steps(self) -> tuple[str, ...]:
        """What to have ready."""
        return _READY.get(self.kind, ())

    def tick(self) -> bool:
        """Tick the next thing that is not ready yet; unticks all after the last. False where there is nothing."""
        left = [index for index in range(len(self.steps)) if index not in self.ticked]
        self.ticked = [*self.ticked, left[0]] if left else []
        return bool(self.steps)

    def stated(self) -> dict[str, str]:
        """Facts as a form takes them."""
        names = ("device", "port", "mode", "kind", "load", "ambient_c", "meter", "note")
        return {name: str(getattr(self, name)) for name in names}

    def take(self, stated: Mapping[str, str]) -> None:
        """Take facts from a form."""
        for name, text in stated.items():
            setattr(self, name, text)

    def facts(self) -> Facts:
        """Facts for the import."""
        stated = {name: text or None for name, text in self.stated().items() if name not in {"ambient_c", "note"}}
        note = "; ".join(text for text in (self.note, *self.notes) if text)
        return Facts(**stated, ambient_c=_number(self.ambient_c), note=note or None)  # type: ignore[arg-type]

    def words(self) -> str:
        """`PB-03 C1 fixed 20 V discharge at 30 W`."""
        load = f"at {self.load}" if self.load else ""
        return " ".join(part for part in (self.device, self.port, self.mode, self.name or self.kind, load) if part)


def _number(text: str) -> float | None:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return None


def words_of_step(test: CourseTest, cell: CourseCell) -> str:
    """A step of the course in a line."""
    place = f" on {cell.port}" if cell.port else ""
    mode = f" in {cell.mode}" if cell.mode else ""
    ambient = f" at {test.ambient_c:g} °C" if test.ambient_c is not None else ""
    return f"{test.name}{place}{mode}{ambient}"


def plan_for(device: str, test: CourseTest, cell: CourseCell, before: BenchPlan | None, now: float) -> BenchPlan:
    """A plan of one step of the course; meter, ambient and what is watched stay as they were at the last test."""
    plan = BenchPlan(
        device,
        test.kind,
        name=test.name,
        port=cell.port,
        mode=cell.mode,
        began=now,
        how=test.how,
        caution=test.caution,
    )
    if test.ambient_c is not None:
        plan.ambient_c = f"{test.ambient_c:g}"
    elif before is not None:
        plan.ambient_c = before.ambient_c
    if before is not None:
        plan.meter, plan.watched = before.meter, before.watched
        if before.kind == plan.kind:
            plan.load = before.load
    return plan


def keep_plan(file: Path | None, library: Path, plan: BenchPlan | None) -> None:
    """Keep the plan for the next start; None takes it away. A folder that can't be written keeps nothing."""
    if file is None:
        return
    place = _place(file, library)
    try:
        if plan is None:
            place.unlink(missing_ok=True)
            return
        place.parent.mkdir(parents=True, exist_ok=True)
        half = place.with_suffix(".half")
        half.write_text(json.dumps({"library": str(library), **asdict(plan)}, ensure_ascii=False), encoding="utf-8")
        half.replace(place)
    except OSError:
        _log.info("the bench's plan could not be kept", exc_info=True)


def kept_plan(file: Path | None, library: Path) -> BenchPlan | None:
    """The plan of a library as it was left; None where there is none, or it can't be read."""
    if file is None:
        return None
    try:
        found: Any = json.loads(_place(file, library).read_text(encoding="utf-8"))
        if found.pop("library") != str(library):
            return None
        known = {of.name: of.type for of in fields(BenchPlan)}
        plan = BenchPlan(**{name: value for name, value in found.items() if name in known})
    except (OSError, ValueError, TypeError, AttributeError, KeyError):
        return None
    is_text = all(isinstance(getattr(plan, n), str) for n in known if n not in {"began", "ticked", "notes"})
    is_right = isinstance(plan.began, float | int) and all(isinstance(i, int) for i in plan.ticked)
    return plan if is_text and is_right and all(isinstance(text, str) for text in plan.notes) else None


def _place(file: Path, library: Path) -> Path:
    return file.with_name("bench") / f"{zlib.crc32(str(library).encode('utf-8', 'backslashreplace')):08x}.json"
