"""Who takes which track: the longest one first, to whoever it fills least. Pure; minutes are whole numbers.

The rule is that of longest processing time: the longest task goes to whoever would have least to do with it. With equal
free minutes and nothing fixed the fullest member has at most 4/3 - 1/(3m) times what the best division would give them,
for m members (R. L. Graham, Bounds on multiprocessing timing anomalies, SIAM J. Appl. Math. 17, 1969). Where free
minutes differ, "least" is measured as a share of them; that share is at most 2m/(m+1) times the best one (T. Gonzalez,
O. H. Ibarra, S. Sahni, Bounds for LPT schedules on uniform processors, SIAM J. Comput. 6, 1977).

Beside that rule, of our own: a track goes to a preparer and another member as its reviewer, the reviewer chosen first,
as fewer may review, and by review minutes alone, so that reviews are balanced for themselves; nobody is filled over
their free minutes, and what fits nobody is left; what is fixed stays and counts.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Generic, TypeVar

Key = TypeVar("Key", bound=Hashable)


@dataclass(frozen=True, slots=True)
class Hand:
    """A member who takes part: the id of the user, their free minutes, and whether they may review."""

    user: int
    free: int
    reviews: bool = True


@dataclass(frozen=True, slots=True)
class Task(Generic[Key]):
    """A track to share out: minutes to prepare (0 where that is done) and to review it, who had a hand in its markers
    already, and who is fixed."""

    key: Key
    prepare: int
    review: int = 0
    authors: frozenset[int] = frozenset()
    preparer: int | None = None
    reviewer: int | None = None


@dataclass(frozen=True, slots=True)
class Share(Generic[Key]):
    """Who is to prepare and to review a track; None where it fits nobody, or nobody needs to."""

    key: Key
    preparer: int | None
    reviewer: int | None


def longest_first(minutes: Sequence[int], free: Sequence[int]) -> list[int | None]:
    """For each task the place (in ``free``) of the member who takes it, None where it fits nobody's free minutes."""
    tasks = [Task(number, prepare) for number, prepare in enumerate(minutes)]
    shares = divide(tasks, [Hand(number, room) for number, room in enumerate(free)])
    return [share.preparer for share in shares]


def divide(tasks: Iterable[Task[Key]], hands: Sequence[Hand]) -> list[Share[Key]]:
    """The shares, in the order of the tasks. The same tasks and hands always give the same."""
    tasks = list(tasks)
    filled = _Filled(hands, tasks)
    shares: dict[Key, Share[Key]] = {}
    # Sorting is stable: of equally long ones the first in the crate goes first.
    for task in sorted(tasks, key=lambda one: -(one.prepare + one.review)):
        preparer, reviewer = filled.place(task)
        shares[task.key] = Share(task.key, preparer, reviewer)
    return [shares[task.key] for task in tasks]


class _Filled:
    """What each hand has to do so far."""

    def __init__(self, hands: Sequence[Hand], tasks: Sequence[Task[Key]]) -> None:
        self.hands = [hand for hand in hands if hand.free > 0]
        self.total = dict.fromkeys((hand.user for hand in self.hands), 0)
        self.reviews = dict(self.total)
        for task in tasks:
            self._add(task.preparer, task.prepare)
            self._add(task.reviewer, 0, task.review)

    def place(self, task: Task[Key]) -> tuple[int | None, int | None]:
        """Choose for what is not fixed, and count it; a preparer alone where no reviewer has room beside one."""
        reviewers = [task.reviewer] if task.reviewer is not None else [*self._reviewers(task), None]
        needs_preparer = task.preparer is None and task.prepare > 0
        preparers = [*self._preparers(task), None] if needs_preparer else [task.preparer]
        found: tuple[int | None, int | None] = (task.preparer, task.reviewer)
        # Both, else the preparer alone; a reviewer without a preparer would have nothing to wait for.
        for reviewer, preparer in product(reviewers, preparers):
            if reviewer is not None and reviewer == preparer:
                continue
            if needs_preparer and preparer is None and task.reviewer is None:
                continue
            found = (preparer, reviewer)
            break
        if found[0] != task.preparer:
            self._add(found[0], task.prepare)
        if found[1] != task.reviewer:
            self._add(found[1], 0, task.review)
        return found

    def _preparers(self, task: Task[Key]) -> list[int]:
        fitting = [hand for hand in self.hands if self.total[hand.user] + task.prepare <= hand.free]
        fitting.sort(key=lambda hand: (self.total[hand.user] + task.prepare) / hand.free)
        return [hand.user for hand in fitting]

    def _reviewers(self, task: Task[Key]) -> list[int]:
        if task.review <= 0:
            return []
        fitting = [
            hand
            for hand in self.hands
            if hand.reviews
            and hand.user != task.preparer
            and hand.user not in task.authors
            and self.total[hand.user] + task.review <= hand.free
        ]
        fitting.sort(
            key=lambda hand: (
                (self.reviews[hand.user] + task.review) / hand.free,
                (self.total[hand.user] + task.review) / hand.free,
            )
        )
        return [hand.user for hand in fitting]

    def _add(self, user: int | None, prepare: int, review: int = 0) -> None:
        if user in self.total:
            self.total[user] += prepare + review
            self.reviews[user] += review
