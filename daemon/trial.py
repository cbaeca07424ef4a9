"""The weekly test of the way to every contact, with its result in the journal."""

from daemon.alerting import TEST, trial_alert
from daemon.courier import Outcome
from daemon.history import History
from daemon.record import Alert, Entered, Json, Kind
from daemon.reports import Told
from daemon.standing import Standing
from daemon.timetable import Moment, weekly_due


class Trial:
    """Sends marked test alerts once a week and waits for their outcomes. Owned by the judge's thread."""

    def __init__(self, history: History) -> None:
        """Begin with nothing under way."""
        self._last = history.born if history.test is None else history.test
        self._open = {name for name, outcome in history.trial.items() if outcome is None}
        self._results: dict[str, Json] = {
            name: outcome for name, outcome in history.trial.items() if outcome is not None
        }

    def poll(self, moment: Moment, standing: Standing, told: Told) -> None:
        """Begin what is due; write the result when every contact's test is settled."""
        at = standing.loaded.model.watch.test
        if self._results and not self._open:
            told.journal.append(self._entered(moment.now))
            self._results = {}
        if at is None or self._open or not weekly_due(at, moment, self._last):
            return
        self._last = moment.now
        model = standing.loaded.model
        names = [contact.name for contact in model.contact]
        speak = standing.speaker(moment.now)
        told.alerts += [trial_alert(name, model.room.name, now=moment.now, speaker=speak) for name in names]
        told.journal.append(Entered(moment.now, Kind.TEST, {"begun": True, "contacts": [*names]}))
        self._open = set(names)

    def heard(self, alerts: tuple[Alert, ...]) -> None:
        """Hear what became of alerts."""
        for alert in alerts:
            if alert.tone == TEST and alert.done is not None and alert.contact in self._open:
                self._open.discard(alert.contact)
                self._results[alert.contact] = alert.outcome

    def _entered(self, now: int) -> Entered:
        accepted = [str(words).startswith(Outcome.ACCEPTED.value) for words in self._results.values()]
        return Entered(now, Kind.TEST, {"holds": all(accepted), "contacts": dict(self._results)})
