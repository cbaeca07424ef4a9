"""Tonight and this week: what is due around the clutches, in lines."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from daemon.clutch_forms import due_text
from daemon.clutches import WEEK, Season, coming, open_season, windows_of
from daemon.logbook import Archive
from daemon.texts import Speaker, lasting, plural
from rules.reading import DAY
from rules.season import Due, Expectation, Kind, hatching_watch

if TYPE_CHECKING:
    from daemon.settings import Loaded

TONIGHT, THIS_WEEK = "tonight", "this week"


def due_groups(
    season: Season, windows: Sequence[Expectation], speaker: Speaker
) -> list[tuple[str, list[str]]]:
    """Give what is due tonight (with what is late) and this week; empty groups are left out.

    Args:
        season: The clutches.
        windows: As from ``clutches.windows_of``.
        speaker: How instants are said.
    """
    tonight = season.settings.tonight(season.labels, season.now)
    found = _besides(season, coming(season, windows, season.now + WEEK))
    groups = (
        (TONIGHT, [*hatching_lines(season), *(due_text(one, speaker) for one in found if one.at <= tonight)]),
        (THIS_WEEK, [due_text(one, speaker) for one in found if one.at > tonight]),
    )
    return [group for group in groups if group[1]]


def hatching_lines(season: Season) -> list[str]:
    """Say of each clutch that is hatching how long since the first one, who is out, who is left."""
    return [
        f"{one.clutch} is hatching in {one.box}: {lasting(season.now - one.since)} since the first pip, "
        f"{one.out} out, {plural(one.left, 'egg')} left"
        for one in hatching_watch(season.book, season.now)
    ]


def due_lines(archive: Archive, loaded: "Loaded", wall: int) -> list[str]:
    """Give the lines of the morning report: what is due until the next one.

    Args:
        archive: The logbook.
        loaded: The settings.
        wall: The wall clock, Unix ms.
    """
    from daemon.standing import speaker  # stands on the settings library

    season = open_season(archive, loaded, wall)
    if not season.book.clutches and not season.settings.reminders:
        return []
    voice = speaker(loaded.model, season.labels.offset_at(season.now), season.now)
    found = _besides(season, coming(season, windows_of(archive, season), season.now + DAY))
    return [*hatching_lines(season), *(due_text(one, voice) for one in found)]


def _besides(season: Season, found: Sequence[Due]) -> list[Due]:
    """Leave out the windows of clutches that are hatching: a line of their own tells of them."""
    hatching = {one.clutch for one in hatching_watch(season.book, season.now)}
    return [one for one in found if not (one.kind is Kind.HATCH and one.clutch in hatching)]
