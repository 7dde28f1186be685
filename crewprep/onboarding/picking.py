"""Which track a member drills on next (pure; no Django).

In this order, each deciding where those before it leave a tie:

1. what is too hard as yet comes last. Hard are a soft first drop, a slipped phrase and an unsteady grid; how many of
   the three a track may have rises with the drills handed in and the share of slots marked right (``allowed_hard``);
2. the slots that are due, the most overdue first;
3. as many slots as possible that were never met;
4. what was met least often: the tempo range, the metre, each kind of hard, and steadiness. Tracks carry no style, so
   tempo range, metre and steadiness stand for it;
5. the seed.

The tempo ranges and the limits of ``allowed_hard`` are ours, chosen and not measured.
"""

from __future__ import annotations

import random
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from uuid import UUID

Meaning = tuple[str, str]
"""What a slot is for: its function and which one of them."""

TEMPO_EDGES_BPM = (100, 120, 135, 160)

HARD = ("unsteady grid", "soft first drop", "slipped phrase")

_DRILLS_A_STEP = 3
_SHARES = (0.5, 0.7, 0.8)
"""The share of slots marked right that one, two and three kinds of hard ask for."""


@dataclass(frozen=True, slots=True)
class Traits:
    """What a track is like, as far as it is known: ``hard`` holds some of ``HARD``; ``beats_per_bar`` 0 where nobody
    has looked."""

    tempo_bpm: float | None
    hard: frozenset[str] = frozenset()
    beats_per_bar: int = 0

    @property
    def kinds(self) -> list[str]:
        """The kinds of track that it is one of, in words."""
        metre = [f"{self.beats_per_bar} beats a bar"] if self.beats_per_bar else []
        return [tempo_range(self.tempo_bpm), *metre, *sorted(self.hard)]


@dataclass(frozen=True, slots=True)
class Candidate:
    """An approved sheet that a member may drill on: the slots it marks and what its track is like."""

    sheet_id: UUID
    slots: frozenset[Meaning]
    traits: Traits


@dataclass(frozen=True, slots=True)
class Need:
    """What a member should meet next: the slots that are ``due``, the most overdue first; the slots and how often each
    kind of track was ``met``; and how many kinds of hard at once are ``allowed``."""

    due: Sequence[Meaning]
    met: frozenset[Meaning]
    kinds: Mapping[str, int]
    allowed: int


def tempo_range(bpm: float | None) -> str:
    """The range that a tempo falls in, in words."""
    if bpm is None:
        return "no tempo"
    at = bisect_right(TEMPO_EDGES_BPM, bpm)
    if at == 0:
        return f"under {TEMPO_EDGES_BPM[0]} BPM"
    if at == len(TEMPO_EDGES_BPM):
        return f"{TEMPO_EDGES_BPM[-1]} BPM and above"
    return f"{TEMPO_EDGES_BPM[at - 1]} to {TEMPO_EDGES_BPM[at]} BPM"


def allowed_hard(handed_in: int, right_share: float | None) -> int:
    """How many kinds of hard a track may have at once after so many drills and with this share (0 to 1) of the latest
    slots right: one more every three drills, as long as half, 70 and 80 per cent are right."""
    earned = sum(1 for share in _SHARES if right_share is not None and right_share >= share)
    return min(handed_in // _DRILLS_A_STEP, earned)


def ranked(candidates: Sequence[Candidate], need: Need, seed: int) -> list[Candidate]:
    """The candidates, the best first; the same for the same seed, whatever order they come in."""
    drawn = random.Random(seed)
    order = {one.sheet_id: drawn.random() for one in sorted(candidates, key=lambda one: one.sheet_id)}
    return sorted(candidates, key=lambda one: (*_rank(one, need), order[one.sheet_id]))


def _rank(one: Candidate, need: Need) -> tuple[int, tuple[bool, ...], int, int]:
    return (
        max(0, len(one.traits.hard) - need.allowed),
        tuple(meaning not in one.slots for meaning in need.due),
        -len(one.slots - need.met),
        sum(need.kinds.get(kind, 0) for kind in one.traits.kinds),
    )
