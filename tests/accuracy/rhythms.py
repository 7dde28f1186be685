"""Rhythms with exact beats in many metres and manners, half a minute to a minute each, for fitting the metre.

Task: material in which the beat must be told from everything else that is even: broken and straight kicks, half time,
off-beat chords, arpeggios in sixteenths without drums, shuffles, waltzes and six-eight, with parts that come and go.
It is meant to be wide rather than beautiful: what to play is drawn at random within what a manner allows (patterns from
common practice, no source), so that weights fitted here do not learn one arranger's habits.

Conventions: a step is the shortest note of the pattern; beats begin at whole numbers of ``Manner.beat`` steps. In
six-eight the beat is the eighth (six to the bar), as in ``fixtures``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fixtures import synth

RATE = 44_100

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Rhythm:
    """Samples (frames,) at 44.1 kHz and what is true of them."""

    manner: str
    mono: NDArray[np.float32]
    beats_s: Floats
    tempo_bpm: float
    beats_per_bar: int


@dataclass(frozen=True, slots=True)
class Manner:
    """How a family of music plays: tempo range, steps a beat, beats a bar, and how often it is drawn."""

    low_bpm: float
    high_bpm: float
    beat: int = 4
    bar: int = 4
    share: float = 1.0


MANNERS: dict[str, Manner] = {
    "four to the floor": Manner(112, 152, share=3.0),
    "slow four": Manner(88, 118),
    "rock": Manner(92, 168, share=2.0),
    "broken": Manner(118, 146, share=1.5),
    "jungle": Manner(158, 180, share=1.5),
    "half time": Manner(132, 176, share=1.5),
    "slow hop": Manner(72, 106, share=2.0),
    "threes and twos": Manner(88, 150, share=1.0),
    "ballad": Manner(62, 88, share=0.7),
    "tracked": Manner(94, 172, share=3.0),
    "no drums": Manner(72, 150, share=1.5),
    "off-beat chords": Manner(68, 150),
    "march": Manner(96, 140, share=0.7),
    "shuffle": Manner(78, 146, beat=3, share=1.0),
    "waltz": Manner(84, 186, bar=3, share=1.2),
    "three four": Manner(84, 150, bar=3, share=0.8),
    "six eight": Manner(150, 228, beat=2, bar=6, share=1.2),
    "clicks": Manner(88, 150, share=0.4),
}


def rhythm(seed: int) -> Rhythm:
    """The rhythm of a seed, always the same."""
    rng = np.random.default_rng([seed, 31])
    names = list(MANNERS)
    shares = np.array([MANNERS[name].share for name in names])
    name = names[int(rng.choice(len(names), p=shares / shares.sum()))]
    manner = MANNERS[name]
    tempo_bpm = float(np.exp(rng.uniform(np.log(manner.low_bpm), np.log(manner.high_bpm))))
    if rng.uniform() < 0.5:
        tempo_bpm = float(round(tempo_bpm))
    return _Band(name, manner, tempo_bpm, rng).play()


def _maybe(rng: np.random.Generator, steps: Sequence[int], chance: float) -> list[int]:
    return [step for step in steps if rng.uniform() < chance]


class _Band:
    """One rhythm in the making: draws the parts, then plays them bar by bar."""

    def __init__(self, name: str, manner: Manner, tempo_bpm: float, rng: np.random.Generator) -> None:
        self.name, self.manner, self.rng = name, manner, rng
        self.tempo_bpm = tempo_bpm
        self.steps = manner.beat * manner.bar
        self.step_s = 60.0 / tempo_bpm / manner.beat
        bar_s = self.steps * self.step_s
        short = rng.uniform() < 0.1
        length_s = rng.uniform(4.0, 15.0) if short else rng.uniform(30.0, 60.0)
        self.bars = int(np.ceil(length_s / bar_s)) if short else int(length_s / bar_s / 4) * 4
        self.first_s = float(rng.choice([0.0, rng.uniform(0.0, 1.5)]))
        self.swing = float(rng.uniform(0.1, 0.35)) if manner.beat == 4 and rng.uniform() < 0.2 else 0.0
        self.swung = int(rng.choice([1, 2]))
        self.jitter_s = float(rng.choice([0.0, 0.0, rng.uniform(0.001, 0.006)]))
        self.seconds = self.first_s + self.bars * bar_s + 0.5
        self.out = np.zeros(int(self.seconds * RATE) + 4 * RATE, dtype=np.float32)
        self.notes: dict[tuple[float, int, int], synth.Sound] = {}

    def play(self) -> Rhythm:
        parts = int(self.rng.choice([1, 2, 3]))
        part_of = np.arange(self.bars) // int(self.rng.choice([4, 8, 8])) % parts
        with_drums = self._has_drums()
        kit = self._kit()
        if self.name == "clicks":
            self._clicks()
            parts = 0
        for part in range(parts):
            here = part_of == part
            drums = self._drums(kit) if with_drums else {}
            for drum, bars in drums.items():
                level = self._level(0.0 if drum == "kick" else -2.0)
                active = self._active(0.85) & here
                for bar in np.flatnonzero(active):
                    for step, loud in bars[bar % len(bars)]:
                        self._add(kit[drum], int(bar), step, level * loud)
                if drum == "snare" and self.rng.uniform() < 0.5:
                    self._fills(kit[drum], active, level)
            self._pitched(bool(drums), here)
        frames = int(self.seconds * RATE)
        mono = self.out[:frames]
        mono = np.tanh(mono / np.float32(max(1e-6, float(np.abs(mono).max()))) * np.float32(self.rng.uniform(0.7, 1.6)))
        count = self.bars * self.manner.bar
        beats_s = self.first_s + np.arange(count, dtype=np.float64) * (self.step_s * self.manner.beat)
        if self.rng.uniform() < 0.12:  # begins anywhere: a recording cut out of a longer one, or a pick-up
            cut = int(self.rng.integers(1, self.steps)) * self.step_s + self.first_s
            mono, beats_s = mono[round((cut - 0.02) * RATE) :], beats_s - cut + 0.02
        return Rhythm(self.name, mono.astype(np.float32), beats_s[beats_s >= 0], self.tempo_bpm, self.manner.bar)

    def _level(self, usual_db: float) -> float:
        return float(10 ** ((usual_db + self.rng.uniform(-7, 4)) / 20))

    def _active(self, chance: float) -> NDArray[np.bool_]:
        """In which bars a part plays: it comes and goes every four bars."""
        return np.repeat(self.rng.uniform(size=-(-self.bars // 4)) < chance, 4)[: self.bars]

    def _add(self, sound: synth.Sound, bar: int, step: float, level: float) -> None:
        at = bar * self.steps + step
        if self.swing and int(step) % (2 * self.swung) >= self.swung and self.swung <= self.manner.beat // 2:
            at += self.swing * self.swung / 2
        time_s = self.first_s + at * self.step_s + self.rng.normal(0.0, 1.0) * self.jitter_s
        start = max(0, round(time_s * RATE))
        cut = sound[: max(0, len(self.out) - start)]
        self.out[start : start + len(cut)] += cut * np.float32(level * self.rng.uniform(0.85, 1.0))

    def _fills(self, sound: synth.Sound, active: NDArray[np.bool_], level: float) -> None:
        for bar in range(3, self.bars, 4):
            if active[bar]:
                for step in range(self.steps - self.manner.beat, self.steps):
                    if self.rng.uniform() < 0.7:
                        self._add(sound, bar, step, 0.7 * level)

    def _clicks(self) -> None:
        """One drum on every beat and nothing else: only the tempo tells the octave."""
        sound = list(self._kit().values())[int(self.rng.integers(5))]
        for bar in range(self.bars):
            for beat in range(self.manner.bar):
                self._add(sound, bar, beat * self.manner.beat, 1.0)

    def _has_drums(self) -> bool:
        if self.name == "no drums":
            return False
        return self.name not in ("tracked", "ballad") or self.rng.uniform() >= 0.15

    def _kit(self) -> dict[str, synth.Sound]:
        rng = self.rng
        falling = rng.uniform(120, 260), rng.uniform(42, 65), rng.uniform(0.05, 0.16), rng.uniform(0, 0.5)
        struck = rng.uniform(150, 260), rng.uniform(0.03, 0.12)
        return {
            "kick": synth.kick(*falling, rng),
            "snare": synth.clap(rng) if rng.uniform() < 0.3 else synth.snare(*struck, rng),
            "hat": synth.hat(rng.uniform(0.01, 0.05), rng.uniform(4_000, 9_000), rng),
            "open": synth.hat(rng.uniform(0.06, 0.2), rng.uniform(4_000, 7_000), rng),
            "tom": synth.tom(rng.uniform(80, 300)),
        }

    def _drums(self, kit: dict[str, synth.Sound]) -> dict[str, list[list[tuple[int, float]]]]:
        """The bars of each drum that plays (in turn): steps and levels."""
        rng, name = self.rng, self.name
        turns = int(rng.choice([1, 1, 2, 4]))
        patterns: dict[str, list[list[tuple[int, float]]]] = {drum: [] for drum in kit}
        fixed = self._hat_habit()
        snare_on, kick_on = self._backbeat(), self._kick_habit()
        for _ in range(turns):
            kick = sorted(set(kick_on) | set(_maybe(rng, self._syncopes(), rng.choice([0.0, 0.1, 0.25]))))
            patterns["kick"].append([(step, 1.0) for step in kick if step not in snare_on or name in _STRAIGHT])
            ghosts = _maybe(rng, range(self.steps), rng.choice([0.0, 0.0, 0.1])) if name not in _STRAIGHT else []
            patterns["snare"].append([(s, 1.0) for s in snare_on] + [(s, 0.3) for s in ghosts if s not in snare_on])
            patterns["hat"].append([(step, 1.0 if step % self.manner.beat == 0 else 0.8) for step in fixed])
            half = self.manner.beat // 2 if self.manner.beat != 3 else 2
            offs = [beat * self.manner.beat + half for beat in range(self.manner.bar)]
            patterns["open"].append([(s, 1.0) for s in offs])
            patterns["tom"].append([(s, 0.8) for s in _maybe(rng, range(self.steps), 0.15)])
        hats = 0.5 if name == "waltz" else 0.12
        dropped = {"open": 0.35 if name in _STRAIGHT else 0.85, "tom": 0.8, "snare": 0.1, "hat": hats, "kick": 0.06}
        return {drum: bars for drum, bars in patterns.items() if rng.uniform() >= dropped[drum]}

    def _backbeat(self) -> list[int]:
        beat, name, rng = self.manner.beat, self.name, self.rng
        if name == "half time":
            return [2 * beat]
        if name == "waltz":
            return [beat, 2 * beat] if rng.uniform() < 0.7 else []
        if name == "three four":
            return [2 * beat] if rng.uniform() < 0.5 else [beat]
        if name == "six eight":
            return [3 * beat]
        if name == "off-beat chords" and rng.uniform() < 0.6:
            return [2 * beat]
        return [beat, 3 * beat]

    def _kick_habit(self) -> list[int]:
        beat, name, rng = self.manner.beat, self.name, self.rng
        if name in _STRAIGHT or (name in ("tracked", "shuffle") and rng.uniform() < 0.35):
            return [b * beat for b in range(self.manner.bar)]
        if name == "march":
            return [0, 2 * beat]
        if name in ("waltz", "three four", "six eight"):
            return [0]
        if name == "half time":
            return [0, *_maybe(rng, (3, 6, 7, 10, 11, 14), 0.3)]
        if name == "off-beat chords":
            return [2 * beat] if rng.uniform() < 0.5 else [0, 2 * beat]
        if name == "shuffle":
            return [0, 2 * beat, *_maybe(rng, (5, 8, 11), 0.25)]
        if name == "threes and twos":
            return list(_TRESILLOS[int(rng.integers(len(_TRESILLOS)))])
        choices = ([0, 10], [0, 8], [0, 7, 10], [0, 3, 10], [0, 6, 10], [0, 8, 10], [0, 2, 8, 10], [0, 6, 8, 14])
        return list(choices[int(rng.integers(len(choices)))])

    def _syncopes(self) -> list[int]:
        return [s for s in range(1, self.steps) if s % self.manner.beat]

    def _hat_habit(self) -> list[int]:
        rng, beat = self.rng, self.manner.beat
        kinds: tuple[list[int], ...]
        if beat == 3:
            kinds = ([0], [0, 2], [0, 1, 2])
            chances = [0.2, 0.5, 0.3]
        elif beat == 2:
            kinds = ([0], [0, 1], [0])
            chances = [0.6, 0.3, 0.1]
        else:
            kinds = ([0, 2], [0, 1, 2, 3], [2], [0], [0, 2, 3])
            fast = self.tempo_bpm > 140
            chances = [0.5, 0.1 if fast else 0.3, 0.1, 0.2 if fast else 0.1, 0.1 if fast else 0.0]
            chances = [*chances[:-1], 1.0 - sum(chances[:-1])]
        kind = kinds[int(rng.choice(len(kinds), p=chances))]
        return [b * beat + k for b in range(self.manner.bar) for k in kind]

    def _pitched(self, drums: bool, here: NDArray[np.bool_]) -> None:
        rng, name = self.rng, self.name
        tonic = int(rng.integers(12))
        scale = ((0, 2, 3, 5, 7, 8, 10), (0, 2, 4, 5, 7, 9, 11))[int(rng.integers(2))]
        bars_per_chord = float(rng.choice([0.5, 1, 1, 2, 4])) if self.manner.bar == 4 else float(rng.choice([1, 1, 2]))
        loop = rng.integers(0, 7, size=4)
        loop[0] = 0
        tracked = name in ("tracked", "no drums")
        parts = []
        if rng.uniform() < 0.85:
            parts.append(("bass", self._bass_steps(), 28, self._level(-4.0)))
        if rng.uniform() < 0.7:
            parts.append(("chord", self._chord_steps(), 48, self._level(-10.0)))
        if rng.uniform() < (0.75 if tracked else 0.25):
            every = 1 if rng.uniform() < 0.7 or self.manner.beat == 2 else 2
            parts.append(("arp", [list(range(0, self.steps, every))], 60, self._level(-10.0)))
        if rng.uniform() < (0.8 if tracked else 0.5) or not (drums or parts):
            parts.append(("lead", self._riff(), 60, self._level(-7.0)))
        for part, bars, lowest, level in parts:
            active = self._active(0.85 if drums else 0.95) & here
            bright_hz = float(rng.uniform(250, 1_500) if part == "bass" else rng.uniform(800, 8_000))
            decay_s, sustain = float(rng.uniform(0.06, 0.4)), float(rng.uniform(0.0, 0.7))
            melody = rng.integers(0, 8, size=4 * self.steps)
            for bar in range(self.bars):
                if not active[bar]:
                    continue
                steps = bars[bar % len(bars)]
                for place, step in enumerate(steps):
                    chord = int(loop[int((bar + step / self.steps) / bars_per_chord) % 4])
                    following = steps[place + 1] if place + 1 < len(steps) else self.steps
                    degrees = self._degrees(part, chord, place, int(melody[(bar % 4) * self.steps + step]))
                    for degree in degrees:
                        pitch = lowest + tonic + scale[degree % 7] + 12 * (degree // 7)
                        length = min(following - step, self.steps if part == "chord" else 2 * self.manner.beat)
                        sound = self._note(pitch, length, bright_hz, decay_s, sustain)
                        self._add(sound, bar, step, level / len(degrees) ** 0.5)

    def _degrees(self, part: str, chord: int, place: int, drawn: int) -> list[int]:
        if part == "bass":
            return [chord + (7 if drawn == 7 else 0)]
        if part == "chord":
            return [chord, chord + 2, chord + 4]
        if part == "arp":
            return [chord + (0, 2, 4, 7)[place % (4 if self.manner.beat != 3 else 3)]]
        return [chord + drawn if drawn % 2 == 0 else drawn]

    def _note(self, pitch: int, steps: int, bright_hz: float, decay_s: float, sustain: float) -> synth.Sound:
        key = (bright_hz, pitch, steps)
        if key not in self.notes:
            hertz = 440.0 * 2 ** ((pitch - 69) / 12)
            frames = max(500, int(0.95 * steps * self.step_s * RATE))
            sound = synth.pluck(hertz, frames, bright_hz, decay_s, sustain)
            sound[-200:] *= np.linspace(1, 0, 200, dtype=np.float32)
            self.notes[key] = sound
        return self.notes[key]

    def _bass_steps(self) -> list[list[int]]:
        rng, beat, bar, name = self.rng, self.manner.beat, self.manner.bar, self.name
        beats = [b * beat for b in range(bar)]
        if name in ("waltz", "three four", "six eight"):
            return [[0] if rng.uniform() < 0.6 else [0, 3 * beat] if bar == 6 else beats]
        if name == "march":
            return [[0, 2 * beat]]
        if name in _STRAIGHT:
            if rng.uniform() < 0.3:
                return [[b + beat // 2 for b in beats]]
            if rng.uniform() < 0.3:
                return [[b + k for b in beats for k in (1, 2, 3)]]
        if name == "threes and twos" and rng.uniform() < 0.7:
            return [list(_TRESILLOS[int(rng.integers(len(_TRESILLOS)))])]
        kind = rng.uniform()
        if kind < 0.3:
            every = beat // 2 if beat == 4 else beat
            return [list(range(0, self.steps, every))]
        if kind < 0.4:
            return [beats]
        if kind < 0.5:
            return [[0]]
        return self._draw((0.95, 0.45, 0.35, 0.2), int(rng.choice([1, 2])))

    def _chord_steps(self) -> list[list[int]]:
        rng, beat, bar, name = self.rng, self.manner.beat, self.manner.bar, self.name
        half = beat // 2 if beat == 4 else 2 if beat == 3 else 1
        if name == "off-beat chords":
            return [[b * beat + half for b in range(bar)]]
        if name == "waltz":
            return [[beat, 2 * beat]]
        if name == "march":
            return [[beat, 3 * beat]]
        if name == "threes and twos" and rng.uniform() < 0.4:
            return [list(_TRESILLOS[int(rng.integers(len(_TRESILLOS)))])]
        kind = rng.uniform()
        if kind < 0.45:
            return [[0]]
        if kind < 0.5 and beat == 4:  # the chord comes half a beat early
            return [[self.steps - 2]]
        if kind < 0.6:
            return [[b * beat for b in range(bar)]]
        if kind < 0.7 and name in _STRAIGHT:
            return [[b * beat + half for b in range(bar)]]
        return [sorted({0, *_maybe(rng, range(self.steps), 0.2)})]

    def _riff(self) -> list[list[int]]:
        dense = self.rng.uniform(0.4, 1.2)
        return self._draw((0.8 * dense, 0.55 * dense, 0.4 * dense, 0.2 * dense), int(self.rng.choice([1, 2, 4])))

    def _draw(self, chances: tuple[float, float, float, float], bars: int) -> list[list[int]]:
        """Bars of steps, drawn with a chance each for the first beat, other beats, halves of beats, and the rest."""
        beat = self.manner.beat
        level = [0 if s == 0 else 1 if s % beat == 0 else 2 if 2 * s % beat == 0 else 3 for s in range(self.steps)]
        return [[s for s in range(self.steps) if self.rng.uniform() < chances[level[s]]] for _ in range(bars)]


_TRESILLOS = ([0, 6, 8, 14], [0, 3, 6, 8, 11, 14], [0, 6, 12], [0, 3, 6, 10, 12], [0, 3, 8, 11], [0, 6, 10])
_STRAIGHT = ("four to the floor", "slow four")
