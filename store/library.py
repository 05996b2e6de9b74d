"""A library: one folder that holds everything, and a service for each thing that one does with it.

A service is loaded when it is first used, so that a list of runs starts without what imports and judges. All are safe
to call from worker threads; nothing holds the catalogue between calls. Functions elsewhere in this package that take a
`Store` take a `Library` as it is.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, NoReturn, Self

from store import opening
from store.core import Store

if TYPE_CHECKING:
    from store.care.maintenance import Maintenance
    from store.care.rebuild import RebuildReport
    from store.devices.device_store import DeviceStore
    from store.devices.meter_store import MeterStore
    from store.devices.verdict_store import VerdictStore
    from store.imports.add import Imports
    from store.runs.amendment_store import AmendmentStore
    from store.runs.result_store import ResultStore
    from store.runs.run_store import RunStore
    from store.runs.sample_store import SampleStore
    from store.runs.threshold_store import ThresholdStore
    from store.sql.session import SqlSession

__all__ = ["Library"]


class Library(Store):
    """An open library. Make one with `Library.open` or `Library.create`."""

    @classmethod
    def create(cls, path: str | Path, *, zone: str = "system", who: str | None = None) -> Self:
        """Make a new, empty library.

        Args:
            path: Its folder; made if missing, must hold nothing else.
            zone: IANA name of the zone in which local times of exports are read; `system` for this machine's.
            who: Name under which changes are recorded; the system's user where None.

        Raises:
            NotALibrary: There is a file of that name, or the folder holds other things.
            DiskFault: It can't be written.
        """
        return opening.create_store(cls, path, zone=zone, who=who)

    @classmethod
    def open(cls, path: str | Path, *, create: bool = False, who: str | None = None) -> Self:
        """Open a library; an older one is brought to today's schema, keeping a copy.

        Args:
            path: Its folder.
            create: Make it if there is none.
            who: Name under which changes are recorded; the system's user where None.

        Raises:
            NotALibrary: There is none.
            LibraryTooNew: A newer program made it.
            LibraryBusy: Another process holds it.
            CatalogueDamaged: Its catalogue can't be read.
        """
        return opening.open_store(cls, path, create=create, who=who)

    @classmethod
    def restore(cls, file: str | Path, path: str | Path, *, progress: Callable[[int, int], None] | None = None) -> Self:
        """Unpack a backup into a new folder and open it.

        Raises:
            NotALibrary: No backup, or the folder is not empty.
            TraceDamaged: A file in it isn't what was archived.
        """
        from store.care import backup

        backup.restore(Path(file), Path(path).expanduser(), progress)
        return cls.open(path)

    @classmethod
    def rebuilt(
        cls, path: str | Path, *, who: str | None = None, progress: Callable[[int, int], None] | None = None
    ) -> tuple[Self, RebuildReport]:
        """Rebuild a library whose catalogue is lost or can't be read, and open it."""
        from store.care.rebuild import rebuild

        library = cls(Path(path).expanduser(), who=who)
        if not library.layout.runs.is_dir():
            opening.refuse_missing(library.layout)
        report = rebuild(library, progress)
        opening.start(library)
        return library, report

    def __getattr__(self, name: str) -> NoReturn:
        """Say where a name is that is none of the library's own: most are a service's.

        Raises:
            AttributeError: Always.
        """
        services = [word for word, kind in vars(Library).items() if isinstance(kind, property)]
        homes = [] if name.startswith("_") else [s for s in services if hasattr(type(getattr(self, s)), name)]
        where = f" It is {' or '.join(f'library.{home}.{name}' for home in homes)}." if homes else ""
        raise AttributeError(f"A library has no `{name}`.{where}", name=name, obj=self)

    def __enter__(self) -> Self:
        """The library itself: nothing is held between calls, so leaving has nothing to let go of."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Leave; what was stored stays stored."""

    @property
    def imports(self) -> Imports:
        """Exports into the library: `library.imports.add(paths, facts)`."""
        from store.imports.add import Imports

        return self.service(Imports)

    @property
    def runs(self) -> RunStore:
        """Runs: listed, looked at, edited, grouped, joined, paired, deleted."""
        from store.runs.run_store import RunStore

        return self.service(RunStore)

    @property
    def samples(self) -> SampleStore:
        """Samples of runs, and strips of them to plot."""
        from store.runs.sample_store import SampleStore

        return self.service(SampleStore)

    @property
    def results(self) -> ResultStore:
        """Results of runs: looked up, explained, recomputed."""
        from store.runs.result_store import ResultStore

        return self.service(ResultStore)

    @property
    def thresholds(self) -> ThresholdStore:
        """Constants of the detectors."""
        from store.runs.threshold_store import ThresholdStore

        return self.service(ThresholdStore)

    @property
    def devices(self) -> DeviceStore:
        """Devices: sheets, pages, comparisons, the course of tests."""
        from store.devices.device_store import DeviceStore

        return self.service(DeviceStore)

    @property
    def verdicts(self) -> VerdictStore:
        """Every claim held against its runs."""
        from store.devices.verdict_store import VerdictStore

        return self.service(VerdictStore)

    @property
    def meters(self) -> MeterStore:
        """Meters and their calibrations."""
        from store.devices.meter_store import MeterStore

        return self.service(MeterStore)

    @property
    def amendments(self) -> AmendmentStore:
        """Changes of facts: who, when, from what to what, why."""
        from store.runs.amendment_store import AmendmentStore

        return self.service(AmendmentStore)

    @property
    def sql(self) -> SqlSession:
        """Queries in SQL over the views."""
        from store.sql.session import SqlSession

        return self.service(SqlSession)

    @property
    def maintenance(self) -> Maintenance:
        """Verify, pack, rebuild, back up."""
        from store.care.maintenance import Maintenance

        return self.service(Maintenance)
