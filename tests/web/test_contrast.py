"""Colours of the style sheet by the contrast formula of WCAG 2.2 (contrast ratio and relative luminance).

Text needs 4.5:1 (1.4.3), edges that carry meaning 3:1 (1.4.11).
"""

from __future__ import annotations

import re

import pytest
from django.conf import settings

TOKENS = (settings.BASE_DIR / "crewprep/static/crewprep/css/tokens.css").read_text()
LIGHT_TEXT, DARK_TEXT = TOKENS.split("@media (prefers-color-scheme: dark)")


def named(css: str) -> dict[str, str]:
    return dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", css))


SCHEMES = {"light": named(LIGHT_TEXT), "dark": {**named(LIGHT_TEXT), **named(DARK_TEXT)}}


def luminance(colour: str) -> float:
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_formula_gives_the_published_figures() -> None:
    """Black on white is 21:1 (WCAG 2.2); #767676 on white is the well-known last grey above 4.5:1 (4.54)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)


@pytest.mark.parametrize("scheme", SCHEMES)
@pytest.mark.parametrize(
    ("text", "ground"),
    [
        *((text, ground) for text in ("ink", "ink-soft", "link", "bad") for ground in ("paper", "sheet", "note-wash")),
        *((state, ground) for state in ("good", "wait", "bad") for ground in (f"{state}-wash", "sheet")),
        ("ink", "good-wash"), ("ink", "wait-wash"), ("ink", "bad-wash"), ("ink-soft", "sunken"),
        ("on-action", "action"), ("on-action", "action-hover"),
    ],
)  # fmt: skip
def test_text_is_readable(scheme: str, text: str, ground: str) -> None:
    assert contrast(SCHEMES[scheme][text], SCHEMES[scheme][ground]) >= 4.5


@pytest.mark.parametrize("scheme", SCHEMES)
@pytest.mark.parametrize("edge", ["edge", "focus", "slot-outline"])
@pytest.mark.parametrize("ground", ["paper", "sheet"])
def test_edges_are_seen(scheme: str, edge: str, ground: str) -> None:
    assert contrast(SCHEMES[scheme][edge], SCHEMES[scheme][ground]) >= 3


@pytest.mark.parametrize("name", [name for name in SCHEMES["light"] if re.match(r"slot-(?!ink|outline)", name)])
def test_the_number_on_each_slot_colour_is_readable(name: str) -> None:
    """Blue and black carry white numbers, as black on that blue is 4.05:1; all others black ones."""
    ink = "slot-ink-on-deep" if name in {"slot-blue", "slot-black"} else "slot-ink"
    assert contrast(SCHEMES["light"][name], SCHEMES["light"][ink]) >= 4.5
