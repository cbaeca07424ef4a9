"""One thread that answers pages: it owns the reading connection and the templates."""

import asyncio
import logging
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from daemon.logbook import Archive, CannotRecord, LogbookDamaged, LogbookNewer, NoLogbook
from daemon.page.asking import Asking
from daemon.page.login import Door, Patience
from daemon.page.queries import PATIENCE, Source, wall_clock
from daemon.page.room import Room
from daemon.page.strips import Pen
from daemon.page.times import Wall
from daemon.page.words import typeset

log = logging.getLogger("ovigil.page")
T = TypeVar("T")
Follow = Callable[[Room, Archive], Room]
HERE = Path(__file__).parent

CACHE = 400
"""What the page keeps of the file, KiB: a sheet reads each part of it once."""


class NothingYetError(Exception):
    """There is no logbook yet: the watch has never run."""


@dataclass(frozen=True, slots=True)
class Who:
    """Who asks: a name if this device is logged in, its address, and the token."""

    by: str = ""
    address: str = ""
    token: str = ""


class PageDesk:
    """What every page needs. Lives as long as the process; pages are made on its one thread.

    Args:
        room: The settings.
        clock: Gives Unix ms.
        follow: Gives the room as the newest plan in the journal has it.
    """

    def __init__(
        self, room: Room, clock: Callable[[], int] = wall_clock, follow: Follow | None = None
    ) -> None:
        self.room = room
        self._follow = follow
        self.door = Door(room.folder)
        self.patience = Patience()
        self.clock = clock
        self.asking = Asking(room.config)
        self._archive: Archive | None = None
        self._thread = ThreadPoolExecutor(1, "page")
        loader = FileSystemLoader(HERE / "templates")
        self._templates = Environment(
            loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
        )
        self._templates.filters["set"] = typeset

    async def make(self, work: Callable[[], T]) -> T:
        """Run ``work`` on the desk's thread."""
        return await asyncio.get_running_loop().run_in_executor(self._thread, work)

    def close(self) -> None:
        """Close the connection and end the thread."""
        self._thread.submit(self._close_archive).result()
        self.asking.close()
        self._thread.shutdown()

    def _close_archive(self) -> None:
        if self._archive is not None:
            self._archive.close()
            self._archive = None

    def asked(self, question: Callable[[Pen], T]) -> T:
        """Answer a question out of the record within two seconds; on the desk's thread.

        Raises:
            NothingYetError: There is no logbook.
            TooSlow: It took longer.
        """
        if self._archive is None:
            try:
                self._archive = Archive.open(self.room.folder, cache=CACHE)
            except NoLogbook as error:
                raise NothingYetError from error
        try:
            with self._archive.within(PATIENCE) as archive:
                if self._follow is not None:
                    self.room = self._follow(self.room, archive)
                source = Source(archive, self.room, self.clock)
                speaker = self.room.speaker(source.offset, source.now)
                wall = Wall(self.room.zone, source.offset, self.room.forms)
                return question(Pen(self.room, source, wall, speaker))
        except (CannotRecord, LogbookDamaged, LogbookNewer):
            self._close_archive()
            raise

    def rendered(self, name: str, values: dict[str, object]) -> str:
        """Fill a template."""
        return self._templates.get_template(name).render(values)
