"""What every detector has: parameters, a memory of plain values, an exact snapshot."""

from collections.abc import Mapping
from typing import Generic, Self, TypeVar

from rules.reading import MINUTE

P = TypeVar("P")

RENEW = 10 * MINUTE
"""Words of a finding that lasts are renewed at most this often (ms)."""


def _copied(value: object) -> object:
    """Copy lists and dicts all the way down; everything else is immutable."""
    if isinstance(value, list):
        return [_copied(item) for item in value]
    if isinstance(value, dict):
        return {key: _copied(item) for key, item in value.items()}
    return value


class Detector(Generic[P]):
    """A rule with a memory. One per curve (or pair); owned by the engine.

    A subclass lists what it remembers in ``__slots__``: plain JSON values only (None,
    bool, int, float, str, lists, dicts with text keys; never NaN). Names that begin
    with "_" are worked out from the parameters anew and are no memory.

    Attributes:
        params: A frozen dataclass.
    """

    __slots__ = ("params",)

    def __init__(self, params: P) -> None:
        """Begin without a memory."""
        self.params = params

    def state(self) -> dict[str, object]:
        """Give the memory as plain values; floats are exact."""
        return {name: _copied(getattr(self, name)) for name in self.__slots__ if name[0] != "_"}

    @classmethod
    def restored(cls, params: P, state: Mapping[str, object]) -> Self:
        """Give a detector with the memory ``state``, under ``params``.

        What a newer version remembers besides begins as in a new detector.
        """
        self = cls(params)
        for name in cls.__slots__:
            if name[0] != "_" and name in state:
                setattr(self, name, _copied(state[name]))
        return self
