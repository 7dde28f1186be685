"""Short pieces in a known key, for fitting the key profile: chord loops that music theory gives, in many timbres.

Nothing here is shared with ``fixtures``: another writer of chords and other instruments, so that what is fitted here
and holds there is not one synthesiser's habit. A piece is 24 to 48 s of mono sound at 11.025 kHz, all that the key is
read from. Which loops and instruments occur how often is common practice of dance music, without a source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import signal

RATE = 11_025
_SCALE = {"major": (0, 2, 4, 5, 7, 9, 11), "minor": (0, 2, 3, 5, 7, 8, 10)}
_NAMES = ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")

# Chords as semitones above the tonic and the triad: M major, m minor, d diminished, 5 without a third.
LOOPS: dict[str, tuple[str, ...]] = {
    "major": (
        "0M 5M 7M 0M",
        "0M 7M 9m 5M",
        "0M 9m 5M 7M",
        "0M 5M 0M 7M",
        "2m 7M 0M 0M",
        "0M 4m 5M 7M",
        "0M 5M",
        "0M 10M 5M 0M",
        "0M 2m 5M 0M",
        "0M 5M 9m 7M",
        "0M 4m 9m 5M",
        "0M 9m 2m 7M",
        "0M 7M 5M 7M",
        "0M",
        "0M 5m",
    ),
    "minor": (
        "0m 8M 3M 10M",
        "0m 10M 8M 10M",
        "0m 5m 7M 0m",
        "0m 5m 7m 0m",
        "0m 3M 10M 5m",
        "0m 8M 10M 0m",
        "0m 10M",
        "0m 8M",
        "0m 5m",
        "0m 7m",
        "0m",
        "05",
        "0m 0m 10M 8M",
        "0m 0m 5m 7m",
        "0m 3M 8M 10M",
        "0m 8M 5m 7M",
        "0m 5M",
        "0m 1M",
        "2d 7M 0m 0m",
        "0m 3M 5m 10M",
        "0m 5m 8M 7m",
        "05 35 55 35",
        "05 105 05 85",
        "0m 5m 7m 5m",
    ),
}
CADENCES: dict[str, tuple[str, ...]] = {
    "major": (
        "0M 5M 7M 0M",
        "2m 7M 0M",
        "0M 9m 2m 7M 0M",
        "5M 7M 0M",
        "7M 0M",
        "0M 5M 0M",
        "5m 0M",
        "0M 7M 9m 5M 7M 0M",
    ),
    "minor": ("0m 5m 7M 0m", "2d 7M 0m", "0m 8M 2d 7M 0m", "5m 7M 0m", "7M 0m", "0m 5m 0m", "8M 10M 0m", "0m 5m 7m 0m"),
}
"""Closes, from any harmony primer."""

_TRIADS = {"M": (0, 4, 7), "m": (0, 3, 7), "d": (0, 3, 6), "5": (0, 7, 12)}


@dataclass(frozen=True, slots=True)
class Sketch:
    """A piece: its sound, shape (frames,), its key ("A minor"), and the starts of its phrases."""

    samples: NDArray[np.float32]
    key: str
    phrases_s: NDArray[np.float64]


def sketch(seed: int) -> Sketch:
    """Write and play one piece; the same seed gives the same samples."""
    rng = np.random.default_rng([seed, 23])
    mode = "minor" if rng.uniform() < 0.6 else "major"
    tonic = int(rng.integers(12))
    if rng.uniform() < 0.12:
        return _cadence(mode, tonic, rng)
    chords = [_chord(word) for word in LOOPS[mode][rng.integers(len(LOOPS[mode]))].split()]
    if len(chords) > 2 and rng.uniform() < 0.2:
        turn = int(rng.integers(len(chords)))
        chords = chords[turn:] + chords[:turn]
    bar_s = 240 / rng.uniform(84, 176)
    bars_per_chord = int(rng.choice([1, 1, 2])) if bar_s > 1.6 else 2
    phrase = len(chords) * bars_per_chord
    bars = max(8, phrase * int(np.ceil(rng.uniform(24, 44) / (bar_s * phrase))))
    cents = rng.uniform(-40, 40) if rng.uniform() < 0.3 else rng.uniform(-5, 5)
    player = _Player(int((bars * bar_s + 1) * RATE), bar_s, 2 ** (cents / 1200), rng)
    scale = [tonic + step for step in _SCALE[mode]]
    order = [chords[bar // bars_per_chord % len(chords)] for bar in range(bars)]
    if rng.uniform() < 0.4:
        order[-1] = (0, _TRIADS["m" if mode == "minor" else "M"])
    _write(player, [((tonic + root) % 12, triad) for root, triad in order], scale, tonic, rng)
    name = f"{_NAMES[tonic]} {mode}"
    lines = np.arange(0, bars, max(8, phrase) if rng.uniform() < 0.8 else phrase, dtype=np.float64) * float(bar_s)
    return Sketch(player.mix(), name, lines)


def _cadence(mode: str, tonic: int, rng: np.random.Generator) -> Sketch:
    """One close of a few chords, alone."""
    words = CADENCES[mode][rng.integers(len(CADENCES[mode]))].split()
    bar_s = rng.uniform(0.8, 2.2)
    player = _Player(int((len(words) * bar_s + 0.3) * RATE), bar_s, 2 ** (rng.uniform(-30, 30) / 1200), rng)
    instrument, bass = player.instrument(), rng.uniform() < 0.7
    for bar, word in enumerate(words):
        root, triad = _chord(word)
        low = 48 + (tonic + root) % 12
        player.note(instrument, [low + step for step in triad], bar, 0.98, 0.4)
        if bass:
            player.note(instrument, [low - 12], bar, 0.98, 0.5)
    return Sketch(player.mix(), f"{_NAMES[tonic]} {mode}", np.zeros(0))


def _chord(word: str) -> tuple[int, tuple[int, ...]]:
    return int(word[:-1]), _TRIADS[word[-1]]


def _write(
    player: _Player,
    chords: list[tuple[int, tuple[int, ...]]],
    scale: list[int],
    tonic: int,
    rng: np.random.Generator,
) -> None:
    """All parts, one chord a bar."""
    bars = len(chords)
    has_bass, has_chords = rng.uniform() < 0.85, rng.uniform() < 0.8
    has_lead, has_drums = rng.uniform() < 0.55, rng.uniform() < 0.75
    if not has_bass and not has_chords:
        has_chords = True
    instruments = {part: player.instrument() for part in ("bass", "chords", "lead")}
    stabs, inversion, seventh = rng.uniform() < 0.4, int(rng.integers(3)), rng.uniform() < 0.25
    arpeggio, bass_moves, lead_loud = rng.uniform() < 0.25, rng.uniform() < 0.35, rng.uniform(0.2, 0.6)
    bass_floor = int(rng.integers(26, 36))
    bass_steps = sorted({0, *rng.choice(16, size=int(rng.integers(2, 9)), replace=False).tolist()})
    riff = [(int(step), int(rng.integers(7))) for step in rng.choice(32, size=int(rng.integers(4, 12)), replace=False)]
    weights = np.array([0.3, 0.08, 0.2, 0.1, 0.2, 0.06, 0.06])
    riff = [(step, int(rng.choice(7, p=weights))) for step, _ in riff]
    enter = {part: int(rng.choice([0, 0, 0, 4])) if bars > 8 else 0 for part in ("bass", "chords", "lead")}
    for bar, (root, triad) in enumerate(chords):
        if has_bass and bar >= enter["bass"]:
            low = bass_floor + (root - bass_floor) % 12
            for step, following in zip(bass_steps, [*bass_steps[1:], 16], strict=True):
                pitch = low + int(rng.choice([0, 0, 0, 7, 12, 12])) * (bass_moves and step > 0)
                player.note(instruments["bass"], [pitch], bar + step / 16, 0.9 * (following - step) / 16, 0.5)
        if has_chords and bar >= enter["chords"]:
            tones = [48 + (root + step) % 12 for step in triad]
            tones = [tone + 12 * (index < inversion) for index, tone in enumerate(tones)]
            if seventh and len(scale) == 7:
                index = min(range(7), key=lambda place: (scale[place] - root) % 12)
                tones.append(48 + scale[(index + 6) % 7] % 12 + 12)
            if arpeggio:
                for step in range(16):
                    player.note(instruments["chords"], [tones[step % len(tones)] + 12], bar + step / 16, 1 / 16, 0.4)
            else:
                for start, length in [(0, 0.15), (0.375, 0.15), (0.6875, 0.15)] if stabs else [(0.0, 1.0)]:
                    player.note(instruments["chords"], tones, bar + start, length, 0.35)
        if has_lead and bar >= enter["lead"]:
            for step, degree in riff:
                if step // 16 == bar % 2:
                    pitch = 60 + (scale[degree] - tonic) + tonic % 12
                    player.note(instruments["lead"], [pitch], bar + step % 16 / 16, 2.5 / 16, lead_loud)
        if has_drums:
            player.drums(bar)


@dataclass(frozen=True, slots=True)
class _Instrument:
    levels: NDArray[np.float64]
    detune_cents: float
    decay_s: float
    bell: float


class _Player:
    def __init__(self, frames: int, bar_s: float, tuning: float, rng: np.random.Generator) -> None:
        self.sound = np.zeros(frames, dtype=np.float32)
        self.bar_s, self.tuning, self.rng = bar_s, tuning, rng
        self.drum_loud = rng.uniform(0.1, 0.8)
        self.kick_hz = rng.uniform(42, 62)
        self.tail_s = rng.choice([0.06, 0.1, 0.3])

    def instrument(self) -> _Instrument:
        """Saw, square, triangle, a chip's pulse, organ, sine or bell, dark or bright, short or long."""
        rng, orders = self.rng, np.arange(1, 31, dtype=float)
        kind = rng.integers(6)
        if kind == 0:
            levels = 1 / orders
        elif kind == 1:
            levels = (orders % 2) / orders
        elif kind == 2:
            levels = (orders % 2) / orders**2
        elif kind == 3:
            levels = np.abs(np.sin(np.pi * orders * rng.choice([0.125, 0.25, 0.4]))) / orders
        elif kind == 4:
            levels = rng.uniform(0, 1, 30) * (orders < 9)
        else:
            levels = (orders == 1) + rng.uniform(0, 0.3) * (orders == 2)
        levels = levels / (1 + (orders / rng.uniform(2, 30)) ** 3)
        return _Instrument(
            levels / np.max(levels),
            float(rng.choice([0, 0, 6, 12])),
            float(rng.choice([0.1, 0.3, 2.0])),
            float(rng.choice([0.0] * 7 + [0.5])),
        )

    def note(self, instrument: _Instrument, pitches: list[int], bar: float, bars: float, level: float) -> None:
        start, length = round(bar * self.bar_s * RATE), max(200, round(bars * self.bar_s * RATE))
        length = min(length, len(self.sound) - start)
        t = np.arange(length) / RATE
        wave = np.zeros(length)
        for pitch in pitches:
            for cents in {-instrument.detune_cents, instrument.detune_cents}:
                hertz = 440 * 2 ** ((pitch - 69 + cents / 100) / 12) * self.tuning
                phase = 2 * np.pi * (hertz * t + self.rng.uniform())
                turn, spin = np.exp(1j * phase), np.ones(length, dtype=complex)
                for order, amplitude in enumerate(instrument.levels, start=1):
                    if order * hertz > 0.45 * RATE:
                        break
                    spin = spin * turn
                    if amplitude > 0.003:
                        wave += amplitude * spin.imag
                if instrument.bell:
                    wave += instrument.bell * np.sin(2.76 * phase) * np.exp(-t / 0.3)
        wave *= np.exp(-t / instrument.decay_s) * np.minimum(1, np.minimum(t, t[::-1]) / 0.006)
        self.sound[start : start + length] += (level / np.sqrt(len(pitches)) * wave).astype(np.float32)

    def drums(self, bar: int) -> None:
        for beat in range(4):
            self._hit(bar + beat / 4, self._kick())
            self._hit(bar + beat / 4 + 0.125, 0.15 * self._noise(0.03, 3_500))
            if beat % 2:
                self._hit(bar + beat / 4, 0.5 * self._noise(0.12, 900))

    def _kick(self) -> NDArray[np.float64]:
        t = np.arange(int(4 * self.tail_s * RATE)) / RATE
        hertz = self.kick_hz * (1 + 3 * np.exp(-t / 0.02))
        return np.asarray(np.sin(2 * np.pi * np.cumsum(hertz) / RATE) * np.exp(-t / self.tail_s))

    def _noise(self, decay_s: float, low_hz: float) -> NDArray[np.float64]:
        frames = int(5 * decay_s * RATE)
        b, a = signal.butter(2, low_hz, "highpass", fs=RATE)
        noise = signal.lfilter(b, a, self.rng.standard_normal(frames))
        return np.asarray(noise * np.exp(-np.arange(frames) / (decay_s * RATE)))

    def _hit(self, bar: float, wave: NDArray[np.float64]) -> None:
        start = round(bar * self.bar_s * RATE)
        length = min(len(wave), len(self.sound) - start)
        self.sound[start : start + length] += (self.drum_loud * wave[:length]).astype(np.float32)

    def mix(self) -> NDArray[np.float32]:
        """The piece with a little noise, peak at half scale."""
        sound = self.sound + 0.002 * self.rng.standard_normal(len(self.sound)).astype(np.float32)
        return np.asarray(sound * (0.5 / np.max(np.abs(sound))), dtype=np.float32)
