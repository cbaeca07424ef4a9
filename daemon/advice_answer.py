"""What ``advise`` answers: in words, and as JSON (the models are its schema)."""

from collections.abc import Iterator

from pydantic import Field

from daemon.advice import NEEDED_NUISANCE, NEEDED_REAL, Advice, Pays, PlaceAdvice, Trial
from daemon.check_answer import Answer
from daemon.logbook import Labels
from daemon.rehearsal_answer import columns
from daemon.texts import lasting, plural
from daemon.times import iso
from rules.reading import SECOND


class TurnedAnswer(Answer):
    """One setting that was turned."""

    setting: str = Field(description="Which.")
    current: str = Field(description="Its value now, in words.")
    proposed: str = Field(description="The value that was tried.")


class PaysAnswer(Answer):
    """A real alarm that pays for it."""

    number: int = Field(description="The alarm.")
    later_by: float | None = Field(description="How much later it comes, s; null: it is lost.")


class TrialAnswer(Answer):
    """Some settings of one place, rehearsed."""

    turned: list[TurnedAnswer] = Field(description="What was turned.")
    dropped: int = Field(description="Nuisances that vanish.")
    within: bool = Field(description="No real alarm comes later than allowed.")
    pays: list[PaysAnswer] = Field(description="Real alarms that come later or not at all.")
    unlabelled: int = Field(description="Alarms without a label that vanish.")


class PlaceAdviceAnswer(Answer):
    """What can be said of one place."""

    place: str = Field(description="Its name.")
    real: int = Field(description="Alarms labelled real.")
    nuisances: int = Field(description="Alarms labelled nuisance.")
    enough: bool = Field(description="That is enough to say anything.")
    needed_real: int = Field(description="So many more real ones are needed.")
    needed_nuisances: int = Field(description="So many more nuisances are needed.")
    best: TrialAnswer | None = Field(description="The best settings within the delay; null: there are none.")
    trials: list[TrialAnswer] = Field(description="The trade-off.")


class AdviceAnswer(Answer):
    """The whole answer."""

    from_: str = Field(alias="from", description="Begin of the nights that were rehearsed.")
    to: str = Field(description="Their end, not included.")
    delay: float = Field(description="How much later a real alarm may come, s.")
    rehearsed: int = Field(description="How many settings were tried.")
    others: int = Field(description="Nuisances of rules that these settings do not touch.")
    places: list[PlaceAdviceAnswer] = Field(description="Places with labelled nuisances.")
    difference: str = Field(description="Proposed lines as a unified difference; nothing is applied.")


def answer(found: Advice, labels: Labels) -> AdviceAnswer:
    """Give the advice for programs."""
    return AdviceAnswer.model_validate(
        {
            "from": iso(labels, found.window.start),
            "to": iso(labels, found.window.end),
            "delay": found.delay / SECOND,
            "rehearsed": found.rehearsed,
            "others": found.others,
            "places": [_place(place, found.delay) for place in found.places],
            "difference": found.difference,
        }
    )


def _place(place: PlaceAdvice, delay: int) -> PlaceAdviceAnswer:
    return PlaceAdviceAnswer(
        place=place.place,
        real=place.real,
        nuisances=place.nuisances,
        enough=place.enough,
        needed_real=max(NEEDED_REAL - place.real, 0),
        needed_nuisances=max(NEEDED_NUISANCE - place.nuisances, 0),
        best=None if place.best is None else _trial(place.best, delay),
        trials=[_trial(trial, delay) for trial in place.trials],
    )


def _trial(trial: Trial, delay: int) -> TrialAnswer:
    return TrialAnswer(
        turned=[
            TurnedAnswer(setting=knob.name, current=knob.now, proposed=knob.say(value))
            for knob, value in trial.turned
        ],
        dropped=trial.dropped,
        within=trial.latest <= delay,
        pays=[
            PaysAnswer(number=one.number, later_by=None if one.later_by is None else one.later_by / SECOND)
            for one in trial.pays
        ],
        unlabelled=trial.unlabelled,
    )


CAUTION = "An ideal span is about the animals, not about alarms: widen it only where their needs allow it."
"""Said with a proposal that widens one."""


# -- for people ----------------------------------------------------------------------------------


def as_text(found: Advice) -> str:
    """Give the advice as a keeper reads it."""
    lines: list[str] = []
    for place in found.places:
        lines += [*_place_lines(place, found.delay), ""]
    if not found.places:
        lines += [
            "No alarm about a range is labelled nuisance, so there is nothing to tune.",
            f"Label alarms on the page: a place needs {_needed()}.",
            "",
        ]
    if found.others:
        lines.append(f"{plural(found.others, 'nuisance')} come from rules that these settings do not touch.")
    if found.difference:
        turned = [knob.name for one in found.places if one.best for knob, _ in one.best.turned]
        if any("end of ideal" in name for name in turned):
            lines += [CAUTION, ""]
        lines += ["Proposed lines (nothing is applied; try them with ovigil rehearse):", "", found.difference]
    return "\n".join(lines).rstrip("\n")


def _needed() -> str:
    return f"at least {NEEDED_REAL} labelled real and {NEEDED_NUISANCE} labelled nuisance"


def _place_lines(place: PlaceAdvice, delay: int) -> Iterator[str]:
    yield f"{place.place}: {place.real} labelled real, {place.nuisances} labelled nuisance"
    if not place.enough:
        yield f"    too little to say anything: a place needs {_needed()}"
        return
    if place.best is None:
        yield (
            f"    no such setting exists: each that drops a nuisance loses a real alarm or brings one "
            f"more than {lasting(delay)} later"
        )
    if place.trials:
        rows = [("    settings", "nuisances dropped", "real alarms that pay", "unlabelled that vanish")]
        rows += [_row(trial, place, delay) for trial in place.trials]
        yield from columns(rows)


def _row(trial: Trial, place: PlaceAdvice, delay: int) -> tuple[str, str, str, str]:
    mark = "*" if trial is place.best else " " if trial.latest <= delay else "!"
    pays = ", ".join(_pays(one) for one in trial.pays) or "none"
    return f"  {mark} {trial.words()}", f"{trial.dropped} of {trial.nuisances}", pays, str(trial.unlabelled)


def _pays(one: Pays) -> str:
    return f"{one.number} is lost" if one.later_by is None else f"{one.number} {lasting(one.later_by)} later"
