"""The logbook: where all processes meet."""

from daemon.logbook.archive import FAR, Archive
from daemon.logbook.clock import Labels
from daemon.logbook.curve import Bucket, Curve
from daemon.logbook.desk import Desk
from daemon.logbook.errors import (
    CannotRecord,
    LogbookDamaged,
    LogbookNewer,
    NoLogbook,
    TooSlow,
    Trouble,
)
from daemon.logbook.importing import Imported
from daemon.logbook.retention import Freed, Room
from daemon.logbook.schema import FILE, FIXED_BASE
from daemon.logbook.writer import Committed, Logbook, SealedHours, Snapshot

__all__ = [
    "FAR",
    "FILE",
    "FIXED_BASE",
    "Archive",
    "Bucket",
    "CannotRecord",
    "Committed",
    "Curve",
    "Desk",
    "Freed",
    "Imported",
    "Labels",
    "Logbook",
    "LogbookDamaged",
    "LogbookNewer",
    "NoLogbook",
    "Room",
    "SealedHours",
    "Snapshot",
    "TooSlow",
    "Trouble",
]
