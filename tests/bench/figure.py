"""A figure: what we measured, beside its baseline of the same run."""

from dataclasses import asdict, dataclass


@dataclass(frozen=True, slots=True)
class Figure:
    """One comparison. Ratios carry over to other machines, the numbers do not.

    Attributes:
        name: What is compared, with its unit.
        ours: Our number; None where it could not be measured here.
        baseline: The number of the baseline, measured in the same run.
        ratio: ours / baseline.
        bound: The ratio (or number) that we promise not to exceed, or None.
        holds: Whether it does, or None where there is no bound.
        skipped: Why it could not be measured here, or "".
        note: What the limit is, in a sentence, or "".
    """

    name: str
    ours: float | None
    baseline: float | None
    ratio: float | None
    bound: float | None
    holds: bool | None
    skipped: str = ""
    note: str = ""

    def as_json(self) -> dict[str, object]:
        """Give it as an object for a file."""
        return asdict(self)


def compared(
    name: str, ours: float, baseline: float, *, bound: float | None = None, note: str = ""
) -> Figure:
    """Compare two numbers by their ratio; ``bound`` is the highest ratio that is promised."""
    ratio = ours / baseline if baseline else float("inf")
    return Figure(name, ours, baseline, ratio, bound, None if bound is None else ratio <= bound, note=note)


def bounded(name: str, ours: float, baseline: float, *, bound: float, note: str = "") -> Figure:
    """Compare two numbers where the promise is about ours itself, not the ratio."""
    return Figure(
        name, ours, baseline, ours / baseline if baseline else None, bound, ours <= bound, note=note
    )


def skipped(name: str, reason: str, *, bound: float | None = None) -> Figure:
    """Say that it could not be measured here, and why."""
    return Figure(name, None, None, None, bound, None, skipped=reason)
