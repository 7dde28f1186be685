"""What is measured: invented tracks of two to three minutes in every style, and the corpus of real ones."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fixtures import corpus
from fixtures.arrange import GROOVES
from fixtures.demo import DemoSpec, write_one
from fixtures.generate import SHORT_LAYOUT, SLIPPED_LAYOUT, STYLES, TrackSpec, Truth, truth_for
from fixtures.plan import Layout, Style

SYNTHETIC_FOLDER = Path("build/accuracy")
COUNT = 48

_ANSWERED: Layout = (
    ("intro", 16),
    ("bridge", 8),
    ("breakdown", 16),
    ("drop", 16),
    ("breakdown", 8),
    ("build-up", 8),
    ("drop", 16),
    ("outro", 8),
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
    ("outro", 8),
)

_TEMPO_BPM: dict[Style, tuple[float, float]] = {
    "house": (118, 128),
    "techno": (128, 146),
    "trance": (132, 142),
    "breaks": (124, 140),
    "two-step": (168, 176),
    "half-time": (160, 174),
    "downtempo": (84, 100),
    "live": (100, 124),
}
_KEYS = (
    *(f"{tonic} minor" for tonic in ("A", "C", "D", "E", "F", "G", "B", "Bb", "F#", "C#", "Eb", "G#")),
    *(f"{tonic} major" for tonic in ("C", "G", "F", "Eb", "D", "A")),
)


@dataclass(frozen=True, slots=True)
class Reference:
    """What is known of a track; None where the material does not say.

    ``full`` is the whole truth of an invented track, ``patterns_s`` where sections of a real one may begin.
    """

    tempo_bpm: float
    steady: bool
    beats_s: NDArray[np.float64]
    downbeats_s: NDArray[np.float64]
    full: Truth | None
    patterns_s: NDArray[np.float64] | None


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
            return path, Reference(truth.tempo_bpm, truth.steady, truth.beats_s, truth.downbeats_s, truth, None)
        assert self.real is not None
        known = self.real.truth
        reference = Reference(
            known.tempo_bpm, known.steady, known.beats_s, known.downbeats_s, None, known.pattern_starts_s
        )
        return self.real.path, reference


def synthetic(count: int = COUNT) -> list[Track]:
    """Invented tracks, the same ones each time: eight styles in turn, tempos whole and fractional, every key."""
    return [_invented(number) for number in range(count)]


def real() -> list[Track]:
    """The corpus as far as it has been made."""
    return [Track(f"real-{track.name}", "real", None, track) for track in corpus.tracks()]


def _invented(number: int) -> Track:
    rng = np.random.default_rng([number, 11])
    style = STYLES[number % len(STYLES)]
    low, high = _TEMPO_BPM[style]
    tempo_bpm = float(rng.uniform(low, high))
    # A third each: whole, to a quarter, to a hundredth. Real tracks are mostly whole, and the rest must not be snapped.
    tempo_bpm = (round(tempo_bpm), round(tempo_bpm * 4) / 4, round(tempo_bpm, 2))[number % 3]
    layout = _SLOW if style == "downtempo" else (SHORT_LAYOUT, SLIPPED_LAYOUT, _ANSWERED, SHORT_LAYOUT)[rng.integers(4)]
    step = number in (9, 20, 31, 42)
    wanders = number in (7, 15, 23, 39)
    spec = TrackSpec(
        seed=2_000 + number,
        tempo_bpm=float(tempo_bpm),
        first_beat_s=round(float(rng.uniform(0.05, 1.6)), 3),
        style=style,
        layout=layout,
        key=_KEYS[int(rng.integers(len(_KEYS)))],
        strongest_drop=int(rng.integers(1, 3)),
        voice=number % 5 == 0,
        tempo_changes=((int(layout[0][1] + 24), float(tempo_bpm) + float(rng.choice([-3.0, 1.5, 2.5]))),)
        if step
        else (),
        wander=float(rng.uniform(0.004, 0.008)) if wanders else 0.0,
        swing=float(rng.uniform(0.1, 0.3)) if style in ("live", "downtempo") else 0.0,
        silent_beats=int(rng.integers(0, 4)),
        drumless_intro_bars=int(rng.choice([0, 0, 0, 4, 8])),
        gain_db=float(rng.choice([-0.5, -0.5, -6.0])),
    )
    assert style in GROOVES
    return Track(f"{number:02d}-{style}", "synthetic", spec, None)
