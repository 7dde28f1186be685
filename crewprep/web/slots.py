"""How a slot looks: its shape as an outline in a 32 × 32 square, with room for its number."""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, pi, sin
from typing import Protocol

from analysis_worker.core.convention import SHAPES


class SlotLike(Protocol):
    """What a badge needs to know of a slot."""

    @property
    def number(self) -> int: ...
    @property
    def colour(self) -> str: ...
    @property
    def shape(self) -> str: ...


@dataclass(frozen=True, slots=True)
class Badge:
    """A slot's badge, ready to be drawn: an SVG path, and where the foot of the number goes."""

    number: int
    colour_class: str
    path: str
    text_y: float


def _polygon(corners: int, radius: float, *, turn: float = 0.0, inner: float | None = None, y: float = 16.0) -> str:
    """A regular polygon, or a star where ``inner`` gives the radius between its points; the first corner is on top."""
    count = corners * (2 if inner is not None else 1)
    points = []
    for index in range(count):
        reach = inner if inner is not None and index % 2 else radius
        angle = turn - pi / 2 + index * 2 * pi / count
        points.append(f"{16 + reach * cos(angle):.2f} {y + reach * sin(angle):.2f}")
    return f"M{'L'.join(points)}Z"


PATHS: dict[str, str] = {
    "circle": "M16 2.5a13.5 13.5 0 1 0 0 27a13.5 13.5 0 1 0 0-27Z",
    "square": "M4 4H28V28H4Z",
    "triangle": "M16 2L31 29.5H1Z",
    "diamond": "M16 1L31 16L16 31L1 16Z",
    "pentagon": _polygon(5, 15, y=17),
    "hexagon": _polygon(6, 14.8, turn=pi / 6),
    "star": _polygon(6, 15.2, inner=10.2),
    "cross": "M9.5 2H22.5V9.5H30V22.5H22.5V30H9.5V22.5H2V9.5H9.5Z",
}
"""One outline for each of ``SHAPES``."""

_TEXT_Y = {"triangle": 26.0, "pentagon": 21.5}

assert set(PATHS) == set(SHAPES)


def badge(slot: SlotLike) -> Badge:
    """The badge of a slot; an unknown colour or shape is drawn as a black circle rather than not at all."""
    shape = slot.shape if slot.shape in PATHS else "circle"
    return Badge(
        number=slot.number,
        colour_class=f"slot--{slot.colour.replace(' ', '-') or 'black'}",
        path=PATHS[shape],
        text_y=_TEXT_Y.get(shape, 20.7),
    )
