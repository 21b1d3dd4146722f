"""What was worked out from a few words, kept for the next record that holds the same ones.

Records share their words: product names, instructions, codes, dates. What is worked out must
depend on the key alone, so that a record is read the same whatever was read before it.
"""

from collections.abc import Callable
from typing import TypeVar

K = TypeVar("K")
V = TypeVar("V")
MOST_KEPT = 2048
LONGEST_KEPT = 300
"""Characters of a key that is kept: longer ones are a text of their own and do not come back."""


class Remembered(dict[K, V]):
    """A function of one key, with its results so far.

    Parameters
    ----------
    work_out : the function; what it raises is not kept
    length_of : characters of a key

    Examples
    --------
    >>> lengths = Remembered(len, len)
    >>> lengths["thyroid"], list(lengths)
    (7, ['thyroid'])
    """

    def __init__(self, work_out: Callable[[K], V], length_of: Callable[[K], int]) -> None:
        super().__init__()
        self._work_out = work_out
        self._length_of = length_of

    def __missing__(self, key: K) -> V:
        """Work it out, and keep it where the key is short."""
        found = self._work_out(key)
        if self._length_of(key) <= LONGEST_KEPT:
            if len(self) >= MOST_KEPT:
                self.clear()
            self[key] = found
        return found
