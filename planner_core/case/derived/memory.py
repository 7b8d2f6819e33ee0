"""Remembers the last results of a stage by the identity of their inputs."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from typing import Any, Generic, TypeVar

REMEMBERED = 8
"""Results kept per stage (our choice: some steps of undo)."""

Result = TypeVar("Result")


class Memory(Generic[Result]):
    """The last results of one stage, found again by the identity of their inputs."""

    def __init__(self, size: int = REMEMBERED) -> None:
        self._kept: OrderedDict[tuple[int, ...], tuple[tuple[Any, ...], Result]] = OrderedDict()
        self._size = size
        self._guard = threading.Lock()

    def known(self, *inputs: Any) -> Result | None:
        """Give the result of these very objects, or None."""
        with self._guard:
            found = self._kept.get(tuple(map(id, inputs)))
        return None if found is None else found[1]

    def get(self, make: Callable[[], Result], *inputs: Any) -> Result:
        """Give the result of these very objects, made now if need be."""
        found = self.known(*inputs)
        if found is None:
            found = make()
            self.put(found, *inputs)
        return found

    def put(self, result: Result, *inputs: Any) -> None:
        """Remember a result; the inputs are held, so their identity stays theirs."""
        with self._guard:
            self._kept[tuple(map(id, inputs))] = (inputs, result)
            while len(self._kept) > self._size:
                self._kept.popitem(last=False)
