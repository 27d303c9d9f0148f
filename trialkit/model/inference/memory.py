"""What a design has answered once is not worked out again.

One analysis asks many questions of one design: tests, differences, ratios at several levels. What
bears on them (units, blocks, the model with some terms fixed) depends on the fixed terms they
touch, not on the rows, and each such model is fitted to the same response. `Prepared.memory`
keeps these for as long as the prepared table lives; fits of other responses on it share them.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from typing import TYPE_CHECKING, Any, Generic, Protocol, TypeVar, overload

from trialkit.arrays import Floats

if TYPE_CHECKING:
    from trialkit.model.likelihood.prepare import Prepared

T = TypeVar("T")
MOST_KEPT = 40  # results of single responses; a model of 240 coordinates takes 5 MB


def recall(prepared: Prepared, key: Hashable, make: Callable[[], T]) -> T:
    """Give what is kept under a key, made now if it is not there."""
    memory = prepared.memory
    if key not in memory:
        memory[key] = make()
    return memory[key]  # type: ignore[no-any-return]


def recall_for(prepared: Prepared, key: Hashable, Y: Floats, make: Callable[[], T]) -> T:
    """Give what is kept for one response; many at once are too large to keep.

    Parameters
    ----------
    prepared : Prepared
    key : hashable
    Y : ndarray, shape (R, n)
        Whatever the result depends on beside the design and the key.
    make : callable
    """
    if len(Y) != 1:
        return make()
    kept: dict[Hashable, Any] = recall(prepared, "one response", dict)
    whole = (key, Y.tobytes())
    if whole not in kept:
        while len(kept) >= MOST_KEPT:
            del kept[next(iter(kept))]  # the oldest
        kept[whole] = make()
    return kept[whole]  # type: ignore[no-any-return]


class Asked(Protocol):
    """What a question has that tells which model it is about."""

    @property
    def prepared(self) -> Prepared:
        """The prepared table."""
        ...

    @property
    def about(self) -> Hashable:
        """What tells the model apart."""
        ...


class shared_property(Generic[T]):  # noqa: N801 (a property, as functools names its own)
    """A property of a question that all questions about the same fixed terms have in common."""

    def __init__(self, function: Callable[[Any], T]) -> None:
        self.function, self.__doc__ = function, function.__doc__

    def __set_name__(self, owner: type, name: str) -> None:
        self.name = name

    @overload
    def __get__(self, question: None, owner: type) -> shared_property[T]: ...

    @overload
    def __get__(self, question: Asked, owner: type) -> T: ...

    def __get__(self, question: Asked | None, owner: type) -> T | shared_property[T]:
        if question is None:
            return self
        return recall(
            question.prepared, (self.name, question.about), lambda: self.function(question)
        )
