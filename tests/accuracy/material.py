"""What is measured: invented tracks of one to three minutes as wide as real ones, and the corpus of real ones.

Invented tracks come from their number alone. Even numbers are for tuning, odd ones for reporting: whatever is fitted or
chosen by looking is fitted and chosen on the first half, and only the second half counts. Numbers from ``PRACTICE`` on
are more of the same for fitting weights, and are reported nowhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from fixtures import corpus
from fixtures.demo import DemoSpec, write_one
from fixtures.generate import TrackSpec, Truth, truth_for
from fixtures.spec import BY_HAND, SHORT_LAYOUT, SLIPPED_LAYOUT, STYLES, Layout, Style
from tests.accuracy.listen import drop_levels

SYNTHETIC_FOLDER = Path("build/accuracy")
FIRST = 208
"""Numbers below are the first set; from here on, tracks draw more styles, instruments and ways to play."""
COUNT = 280
PRACTICE = 1_000
_FIRST_STYLES = STYLES[:9]
_LATER_STYLES = STYLES[9:]
Half = Literal["tune", "report"]

_ANSWERED: Layout = (
    ("intro", 16),
    ("bridge", 8),
    ("breakdown", 16),
    ("drop", 16),
    ("breakdown", 8),
    ("build-up", 8),
    ("drop", 16),
    ("outro", 16),
)
"""One drop without a build-up before it, one with."""

_SLOW: Layout = (
    ("intro", 8),
    ("breakdown", 8),
    ("build-up", 8),
    ("drop", 16),
    ("breakdown", 8),
    ("build-up", 8),
    ("drop", 16),
    ("outro", 16),
)
_ODD: Layout = (
    ("intro", 17),
    ("breakdown", 8),
    ("build-up", 10),
    ("drop", 16),
    ("bridge", 8),
    ("breakdown", 12),
    ("build-up", 8),
    ("drop", 16),
    ("outro", 16),
)
"""Phrase lines that slip by one, two and four bars."""

_LOOP: Layout = (("bridge", 48),)
_SONG: Layout = (("intro", 4), ("bridge", 12), ("bridge", 8), ("bridge", 12), ("bridge", 12), ("outro", 4))
"""Verses and choruses: louder and softer, but the drums never leave."""

_AMBIENT: Layout = (("intro", 16), ("bridge", 16), ("bridge", 16), ("outro", 8))
_PATIENT: Layout = (
    ("intro", 32),
    ("breakdown", 8),
    ("build-up", 8),
    ("drop", 16),
    ("breakdown", 8),
    ("build-up", 8),
    ("drop", 16),
    ("outro", 16),
)
"""A long opening, most of it without drums where the spec says so."""

_DANCED: tuple[Layout, ...] = (SHORT_LAYOUT, _PATIENT, SLIPPED_LAYOUT, _ANSWERED, _ODD)

_TEMPO_BPM: dict[Style, tuple[float, float]] = {
    "house": (116, 130),
    "techno": (126, 150),
    "trance": (130, 145),
    "breaks": (122, 142),
    "two-step": (164, 178),
    "half-time": (140, 174),
    "downtempo": (76, 104),
    "live": (92, 140),
    "waltz": (100, 168),
    "rock": (92, 152),
    "six-eight": (150, 222),
    "jungle": (156, 174),
    "shuffle": (126, 136),
    "tresillo": (90, 106),
    "electro": (116, 132),
}
_KEYS = tuple(
    f"{tonic} {mode}"
    for mode in ("minor", "minor", "major")
    for tonic in ("A", "C", "D", "E", "F", "G", "B", "Bb", "F#", "C#", "Eb", "G#")
)
"""All 24 keys, minor ones twice: most dance music is minor (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Reference:
    """What is known of a track; None where the material does not say.

    ``full`` is the whole truth of an invented track, ``patterns_s`` where sections of a real one may begin. Music
    without drums has a beat only on paper and is not asked for it. ``drop_lufs`` is the level of each drop.
    """

    tempo_bpm: float
    steady: bool
    beats_s: NDArray[np.float64]
    downbeats_s: NDArray[np.float64]
    full: Truth | None
    patterns_s: NDArray[np.float64] | None
    beats_per_bar: int = 4
    has_beat: bool = True
    drop_lufs: tuple[float, ...] | None = None


@dataclass(frozen=True, slots=True)
class Track:
    """One track to measure on: made or found when ``path_and_reference`` is called."""

    name: str
    kind: str
    spec: TrackSpec | None
    real: corpus.CorpusTrack | None

    def path_and_reference(self) -> tuple[Path, Reference]:
        """Write an invented track unless it is there; returns the audio file and what is known of it."""
        if self.spec is not None:
            truth = truth_for(self.spec)
            SYNTHETIC_FOLDER.mkdir(parents=True, exist_ok=True)
            path = write_one(DemoSpec(f"{self.name}.flac", self.name, "nobody", self.spec), SYNTHETIC_FOLDER).path
            reference = Reference(
                truth.tempo_bpm, truth.steady, truth.beats_s, truth.downbeats_s, truth, None,
                truth.beats_per_bar, self.spec.drums, drop_levels(path, truth),
            )  # fmt: skip
            return path, reference
        assert self.real is not None
        known = self.real.truth
        reference = Reference(
            known.tempo_bpm, known.steady, known.beats_s, known.downbeats_s, None, known.pattern_starts_s
        )
        return self.real.path, reference


def synthetic(half: Half | None = None) -> list[Track]:
    """Invented tracks, the same ones each time; one half of them, or all."""
    numbers = {"tune": range(0, COUNT, 2), "report": range(1, COUNT, 2), None: range(COUNT)}[half]
    return [_invented(number) for number in numbers]


def practice(first: int, last: int) -> list[Track]:
    """Invented tracks for fitting only, by their number counted from ``PRACTICE``."""
    return [_invented(PRACTICE + 2 * number) for number in range(first, last)]


def real() -> list[Track]:
    """The corpus as far as it has been made."""
    return [Track(f"real-{track.name}", "real", None, track) for track in corpus.tracks()]


def _invented(number: int) -> Track:
    rng = np.random.default_rng([number, 31])
    # Pairs of numbers share a style, so that both halves hold as many of each.
    later = number >= FIRST
    styles = _later_styles(number) if later else _FIRST_STYLES
    style = styles[number // 2 % len(styles)]
    low, high = _TEMPO_BPM[style]
    tempo_bpm = float(rng.uniform(low, high))
    # A third each: whole, to a quarter, to a hundredth. Real tracks are mostly whole, and the rest must not be snapped.
    tempo_bpm = float((round(tempo_bpm), round(tempo_bpm * 4) / 4, round(tempo_bpm, 2))[int(rng.integers(3))])
    form = str(rng.choice(["danced", "song", "loop", "ambient"], p=[0.76, 0.12, 0.06, 0.06]))
    layouts = {"danced": _DANCED, "song": (_SONG,), "loop": (_LOOP,), "ambient": (_AMBIENT,)}[form]
    layout = layouts[int(rng.integers(len(layouts)))]
    if later and style in ("rock", "six-eight"):
        form, layout = "song", _SONG
    if style == "downtempo" and form == "danced":
        layout = _SLOW
    key = _KEYS[int(rng.integers(len(_KEYS)))]
    spec = TrackSpec(
        seed=5_000 + number,
        tempo_bpm=tempo_bpm,
        first_beat_s=round(float(rng.choice([0.0, rng.uniform(0.02, 1.8)], p=[0.15, 0.85])), 3),
        style=style,
        layout=layout,
        key=key,
        strongest_drop=int(rng.integers(1, 3)),
        gain_db=float(rng.choice([-0.3, -1.0, -6.0])),
        silent_beats=int(rng.integers(0, 4 if style != "waltz" else 3)),
        kit=number + 1,
        fresh=bool(rng.uniform() < 0.3),
        trap=bool(rng.uniform() < 0.2),
        duck=float(rng.uniform(0.1, 0.9)),
        drive_db=float(rng.uniform(-1, 6)),
        hats=float(rng.choice([0.0, 0.5, 1.0, 1.0])),
        drums=form != "ambient",
        **_opening(rng, layout),
        **_timing(rng, style, layout, tempo_bpm),
        **_singing(rng, form),
        **_edits(rng, layout, key),
        **(_more(rng, style) if later else {}),
    )
    return Track("-".join([f"{number:03d}", style, *_traits(spec, form)]), "synthetic", spec, None)


def _opening(rng: np.random.Generator, layout: Layout) -> dict[str, Any]:
    intro = layout[0][1] if layout[0][0] == "intro" else 0
    return {
        # The drums come in before the breakdown, or there would be no boundary to hear.
        "drumless_intro_bars": int(min(max(0, intro - 8), rng.choice([0, 0, 0, 4, 8, 24]))),
        "opening": str(rng.choice(["pads", "arpeggio", "off-beat"])),
        "bass_line": str(rng.choice(["groove", "groove", "off-beat", "eighths", "long"])),
        "pickup_beats": int(rng.choice([0, 1, 2, 3], p=[0.88, 0.04, 0.04, 0.04])),
        "fades": ((0, 0), (0, 8), (4, 8))[int(rng.choice(3, p=[0.9, 0.06, 0.04]))] if layout[-1][1] >= 8 else (0, 0),
    }


def _timing(rng: np.random.Generator, style: Style, layout: Layout, tempo_bpm: float) -> dict[str, Any]:
    swing = float(rng.uniform(0.08, 0.33)) if rng.uniform() < 0.35 else 0.0
    live = style in (*BY_HAND, "downtempo")
    chances = [0.5, 0.06, 0.04, 0.06, 0.34] if live else [0.73, 0.11, 0.07, 0.09, 0.0]
    kind = str(rng.choice(["straight", "wow", "drift", "step", "wander"], p=chances))
    changes: dict[str, dict[str, Any]] = {
        "straight": {},
        "wow": {"wow": float(rng.uniform(0.0005, 0.003)), "wow_hz": float(rng.choice([0.55, 0.75]))},
        "drift": {"drift": float(rng.uniform(0.002, 0.01) * rng.choice([-1, 1]))},
        "step": {
            "tempo_changes": (
                (sum(bars for _, bars in layout) // 2, round(tempo_bpm + float(rng.choice([-3.0, 1.5, 2.5])), 2)),
            )
        },
        "wander": {"wander": float(rng.uniform(0.003, 0.008))},
    }
    return {"swing": swing, **changes[kind]}


def _singing(rng: np.random.Generator, form: str) -> dict[str, Any]:
    places = (("breakdown",), ("breakdown", "drop"), ("drop",), ("bridge",))
    where = places[int(rng.integers(3))] if form == "danced" else ("bridge",)
    return {"voice": bool(rng.uniform() < 0.35), "sung": where}


def _edits(rng: np.random.Generator, layout: Layout, key: str) -> dict[str, Any]:
    starts = np.cumsum([0, *(bars for _, bars in layout)])
    inner = int(starts[int(rng.integers(1, len(layout)))]) if len(layout) > 1 else 24
    tonic, mode = key.split()
    order = ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "G#", "A", "Bb", "B")
    higher = f"{order[(order.index(tonic) + 2) % 12]} {mode}"
    last = int(starts[-3]) if len(layout) > 3 else None
    return {
        "half_bars": (inner - 1,) if rng.uniform() < 0.07 else (),
        "key_changes": ((last, higher),) if last and rng.uniform() < 0.1 else (),
    }


def _later_styles(number: int) -> tuple[Style, ...]:
    """The later styles in turn, and after each round of them one of the first."""
    return (*_LATER_STYLES, _FIRST_STYLES[number // (2 * (len(_LATER_STYLES) + 1)) % len(_FIRST_STYLES)])


def _more(rng: np.random.Generator, style: Style) -> dict[str, Any]:
    """What only later tracks draw: swung eighths, hands, near drops, verses, solos, more instruments, masters."""
    swung = style in ("shuffle", "rock", "house", "downtempo") and rng.uniform() < 0.4
    return {
        "swing_eighths": float(rng.uniform(0.12, 0.33)) if swung else 0.0,
        "human_ms": float(rng.uniform(1.0, 5.0)) if style in BY_HAND else 0.0,
        "contrast": float(rng.choice([0.25, 0.5, 1.0])),
        "verses": True,
        "solo": bool(rng.uniform() < 0.3),
        "wide": True,
        "width": float(rng.choice([0.0, 0.5, 1.0, 1.0])),
        "master_lufs": float(rng.uniform(-14, -6)) if rng.uniform() < 0.7 else None,
    }


def _traits(spec: TrackSpec, form: str) -> list[str]:
    """What is unusual about a track, for its name and for grouping misses."""
    asked = {
        form: form != "danced",
        "wow": bool(spec.wow),
        "drift": bool(spec.drift),
        "step": bool(spec.tempo_changes),
        "wander": bool(spec.wander),
        "swing": bool(spec.swing),
        "half-bar": bool(spec.half_bars),
        "pick-up": bool(spec.pickup_beats),
        "key-change": bool(spec.key_changes),
        "slip": any(bars % 8 for _, bars in spec.layout) and form == "danced",
        "sung": spec.voice,
        "swung-eighths": bool(spec.swing_eighths),
        "solo": spec.solo,
        "near-drops": spec.contrast < 1 and form == "danced",
    }
    return [trait for trait, there in asked.items() if there]
